"""All that the benchmarks use of the search itself, in one place."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from instances import Instance, read_instance
from ttt_models.rotation import Line, RotationData
from ttt_opt.course import Course, read_course
from ttt_opt.physiology import sustainable_share
from ttt_opt.plan import ride_and_check
from ttt_opt.race import Race
from ttt_opt.ride_check import RideCheck
from ttt_opt.rotation_fit import FittedPlan, assume, fit_to_ride
from ttt_opt.rotation_optimum import Optimum, optimise
from ttt_opt.rotation_paths import compile_rotation
from ttt_opt.rotation_plan import RotationPlan, schedule_of, w_prime_along
from ttt_opt.rotation_problem import (
    FINE_GRID,
    NARROW_GRID,
    WIDE_GRID,
    Assumptions,
    KeptPull,
    Road,
    reference_speed,
    road_of,
    rotation_data,
    segments_of,
)
from ttt_opt.rotation_search import ArcTable, PathValuer
from ttt_opt.schedule import Schedule
from ttt_opt.search_control import SearchClock, Settings

FloatArray = NDArray[np.float64]

INFINITY = float("inf")
FIT_LIMIT_S = 300.0
"""Time in which the plan of a peer is fitted to its ride, beyond the time of its search (s)."""

Pulls = tuple[tuple[int, int, Line], ...]
"""First segment, end and riders in line order of each pull."""


@dataclass(frozen=True)
class Problem:
    """An instance, read and cut."""

    instance: Instance
    race: Race
    course: Course
    road: Road

    def ride(self, schedule: Schedule, w_prime_j: FloatArray) -> RideCheck:
        """The ride check of a schedule, given W' at the boundaries as planned (J)."""
        return ride_and_check(self.race, self.course, self.road, schedule, w_prime_j)[1]


def read_problem(instance: Instance, folder: Path) -> Problem:
    """Write an instance into a folder, read it back, cut its course."""
    race = read_instance(instance, folder)
    course = read_course(race.course_file, flat=race.flat)
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    return Problem(instance, race, course, road)


@dataclass(frozen=True)
class Told:
    """What a search told at one moment: seconds since it began, what it did, best time and bound (s)."""

    seconds: float
    what: str
    best_s: float
    bound_s: float


def search(problem: Problem, settings: Settings) -> tuple[Optimum, list[Told]]:
    """Our search, and what it told on the way; the last entry is its answer."""
    began, told = time.perf_counter(), []

    def progress(what: str, best_s: float, bound_s: float) -> None:
        told.append(Told(time.perf_counter() - began, what, float(best_s), float(bound_s)))

    ride_schedule = partial(ride_and_check, problem.race, problem.course, problem.road)
    optimum = optimise(problem.road, problem.race, ride_schedule, settings, progress)
    told.append(Told(time.perf_counter() - began, "answer", optimum.finish_time_s, float(optimum.best_possible_s)))
    return optimum, told


def pulls_of(schedule: Schedule) -> Pulls:
    """The pulls of a schedule."""
    return tuple((pull.first_segment, pull.end_segment, pull.line) for pull in schedule.pulls)


def order_of(problem: Problem, pulls: Pulls) -> tuple[int, ...]:
    """Cyclic order of those who pull, from the first pull."""
    riders = problem.race.team.riders
    return tuple(i for i in pulls[0][2] if riders[i].pulls)


def first_assumptions(problem: Problem, speed_mps: FloatArray | None = None) -> Assumptions:
    """Constants before any plan is known, around the reference speeds or those given ``(n_segments,)`` (m/s)."""
    road, race = problem.road, problem.race
    n_segments, n_riders = road.n_segments, len(race.team.riders)
    share = race.limits.sustainable_share_of_cp
    if share is None:
        guess_mps = reference_speed(road, race, 1.0) if speed_mps is None else speed_mps
        share = float(sustainable_share(float((road.length_m / guess_mps).sum())))
    centre = reference_speed(road, race, share) if speed_mps is None else speed_mps
    return Assumptions(
        centre_mps=centre,
        exit_mps=centre,
        steps=WIDE_GRID if speed_mps is None else NARROW_GRID,
        closeness=1.0,
        time_share=np.ones(n_segments),
        recovery_share=np.full((n_segments, n_riders), race.recovery_share),
        spent_kept=np.ones((n_segments, n_riders)),
        also_used_j=np.zeros((n_segments, n_riders)),
        also_work_j=np.zeros((n_segments, n_riders)),
        also_changeover_j=np.zeros(n_riders),
        sustainable_share=share,
        dip_j=np.zeros((n_segments, n_riders)),
    )


def fit_pulls(problem: Problem, pulls: Pulls, assumptions: Assumptions, seed: int = 0) -> FittedPlan | None:
    """The best speeds for given pulls, fitted to their ride as our own plans are; ``None``: the solver found none."""
    road, race, order = problem.road, problem.race, order_of(problem, pulls)
    kept = replace(assumptions, kept_pulls=tuple(KeptPull(*pull) for pull in pulls))
    compiled = compile_rotation(rotation_data(road, race, order, kept, only_kept=True))
    valuer = PathValuer(compiled, seed)
    plan = valuer.value(tuple(range(len(pulls))))
    if plan.pace is None:
        return None
    ride_schedule = partial(ride_and_check, race, problem.course, road)
    clock = SearchClock(Settings(time_limit_s=FIT_LIMIT_S, seed=seed))
    whole = RotationPlan(order, kept, compiled, ArcTable.of(compiled.data), valuer, plan)
    return fit_to_ride(road, race, whole, ride_schedule, clock, lambda _what, _best, _bound: None)


def ride_of(problem: Problem, fitted: FittedPlan) -> RideCheck:
    """The ride check of a fitted plan."""
    plan = fitted.order
    return problem.ride(schedule_of(problem.road, plan), w_prime_along(plan.compiled.data, plan.best))


def settled_assumptions(problem: Problem, schedule: Schedule) -> Assumptions:
    """Constants that fit the ride of a schedule's pulls and hold for other pulls too: those of a last search."""
    duration_s = schedule.duration_s - schedule.lost_s
    speed_mps = problem.road.length_m / duration_s
    fitted = fit_pulls(problem, pulls_of(schedule), first_assumptions(problem, speed_mps))
    if fitted is None:
        raise RuntimeError(f"{problem.instance.name}: the pulls of the plan have no speeds")
    return replace(
        assume(problem.road, problem.race, fitted.order, fitted.ridden),
        steps=FINE_GRID,
        closeness=1.0,
        kept_pulls=(),
    )


def constants(problem: Problem, order: Sequence[int], assumptions: Assumptions) -> RotationData:
    """Constants of the rotation model for one cyclic order."""
    return rotation_data(problem.road, problem.race, tuple(order), assumptions)
