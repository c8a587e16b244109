"""The pulls of a plan under other inputs: who leads where stays, the pace is optimised again and ridden."""

from __future__ import annotations

import time
from functools import partial

import numpy as np

from ttt_opt.as_ridden import LEAST_RECOVERY_SHARE
from ttt_opt.course import Course
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.physiology import recovery_share
from ttt_opt.plan import Plan, plan_of, ride_and_check
from ttt_opt.race import Race
from ttt_opt.ride import ride, sustainable_cp_w
from ttt_opt.rotation_fit import fit_to_ride
from ttt_opt.rotation_optimum import Optimum
from ttt_opt.rotation_paths import compile_rotation
from ttt_opt.rotation_plan import RotationPlan, finish_time_s, schedule_of, w_prime_along
from ttt_opt.rotation_problem import NARROW_GRID, Assumptions, KeptPull, road_of, rotation_data
from ttt_opt.rotation_search import ArcTable, PathValuer
from ttt_opt.schedule import Schedule
from ttt_opt.search_control import SearchClock, Settings
from ttt_opt.segments import Segments
from ttt_opt.solver import solver_version

UNBOUNDED_S = float("-inf")
FITTED = "same pulls"
"""Why such a plan stopped: nothing but its pace was searched."""


def plan_with_pulls(course: Course, segments: Segments, race: Race, schedule: Schedule) -> Plan:
    """Optimise the pace of a schedule whose pulls stay, as the search does at its end, and ride it.

    Parameters
    ----------
    course : Course
    segments : Segments
        Those of the schedule.
    race : Race
        What may differ from the race for which the schedule was made: weather, road, riders' figures, limits.
    schedule : Schedule
        Its pulls stay; its speeds are where the search for the new ones starts.

    Returns
    -------
    Plan
        Without a bound. Pulls are kept whatever their duration at the new pace: the ride check says where one has
        become too long or too short.

    Raises
    ------
    NoFeasiblePlanError
        These pulls have no pace that keeps all limits.
    """
    clock = SearchClock(Settings())
    road = road_of(segments, race, float(course.elevation_m[0]))
    riders, first = race.team.riders, schedule.pulls[0].line
    order = tuple(i for i in first if riders[i].pulls)
    assumptions = _first_assumptions(course, race, schedule)
    compiled = compile_rotation(rotation_data(road, race, order, assumptions, only_kept=True))
    valuer = PathValuer(compiled)
    valued = valuer.value(tuple(range(len(schedule.pulls))))
    if valued.pace is None:
        raise NoFeasiblePlanError("these pulls have no pace that keeps all limits")
    start = RotationPlan(order, assumptions, compiled, ArcTable.of(compiled.data), valuer, valued)
    fitted = fit_to_ride(road, race, start, partial(ride_and_check, race, course, road), clock, lambda *_: None)
    data, best = fitted.order.compiled.data, fitted.order.best
    optimum = Optimum(
        schedule=schedule_of(road, fitted.order),
        w_prime_j=w_prime_along(data, best),
        finish_time_s=finish_time_s(data, best),
        best_possible_s=UNBOUNDED_S,
        stopped_because=FITTED,
        solve_seconds=time.perf_counter() - clock.began,
        build_seconds=clock.build_seconds,
        n_orders=1,
        n_orders_discarded=0,
        n_orders_possible=1,
        solver=solver_version(),
        seed=0,
    )
    return plan_of(race, course, road, optimum)


def _first_assumptions(course: Course, race: Race, schedule: Schedule) -> Assumptions:
    """Constants around the schedule's own speeds, with the recovery of its ride under the new inputs."""
    ridden = ride(course, race.team, race, schedule)
    full = np.array([rider.w_prime_j for rider in race.team.riders])
    left = np.nan_to_num(ridden.boundary_w_prime_j, nan=0.0)
    middle = np.clip(0.5 * (left[1:] + left[:-1]), 0.0, full)
    share = recovery_share(race.recovery, middle, full, race.recovery_share)
    nothing = np.zeros_like(middle)
    return Assumptions(
        centre_mps=schedule.speed_mps,
        exit_mps=np.maximum(schedule.exit_speed_mps, 1.0),
        steps=NARROW_GRID,
        closeness=1.0,
        time_share=np.ones(len(schedule.speed_mps)),
        recovery_share=np.clip(share, LEAST_RECOVERY_SHARE, 1.0),
        spent_kept=np.ones_like(middle),
        also_used_j=nothing,
        also_work_j=nothing,
        also_changeover_j=np.zeros(len(full)),
        sustainable_share=float(
            sustainable_cp_w(race, race.team, schedule.finish_time_s)[0] / race.team.riders[0].cp_w
        ),
        dip_j=nothing,
        kept_pulls=tuple(
            KeptPull(pull.first_segment, pull.end_segment, pull.line, pull.n_sitting) for pull in schedule.pulls
        ),
    )
