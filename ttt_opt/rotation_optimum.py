"""From a road and a team to the best schedule: calibrate the constants, search every cyclic order, prove a bound."""

from __future__ import annotations

import itertools
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from types import FrameType

import numpy as np

from ttt_models.rotation import RotationData
from ttt_opt.as_ridden import LEAST_RECOVERY_SHARE, Planned, Ridden, fitted_to_ride, time_share
from ttt_opt.errors import NoFeasiblePlanError, SolverFailureError
from ttt_opt.limits_missed import limits_missed
from ttt_opt.physiology import recovery_share, sustainable_share
from ttt_opt.race import Limits, Race
from ttt_opt.ride import Ride
from ttt_opt.ride_check import RideCheck
from ttt_opt.rotation_paths import CompiledRotation, PullPath, compile_rotation, lines_of
from ttt_opt.rotation_problem import (
    FINE_GRID,
    NARROW_GRID,
    WIDE_GRID,
    Assumptions,
    Road,
    reference_speed,
    riding_time,
    rotation_data,
    speed_grid,
)
from ttt_opt.rotation_search import (
    ArcTable,
    Pace,
    PathValuer,
    ValuedPath,
    follow_prices,
    improve_locally,
    shake_prices,
    steady_pace,
    work_without_changeovers,
)
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.solver import FloatArray, solve, solver_version

INFINITY = float("inf")

RideSchedule = Callable[[Schedule, FloatArray], tuple[Ride, RideCheck]]
"""Rides a schedule in the simulation and checks it, given W' at the boundaries as planned (J)."""

Progress = Callable[[str, float, float], None]
"""Told what is being done, the best finish time so far (s, ``inf`` without one) and the proven bound (s)."""

MOST_ORDERS = 24
"""Cyclic orders that are all searched and bounded; for larger teams the order is that of the team file."""
CALIBRATION_ROUNDS, FITTING_ROUNDS, REFITTING_ROUNDS, BOUNDING_ROUNDS = 3, 8, 2, 2
CLOSER_EACH_ROUND = 0.92
"""Speeds of the grid come closer by this in every round in which a plan is fitted to its ride: so the rounds end."""
N_TRIES, FEW_SHAKES, SOME_SHAKES, MOST_SHAKES = 20, 15, 30, 60
"""Neighbours valued before a plan counts as locally best; random changes of prices for each line order, after a plan
was fitted to its ride, and at the beginning and the end; in proportion fewer on roads of more than so many segments:"""
USUAL_SEGMENTS = 160
N_CANDIDATES, UNLIKE_PULLS = 6, 6
"""Plans that are fitted to their rides at the end, and pulls in which any two differ: the fastest in the model need not
be the fastest on the road."""
BUILDS_PER_ROUND = 0.9
"""Duration of a round of settling over that of building a model with all pulls."""
STEP = 0.8
"""How far the recovery of the constants moves to that of the last plan."""
LEAST_ALSO_WORK, MOST_ALSO_WORK = -0.5, 2.0
"""Bounds on the work on a wheel beyond the model's, as a share of it."""
A_FEW_TURNS_S = 300.0
"""Time over which what riders recover is averaged (s)."""
SETTLED_J = 200.0
"""W' with the constants' recovery and with the plan's own agree to this when the constants have settled (J)."""
SHORTFALL_ALLOWED_J = 50.0
"""W' may fall below the reserve by this in the ride of a settled plan (J)."""
TIME_SETTLED = 0.0005
"""Plan and ride agree to this share of the finish time when the plan has settled."""
PASSABLE = 3.0
"""Of two plans that differ from their rides by no more than this times as much, the faster is taken."""
POLL_S = 0.2
FIRST_PRICE_S_PER_KJ = 0.5


@dataclass(frozen=True)
class Settings:
    """How long and how well to search.

    Attributes
    ----------
    time_limit_s : float
        Seconds after which the best plan so far is returned.
    gap : float
        Gap to the proven bound at which the search may stop, as share of the finish time.
    seed : int
        Same seed, same plan.
    """

    time_limit_s: float = 240.0
    gap: float = 0.003
    seed: int = 0


