"""From a road and a team to the best schedule: calibrate the constants, search every cyclic order, prove a bound."""

from __future__ import annotations

import itertools
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from types import FrameType

import numpy as np
from ttt_models.rotation import JOULE_PER_UNIT, RotationData

from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.physiology import recovery_share, sustainable_share
from ttt_opt.race import Race
from ttt_opt.rotation_paths import CompiledRotation, compile_rotation, lines_of
from ttt_opt.rotation_problem import (
    NARROW_GRID,
    WIDE_GRID,
    Road,
    reference_speed,
    rotation_data,
    speed_grid,
)
from ttt_opt.rotation_search import (
    ArcTable,
    PathValuer,
    ValuedPath,
    follow_prices,
    improve_locally,
    improve_window,
    work_without_changeovers,
)
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.solver import FloatArray, solve, solver_version

INFINITY = float("inf")

Progress = Callable[[str, float, float], None]
"""Told what is being done, the best finish time so far (s, ``inf`` without one) and the proven bound (s)."""

MOST_ORDERS = 24
"""Cyclic orders that are all searched and bounded; for larger teams the order is that of the team file."""
CALIBRATION_ROUNDS = 3
SETTLING_ROUNDS = 5
SETTLED_J = 50.0
"""W' of plan and constants agree to this when the constants have settled (J)."""
LEAST_RECOVERY_SHARE = 0.01
FIRST_PRICE_S_PER_KJ = 0.5
OVERRUN_ALLOWED = 1e-3
"""Share of a bound on a pull that counts as kept."""


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

    time_limit_s: float = 120.0
    gap: float = 0.001
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


@dataclass(frozen=True)
class Assumptions:
    """What the model's constants assume of the plan that they lead to; they are settled by iteration.

    Attributes
    ----------
    centre_mps : ndarray (n_segments,)
        Speeds around which the grid lies, and at which changeovers are evaluated (m/s).
    steps : tuple of float
        Grid over the centre.
    recovery_share : ndarray (n_segments, n_riders)
    sustainable_share : float
        Share of critical power.
    """

    centre_mps: FloatArray
    steps: tuple[float, ...]
    recovery_share: FloatArray
    sustainable_share: float


@dataclass
class _Clock:
    """Time used, and the wish to stop."""

    settings: Settings
    began: float = field(default_factory=time.perf_counter)
    interrupted: bool = False
    build_seconds: float = 0.0

    @property
    def left_s(self) -> float:
        return self.settings.time_limit_s - (time.perf_counter() - self.began)

    def stop(self) -> bool:
        return self.interrupted or self.left_s <= 0.0

    @property
    def reason(self) -> str:
        return "interrupted" if self.interrupted else "time limit"


@dataclass(frozen=True)
class _Order:
    """One cyclic order with its compiled model and the best path known."""

    compiled: CompiledRotation
    table: ArcTable
    valuer: PathValuer
    best: ValuedPath


