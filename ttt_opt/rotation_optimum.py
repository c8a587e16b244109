"""From a road and a team to the best schedule: calibrate the constants, search every cyclic order, prove a bound."""

from __future__ import annotations

import contextlib
import itertools
import math
import multiprocessing
import os
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from dataclasses import dataclass, replace
from enum import Enum
from functools import partial
from typing import TypeVar

import numpy as np

from ttt_models.rotation import RotationData
from ttt_opt.as_ridden import LEAST_RECOVERY_SHARE
from ttt_opt.errors import NoFeasiblePlanError, SolverFailureError
from ttt_opt.interior_point import solve_by_interior_point
from ttt_opt.interrupts import interrupts_wait
from ttt_opt.limits_missed import limits_missed
from ttt_opt.physiology import sustainable_share
from ttt_opt.pull_bound import PullBound, n_pull_places, pull_bound
from ttt_opt.race import Limits, Race
from ttt_opt.rotation_fit import (
    SETTLED_J,
    FittedPlan,
    RideSchedule,
    as_ridden,
    assume,
    drift_j,
    fit_to_ride,
    most_of_the_way,
)
from ttt_opt.rotation_paths import (
    CompiledRotation,
    PathsAlone,
    PullPath,
    Rotation,
    best_path,
    compile_rotation,
)
from ttt_opt.rotation_plan import RotationPlan, finish_time_s, schedule_of, speeds_of, w_prime_along
from ttt_opt.rotation_problem import (
    FINE_GRID,
    WIDE_GRID,
    Assumptions,
    Road,
    kept_pulls,
    reference_speed,
    rotation_data,
    speed_grid,
)
from ttt_opt.rotation_search import (
    MOST_PRICE_STEPS,
    ArcTable,
    Pace,
    PathValuer,
    ValuedPath,
    follow_prices,
    follow_shares,
    improve_locally,
    shake_prices,
    steady_pace,
)
from ttt_opt.schedule import Schedule
from ttt_opt.search_control import Progress, SearchClock, Settings, interrupts
from ttt_opt.solver import FloatArray, solver_version
from ttt_opt.worker_process import Alongside, worker_pool

INFINITY = float("inf")
Result = TypeVar("Result")

MOST_ORDERS = 24
"""Cyclic orders that are all searched and bounded. In larger teams the most promising are searched:"""
PROMISING_ORDERS = 6
LARGEST_WHOLE_MODEL, LARGEST_BOUNDED_MODEL = 20_000, 30_000
"""Places (segments times lines times riders in them) up to which a model is built as a whole, beyond it paths alone;
and up to which it is built for its bound alone."""
LARGEST_PULL_RELAXATION = 120_000
"""Places in all pulls up to which each pull gets speeds of its own for a sharper bound."""
CALIBRATION_ROUNDS, BOUNDING_ROUNDS, ROUNDS_ALONGSIDE = 3, 3, 2
"""Plans that settle constants; searches with a bound, and how many of them a long sharpening may take alongside."""
STEPS_FOR_CONSTANTS, STEPS_FOR_AN_ORDER = 8, 12
"""Of prices and paths, for a plan that serves to settle constants, or to compare line orders."""
N_TRIES, MORE_TRIES, FEW_SHAKES, MOST_SHAKES = 20, 60, 15, 60
"""Neighbours valued before a plan counts as locally best, among those that a relaxation led to and in all; random
changes of prices for each line order, and for the best one where no relaxation leads further; in proportion fewer on
roads of more than so many segments:"""
USUAL_SEGMENTS = 160
N_CANDIDATES, UNLIKE_PULLS = 6, 6
"""Plans that are fitted to their rides at the end, and pulls in which any two differ: the fastest in the model need not
be the fastest on the road."""
ROUNDED_ORDERS, N_ROUNDED = 2, 40
"""Line orders of the lowest bounds whose relaxations are followed to whole pulls, and chains of pulls tried of each.
Measured on the demo: a plan 0.07 % faster than prices and local search lead to."""
SHARPENED_AT_ONCE = 2
"""Line orders: not as many as there are cores, so that every machine comes to the same plan."""
LEAST_SHARPENING_TAKES, PLACES_A_TIME, MOST_FOR_SHARPENING = 22.0, 1700.0, 0.8
"""How many times as long as the relaxation of the rotation model that by pulls takes: 22 times or, of larger ones, its
places over the second (measured, alone: 26 times with 21,000, 22 with 35,000, 48 with 80,000). The part of the time
left in which it must be done, as it says next to nothing long before."""
TIME_TO_SHARPEN = 0.96
"""Part of the time left after which a relaxation is stopped, and bounds as far as it came."""
LONG_SHARPENING, FASTEST_SHARPENING = 60_000, 1500.0
"""Places from which on the relaxation by pulls of an only line order is solved alongside the search of two rounds, and
how many of them in a second, at most: where it would not be ready in the time left it is not begun."""
WORTH_SHARPENING = 0.1
"""Part of the gap that sharpening must close in the first line orders to be gone on with in others: of a strong team it
closed 7 %, and took the time for a plan 0.13 % faster."""
BOUND_TOLERANCE = 1e-5
"""Of relaxations: it costs the bound 0.001 %, and saves a fifth of the time."""
POLL_S = 0.2
FIRST_PRICE_S_PER_KJ = 0.5