@dataclass(frozen=True)
class Optimum:
    """The best schedule found, what it is worth, and why the search stopped.

    Attributes
    ----------
    schedule : Schedule
    w_prime_j : ndarray (n_segments + 1, n_riders)
        W' left at the boundaries of the segments (J), nan once a rider has left.
    finish_time_s, best_possible_s : float
        Time of the schedule in the model and proven bound of the discretised model (s); the bound is ``-inf`` where the
        search was stopped before there was one.
    stopped_because : str
        ``gap reached``, ``search complete``, ``time limit`` or ``interrupted``.
    solve_seconds, build_seconds : float
        All of the search, and what of it went into building models (s).
    n_orders, n_orders_discarded, n_orders_possible : int
        Cyclic orders bounded, discarded because of their bound, and possible.
    solver : str
        Name and version.
    seed : int
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

    @property
    def gap(self) -> float:
        """Gap between schedule and bound, as share of the finish time."""
        return (self.finish_time_s - self.best_possible_s) / self.finish_time_s


@dataclass
class _Clock:
    """Time used, and the wish to stop."""

    settings: Settings
    began: float = field(default_factory=time.perf_counter)
    interrupted: bool = False
    build_seconds: float = 0.0
    longest_build_s: float = 0.0

    @property
    def left_s(self) -> float:
        """Seconds left for the search; what settling the plan at the end takes is kept back."""
        kept_back = min(FITTING_ROUNDS * BUILDS_PER_ROUND * self.longest_build_s, 0.4 * self.settings.time_limit_s)
        return self.settings.time_limit_s - kept_back - (time.perf_counter() - self.began)

    @contextmanager
    def building(self) -> Iterator[None]:
        """Counts the time within as that of building a model."""
        began = time.perf_counter()
        yield
        seconds = time.perf_counter() - began
        self.longest_build_s = max(self.longest_build_s, seconds)
        self.build_seconds += seconds

    def stop(self) -> bool:
        return self.interrupted or self.left_s <= 0.0


@dataclass(frozen=True)
class _Order:
    """One cyclic order with its constants, its compiled model and the best path known."""

    order: tuple[int, ...]
    assumptions: Assumptions
    compiled: CompiledRotation
    table: ArcTable
    valuer: PathValuer
    best: ValuedPath


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
    build_seconds : float
    """

    order: tuple[int, ...]
    path: PullPath
    time_s: float
    bound_s: float
    build_seconds: float


def optimise(
    road: Road, race: Race, ride_schedule: RideSchedule, settings: Settings, progress: Progress | None = None
) -> Optimum:
    """Search the best schedule and prove how good it is.

    Parameters
    ----------
    road : Road
    race : Race
    ride_schedule : callable
        See :data:`RideSchedule`; what the rides of plans show corrects the model's constants.
    settings : Settings
    progress : callable, optional
        See :data:`Progress`.

    Raises
    ------
    NoFeasiblePlanError
        No schedule keeps all limits; the text names the limit.
    SolverFailureError
        The solver failed.
    """
    tell = progress or (lambda _what, _best, _bound: None)
    clock = _Clock(settings)
    orders = cyclic_orders(race)
    n_possible = len(orders)
    if n_possible > MOST_ORDERS:
        orders = orders[:1]
    with _interrupts(clock):
        best = _calibrate(road, race, orders[0], ride_schedule, clock, tell)
        results = _search_orders(road, race, orders, best, clock, tell, with_bounds=False)
        best = _best_order(road, race, results, best, clock)
        best = _improve(best, clock, tell, _n_shakes(road, MOST_SHAKES))
        fitted = _fit_to_ride(road, race, best, ride_schedule, clock, tell)
        for _ in range(REFITTING_ROUNDS):
            best = _for_all_pulls(road, race, fitted, clock) or best
            best = _improve(best, clock, tell, _n_shakes(road, SOME_SHAKES))
            again = _fit_to_ride(road, race, best, ride_schedule, clock, tell)
            fitted, before = min(fitted, again, key=_Fitted.merit), fitted
            if fitted is before or clock.stop():
                break
        for _ in range(BOUNDING_ROUNDS):
            best = _for_all_pulls(road, race, fitted, clock) or best
            results = _search_orders(road, race, orders, best, clock, tell, with_bounds=True)
            bound = min(result.bound_s for result in results)
            best = _best_order(road, race, results, best, clock)
            if fitted.finish_time_s - bound > settings.gap * fitted.finish_time_s:
                best = _improve(best, clock, tell, _n_shakes(road, MOST_SHAKES))
            for candidate in _fastest_plans(best):
                again = _fit_to_ride(road, race, candidate, ride_schedule, clock, tell)
                fitted = min(fitted, again, key=_Fitted.merit)
                if clock.stop():
                    break
            if fitted.finish_time_s >= bound or clock.stop():
                break
        if fitted.finish_time_s < bound:  # the plan has left the constants for which the bound holds
            bound = -INFINITY
        best = fitted.order
    finish_time = finish_time_s(best.compiled.data, best.best)
    if (finish_time - bound) / finish_time <= settings.gap:
        reason = "gap reached"
    elif clock.stop():
        reason = "interrupted" if clock.interrupted else "time limit"
    else:
        reason = "search complete"
    return Optimum(
        schedule=_schedule_of(road, best),
        w_prime_j=w_prime_along(best.compiled.data, best.best),
        finish_time_s=finish_time,
        best_possible_s=bound,
        stopped_because=reason,
        solve_seconds=time.perf_counter() - clock.began,
        build_seconds=clock.build_seconds,
        n_orders=len(orders),
        n_orders_discarded=sum(result.bound_s > finish_time for result in results),
        n_orders_possible=n_possible,
        solver=solver_version(),
        seed=settings.seed,
    )