def optimise(road: Road, race: Race, settings: Settings, progress: Progress | None = None) -> Optimum:
    """Search the best schedule and prove how good it is.

    Parameters
    ----------
    road : Road
    race : Race
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
        assumptions, guess = _calibrate(road, race, orders[0], clock, tell)
        searched = _search_orders(road, race, orders, assumptions, guess, clock, tell)
        best = min(searched, key=lambda order: order.best.time_s)
        best = _improve(best, clock, tell)
        assumptions, best = _settle(road, race, best, assumptions, clock)
        _check_durations(road, race, best)
        bound, n_discarded, complete = _bound(road, race, orders, assumptions, best.best.time_s, clock, tell)
        best, improved_all = _close_gap(best, bound, clock, tell)
        if improved_all:
            _, best = _settle(road, race, best, assumptions, clock)
    finish_time = best.best.time_s
    if clock.stop():
        reason = clock.reason
    elif (finish_time - bound) / finish_time <= settings.gap:
        reason = "gap reached"
    else:
        reason = "search complete"
    return Optimum(
        schedule=schedule_of(road, best.compiled.data, best.best),
        w_prime_j=w_prime_along(best.compiled.data, best.best),
        finish_time_s=finish_time,
        best_possible_s=bound if complete else -INFINITY,
        stopped_because=reason,
        solve_seconds=time.perf_counter() - clock.began,
        build_seconds=clock.build_seconds,
        n_orders=len(orders),
        n_orders_discarded=n_discarded,
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


def _compile(road: Road, race: Race, order: tuple[int, ...], assumptions: Assumptions, clock: _Clock) -> CompiledRotation:
    began = time.perf_counter()
    data = rotation_data(
        road,
        race,
        order,
        speed_mps=speed_grid(road, assumptions.centre_mps, assumptions.steps),
        reference_mps=assumptions.centre_mps,
        recovery_share=assumptions.recovery_share,
        sustainable_share=assumptions.sustainable_share,
    )
    compiled = compile_rotation(data)
    clock.build_seconds += time.perf_counter() - began
    return compiled


def _calibrate(
    road: Road, race: Race, order: tuple[int, ...], clock: _Clock, tell: Progress
) -> tuple[Assumptions, ValuedPath]:
    """Settle grid, recovery and sustainable power on quick plans of one order."""
    n_riders = len(race.team.riders)
    share = race.limits.sustainable_share_of_cp
    guessed_time = float((road.length_m / reference_speed(road, race, 1.0)).sum())
    first_share = float(sustainable_share(guessed_time)) if share is None else share
    assumptions = Assumptions(
        centre_mps=reference_speed(road, race, first_share),
        steps=WIDE_GRID,
        recovery_share=np.full((road.n_segments, n_riders), max(race.recovery_share, LEAST_RECOVERY_SHARE)),
        sustainable_share=first_share,
    )
    centre = len(WIDE_GRID) - 3
    mix = np.zeros((road.n_segments, len(WIDE_GRID)))
    mix[:, centre] = 1.0
    price = np.full((road.n_segments, n_riders), FIRST_PRICE_S_PER_KJ)
    best: ValuedPath | None = None
    for _ in range(CALIBRATION_ROUNDS):
        compiled = _compile(road, race, order, assumptions, clock)
        best = follow_prices(
            ArcTable.of(compiled.data),
            PathValuer(compiled),
            mix,
            price,
            stop=clock.stop,
            found=lambda plan: tell("settling constants", plan.time_s, -INFINITY),
        )
        if best is None or best.mix is None or best.price is None:
            raise NoFeasiblePlanError(_why_infeasible(race))
        assumptions = _assume(road, race, compiled.data, best)
        mix, price = _on_new_grid(road, compiled.data, best, assumptions), best.price
    assert best is not None
    return assumptions, replace(best, mix=mix)


def _assume(road: Road, race: Race, data: RotationData, plan: ValuedPath) -> Assumptions:
    """Constants that fit a plan."""
    assert plan.mix is not None
    w_prime = w_prime_along(data, plan)
    mean_left = 0.5 * (w_prime[1:] + w_prime[:-1])
    mean_left = np.where(np.isnan(mean_left), data.reserve_j, mean_left)
    shares = recovery_share(race.recovery, mean_left, data.w_prime_j, race.recovery_share)
    share = race.limits.sustainable_share_of_cp
    return Assumptions(
        centre_mps=np.asarray((plan.mix * data.speed_mps).sum(axis=1), dtype=np.float64),
        steps=NARROW_GRID,
        recovery_share=np.maximum(np.broadcast_to(shares, mean_left.shape), LEAST_RECOVERY_SHARE),
        sustainable_share=float(sustainable_share(plan.time_s)) if share is None else share,
    )


def _on_new_grid(road: Road, data: RotationData, plan: ValuedPath, assumptions: Assumptions) -> FloatArray:
    """The plan's speeds as mixes of two neighbouring speeds of the new grid."""
    assert plan.mix is not None
    speed = (plan.mix * data.speed_mps).sum(axis=1)
    grid = speed_grid(road, assumptions.centre_mps, assumptions.steps)
    upper = np.clip((grid < speed[:, None]).sum(axis=1), 1, grid.shape[1] - 1)
    rows = np.arange(len(speed))
    low, high = grid[rows, upper - 1], grid[rows, upper]
    part = np.clip((speed - low) / (high - low), 0.0, 1.0)
    mix = np.zeros_like(grid)
    mix[rows, upper], mix[rows, upper - 1] = part, 1.0 - part
    return mix