@dataclass(frozen=True)
class Optimum:
    """The best schedule found, what it is worth, and why the search stopped.

    Attributes
    ----------
    schedule : Schedule
    w_prime_j : ndarray (n_segments + 1, n_riders)
        W' left at the boundaries of the segments (J), nan once a rider has left.
    finish_time_s, best_possible_s : float
        Time of the schedule and proven bound of the discretised model (s); the bound is ``-inf`` where the search was
        stopped before there was one, or the schedule is faster than it.
    stopped_because : str
        ``gap reached``, ``search complete``, ``time limit``, ``interrupted`` or ``solver failure``.
    solve_seconds, build_seconds : float
        All of the search, and what of it went into building models (s).
    n_orders, n_orders_discarded, n_orders_possible : int
        Cyclic orders searched, discarded because of their bound, and possible.
    solver : str
        Name and version.
    seed : int
    quick_bound : bool
        The bound is that of :func:`ttt_opt.team_bound.team_bound`, not of the search.
    """

    schedule: Schedule
    w_prime_j: FloatArray
    finish_time_s: float
    best_possible_s: float
    stopped_because: str
    solve_seconds: float
    build_seconds: float
    n_orders: int
    n_orders_discarded: int
    n_orders_possible: int
    solver: str
    seed: int
    quick_bound: bool = False

    @property
    def gap(self) -> float:
        """Gap between schedule and bound, as share of the finish time."""
        return (self.finish_time_s - self.best_possible_s) / self.finish_time_s


class Wanted(Enum):
    """What is wanted of each line order."""

    PLAN = "plan"
    BOUND = "bound"
    BOTH = "both"


@dataclass(frozen=True)
class OrderResult:
    """What is known of one cyclic order.

    Attributes
    ----------
    order : tuple of int
    path : tuple of int
        The best path found by following prices; empty without one.
    time_s, bound_s : float
        Its time (``inf`` without one) and the bound of the relaxation (``-inf`` without one, ``inf`` where the order
        has no plan) (s).
    build_seconds, relaxing_seconds : float
        Time that building the model, and solving its relaxation, took (s).
    """

    order: tuple[int, ...]
    path: PullPath
    time_s: float
    bound_s: float
    build_seconds: float
    relaxing_seconds: float = 0.0


def optimise(
    road: Road, race: Race, ride_schedule: RideSchedule, settings: Settings, progress: Progress | None = None
) -> Optimum:
    """Search the best schedule and prove how good it is.

    Parameters
    ----------
    road : Road
    race : Race
    ride_schedule : callable
        See :data:`ttt_opt.rotation_fit.RideSchedule`; what the rides of plans show corrects the model's constants.
    settings : Settings
    progress : callable, optional
        See :data:`ttt_opt.search_control.Progress`.

    Raises
    ------
    NoFeasiblePlanError
        No schedule keeps all limits; the text names the limit.
    SolverFailureError
        The solver failed.
    """
    tell = progress or (lambda _what, _best, _bound: None)
    clock = SearchClock(settings)
    n_possible = n_cyclic_orders(race)
    with interrupts(clock), contextlib.ExitStack() as ending:
        with clock.fitting():  # constants are settled by rides too
            best = _calibrate(road, race, first_order(race), ride_schedule, clock, tell)
        few = n_possible <= MOST_ORDERS
        orders = cyclic_orders(race) if few else _promising_orders(road, race, best, clock, tell)
        results = _search_orders(road, race, orders, best, clock, tell, Wanted.PLAN)
        best = _best_order(road, race, results, best, clock)
        if not few:
            orders = [best.order]
        with clock.fitting():
            fitted = fit_to_ride(road, race, best, ride_schedule, clock, tell)
        bound = plain = -INFINITY
        bound_is_sharp = False
        sharpening_s: float | None = None
        bounds = {result.order: result.bound_s for result in results}

        def near_enough() -> bool:
            return 0.0 <= fitted.finish_time_s - bound <= settings.gap * fitted.finish_time_s

        def keep(again: FittedPlan) -> None:
            nonlocal fitted
            fitted = min(fitted, again, key=FittedPlan.merit)

        def follow(start: RotationPlan, by_pulls: dict[tuple[int, ...], PullBound]) -> RotationPlan:
            led = _rounded(road, race, by_pulls, start, clock, tell)
            n_shakes = _n_shakes(road, FEW_SHAKES if by_pulls else MOST_SHAKES)
            led = _improve(led, clock, tell, n_shakes, MORE_TRIES)
            if not near_enough():
                _fit_candidates(road, race, _fastest_plans(led), ride_schedule, clock, tell, keep, near_enough)
            return led

        alongside: _Alongside | None = None

        def take_sharpened() -> None:
            nonlocal alongside, bound, bound_is_sharp
            assert alongside is not None
            tell("sharpening the bound", fitted.finish_time_s, bound)
            found, start, alongside = alongside.found(clock), alongside.plan, None
            if found is None or not _sharpens(found, plain):
                return
            if bound < found.bound_s <= fitted.finish_time_s:
                bound, bound_is_sharp = found.bound_s, True
            if found.share is not None and not near_enough() and not clock.stop():
                follow(start, {start.order: found})

        for number in range(BOUNDING_ROUNDS):
            if alongside and (number == ROUNDS_ALONGSIDE or clock.stop()):
                take_sharpened()
            if clock.stop() or near_enough():
                break
            best = _for_all_pulls(road, race, fitted, clock) or best
            if number == 0 and len(orders) == 1 and (alongside := _sharpen_alongside(road, race, best, clock)):
                ending.callback(alongside.end)
            wanted = Wanted.BOTH if number > 0 else Wanted.BOUND  # plans of all orders are known in the first round
            results = _search_orders(road, race, orders, best, clock, tell, wanted)
            bounds = {result.order: result.bound_s for result in results}
            if math.isfinite(min(bounds.values())):
                plain = min(bounds.values())
                bound = plain if number == 0 else bound
            if near_enough():
                break
            sharp: dict[tuple[int, ...], PullBound] = {}
            expected_s = sharpening_s or _sharpening_seconds(results, best.compiled.data)
            if not alongside and expected_s < MOST_FOR_SHARPENING * clock.left_s:
                began = time.perf_counter()
                sharp = _sharpened(road, race, bounds, best, (1.0 - settings.gap) * fitted.finish_time_s, clock, tell)
                sharpening_s = time.perf_counter() - began
            if math.isfinite(min(bounds.values())):
                refuted = fitted.finish_time_s < bound
                if not refuted and (clock.stop() or (bound_is_sharp and not sharp)):  # this round's did not get as far
                    bound = max(bound, min(bounds.values()))
                else:
                    bound, bound_is_sharp = min(bounds.values()), bool(sharp)
            if number > 0 and near_enough():  # in the first round the relaxations lead to better plans, at little cost
                break
            best = follow(_best_order(road, race, results, best, clock), sharp)
            if near_enough():
                break
        if fitted.finish_time_s < bound:  # the plan has left the constants for which the bound holds
            bound = plain if plain <= fitted.finish_time_s else -INFINITY
        best = fitted.order
    finish_time = finish_time_s(best.compiled.data, best.best)
    if (finish_time - bound) / finish_time <= settings.gap:
        reason = "gap reached"
    elif clock.stop():
        reason = clock.stopped_because
    else:
        reason = "search complete"
    return Optimum(
        schedule=schedule_of(road, best),
        w_prime_j=w_prime_along(best.compiled.data, best.best),
        finish_time_s=finish_time,
        best_possible_s=bound,
        stopped_because=reason,
        solve_seconds=time.perf_counter() - clock.began,
        build_seconds=clock.build_seconds,
        n_orders=len(orders),
        n_orders_discarded=sum(each > finish_time for each in bounds.values()),
        n_orders_possible=n_possible,
        solver=solver_version(),
        seed=settings.seed,
    )