def cyclic_orders(race: Race) -> list[tuple[int, ...]]:
    """Cyclic orders of the riders who pull, as indices into the team; one where the race fixes the order."""
    riders = race.team.riders
    pulling = [i for i, rider in enumerate(riders) if rider.pulls]
    if race.start_order:
        place = {name: p for p, name in enumerate(race.start_order)}
        return [tuple(sorted(pulling, key=lambda i: place[riders[i].name]))]
    return [(pulling[0], *rest) for rest in itertools.permutations(pulling[1:])]


def _compile(road: Road, race: Race, order: tuple[int, ...], assumptions: Assumptions) -> CompiledRotation:
    return compile_rotation(rotation_data(road, race, order, assumptions))


def _timed_compile(
    road: Road, race: Race, order: tuple[int, ...], assumptions: Assumptions, clock: _Clock
) -> CompiledRotation:
    with clock.building():
        return _compile(road, race, order, assumptions)


def _calibrate(
    road: Road, race: Race, order: tuple[int, ...], ride_schedule: RideSchedule, clock: _Clock, tell: Progress
) -> _Order:
    """Settle grid, recovery and sustainable power on quick plans of one order."""
    n_riders = len(race.team.riders)
    share = race.limits.sustainable_share_of_cp
    guessed_time = float((road.length_m / reference_speed(road, race, 1.0)).sum())
    first_share = float(sustainable_share(guessed_time)) if share is None else share
    speed = reference_speed(road, race, first_share)
    assumptions = Assumptions(
        centre_mps=speed,
        exit_mps=speed,
        steps=WIDE_GRID,
        closeness=1.0,
        time_share=np.ones(road.n_segments),
        recovery_share=np.full((road.n_segments, n_riders), max(race.recovery_share, LEAST_RECOVERY_SHARE)),
        spent_kept=np.ones((road.n_segments, n_riders)),
        also_used_j=np.zeros((road.n_segments, n_riders)),
        also_work_j=np.zeros((road.n_segments, n_riders)),
        sustainable_share=first_share,
        extra_reserve_j=np.zeros(n_riders),
    )
    mix = np.zeros((road.n_segments, len(WIDE_GRID)))
    mix[:, WIDE_GRID.index(1.0)] = 1.0
    pace: Pace | None = None
    price = np.full((road.n_segments, n_riders), FIRST_PRICE_S_PER_KJ)
    settled: _Order | None = None
    for number in range(CALIBRATION_ROUNDS):
        compiled = _timed_compile(road, race, order, assumptions, clock)
        table, valuer = ArcTable.of(compiled.data), PathValuer(compiled, clock.settings.seed)
        plan = follow_prices(
            table, valuer, pace or steady_pace(compiled.data, mix), price, stop=clock.stop, found=lambda _: None
        )
        if plan is None or plan.pace is None or plan.price is None:
            if settled is None:
                raise NoFeasiblePlanError(_why_infeasible(road, race, order, assumptions, compiled, plan))
            break  # constants of the last plan leave none: those before it stay
        tell("settling the constants", finish_time_s(compiled.data, plan), -INFINITY)
        settled = _Order(order, assumptions, compiled, table, valuer, plan)
        ridden = _ridden(road, race, settled, ride_schedule).ridden
        if number > 0 and (clock.stop() or _drift_j(settled, ridden) <= SETTLED_J):
            break
        if number + 1 < CALIBRATION_ROUNDS:
            new = _assume(road, race, settled, ridden)
            assumptions = new if number == 0 else _most_of_the_way(assumptions, new)
            pace, price = _on_new_grid(road, race.limits, compiled.data, plan, assumptions), plan.price
    assert settled is not None
    return settled


