"""The main flow: from a race to a plan that has been ridden, :func:`make_plan`; and what a plan holds."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ttt_opt.allowance import Allowance
from ttt_opt.course import Course, read_course
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.fall_backs import FallBack, fall_backs
from ttt_opt.pattern_plan import RideablePlan, described, side_of
from ttt_opt.race import Race
from ttt_opt.remedies import with_remedies
from ttt_opt.ride import Ride, ride
from ttt_opt.ride_check import RideCheck, check_ride
from ttt_opt.rideable_plan import make_rideable_plan
from ttt_opt.rotation_optimum import Optimum, optimise, relaxed_bound
from ttt_opt.rotation_problem import Road, road_of, segments_of
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.search_control import Progress, SearchClock, Settings, interrupts
from ttt_opt.team_bound import team_bound

FloatArray = NDArray[np.float64]

PATTERN_SECONDS, USUAL_TEAM, RIDEABLE_SHARE = 240.0, 4, 0.6
"""Longest search for patterns (s), for a team of so many riders at most, as larger ones have more patterns; and the
share of it for the rideable plan."""
MOST_SEGMENTS_FOR_PATTERNS = 600
"""On longer roads (more than some 100 km of open road) the first patterns alone take minutes: none are searched."""

REMEDY_SECONDS = 90.0
"""Longest search for what would make a plan possible (s)."""


@dataclass(frozen=True)
class Pull:
    """One pull as the riders get it.

    Attributes
    ----------
    rider : str
    start_m, end_m : float
        Where it starts and ends (m from the start).
    start_s, duration_s : float
        When it starts (s after the start) and how long it lasts (s).
    front_power_w, front_power_w_per_kg, front_power_share_of_cp : float
        Mean power at the front (W), per kg of body mass (W/kg), and as share of the rider's critical power.
    speed_kmh : float
        Mean speed (km/h).
    terrain : str
        ``flat``, ``climb`` or ``descent``, where the pull spends most of its time.
    swing_off : str
        ``left`` or ``right``: the side the wind comes from, on which to leave the front; ``either`` without a
        cross wind worth speaking of; ``finish`` for the last pull; ``leave`` where the rider leaves the line for good.
    sits_on : bool
        After it the rider stays on the last wheels to the finish.
    """

    rider: str
    start_m: float
    end_m: float
    start_s: float
    duration_s: float
    front_power_w: float
    front_power_w_per_kg: float
    front_power_share_of_cp: float
    speed_kmh: float
    terrain: str
    swing_off: str
    sits_on: bool


@dataclass(frozen=True)
class RiderSummary:
    """What the plan asks of one rider, as planned and as the ride check rode it.

    Attributes
    ----------
    name : str
    n_pulls : int
    front_s, front_share : float
        Time at the front (s) and as share of the finish time.
    mean_pull_s : float
        Mean length of a pull (s), 0 without one.
    mean_front_power_w, mean_front_power_share_of_cp : float
        Mean power at the front (W; share of critical power), 0 without a pull.
    mean_power_w, peak_power_w : float
        Mean power until the rider leaves or finishes, and highest mean over 5 s, in the ride check (W).
    w_prime_min_j, w_prime_end_j : float
        Lowest and last W' in the ride check (J).
    leaves_at_m : float or None
        Where the rider leaves the line for good (m), ``None``: finishes in it.
    sits_on_from_m : float or None
        From where the rider stays on the last wheels to the finish (m), 0 from the start; ``None``: pulls as long as in
        the line.
    """

    name: str
    n_pulls: int
    front_s: float
    front_share: float
    mean_pull_s: float
    mean_front_power_w: float
    mean_front_power_share_of_cp: float
    mean_power_w: float
    peak_power_w: float
    w_prime_min_j: float
    w_prime_end_j: float
    leaves_at_m: float | None
    sits_on_from_m: float | None


@dataclass(frozen=True)
class Plan:
    """A plan, what it is worth, and how it was found.

    Attributes
    ----------
    race : Race
    course : Course
    road : Road
        Segments with wind and air.
    start_order : tuple of str
        Names, the first leader first.
    pulls : tuple of Pull
    riders : tuple of RiderSummary
        In the order of the team file.
    ride : Ride
    check : RideCheck
    optimum : Optimum
        Schedule, W' in the model, finish time, bound, gap, why the search stopped, seconds, versions.
    rideable : RideablePlan or None
        The plan of few stretches, from :func:`with_patterns`; ``None``: none was found or asked for.
    fall_backs : tuple of FallBack
        Patterns for a missing rider and for other wind.
    """

    race: Race
    course: Course
    road: Road
    start_order: tuple[str, ...]
    pulls: tuple[Pull, ...]
    riders: tuple[RiderSummary, ...]
    ride: Ride
    check: RideCheck
    optimum: Optimum
    rideable: RideablePlan | None = None
    fall_backs: tuple[FallBack, ...] = ()

    @property
    def finish_time_s(self) -> float:
        """Planned finish time (s)."""
        return self.optimum.finish_time_s


def make_plan(race: Race, settings: Settings | None = None, progress: Progress | None = None) -> Plan:
    """Read the course, cut it, search the best rotation, ride it, and describe the result.

    Parameters
    ----------
    race : Race
    settings : Settings
        Time limit, gap and seed; by default those of the class.
    progress : callable, optional
        See :data:`ttt_opt.search_control.Progress`.

    Raises
    ------
    InputError
        The course cannot be read.
    NoFeasiblePlanError, SolverFailureError
        There is no plan; the first names the smallest change that makes one possible.
    """
    course, settings = read_course(race.course_file, flat=race.flat), settings or Settings()
    try:
        return plan_on(course, race, settings, progress)
    except NoFeasiblePlanError as error:
        if progress is not None:
            progress("no plan; looking for the smallest change that helps", math.inf, -math.inf)
        clock = SearchClock(replace(settings, time_limit_s=min(settings.time_limit_s, REMEDY_SECONDS)))
        with interrupts(clock):
            raise with_remedies(course, race, error, clock) from error


def plan_on(course: Course, race: Race, settings: Settings | None = None, progress: Progress | None = None) -> Plan:
    """The same on a course that has been read; the race's course file is not used."""
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    optimum = optimise(road, race, partial(ride_and_check, race, course, road), settings or Settings(), progress)
    return plan_of(race, course, road, optimum)