def relaxed_bound(road: Road, race: Race, ride_schedule: RideSchedule, settings: Settings) -> float:
    """Time below which no plan can be, as far as the constants of a first plan hold (s): no plan is searched.

    The lowest bound of all line orders, each with all pulls. ``-inf`` where they are too many, or the time was over.

    Parameters
    ----------
    road, race, ride_schedule, settings
        See :func:`optimise`.

    Raises
    ------
    NoFeasiblePlanError, SolverFailureError
        As :func:`optimise` does.
    """
    clock = SearchClock(settings)
    if n_cyclic_orders(race) > MOST_ORDERS:
        return -INFINITY

    first = _calibrate(road, race, first_order(race), ride_schedule, clock, _silent)
    assumptions = replace(first.assumptions, steps=FINE_GRID, closeness=1.0, kept_pulls=())
    bounds = [
        result.bound_s
        for result in _search_orders(
            road, race, cyclic_orders(race), replace(first, assumptions=assumptions), clock, _silent, Wanted.BOUND
        )
    ]
    return min(bounds) if math.isfinite(min(bounds)) else -INFINITY


def first_order(race: Race) -> tuple[int, ...]:
    """Riders who pull as the race or else the team file has them, as indices into the team."""
    riders = race.team.riders
    pulling = [i for i, rider in enumerate(riders) if rider.pulls]
    place = {name: p for p, name in enumerate(race.start_order or ())}
    return tuple(sorted(pulling, key=lambda i: place[riders[i].name])) if place else tuple(pulling)


def n_cyclic_orders(race: Race) -> int:
    """Cyclic orders of the riders who pull; one where the race fixes the order."""
    return 1 if race.start_order else math.factorial(len(first_order(race)) - 1)


def cyclic_orders(race: Race) -> list[tuple[int, ...]]:
    """All cyclic orders of the riders who pull, as indices into the team; one where the race fixes the order."""
    first, *others = first_order(race)
    if race.start_order:
        return [(first, *others)]
    return [(first, *rest) for rest in itertools.permutations(others)]