def _assume(road: Road, race: Race, order: _Order, ridden: Ridden) -> Assumptions:
    """Constants that fit the plan of an order, as it was ridden, and hold for other sequences of pulls too."""
    data, plan = order.compiled.data, order.best
    assert plan.pace is not None
    planned, (above_cp, swing_off) = _planned(road, order), _above_cp(data, plan)
    spent = np.where(np.isnan(ridden.w_prime_j), data.w_prime_j - data.reserve_j, data.w_prime_j - ridden.w_prime_j)
    share = _recovery(race, data, spent)
    also_work = _also_work(data, plan, planned, ridden)
    followers = np.arange(data.n_riders) != planned.leader[:, None]
    work = planned.needed_j + np.where(followers, also_work - planned.also_work_j, 0.0)
    above_cp += np.maximum(work, 0.0) - planned.work_j
    use = np.where(above_cp > 0.0, above_cp, above_cp * share) + swing_off
    gone = np.isnan(ridden.w_prime_j[1:])
    unexplained = np.where(gone, 0.0, np.diff(spent, axis=0) - use)
    kept = np.ones_like(use)
    if race.recovery == "differential":  # riders recover on the wheels, and when that is differs from plan to plan
        below_cp = _over_a_few_turns(np.maximum(-above_cp, 0.0), planned.time_s)
        kept = np.where(gone, 1.0, np.exp(-below_cp / data.w_prime_j))
    sustainable = race.limits.sustainable_share_of_cp
    if sustainable is None:
        sustainable = float(sustainable_share(finish_time_s(data, plan)))
    return replace(
        order.assumptions,
        centre_mps=_speeds(data, plan),
        exit_mps=np.sqrt(np.maximum(plan.pace.square_at_end, 1.0)),
        steps=NARROW_GRID,
        time_share=time_share(planned, ridden),
        recovery_share=share,
        spent_kept=kept,
        also_used_j=(1.0 - kept) * spent[:-1] + _over_a_few_turns(unexplained, planned.time_s),
        also_work_j=also_work,
        sustainable_share=sustainable,
    )


def _also_work(data: RotationData, plan: ValuedPath, planned: Planned, ridden: Ridden) -> FloatArray:
    """Work of riders on a wheel beyond the model's ``(n_segments, n_riders)`` (J), whoever leads.

    Within a segment riders pedal and brake, which a mean does not show. All who follow do so alike: what counts is the
    one in the middle of them, so that who has just swung off, and has work of his own, does not matter.
    """
    assert plan.pace is not None
    lines = work_without_changeovers(data, plan.pace) - data.also_work_j[:, None, :]
    leads = np.array([[i == line[0] for i in range(data.n_riders)] for line in data.lines])
    on_wheel = np.where(leads, 0.0, lines).sum(axis=1) / np.maximum((~leads).sum(axis=0), 1)
    by_model = planned.needed_j - planned.also_work_j
    follows = np.isfinite(ridden.work_j) & (np.arange(data.n_riders) != planned.leader[:, None]) & (by_model > 0.0)
    ratio = np.where(follows, ridden.work_j / np.where(follows, by_model, 1.0), np.nan)
    known = follows.any(axis=1) & data.on_wheel_applies
    more = np.zeros(data.n_segments)
    more[known] = np.clip(np.nanmedian(ratio[known], axis=1) - 1.0, LEAST_ALSO_WORK, MOST_ALSO_WORK)
    return np.asarray(more[:, None] * np.maximum(on_wheel, 0.0), dtype=np.float64)


def _over_a_few_turns(per_segment: FloatArray, time_s: FloatArray) -> FloatArray:
    """A figure ``(n_segments, n_riders)`` spread evenly over the time around each segment."""
    ends_s = np.append(0.0, np.cumsum(time_s))
    middle_s = 0.5 * (ends_s[1:] + ends_s[:-1])
    before = np.searchsorted(middle_s, middle_s - 0.5 * A_FEW_TURNS_S)
    after = np.searchsorted(middle_s, middle_s + 0.5 * A_FEW_TURNS_S)
    total = np.vstack([np.zeros(per_segment.shape[1]), np.cumsum(per_segment, axis=0)])
    rate = (total[after] - total[before]) / (ends_s[after] - ends_s[before])[:, None]
    return np.asarray(rate * time_s[:, None], dtype=np.float64)


def _recovery(race: Race, data: RotationData, spent_j: FloatArray) -> FloatArray:
    """Recovery share in the middle of the segments where that much W' is spent at their ends (J)."""
    left = data.w_prime_j - 0.5 * (spent_j[1:] + spent_j[:-1])
    shares = recovery_share(race.recovery, left, data.w_prime_j, race.recovery_share)
    return np.clip(np.broadcast_to(shares, left.shape), LEAST_RECOVERY_SHARE, 1.0)


def _speeds(data: RotationData, plan: ValuedPath) -> FloatArray:
    """Speeds of a plan ``(n_segments,)`` (m/s)."""
    assert plan.pace is not None
    return np.asarray((plan.pace.mix * data.speed_mps).sum(axis=1), dtype=np.float64)