def _search_orders(
    road: Road,
    race: Race,
    orders: list[tuple[int, ...]],
    assumptions: Assumptions,
    guess: ValuedPath,
    clock: _Clock,
    tell: Progress,
) -> list[_Order]:
    """A good plan for every cyclic order."""
    assert guess.mix is not None
    assert guess.price is not None
    searched: list[_Order] = []
    best_time = INFINITY
    for number, order in enumerate(orders, start=1):
        if searched and clock.stop():
            break
        compiled = _compile(road, race, order, assumptions, clock)
        table, valuer = ArcTable.of(compiled.data), PathValuer(compiled)
        best = follow_prices(table, valuer, guess.mix, guess.price, stop=clock.stop, found=lambda _: None)
        if best is not None and best.mix is not None:
            searched.append(_Order(compiled, table, valuer, best))
            best_time = min(best_time, best.time_s)
        tell(f"order {number} of {len(orders)}", best_time, -INFINITY)
    if not searched:
        raise NoFeasiblePlanError(_why_infeasible(race))
    return searched


def _improve(order: _Order, clock: _Clock, tell: Progress) -> _Order:
    """Local search over the ends of the pulls."""
    best = improve_locally(
        order.table,
        order.valuer,
        order.best,
        stop=clock.stop,
        found=lambda plan: tell("moving changeovers", plan.time_s, -INFINITY),
    )
    return replace(order, best=best)


def _settle(
    road: Road, race: Race, order: _Order, assumptions: Assumptions, clock: _Clock
) -> tuple[Assumptions, _Order]:
    """Repeat speeds and constants for one path until they agree."""
    cyclic = order.compiled.data.lines[0][: sum(rider.pulls for rider in race.team.riders)]
    before = w_prime_along(order.compiled.data, order.best)
    arcs = order.compiled.data.arcs
    pulls = [(arcs[a].first, arcs[a].end, arcs[a].line) for a in order.best.path]
    for _ in range(SETTLING_ROUNDS):
        new = _assume(road, race, order.compiled.data, order.best)
        compiled = _compile(road, race, cyclic, new, clock)
        index = {(arc.first, arc.end, arc.line): a for a, arc in enumerate(compiled.data.arcs)}
        if not all(pull in index for pull in pulls):
            break
        valuer = PathValuer(compiled)
        plan = valuer.value(tuple(index[pull] for pull in pulls))
        if plan.mix is None:
            break
        assumptions = new
        order = _Order(compiled, ArcTable.of(compiled.data), valuer, plan)
        after = w_prime_along(compiled.data, plan)
        if float(np.nanmax(np.abs(after - before))) < SETTLED_J:
            break
        before = after
    return assumptions, order


def _bound(
    road: Road,
    race: Race,
    orders: list[tuple[int, ...]],
    assumptions: Assumptions,
    best_time: float,
    clock: _Clock,
    tell: Progress,
) -> tuple[float, int, bool]:
    """Lowest bound over the cyclic orders, how many cannot hold a better plan, and whether all were bounded."""
    bound, n_discarded = INFINITY, 0
    for number, order in enumerate(orders, start=1):
        if clock.stop():
            return -INFINITY, n_discarded, False
        compiled = _compile(road, race, order, assumptions, clock)
        outcome = solve(
            compiled.model,
            relax=True,
            interior_point=True,
            crossover=False,
            time_limit_s=max(clock.left_s, 1.0),
            interrupted=lambda: clock.interrupted,
        )
        if outcome.stopped_because != "optimal":
            return -INFINITY, n_discarded, False
        n_discarded += outcome.objective > best_time
        bound = min(bound, outcome.objective)
        tell(f"bound of order {number} of {len(orders)}", best_time, bound)
    return bound, n_discarded, True