def _promising_orders(
    road: Road, race: Race, guess: RotationPlan, clock: SearchClock, tell: Progress
) -> list[tuple[int, ...]]:
    """The orders that are best by what their cheapest chain of pulls costs at the pace and prices of a plan.

    From the order of the plan, two riders change places as long as that makes the chain cheaper. Chains in which
    nobody leaves or stops pulling are compared: these take a few hundredths of a second each.
    """
    everybody = replace(race, rules=replace(race.rules, counting_rider=0), team=race.team.pulling_throughout())
    pace = _on_new_grid(road, race.limits, guess.compiled.data, guess.best, guess.assumptions)
    price = guess.best.price
    assert price is not None
    worth: dict[tuple[int, ...], float] = {}

    def cost(order: tuple[int, ...]) -> float:
        if order not in worth:
            worth[order] = INFINITY
            with contextlib.suppress(NoFeasiblePlanError):  # with everybody in it no pulls may add up to the course
                data = rotation_data(road, everybody, order, guess.assumptions)
                costs = ArcTable.of(data).priced(pace, price)
                path = best_path(data, costs.arc, costs.move)
                worth[order] = INFINITY if path is None else costs.of(data, path)
        return worth[order]

    best = guess.order
    cost(best)
    better = True
    while better and not clock.stop():
        tell(f"comparing line orders, {len(worth)} so far", finish_time_s(guess.compiled.data, guess.best), -INFINITY)
        nearest = min((_swapped(best, i, j) for i, j in itertools.combinations(range(len(best)), 2)), key=cost)
        better = worth[nearest] < worth[best]
        best = nearest if better else best
    return sorted(worth, key=lambda order: worth[order])[:PROMISING_ORDERS]


def _swapped(order: tuple[int, ...], i: int, j: int) -> tuple[int, ...]:
    """A cyclic order with two riders in each other's place, its first rider again first."""
    changed = list(order)
    changed[i], changed[j] = changed[j], changed[i]
    first = changed.index(order[0])
    return tuple(changed[first:] + changed[:first])


def _compile(
    road: Road, race: Race, order: tuple[int, ...], assumptions: Assumptions, largest: int = LARGEST_WHOLE_MODEL
) -> Rotation:
    data = rotation_data(road, race, order, assumptions)
    n_places = data.n_segments * sum(len(line) for line in data.lines)
    return compile_rotation(data) if n_places <= largest else PathsAlone(data)


def _timed_compile(
    road: Road, race: Race, order: tuple[int, ...], assumptions: Assumptions, clock: SearchClock
) -> Rotation:
    with clock.building():
        return _compile(road, race, order, assumptions)


def _calibrate(
    road: Road, race: Race, order: tuple[int, ...], ride_schedule: RideSchedule, clock: SearchClock, tell: Progress
) -> RotationPlan:
    """Settle grid, recovery and sustainable power on quick plans of one order."""
    assumptions = _first_assumptions(road, race)
    pace: Pace | None = None
    price = _first_price(road, race)
    settled: RotationPlan | None = None
    for number in range(CALIBRATION_ROUNDS):
        try:
            compiled = _timed_compile(road, race, order, assumptions, clock)
        except NoFeasiblePlanError:
            if settled is None:
                raise
            break  # at the speeds of the last plan no pulls add up to the course: the constants before it stay
        table, valuer = ArcTable.of(compiled.data), PathValuer(compiled, clock.settings.seed)
        last = number + 1 == CALIBRATION_ROUNDS
        plan = follow_prices(
            table,
            valuer,
            pace or _first_pace(compiled.data),
            price,
            stop=clock.stop,
            found=lambda _: None,
            enough=STEPS_FOR_AN_ORDER if last else STEPS_FOR_CONSTANTS,
        )
        if plan is None or plan.pace is None or plan.price is None:
            if settled is None:
                clock.refuse_to_judge()
                raise _no_feasible_plan(road, race, order, assumptions, compiled, plan)
            break  # constants of the last plan leave none: those before it stay
        tell("settling the constants", finish_time_s(compiled.data, plan), -INFINITY)
        settled = RotationPlan(order, assumptions, compiled, table, valuer, plan)
        ridden = as_ridden(road, race, settled, ride_schedule).ridden
        if number > 0 and (clock.stop() or drift_j(settled, ridden) <= SETTLED_J):
            break
        if not last:
            new = assume(road, race, settled, ridden)
            assumptions = new if number == 0 else most_of_the_way(assumptions, new)
            pace, price = _on_new_grid(road, race.limits, compiled.data, plan, assumptions), plan.price
    assert settled is not None
    return settled


def _first_assumptions(road: Road, race: Race) -> Assumptions:
    """Constants while no plan is known."""
    n_riders = len(race.team.riders)
    share = race.limits.sustainable_share_of_cp
    guessed_time = float((road.length_m / reference_speed(road, race, 1.0)).sum())
    first_share = float(sustainable_share(guessed_time)) if share is None else share
    speed = reference_speed(road, race, first_share)
    return Assumptions(
        centre_mps=speed,
        exit_mps=speed,
        steps=WIDE_GRID,
        closeness=1.0,
        time_share=np.ones(road.n_segments),
        recovery_share=np.full((road.n_segments, n_riders), max(race.recovery_share, LEAST_RECOVERY_SHARE)),
        spent_kept=np.ones((road.n_segments, n_riders)),
        also_used_j=np.zeros((road.n_segments, n_riders)),
        also_work_j=np.zeros((road.n_segments, n_riders)),
        also_changeover_j=np.zeros(n_riders),
        sustainable_share=first_share,
        dip_j=np.zeros((road.n_segments, n_riders)),
    )


def _first_pace(data: RotationData) -> Pace:
    """The reference speeds of the first constants."""
    mix = np.zeros((data.n_segments, len(WIDE_GRID)))
    mix[:, WIDE_GRID.index(1.0)] = 1.0
    return steady_pace(data, mix)