def _most_of_the_way(old: Assumptions, new: Assumptions) -> Assumptions:
    """The new assumptions on the final grid, with recovery most of the way from the old: the whole way overshoots."""
    return replace(
        new,
        recovery_share=(1.0 - STEP) * old.recovery_share + STEP * new.recovery_share,
        also_used_j=(1.0 - STEP) * old.also_used_j + STEP * new.also_used_j,
        also_work_j=(1.0 - STEP) * old.also_work_j + STEP * new.also_work_j,
        steps=FINE_GRID,
    )


def _drift_j(order: _Order, ridden: Ridden) -> float:
    """Largest difference between W' of plan and ride at the ends of segments (J)."""
    return float(np.nanmax(np.abs(w_prime_along(order.compiled.data, order.best) - ridden.w_prime_j)))


def _on_new_grid(
    road: Road, limits: Limits, data: RotationData, plan: ValuedPath, assumptions: Assumptions
) -> Pace:
    """The plan's speeds as mixes of two neighbouring speeds of the new grid."""
    assert plan.pace is not None
    speed = _speeds(data, plan)
    grid = speed_grid(road, limits, assumptions.centre_mps, assumptions.steps, assumptions.closeness)
    upper = np.clip((grid < speed[:, None]).sum(axis=1), 1, grid.shape[1] - 1)
    rows = np.arange(len(speed))
    low, high = grid[rows, upper - 1], grid[rows, upper]
    part = np.clip((speed - low) / (high - low), 0.0, 1.0)
    mix = np.zeros_like(grid)
    mix[rows, upper], mix[rows, upper - 1] = part, 1.0 - part
    return Pace(mix, plan.pace.square_at_end)


def search_order(
    road: Road,
    race: Race,
    order: tuple[int, ...],
    assumptions: Assumptions,
    pace: Pace,
    price: FloatArray,
    seconds: float,
    seed: int,
    with_bound: bool,
) -> OrderResult:
    """A good path for one cyclic order, and the bound of its relaxation."""
    began = time.perf_counter()
    compiled = _compile(road, race, order, assumptions)
    build_seconds = time.perf_counter() - began
    table, valuer = ArcTable.of(compiled.data), PathValuer(compiled, seed)
    plan = follow_prices(table, valuer, pace, price, stop=lambda: False, found=lambda _: None)
    bound = -INFINITY
    if with_bound:
        if plan is not None:
            plan = shake_prices(table, valuer, plan, FEW_SHAKES, stop=lambda: False, found=lambda _: None)
        left = max(seconds - (time.perf_counter() - began), 1.0)
        relaxed = solve(compiled.model, relax=True, interior_point=True, crossover=False, time_limit_s=left, seed=seed)
        bound = {"optimal": relaxed.objective, "infeasible": INFINITY}.get(relaxed.stopped_because, -INFINITY)
    if plan is None or plan.pace is None:
        return OrderResult(order, (), INFINITY, bound, build_seconds)
    return OrderResult(order, plan.path, plan.time_s, bound, build_seconds)


def _search_orders(
    road: Road,
    race: Race,
    orders: list[tuple[int, ...]],
    guess: _Order,
    clock: _Clock,
    tell: Progress,
    *,
    with_bounds: bool,
) -> list[OrderResult]:
    """Plan and, if asked for, bound for every cyclic order, on all cores; orders not reached in time have none."""
    assumptions, plan = guess.assumptions, guess.best
    assert plan.price is not None
    pace = _on_new_grid(road, race.limits, guess.compiled.data, plan, assumptions)
    best_time = finish_time_s(guess.compiled.data, plan)
    seed = clock.settings.seed
    results = {order: OrderResult(order, (), INFINITY, -INFINITY, 0.0) for order in orders}
    n_workers = min(len(orders), os.cpu_count() or 1)
    with ProcessPoolExecutor(n_workers, mp_context=_context(), initializer=_ignore_interrupts) as pool:
        running: dict[Future[OrderResult], tuple[int, ...]] = {
            pool.submit(
                search_order, road, race, order, assumptions, pace, plan.price, clock.left_s, seed, with_bounds
            ): order
            for order in orders
        }
        waiting = set(running)
        while waiting:
            done, waiting = wait(waiting, timeout=POLL_S)
            for job in done:
                try:
                    result = job.result()
                except BrokenExecutor as error:
                    raise SolverFailureError("a search process ended without an answer") from error
                results[result.order] = result
                clock.build_seconds += result.build_seconds
                best_time = min(best_time, result.time_s)
                known = min(result.bound_s for result in results.values())
                what = "bounding" if with_bounds else "trying"
                tell(f"{what} line orders, {len(running) - len(waiting)} of {len(orders)}", best_time, known)
            if clock.stop():
                for process in multiprocessing.active_children():
                    process.terminate()
                break
    return list(results.values())