def _close_gap(order: _Order, bound: float, clock: _Clock, tell: Progress) -> tuple[_Order, bool]:
    """Re-optimise windows of the course until the gap is reached, nothing improves, or time is up."""
    best, gap = order.best, clock.settings.gap
    start = best.time_s
    first = 0
    stale = 0
    while not clock.stop() and (best.time_s - bound) / best.time_s > gap and stale < len(best.path):
        better = improve_window(
            order.valuer, best, first % len(best.path), 8, time_limit_s=min(clock.left_s, 20.0), seed=clock.settings.seed
        )
        stale = 0 if better.time_s < best.time_s - 1e-3 else stale + 4
        best = better
        tell("windows", best.time_s, bound)
        first += 4
    return replace(order, best=best), best.time_s < start - 1e-3


def _check_durations(road: Road, race: Race, order: _Order) -> None:
    """Refuse a plan in which a pull cannot keep the bounds on its duration."""
    data, plan = order.compiled.data, order.best
    assert plan.values is not None
    for column, a in order.compiled.overrun_columns.tolist():
        over = float(plan.values[column])
        if over > OVERRUN_ALLOWED:
            arc = data.arcs[a]
            rider = race.team.riders[data.lines[arc.line][0]].name
            terrain = road.segments.terrain[arc.first]
            bound = "longest_s" if arc.too_long else "shortest_s"
            raise NoFeasiblePlanError(
                f"no schedule keeps limits.pulls.{terrain}.{bound}: the pull of {rider} from "
                f"km {road.segments.start_m[arc.first] / 1000:.1f} misses it by {100 * over:.0f} %; widen that bound"
            )


def _why_infeasible(race: Race) -> str:
    bounds = ", ".join(
        f"{terrain} {limit.shortest_s:g} to {limit.longest_s:g} s" for terrain, limit in race.limits.pulls.items()
    )
    return (
        f"no schedule keeps all limits: pulls of {bounds}, on a wheel at most "
        f"{race.limits.on_wheel_share_of_cp:g} of critical power, reserve {race.limits.w_prime_reserve_j:g} J"
    )


def _along(data: RotationData, plan: ValuedPath) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time ``(n_segments,)``, changeover time ``(n_segments,)`` and work ``(n_segments, n_riders)`` along a plan."""
    assert plan.mix is not None
    lines = lines_of(data, plan.path)
    segments = np.arange(data.n_segments)
    work = work_without_changeovers(data, plan.mix)[segments, lines]
    starts = np.array([data.arcs[a].first for a in plan.path[1:]], dtype=np.int64)
    lost = np.zeros(data.n_segments)
    lost[starts] = data.changeover_s[starts]
    work[starts] += data.changeover_j[starts, lines[starts - 1]]
    return (plan.mix * data.time_s).sum(axis=1), lost, np.maximum(work, 0.0)


def w_prime_along(data: RotationData, plan: ValuedPath) -> FloatArray:
    """W' at the boundaries ``(n_segments + 1, n_riders)`` (J), nan once a rider has left."""
    time_s, lost, work = _along(data, plan)
    above = work - data.cp_w * (time_s + lost)[:, None]
    use = np.where(above > 0.0, above, above * data.recovery_share)
    left = np.empty((data.n_segments + 1, data.n_riders))
    left[0] = data.w_prime_j
    for s in range(data.n_segments):
        left[s + 1] = np.minimum(left[s] - use[s], data.w_prime_j)
    for a in plan.path:
        arc = data.arcs[a]
        absent = [i for i in range(data.n_riders) if i not in data.lines[arc.line]]
        left[arc.first + 1 : arc.end + 1, absent] = np.nan
    return left


def schedule_of(road: Road, data: RotationData, plan: ValuedPath) -> Schedule:
    """The schedule of a plan."""
    time_s, lost, work = _along(data, plan)
    lines = lines_of(data, plan.path)
    leader = np.array([data.lines[q][0] for q in lines])
    pulls = []
    for a, following in itertools.zip_longest(plan.path, plan.path[1:]):
        arc = data.arcs[a]
        line = data.lines[arc.line]
        leaves = following is not None and line[0] not in data.lines[data.arcs[following].line]
        pulls.append(ScheduledPull(line, arc.first, arc.end, leaves))
    return Schedule(
        boundary_m=road.segments.boundary_m,
        speed_mps=road.length_m / time_s,
        front_power_w=work[np.arange(len(leader)), leader] / (time_s + lost),
        changeover_s=lost,
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