def _first_price(road: Road, race: Race) -> FloatArray:
    return np.full((road.n_segments, len(race.team.riders)), FIRST_PRICE_S_PER_KJ)


def refuse_without_a_plan(road: Road, race: Race, clock: SearchClock) -> None:
    """Look whether a search would find its first plan, and no further.

    Raises
    ------
    NoFeasiblePlanError
        It would not; or the clock stopped it before it could tell.
    """
    order, assumptions = first_order(race), _first_assumptions(road, race)
    compiled = _compile(road, race, order, assumptions)
    there_is_one: list[bool] = []
    plan = follow_prices(
        ArcTable.of(compiled.data),
        PathValuer(compiled, clock.settings.seed),
        _first_pace(compiled.data),
        _first_price(road, race),
        stop=lambda: clock.stop() or any(there_is_one),
        found=lambda plan: there_is_one.append(plan.pace is not None),
    )
    if not any(there_is_one):
        raise _no_feasible_plan(road, race, order, assumptions, compiled, plan)


def _on_new_grid(road: Road, limits: Limits, data: RotationData, plan: ValuedPath, assumptions: Assumptions) -> Pace:
    """The plan's speeds as mixes of two neighbouring speeds of the new grid."""
    assert plan.pace is not None
    speed = speeds_of(data, plan)
    grid = speed_grid(road, limits, assumptions.centre_mps, assumptions.steps, assumptions.closeness)
    upper = np.clip((grid < speed[:, None]).sum(axis=1), 1, grid.shape[1] - 1)
    rows = np.arange(len(speed))
    low, high = grid[rows, upper - 1], grid[rows, upper]
    part = np.clip((speed - low) / (high - low), 0.0, 1.0)
    mix = np.zeros_like(grid)
    mix[rows, upper], mix[rows, upper - 1] = part, 1.0 - part
    return Pace(mix, plan.pace.square_at_end)


def _never() -> bool:
    return False


def _silent(_what: str, _best: float, _bound: float) -> None:
    pass


def search_order(
    road: Road,
    race: Race,
    order: tuple[int, ...],
    assumptions: Assumptions,
    pace: Pace,
    price: FloatArray,
    seconds: float,
    seed: int,
    wanted: Wanted,
    stop: Callable[[], bool] = _never,
) -> OrderResult:
    """A good path for one cyclic order, the bound of its relaxation, or both; less of them where it is stopped."""
    began = time.perf_counter()
    try:
        largest = LARGEST_BOUNDED_MODEL if wanted is Wanted.BOUND else LARGEST_WHOLE_MODEL
        compiled = _compile(road, race, order, assumptions, largest)
    except NoFeasiblePlanError:  # in this order no pulls add up to the course; in others they do
        return OrderResult(order, (), INFINITY, INFINITY, time.perf_counter() - began)
    build_seconds = time.perf_counter() - began
    plan: ValuedPath | None = None
    if wanted is not Wanted.BOUND:
        table, valuer = ArcTable.of(compiled.data), PathValuer(compiled, seed)
        enough = STEPS_FOR_AN_ORDER if wanted is Wanted.PLAN else MOST_PRICE_STEPS
        plan = follow_prices(table, valuer, pace, price, stop=stop, found=lambda _: None, enough=enough)
    bound, relaxing_seconds = -INFINITY, 0.0
    if wanted is not Wanted.PLAN and isinstance(compiled, CompiledRotation):
        if plan is not None:
            plan = shake_prices(table, valuer, plan, FEW_SHAKES, stop=stop, found=lambda _: None)
        left = max(seconds - (time.perf_counter() - began), 1.0)
        relaxed = solve_by_interior_point(
            compiled.model, tolerance=BOUND_TOLERANCE, time_limit_s=left, interrupted=None if stop is _never else stop
        )
        relaxing_seconds = relaxed.seconds
        if relaxed.stopped_because in ("optimal", "infeasible"):  # halfway it holds too, but says next to nothing
            bound = relaxed.bound
    if plan is None or plan.pace is None:
        return OrderResult(order, (), INFINITY, bound, build_seconds, relaxing_seconds)
    return OrderResult(order, plan.path, plan.time_s, bound, build_seconds, relaxing_seconds)


def bound_order(
    road: Road,
    race: Race,
    order: tuple[int, ...],
    assumptions: Assumptions,
    seconds: float,
    stop: Callable[[], bool] = _never,
) -> tuple[tuple[int, ...], PullBound | None]:
    """The order and what the relaxation by pulls says of it in so many seconds; ``None`` where that is too large."""
    data = rotation_data(road, race, order, assumptions)
    if n_pull_places(data) > LARGEST_PULL_RELAXATION:
        return order, None
    return order, pull_bound(data, max(TIME_TO_SHARPEN * seconds, 1.0), None if stop is _never else stop)


def _sharpens(found: PullBound, known_s: float) -> bool:
    """Whether the relaxation was solved, or was stopped but bounds better than one that is known (s)."""
    return found.stopped_because in ("optimal", "infeasible") or -INFINITY < known_s < found.bound_s