def _context() -> multiprocessing.context.BaseContext:
    """Forked where the system can, so that callers need no guard around their main module."""
    return multiprocessing.get_context("fork" if "fork" in multiprocessing.get_all_start_methods() else None)


def _ignore_interrupts() -> None:
    """In a worker: Ctrl-C is for the main process, which ends the workers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _best_order(
    road: Road,
    race: Race,
    results: list[OrderResult],
    guess: _Order,
    clock: _Clock,
) -> _Order:
    """The order with the fastest plan, compiled; the guess, which has the same constants, where none is faster."""
    chosen = min(results, key=lambda result: result.time_s)
    if not chosen.path or chosen.time_s >= guess.best.time_s:
        return guess
    compiled = _timed_compile(road, race, chosen.order, guess.assumptions, clock)
    valuer = PathValuer(compiled, clock.settings.seed)
    table = ArcTable.of(compiled.data)
    return _Order(chosen.order, guess.assumptions, compiled, table, valuer, valuer.value(chosen.path))


def _for_all_pulls(road: Road, race: Race, fitted: _Fitted, clock: _Clock) -> _Order | None:
    """The constants of a plan as ridden in a model with all pulls, and that plan in it.

    Another plan where pulls of it have become too long or too short; ``None``: there is none under these constants.
    """
    old = fitted.order
    assumptions = replace(_assume(road, race, old, fitted.ridden), steps=FINE_GRID, closeness=1.0, kept_pulls=())
    compiled = _timed_compile(road, race, old.order, assumptions, clock)
    table, valuer = ArcTable.of(compiled.data), PathValuer(compiled, clock.settings.seed)
    index = {arc: a for a, arc in enumerate(compiled.data.arcs)}
    path = tuple(index.get(old.compiled.data.arcs[a], -1) for a in old.best.path)
    plan = valuer.value(path) if -1 not in path else None
    if plan is None or plan.pace is None:
        assert old.best.price is not None
        pace = _on_new_grid(road, race.limits, old.compiled.data, old.best, assumptions)
        plan = follow_prices(table, valuer, pace, old.best.price, stop=clock.stop, found=lambda _: None)
    if plan is None or plan.pace is None:
        return None
    return _Order(old.order, assumptions, compiled, table, valuer, plan)


def _n_shakes(road: Road, usual: int) -> int:
    """Random changes of prices on this road."""
    return max(round(usual * min(1.0, USUAL_SEGMENTS / road.n_segments)), 1)


def _fastest_plans(order: _Order) -> list[_Order]:
    """The plans of an order that are fastest in its model, the best first, no two with nearly the same pulls."""
    chosen: list[ValuedPath] = []
    for plan in sorted(order.valuer.known.values(), key=lambda plan: plan.time_s):
        unlike = all(len(set(plan.path) ^ set(other.path)) >= UNLIKE_PULLS for other in chosen)
        if plan.pace is not None and unlike:
            chosen.append(plan)
        if len(chosen) == N_CANDIDATES:
            break
    return [replace(order, best=plan) for plan in chosen]


def _improve(order: _Order, clock: _Clock, tell: Progress, n_shakes: int) -> _Order:
    """Other chains of pulls by random prices, then local search over the ends of the pulls."""

    def found(plan: ValuedPath) -> None:
        tell("improving pulls", finish_time_s(order.compiled.data, plan), -INFINITY)

    best = shake_prices(order.table, order.valuer, order.best, n_shakes, stop=clock.stop, found=found)
    best = improve_locally(order.table, order.valuer, best, N_TRIES, stop=clock.stop, found=found)
    return replace(order, best=best)


def _revalued(
    road: Road,
    race: Race,
    order: _Order,
    assumptions: Assumptions,
    clock: _Clock,
    fit: Callable[[RotationData], RotationData],
) -> _Order | None:
    """The same path of pulls under other constants; ``None``: under them it has no speeds that keep all limits."""
    arcs = [order.compiled.data.arcs[a] for a in order.best.path]
    lines = order.compiled.data.lines
    assumptions = replace(assumptions, kept_pulls=tuple((arc.first, arc.end, lines[arc.line]) for arc in arcs))
    with clock.building():
        compiled = compile_rotation(fit(rotation_data(road, race, order.order, assumptions, only_kept=True)))
    valuer = order.valuer.for_other_constants(compiled)
    plan = valuer.value(tuple(range(len(arcs))))
    if plan.pace is None:
        return None
    return _Order(order.order, assumptions, compiled, ArcTable.of(compiled.data), valuer, plan)


@dataclass(frozen=True)
class _Fitted:
    """A plan whose constants fit its ride.

    Attributes
    ----------
    order : _Order
    ridden : Ridden
    finish_time_s : float
    misfit_j, short_j, late : float
        Largest difference of W' between plan and ride (J), what the ride lacks of the reserve (J), difference of the
        finish times (share).
    n_failed : int
        Checks of the ride that are not met.
    """

    order: _Order
    ridden: Ridden
    finish_time_s: float
    misfit_j: float
    short_j: float
    late: float
    n_failed: int

    def beyond(self, misfit_j: float, short_j: float, late: float) -> float:
        """How far plan and ride are apart, over what is allowed; 1 where all is well."""
        return max(self.misfit_j / misfit_j, self.short_j / short_j, self.late / late, 1.0)

    @property
    def settled(self) -> bool:
        """Another round is of no use."""
        return self.n_failed == 0 and self.beyond(SETTLED_J, SHORTFALL_ALLOWED_J, TIME_SETTLED) == 1.0

    def merit(self) -> tuple[int, float, float]:
        """The lower the better: first what no team could ride, then time, of plan or ride, whichever is longer."""
        beyond = self.beyond(PASSABLE * SETTLED_J, PASSABLE * SHORTFALL_ALLOWED_J, PASSABLE * TIME_SETTLED)
        return self.n_failed, beyond, max(self.finish_time_s, float(self.ridden.time_s.sum()))


def _ridden(road: Road, race: Race, order: _Order, ride_schedule: RideSchedule) -> _Fitted:
    """A plan with its ride."""
    data, plan = order.compiled.data, order.best
    ride, check = ride_schedule(_schedule_of(road, order), w_prime_along(data, plan))
    ridden, finish_time = Ridden.of(ride), finish_time_s(data, plan)
    return _Fitted(
        order,
        ridden,
        finish_time,
        misfit_j=_drift_j(order, ridden),
        short_j=float((race.limits.w_prime_reserve_j - ridden.lowest_j).max()),
        late=abs(float(ridden.time_s.sum()) / finish_time - 1.0),
        n_failed=len(check.failed),
    )


def _fit_to_ride(
    road: Road, race: Race, order: _Order, ride_schedule: RideSchedule, clock: _Clock, tell: Progress
) -> _Fitted:
    """Repeat ride and speeds for one path until the plan is what is ridden; else the round that comes nearest."""
    rounds = [_ridden(road, race, order, ride_schedule)]
    while len(rounds) <= FITTING_ROUNDS and not (len(rounds) > 1 and rounds[-1].settled):
        order, ridden = rounds[-1].order, rounds[-1].ridden
        extra_j = order.assumptions.extra_reserve_j
        short_j = np.zeros_like(extra_j) if len(rounds) == 1 else race.limits.w_prime_reserve_j - ridden.lowest_j
        new = replace(
            _assume(road, race, order, ridden),
            steps=FINE_GRID,
            closeness=CLOSER_EACH_ROUND ** len(rounds),
            extra_reserve_j=np.maximum(extra_j + np.where(short_j > 0.0, 1.0, 0.5) * short_j, 0.0),
        )
        fit = partial(fitted_to_ride, race=race, planned=_planned(road, order), ridden=ridden)
        revalued = _revalued(road, race, order, new, clock, fit)
        if revalued is None:
            break
        rounds.append(_ridden(road, race, revalued, ride_schedule))
        tell("riding the plan", rounds[-1].finish_time_s, -INFINITY)
    return min(rounds, key=_Fitted.merit)


def _planned(road: Road, order: _Order) -> Planned:
    """What a plan has in each segment."""
    data, plan = order.compiled.data, order.best
    assert plan.pace is not None
    time_s, changeover_s, needed = _along(data, plan)
    riding = (plan.pace.mix * riding_time(road, data.speed_mps)).sum(axis=1)
    _, swing_off = _above_cp(data, plan)
    braking = np.maximum(time_s - riding * order.assumptions.time_share, 0.0)
    leader = np.array([data.lines[q][0] for q in lines_of(data, plan.path)])
    also_work = np.where(np.arange(data.n_riders) == leader[:, None], 0.0, data.also_work_j)
    return Planned(leader, time_s + changeover_s, riding, changeover_s, braking, needed, also_work, swing_off)


def _why_infeasible(
    road: Road,
    race: Race,
    order: tuple[int, ...],
    assumptions: Assumptions,
    compiled: CompiledRotation,
    plan: ValuedPath | None,
) -> str:
    """Which limits the cheapest chain of pulls would have to miss, and by how much."""
    data = compiled.data
    path = plan.path if plan is not None else ()
    pulls = tuple((arc.first, arc.end, data.lines[arc.line]) for arc in (data.arcs[a] for a in path))
    known = compile_rotation(rotation_data(road, race, order, replace(assumptions, kept_pulls=pulls), only_kept=True))
    values = PathValuer(known).value(tuple(range(len(pulls)))).values
    missed = limits_missed(race, road.segments, known, values) if values is not None else ()
    if not missed:
        return "no schedule keeps all limits; not even one that misses some limits was found"
    return f"no schedule keeps all limits; the nearest one found needs {', '.join(missed)}"


def _along(data: RotationData, plan: ValuedPath) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time and changeover time ``(n_segments,)`` and work ``(n_segments, n_riders)``, below zero where riders brake."""
    assert plan.pace is not None
    lines = lines_of(data, plan.path)
    segments = np.arange(data.n_segments)
    work = work_without_changeovers(data, plan.pace)[segments, lines]
    starts = np.array([data.arcs[a].first for a in plan.path[1:]], dtype=np.int64)
    lost = np.zeros(data.n_segments)
    lost[starts] = data.changeover_s[starts]
    work[starts] += data.changeover_j[starts, lines[starts - 1]]
    return (plan.pace.mix * data.time_s).sum(axis=1), lost, work