def relaxed_bound_on(course: Course, race: Race, settings: Settings) -> float:
    """Time below which no plan can be, see :func:`ttt_opt.rotation_optimum.relaxed_bound` (s)."""
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    return relaxed_bound(road, race, partial(ride_and_check, race, course, road), settings)


def with_patterns(plan: Plan, progress: Progress | None = None, seconds: float = PATTERN_SECONDS) -> Plan:
    """The plan with its rideable plan and the fall-backs that go with it; as it is where its search was interrupted or
    its road has more than :data:`MOST_SEGMENTS_FOR_PATTERNS`.

    Parameters
    ----------
    plan : Plan
    progress : callable, optional
        See :data:`ttt_opt.search_control.Progress`.
    seconds : float
        After so long patterns of four riders are taken as they are then (s), those of more riders later in
        proportion: after three fifths of it at most for the rideable plan.
    """
    race, course, road, optimum = plan.race, plan.course, plan.road, plan.optimum
    too_long = road.n_segments > MOST_SEGMENTS_FOR_PATTERNS
    if optimum.stopped_because == "interrupted" or too_long:  # who stops the search wants the answer now
        return plan
    if progress is not None:
        progress("choosing patterns", plan.finish_time_s, optimum.best_possible_s)
    allowed = Allowance.of(seconds_for(seconds, race))
    ridden = make_rideable_plan(
        course, road, race, optimum.schedule, optimum.w_prime_j, allowed.part(RIDEABLE_SHARE)
    )
    if ridden is None:
        return plan
    rideable = described(course, road, race, optimum.schedule, ridden)
    prepared = fall_backs(course, road, race, optimum.schedule, rideable, allowed)
    return replace(plan, rideable=rideable, fall_backs=prepared)


def seconds_for(seconds: float, race: Race) -> float:
    """Time for the patterns of a team, where one of four riders has so much (s)."""
    return seconds * max(len(race.team.riders) / USUAL_TEAM, 1.0)


def with_quick_bound(plan: Plan) -> Plan:
    """The plan with the quick bound of its team where its search ended before it had proven one of its own."""
    optimum = plan.optimum
    if math.isfinite(optimum.best_possible_s) or optimum.stopped_because == "interrupted":
        return plan
    bound_s = team_bound(plan.road, plan.race)
    if bound_s > plan.finish_time_s:  # it holds for plans; this one is faster by what the ride check allows
        return plan
    covers_all = optimum.n_orders_possible
    return replace(plan, optimum=replace(optimum, best_possible_s=bound_s, n_orders=covers_all, quick_bound=True))


def ride_and_check(
    race: Race, course: Course, road: Road, schedule: Schedule, w_prime_j: FloatArray
) -> tuple[Ride, RideCheck]:
    """Ride a schedule in the simulation and check it, given W' at the boundaries as planned (J)."""
    ridden = ride(course, race.team, race, schedule)
    return ridden, check_ride(ridden, course, road.segments, race.team, race, schedule, w_prime_j)