def _search_orders(
    road: Road,
    race: Race,
    orders: list[tuple[int, ...]],
    guess: RotationPlan,
    clock: SearchClock,
    tell: Progress,
    wanted: Wanted,
) -> list[OrderResult]:
    """Plan and, if asked for, bound for every cyclic order, on all cores; orders not reached in time have none."""
    assumptions, plan = guess.assumptions, guess.best
    assert plan.price is not None
    pace = _on_new_grid(road, race.limits, guess.compiled.data, plan, assumptions)
    best_time = finish_time_s(guess.compiled.data, plan)
    seed = clock.settings.seed
    results = {order: OrderResult(order, (), INFINITY, -INFINITY, 0.0) for order in orders}
    n_done = 0

    def keep(result: OrderResult) -> None:
        nonlocal best_time, n_done
        results[result.order] = result
        clock.build_seconds += result.build_seconds
        best_time, n_done = min(best_time, result.time_s), n_done + 1
        known = min(result.bound_s for result in results.values())
        what = "trying" if wanted is Wanted.PLAN else "bounding"
        tell(f"{what} line orders, {n_done} of {len(orders)}", best_time, known)

    jobs = [
        partial(search_order, road, race, order, assumptions, pace, plan.price, clock.left_s, seed, wanted)
        for order in orders
    ]
    _on_all_cores(jobs, clock, keep)
    return list(results.values())


def fit_candidate(
    road: Road,
    race: Race,
    candidate: RotationPlan,
    ride_schedule: RideSchedule,
    clock: SearchClock,
    place: int,
    at_once: int,
    stop: Callable[[], bool] = _never,
) -> tuple[int, FittedPlan | None, float]:
    """The place of a plan among those to fit, the plan fitted to its ride, and how long that took (s).

    ``None`` where others are fitted first, so many at once, and there is no time for another: a fit takes the few
    rounds that it needs also when the time of its clock is over, and nothing but the end of its process stops it.
    """
    began = time.perf_counter()
    if stop() or (place >= at_once and clock.left_in_all_s < clock.longest_fit_s):
        return place, None, 0.0
    fitted = fit_to_ride(road, race, candidate, ride_schedule, clock, _silent)
    return place, fitted, time.perf_counter() - began


def _fit_candidates(
    road: Road,
    race: Race,
    candidates: Sequence[RotationPlan],
    ride_schedule: RideSchedule,
    clock: SearchClock,
    tell: Progress,
    keep: Callable[[FittedPlan], None],
    near_enough: Callable[[], bool],
) -> None:
    """Fit plans to their rides on all cores, also in the time that is kept back for that.

    They are kept in the order given, the fastest in the model first, until one is near enough: so it does not matter
    how many cores there are, and which of them is done first.
    """
    if clock.is_over:
        return
    early: dict[int, FittedPlan | None] = {}
    n_kept = 0

    def keep_fitted(found: tuple[int, FittedPlan | None, float]) -> None:
        nonlocal n_kept
        place, plan, seconds = found
        clock.longest_fit_s = max(clock.longest_fit_s, seconds)
        early[place] = plan
        while n_kept in early and not near_enough():
            keep_one(early.pop(n_kept))
            n_kept += 1

    def keep_one(plan: FittedPlan | None) -> None:
        if plan is not None:
            keep(plan)
            tell("riding the plan", plan.finish_time_s, -INFINITY)

    def stop() -> bool:
        return clock.interrupted or clock.solver_failed or clock.is_over or near_enough()

    at_once = _n_workers(len(candidates), clock)
    alone = [replace(plan, valuer=PathValuer(plan.compiled, plan.valuer.seed)) for plan in candidates]
    jobs = [
        partial(fit_candidate, road, race, plan, ride_schedule, clock, place, at_once)
        for place, plan in enumerate(alone)
    ]
    _on_all_cores(jobs, clock, keep_fitted, stop, let_finish=True)
    if not near_enough():
        for place in sorted(early):  # the time was over before those in front of them were done
            keep_one(early[place])


def _n_workers(n_jobs: int, clock: SearchClock) -> int:
    """Processes for so many jobs, beside those that work alongside."""
    return min(n_jobs, max((clock.settings.processes or os.cpu_count() or 1) - clock.n_alongside, 1))


def _on_all_cores(
    jobs: Sequence[Callable[..., Result]],
    clock: SearchClock,
    keep: Callable[[Result], None],
    stop: Callable[[], bool] | None = None,
    *,
    let_finish: bool = False,
) -> None:
    """Keep the result of each job as it comes, until all are done or the search is to stop, by default by its clock.

    A job takes what tells it to stop as ``stop``, if it runs in this process. Those that run then are ended, or let
    finish where they are short and their results large: a process ended while it sends one leaves the receiver waiting.
    """
    stop = clock.stop if stop is None else stop

    def take(done: Iterable[Future[Result]]) -> None:
        for each in done:
            try:
                keep(each.result())
            except (BrokenExecutor, SolverFailureError):
                clock.solver_failed = True  # there is a plan already: it is not lost

    n_workers = _n_workers(len(jobs), clock)
    if n_workers <= 1:
        for job in jobs:
            if stop():
                return
            keep(job(stop=stop))
        return
    others_work = set(multiprocessing.active_children())
    with worker_pool(n_workers) as pool:
        waiting: set[Future[Result]] = {pool.submit(job) for job in jobs[:n_workers]}
        others = list(jobs[n_workers:])
        try:
            while waiting and not stop():
                done, waiting = wait(waiting, timeout=POLL_S, return_when=FIRST_COMPLETED)
                take(done)
                while others and len(waiting) < n_workers and not stop():
                    waiting.add(pool.submit(others.pop(0)))
            if let_finish:
                done, waiting = wait(waiting)
                take(done)
        finally:
            if waiting and not let_finish:  # nobody waits for what the solver has in hand there
                with interrupts_wait():
                    for process in set(multiprocessing.active_children()) - others_work:
                        process.terminate()