def finish_time_s(data: RotationData, plan: ValuedPath) -> float:
    """Time of a plan (s), ``inf`` for one without speeds."""
    if plan.pace is None:
        return INFINITY
    time_s, lost, _ = _along(data, plan)
    return float(time_s.sum() + lost.sum())


def w_prime_along(data: RotationData, plan: ValuedPath) -> FloatArray:
    """W' at the boundaries ``(n_segments + 1, n_riders)`` (J) with the model's recovery, nan once a rider has left."""
    above, swing_off = _above_cp(data, plan)
    use = np.where(above > 0.0, above, above * data.recovery_share) + swing_off + data.also_used_j
    spent = np.zeros((data.n_segments + 1, data.n_riders))
    for s in range(data.n_segments):
        spent[s + 1] = np.maximum(data.spent_kept[s] * spent[s] + use[s], 0.0)
    left = data.w_prime_j - spent
    return _without_leavers(data, plan, left)


def _above_cp(data: RotationData, plan: ValuedPath) -> tuple[FloatArray, FloatArray]:
    """Work above sustainable power and W' used by swinging off beyond it (J), each ``(n_segments, n_riders)``."""
    time_s, lost, work = _along(data, plan)
    duration = time_s + lost
    swing_off = np.zeros_like(work)
    for before, after in itertools.pairwise(plan.path):
        first, line = data.arcs[after].first, data.arcs[before].line
        swing_off[first, data.lines[line][0]] += data.changeover_use_j[first, line]
    return np.maximum(work, 0.0) - data.cp_w * duration[:, None], swing_off