def plan_of(race: Race, course: Course, road: Road, optimum: Optimum) -> Plan:
    """Ride a schedule, check it, and describe the result."""
    ridden, check = ride_and_check(race, course, road, optimum.schedule, optimum.w_prime_j)
    return Plan(
        race=race,
        course=course,
        road=road,
        start_order=tuple(race.team.riders[i].name for i in optimum.schedule.pulls[0].line),
        pulls=describe_pulls(race, road, optimum),
        riders=describe_riders(race, optimum, ridden),
        ride=ridden,
        check=check,
        optimum=optimum,
    )


def describe_pulls(race: Race, road: Road, optimum: Optimum) -> tuple[Pull, ...]:
    """The pulls of a schedule as the riders get them."""
    schedule = optimum.schedule
    duration = schedule.duration_s
    start_s = np.concatenate([[0.0], np.cumsum(duration)])
    pulls = []
    for pull, following in itertools.zip_longest(schedule.pulls, schedule.pulls[1:]):
        covered = slice(pull.first_segment, pull.end_segment)
        rider = race.team.riders[pull.leader]
        seconds = float(duration[covered].sum())
        power = float(schedule.front_power_w[covered] @ duration[covered]) / seconds
        start_m, end_m = float(schedule.boundary_m[pull.first_segment]), float(schedule.boundary_m[pull.end_segment])
        terrains = road.segments.terrain[covered]
        seconds_on = {name: float(duration[covered] @ np.array([t == name for t in terrains])) for name in terrains}
        crosswind_mps = float(road.crosswind_mps[pull.end_segment - 1])
        pulls.append(
            Pull(
                rider=rider.name,
                start_m=start_m,
                end_m=end_m,
                start_s=float(start_s[pull.first_segment]),
                duration_s=seconds,
                front_power_w=power,
                front_power_w_per_kg=power / rider.mass_kg,
                front_power_share_of_cp=power / rider.cp_w,
                speed_kmh=3.6 * (end_m - start_m) / seconds,
                terrain=max(seconds_on, key=lambda name: seconds_on[name]),
                swing_off="finish" if following is None else _swing_off(pull, crosswind_mps),
                sits_on=following is not None and pull.leader in following.sitting,
            )
        )
    return tuple(pulls)


def _swing_off(pull: ScheduledPull, crosswind_mps: float) -> str:
    """Side on which to leave the front, or that the rider leaves the line."""
    if pull.leader_leaves:
        return "leave"
    return side_of(crosswind_mps)


PEAK_WINDOW_S = 5.0


def describe_riders(race: Race, optimum: Optimum, ridden: Ride) -> tuple[RiderSummary, ...]:
    """What plan and ride ask of each rider."""
    schedule = optimum.schedule
    duration = schedule.duration_s
    summaries = []
    for index, rider in enumerate(race.team.riders):
        led = [pull for pull in schedule.pulls if pull.leader == index]
        places = np.zeros(len(duration), dtype=bool)
        for pull in led:
            places[pull.first_segment : pull.end_segment] = True
        front_s = float(duration[places].sum())
        front_w = float(schedule.front_power_w[places] @ duration[places]) / front_s if led else 0.0
        there = ~np.isnan(ridden.power_w[:, index])
        power, step = ridden.power_w[there, index], ridden.step_s[there]
        work = np.concatenate([[0.0], np.cumsum(power * step)])
        clock = np.concatenate([[0.0], np.cumsum(step)])
        window_end = np.minimum(clock + PEAK_WINDOW_S, clock[-1])
        mean_ahead = (np.interp(window_end, clock, work) - work) / PEAK_WINDOW_S
        summaries.append(
            RiderSummary(
                name=rider.name,
                n_pulls=len(led),
                front_s=front_s,
                front_share=front_s / optimum.finish_time_s,
                mean_pull_s=front_s / len(led) if led else 0.0,
                mean_front_power_w=front_w,
                mean_front_power_share_of_cp=front_w / rider.cp_w,
                mean_power_w=float(power @ step / step.sum()),
                peak_power_w=float(mean_ahead.max()),
                w_prime_min_j=float(np.nanmin(ridden.w_prime_j[:, index])),
                w_prime_end_j=float(ridden.w_prime_j[there, index][-1]),
                leaves_at_m=ridden.left_at_m[index],
                sits_on_from_m=schedule.sits_on_from_m.get(index),
            )
        )
    return tuple(summaries)