def _sharpening_seconds(results: Sequence[OrderResult], data: RotationData) -> float:
    """About how long the relaxation by pulls of one line order takes (s), by how long that of its model took."""
    times = max(LEAST_SHARPENING_TAKES, n_pull_places(data) / PLACES_A_TIME)
    return times * max(result.relaxing_seconds for result in results)


@dataclass
class _Alongside:
    """The relaxation by pulls of an only line order, solved in a process of its own; or later, where there is none.

    Attributes
    ----------
    plan : RotationPlan
        In the model that is relaxed.
    job : callable
        What :func:`bound_order` does, in the seconds that it is given.
    process : Alongside or None
    """

    plan: RotationPlan
    job: Callable[..., tuple[tuple[int, ...], PullBound | None]]
    process: Alongside[tuple[tuple[int, ...], PullBound | None]] | None

    def found(self, clock: SearchClock) -> PullBound | None:
        """What the relaxation says, as far as it came in its time; ``None`` where the search is to stop before."""
        if self.process is None:
            return self.job(clock.left_s, stop=clock.stop)[1]
        clock.n_alongside -= 1
        try:
            answer = self.process.result(clock.stop)
        except SolverFailureError:
            clock.solver_failed = True  # there is a plan already: it is not lost
            return None
        return None if answer is None else answer[1]

    def end(self) -> None:
        """End the process, done or not."""
        if self.process is not None:
            self.process.end()


def _sharpen_alongside(road: Road, race: Race, plan: RotationPlan, clock: SearchClock) -> _Alongside | None:
    """Begin to sharpen the bound of an only line order; ``None`` where that is short, or not ready in time."""
    n_places = n_pull_places(plan.compiled.data)
    if not LONG_SHARPENING < n_places <= min(LARGEST_PULL_RELAXATION, FASTEST_SHARPENING * clock.left_s):
        return None
    job = partial(bound_order, road, race, plan.order, plan.assumptions)
    if _n_workers(2, clock) < 2:
        return _Alongside(plan, job, None)
    process = Alongside(partial(job, clock.left_s))
    clock.n_alongside += 1
    return _Alongside(plan, job, process)


def _sharpened(
    road: Road,
    race: Race,
    bounds: dict[tuple[int, ...], float],
    guess: RotationPlan,
    enough_s: float,
    clock: SearchClock,
    tell: Progress,
) -> dict[tuple[int, ...], PullBound]:
    """Sharpen the bounds (s) of the line orders that decide that of all.

    The lowest first, a few at once, until the lowest is sharp or above what is enough (s), or the next would not be
    ready in time.

    Returns
    -------
    dict
        What the relaxations by pulls said; ``bounds`` are raised in place.
    """
    sharp: dict[tuple[int, ...], PullBound] = {}
    tried: set[tuple[int, ...]] = set()
    time_s = finish_time_s(guess.compiled.data, guess.best)

    def keep(found: tuple[tuple[int, ...], PullBound | None]) -> None:
        order, by_pulls = found
        if by_pulls is not None and _sharpens(by_pulls, bounds[order]):
            sharp[order] = by_pulls
            bounds[order] = max(bounds[order], by_pulls.bound_s)

    took_s = 0.0
    while not clock.stop() and took_s < MOST_FOR_SHARPENING * clock.left_s:
        lowest_sharp = min((bounds[order] for order in sharp), default=INFINITY)
        limit_s = min(lowest_sharp, enough_s) if sharp else INFINITY
        open_orders = [order for order in bounds if order not in tried and bounds[order] < limit_s]
        batch = sorted(open_orders, key=lambda order: bounds[order])[:SHARPENED_AT_ONCE]
        if not batch:
            break
        tell(f"sharpening the bound, {len(sharp)} line orders", time_s, min(bounds.values()))
        tried.update(batch)
        began = time.perf_counter()
        before_s = min(bounds[order] for order in batch)
        jobs = [partial(bound_order, road, race, order, guess.assumptions, clock.left_s) for order in batch]
        _on_all_cores(jobs, clock, keep)
        took_s = time.perf_counter() - began
        if len(sharp) < len(tried):  # too large, or no time: nor would the others be ready
            break
        if min(bounds[order] for order in batch) - before_s < WORTH_SHARPENING * (time_s - before_s):
            break
    return sharp


def _rounded(
    road: Road,
    race: Race,
    sharp: dict[tuple[int, ...], PullBound],
    best: RotationPlan,
    clock: SearchClock,
    tell: Progress,
) -> RotationPlan:
    """The best of a plan and of what the relaxations with the lowest bounds lead to."""
    time_s = best.best.time_s

    def found(plan: ValuedPath) -> None:
        tell("following the bound's pulls", min(plan.time_s, time_s), -INFINITY)

    for order in sorted(sharp, key=lambda order: sharp[order].bound_s)[:ROUNDED_ORDERS]:
        share = sharp[order].share
        if share is None or clock.stop() or sharp[order].bound_s >= best.best.time_s:
            continue
        same = order == best.order
        rotation = best.compiled if same else _timed_compile(road, race, order, best.assumptions, clock)
        valuer = best.valuer if same else PathValuer(rotation, clock.settings.seed)
        table = best.table if same else ArcTable.of(rotation.data)
        plan = follow_shares(table, valuer, share, _n_shakes(road, N_ROUNDED), stop=clock.stop, found=found)
        if plan is None or plan.pace is None:
            continue
        plan = improve_locally(table, valuer, plan, N_TRIES, stop=clock.stop, found=found)
        if plan.time_s < best.best.time_s:
            best = RotationPlan(order, best.assumptions, rotation, table, valuer, plan)
    return best