def _without_leavers(data: RotationData, plan: ValuedPath, w_prime_j: FloatArray) -> FloatArray:
    left = w_prime_j.copy()
    for a in plan.path:
        arc = data.arcs[a]
        absent = [i for i in range(data.n_riders) if i not in data.lines[arc.line]]
        left[arc.first + 1 : arc.end + 1, absent] = np.nan
    return left


def _schedule_of(road: Road, order: _Order) -> Schedule:
    """The schedule of a plan."""
    data, plan = order.compiled.data, order.best
    assert plan.pace is not None
    planned = _planned(road, order)
    pulls = []
    for a, following in itertools.zip_longest(plan.path, plan.path[1:]):
        arc = data.arcs[a]
        line = data.lines[arc.line]
        leaves = following is not None and line[0] not in data.lines[data.arcs[following].line]
        pulls.append(ScheduledPull(line, arc.first, arc.end, leaves))
    return Schedule(
        boundary_m=road.segments.boundary_m,
        speed_mps=road.length_m / (planned.time_s - planned.changeover_s),
        exit_speed_mps=np.sqrt(np.maximum(plan.pace.square_at_end, 0.0)),
        front_power_w=planned.work_j[np.arange(data.n_segments), planned.leader] / planned.time_s,
        lost_s=planned.changeover_s,
        pulls=tuple(pulls),
    )


@contextmanager
def _interrupts(clock: _Clock) -> Iterator[None]:
    """While the search runs, Ctrl-C means: stop and give the best plan so far; a second one really interrupts."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def handle(_signal: int, _frame: FrameType | None) -> None:
        if clock.interrupted:
            raise KeyboardInterrupt
        clock.interrupted = True

    old = signal.signal(signal.SIGINT, handle)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, old)