def _best_order(
    road: Road,
    race: Race,
    results: list[OrderResult],
    guess: RotationPlan,
    clock: SearchClock,
) -> RotationPlan:
    """The order with the fastest plan, compiled; the guess, which has the same constants, where none is faster."""
    chosen = min(results, key=lambda result: result.time_s)
    if not chosen.path or chosen.time_s >= guess.best.time_s:
        return guess
    compiled = _timed_compile(road, race, chosen.order, guess.assumptions, clock)
    valuer = PathValuer(compiled, clock.settings.seed)
    table = ArcTable.of(compiled.data)
    return RotationPlan(chosen.order, guess.assumptions, compiled, table, valuer, valuer.value(chosen.path))


def _for_all_pulls(road: Road, race: Race, fitted: FittedPlan, clock: SearchClock) -> RotationPlan | None:
    """The constants of a plan as ridden in a model with all pulls, and that plan in it.

    Another plan where pulls of it have become too long or too short; ``None``: there is none under these constants.
    """
    old = fitted.order
    assumptions = replace(assume(road, race, old, fitted.ridden), steps=FINE_GRID, closeness=1.0, kept_pulls=())
    try:
        compiled = _timed_compile(road, race, old.order, assumptions, clock)
    except NoFeasiblePlanError:  # at the speeds of this plan no pulls add up to the course
        return None
    table, valuer = ArcTable.of(compiled.data), PathValuer(compiled, clock.settings.seed)
    index = {pull: a for a, pull in enumerate(kept_pulls(compiled.data, compiled.data.arcs))}
    old_pulls = kept_pulls(old.compiled.data, [old.compiled.data.arcs[a] for a in old.best.path])
    path = tuple(index.get(pull, -1) for pull in old_pulls)  # the models may number their lines differently
    plan = valuer.value(path) if -1 not in path else None
    if plan is None or plan.pace is None:
        assert old.best.price is not None
        pace = _on_new_grid(road, race.limits, old.compiled.data, old.best, assumptions)
        plan = follow_prices(table, valuer, pace, old.best.price, stop=clock.stop, found=lambda _: None)
    if plan is None or plan.pace is None:
        return None
    return RotationPlan(old.order, assumptions, compiled, table, valuer, plan)


def _n_shakes(road: Road, usual: int) -> int:
    """Random changes of prices on this road."""
    return max(round(usual * min(1.0, USUAL_SEGMENTS / road.n_segments)), 1)


def _fastest_plans(order: RotationPlan) -> list[RotationPlan]:
    """The plans of an order that are fastest in its model, the best first, no two with nearly the same pulls."""
    chosen: list[ValuedPath] = []
    for plan in sorted(order.valuer.known.values(), key=lambda plan: plan.time_s):
        unlike = all(len(set(plan.path) ^ set(other.path)) >= UNLIKE_PULLS for other in chosen)
        if plan.pace is not None and unlike:
            chosen.append(plan)
        if len(chosen) == N_CANDIDATES:
            break
    return [replace(order, best=plan) for plan in chosen]


def _improve(order: RotationPlan, clock: SearchClock, tell: Progress, n_shakes: int, n_tries: int) -> RotationPlan:
    """Other chains of pulls by random prices, then local search over the ends of the pulls."""

    def found(plan: ValuedPath) -> None:
        tell("improving pulls", finish_time_s(order.compiled.data, plan), -INFINITY)

    best = shake_prices(order.table, order.valuer, order.best, n_shakes, stop=clock.stop, found=found)
    best = improve_locally(order.table, order.valuer, best, n_tries, stop=clock.stop, found=found)
    return replace(order, best=best)


def _no_feasible_plan(
    road: Road,
    race: Race,
    order: tuple[int, ...],
    assumptions: Assumptions,
    compiled: Rotation,
    plan: ValuedPath | None,
) -> NoFeasiblePlanError:
    """Which limits the cheapest chain of pulls would have to miss, and by how much."""
    data = compiled.data
    path = plan.path if plan is not None else ()
    pulls = kept_pulls(data, [data.arcs[a] for a in path])
    known = compile_rotation(rotation_data(road, race, order, replace(assumptions, kept_pulls=pulls), only_kept=True))
    values = PathValuer(known).value(tuple(range(len(pulls)))).values
    missed = limits_missed(race, road.segments, known, values) if values is not None else ()
    if not missed:
        return NoFeasiblePlanError("no schedule keeps all limits; not even one that misses some limits was found")
    needs = ", ".join(str(each) for each in missed)
    return NoFeasiblePlanError(
        f"no schedule keeps all limits; the nearest one found needs {needs}",
        {each.limit: each.where for each in missed},
    )
