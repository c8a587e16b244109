"""Fitting a plan to its ride: constants that agree with what the simulation says of the plan that they lead to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ttt_models.rotation import RotationData
from ttt_opt.as_ridden import LEAST_RECOVERY_SHARE, Planned, Ridden, fitted_to_ride, time_share
from ttt_opt.physiology import recovery_share, sustainable_share
from ttt_opt.race import Race
from ttt_opt.ride import Ride
from ttt_opt.ride_check import RideCheck
from ttt_opt.rotation_paths import compile_rotation
from ttt_opt.rotation_plan import (
    RotationPlan,
    above_cp,
    finish_time_s,
    planned_of,
    schedule_of,
    speeds_of,
    swings_off,
    w_prime_along,
)
from ttt_opt.rotation_problem import FINE_GRID, NARROW_GRID, Assumptions, Road, kept_pulls, rotation_data
from ttt_opt.rotation_search import ArcTable, PathValuer, ValuedPath, work_without_changeovers
from ttt_opt.schedule import Schedule
from ttt_opt.search_control import Progress, SearchClock
from ttt_opt.solver import BoolArray, FloatArray

INFINITY = float("inf")

RideSchedule = Callable[[Schedule, FloatArray], tuple[Ride, RideCheck]]
"""Rides a schedule in the simulation and checks it, given W' at the boundaries as planned (J)."""

FEWEST_FITTING_ROUNDS, FITTING_ROUNDS, MOST_FITTING_ROUNDS = 3, 8, 13
"""Rounds in which a plan is fitted to its ride: where the time is over, usually at most, and where none of them gave a
plan that can be ridden."""
CLOSER_EACH_ROUND, CLOSE, MUCH_CLOSER = 0.6, 0.1, 0.7
"""Speeds of the grid come closer by this in each of the usual rounds, as far as that, and in each of the others by
this: so the rounds end."""
OF_THE_DIP = 0.5
"""How far what must be left at the ends of a segment moves in a round to what the ride says it must be."""
MOST_DIP = 0.25
"""Bound on a dip, as a share of what a rider may spend: one odd ride must leave room for a plan."""
STEP = 0.8
"""How far the recovery of the constants moves to that of the last plan."""
LEAST_ALSO_WORK, MOST_ALSO_WORK = -0.5, 2.0
"""Bounds on the work on a wheel beyond the model's, as a share of it."""
LEAST_ALSO_CHANGEOVER_J, MOST_ALSO_CHANGEOVER_J = -300.0, 1000.0
"""Bounds on the W' of a changeover beyond the model's, as one ride shows it (J)."""
A_FEW_TURNS_S = 300.0
"""Time over which what riders spend and recover is averaged (s). With what they had spent place by place, the search
found plans that led where the plan before had recovered: 0.3 % slower when they were ridden, now 0.1 %."""
SETTLED_J = 200.0
"""W' of a plan and of its ride agree to this everywhere when the plan has settled (J)."""
SHORTFALL_ALLOWED_J = 50.0
"""W' may fall below the reserve by this in the ride of a settled plan (J)."""
TIME_SETTLED = 0.0005
"""Plan and ride agree to this share of the finish time when the plan has settled."""
PASSABLE = 3.0
"""Of two plans that differ from their rides by no more than this times as much, the faster is taken."""


def assume(road: Road, race: Race, order: RotationPlan, ridden: Ridden) -> Assumptions:
    """Constants that fit the plan of an order, as it was ridden, and hold for other sequences of pulls too."""
    data, plan = order.compiled.data, order.best
    assert plan.pace is not None
    planned, (beyond, swing_off) = planned_of(road, order), above_cp(data, plan)
    spent = np.where(np.isnan(ridden.w_prime_j), data.w_prime_j - data.reserve_j, data.w_prime_j - ridden.w_prime_j)
    usual = _spent_over_a_few_turns(spent, planned.time_s)
    share = _recovery(race, data, data.w_prime_j - usual)
    on_wheel = _on_wheel_work(data, plan)
    also_work = _also_work(data, planned, ridden, on_wheel)
    followers = np.arange(data.n_riders) != planned.leader[:, None]
    work = planned.needed_j + np.where(followers, also_work - planned.also_work_j, 0.0)
    beyond += np.maximum(work, 0.0) - planned.work_j
    use = np.where(beyond > 0.0, beyond, beyond * share) + swing_off
    gone = np.isnan(ridden.w_prime_j[1:])
    kept = np.ones_like(use)
    if race.recovery == "differential":  # riders recover on the wheels, and when that is differs from plan to plan
        followed_s = _over_a_few_turns(np.where(followers, planned.time_s[:, None], 0.0), planned.time_s)
        below_cp_w = data.cp_w - np.maximum(on_wheel + also_work, 0.0) / ridden.time_s[:, None]
        kept = np.where(gone, 1.0, np.exp(-np.maximum(below_cp_w, 0.0) * followed_s / data.w_prime_j))
    also_used = (1.0 - kept) * usual
    unexplained = np.where(gone, 0.0, spent[1:] - kept * spent[:-1] - use - also_used)
    back = swings_off(data, plan) & ~gone
    also_changeover = _of_changeovers(unexplained, back, planned.time_s)
    unexplained -= np.where(back, also_changeover, 0.0)
    sustainable = race.limits.sustainable_share_of_cp
    if sustainable is None:
        sustainable = float(sustainable_share(finish_time_s(data, plan)))
    return replace(
        order.assumptions,
        centre_mps=speeds_of(data, plan),
        exit_mps=np.sqrt(np.maximum(plan.pace.square_at_end, 1.0)),
        steps=NARROW_GRID,
        time_share=time_share(planned, ridden),
        recovery_share=share,
        spent_kept=kept,
        also_used_j=also_used + _over_a_few_turns(unexplained, planned.time_s),
        also_work_j=also_work,
        also_changeover_j=order.assumptions.also_changeover_j + also_changeover,
        dip_j=_dip_j(data, ridden),
        sustainable_share=sustainable,
    )


def _on_wheel_work(data: RotationData, plan: ValuedPath) -> FloatArray:
    """Work of each rider on a wheel by the model, the mean of the lines that he is in and does not lead (J).

    As ``(n_segments, n_riders)``, at the speeds of the plan.
    """
    assert plan.pace is not None
    lines = work_without_changeovers(data, plan.pace) - data.also_work_j[:, None, :]
    follows = np.array([[i in line[1:] for i in range(data.n_riders)] for line in data.lines])
    return np.asarray(np.where(follows, lines, 0.0).sum(axis=1) / np.maximum(follows.sum(axis=0), 1), dtype=np.float64)


def _also_work(data: RotationData, planned: Planned, ridden: Ridden, on_wheel: FloatArray) -> FloatArray:
    """Work of riders on a wheel beyond the model's ``(n_segments, n_riders)`` (J), whoever leads.

    Within a segment riders pedal and brake, which a mean does not show. All who follow do so alike: what counts is the
    one in the middle of them, so that who has just swung off, and has work of his own, does not matter.
    """
    by_model = planned.needed_j - planned.also_work_j
    follows = np.isfinite(ridden.work_j) & (np.arange(data.n_riders) != planned.leader[:, None]) & (by_model > 0.0)
    ratio = np.where(follows, ridden.work_j / np.where(follows, by_model, 1.0), np.nan)
    known = follows.any(axis=1) & data.on_wheel_applies
    more = np.zeros(data.n_segments)
    more[known] = np.clip(np.nanmedian(ratio[known], axis=1) - 1.0, LEAST_ALSO_WORK, MOST_ALSO_WORK)
    return np.asarray(more[:, None] * np.maximum(on_wheel, 0.0), dtype=np.float64)


def _dip_j(data: RotationData, ridden: Ridden) -> FloatArray:
    """Dips of the ride, at most :data:`MOST_DIP` of what each rider may spend ``(n_segments, n_riders)`` (J)."""
    return np.asarray(np.minimum(ridden.dip_j, MOST_DIP * (data.w_prime_j - data.reserve_j)), dtype=np.float64)


def _of_changeovers(unexplained_j: FloatArray, back: BoolArray, time_s: FloatArray) -> FloatArray:
    """W' beyond the model's that each rider uses at his median changeover ``(n_riders,)`` (J).

    ``back`` tells in which segments a rider goes back; what he uses there is compared with what he uses around.
    """
    beyond_usual = unexplained_j - _over_a_few_turns(np.where(back, 0.0, unexplained_j), time_s)
    median = [np.median(own[mine]) if mine.any() else 0.0 for own, mine in zip(beyond_usual.T, back.T, strict=True)]
    clipped = np.clip(np.array(median), LEAST_ALSO_CHANGEOVER_J, MOST_ALSO_CHANGEOVER_J)
    return np.asarray(clipped, dtype=np.float64)


def _over_a_few_turns(per_segment: FloatArray, time_s: FloatArray) -> FloatArray:
    """A figure ``(n_segments, n_riders)`` spread evenly over the time around each segment."""
    ends_s = np.append(0.0, np.cumsum(time_s))
    middle_s = 0.5 * (ends_s[1:] + ends_s[:-1])
    before = np.searchsorted(middle_s, middle_s - 0.5 * A_FEW_TURNS_S)
    after = np.searchsorted(middle_s, middle_s + 0.5 * A_FEW_TURNS_S)
    total = np.vstack([np.zeros(per_segment.shape[1]), np.cumsum(per_segment, axis=0)])
    rate = (total[after] - total[before]) / (ends_s[after] - ends_s[before])[:, None]
    return np.asarray(rate * time_s[:, None], dtype=np.float64)


def _spent_over_a_few_turns(spent_j: FloatArray, time_s: FloatArray) -> FloatArray:
    """Mean W' spent around each segment ``(n_segments, n_riders)``, from that at the boundaries (J)."""
    in_middle = 0.5 * (spent_j[1:] + spent_j[:-1])
    return _over_a_few_turns(in_middle * time_s[:, None], time_s) / time_s[:, None]


def _recovery(race: Race, data: RotationData, left_j: FloatArray) -> FloatArray:
    """Recovery share where that much W' is left ``(n_segments, n_riders)`` (J)."""
    shares = recovery_share(race.recovery, left_j, data.w_prime_j, race.recovery_share)
    return np.clip(np.broadcast_to(shares, left_j.shape), LEAST_RECOVERY_SHARE, 1.0)


def most_of_the_way(old: Assumptions, new: Assumptions) -> Assumptions:
    """The new assumptions on the final grid, with recovery most of the way from the old: the whole way overshoots."""
    return replace(
        new,
        recovery_share=(1.0 - STEP) * old.recovery_share + STEP * new.recovery_share,
        also_used_j=(1.0 - STEP) * old.also_used_j + STEP * new.also_used_j,
        also_work_j=(1.0 - STEP) * old.also_work_j + STEP * new.also_work_j,
        also_changeover_j=(1.0 - STEP) * old.also_changeover_j + STEP * new.also_changeover_j,
        steps=FINE_GRID,
    )


def drift_j(order: RotationPlan, ridden: Ridden) -> float:
    """Largest difference between W' of plan and ride at the ends of segments (J)."""
    return float(np.nanmax(np.abs(w_prime_along(order.compiled.data, order.best) - ridden.w_prime_j)))


def _revalued(
    road: Road,
    race: Race,
    order: RotationPlan,
    assumptions: Assumptions,
    clock: SearchClock,
    fit: Callable[[RotationData], RotationData],
) -> RotationPlan | None:
    """The same path of pulls under other constants; ``None``: under them it has no speeds that keep all limits."""
    arcs = [order.compiled.data.arcs[a] for a in order.best.path]
    assumptions = replace(assumptions, kept_pulls=kept_pulls(order.compiled.data, arcs))
    with clock.building():
        compiled = compile_rotation(fit(rotation_data(road, race, order.order, assumptions, only_kept=True)))
    valuer = PathValuer(compiled, order.valuer.seed)
    plan = valuer.value(tuple(range(len(arcs))))
    if plan.pace is None:
        return None
    return RotationPlan(order.order, assumptions, compiled, ArcTable.of(compiled.data), valuer, plan)


@dataclass(frozen=True)
class FittedPlan:
    """A plan whose constants fit its ride.

    Attributes
    ----------
    order : RotationPlan
    ridden : Ridden
    finish_time_s : float
    misfit_j, short_j, late : float
        Largest difference of W' between plan and ride (J), what the ride lacks of the reserve (J), difference of the
        finish times (share).
    n_failed : int
        Checks of the ride that are not met.
    """

    order: RotationPlan
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


def as_ridden(road: Road, race: Race, order: RotationPlan, ride_schedule: RideSchedule) -> FittedPlan:
    """A plan with its ride."""
    data, plan = order.compiled.data, order.best
    ride, check = ride_schedule(schedule_of(road, order), w_prime_along(data, plan))
    ridden, finish_time = Ridden.of(ride), finish_time_s(data, plan)
    return FittedPlan(
        order,
        ridden,
        finish_time,
        misfit_j=drift_j(order, ridden),
        short_j=float((race.limits.w_prime_reserve_j - ridden.lowest_j).max()),
        late=abs(float(ridden.time_s.sum()) / finish_time - 1.0),
        n_failed=len(check.failed),
    )


def _ends(rounds: list[FittedPlan], clock: SearchClock) -> bool:
    """Whether another round of fitting is of no use, or the time is over after the few that a plan needs."""
    if clock.is_over and len(rounds) > FEWEST_FITTING_ROUNDS:
        return True
    if len(rounds) <= FITTING_ROUNDS:
        return len(rounds) > 1 and rounds[-1].settled
    return len(rounds) > MOST_FITTING_ROUNDS or any(plan.n_failed == 0 for plan in rounds)


def _closeness(n_rounds: int) -> float:
    """How far the speeds of the grid are from the plan's after so many rounds, as share of what they were at first."""
    usual = max(CLOSER_EACH_ROUND**n_rounds, CLOSE)
    return float(usual * MUCH_CLOSER ** max(n_rounds - FITTING_ROUNDS, 0))


def fit_to_ride(
    road: Road, race: Race, order: RotationPlan, ride_schedule: RideSchedule, clock: SearchClock, tell: Progress
) -> FittedPlan:
    """Repeat ride and speeds for one path until the plan is what is ridden; else the round that comes nearest."""
    rounds = [as_ridden(road, race, order, ride_schedule)]
    while not _ends(rounds, clock):
        order, ridden = rounds[-1].order, rounds[-1].ridden
        dip_j = order.assumptions.dip_j
        new = replace(
            assume(road, race, order, ridden),
            steps=FINE_GRID,
            closeness=_closeness(len(rounds)),
            also_changeover_j=order.assumptions.also_changeover_j,
            dip_j=dip_j + OF_THE_DIP * (_dip_j(order.compiled.data, ridden) - dip_j),
        )
        fit = partial(fitted_to_ride, race=race, planned=planned_of(road, order), ridden=ridden)
        revalued = _revalued(road, race, order, new, clock, fit)
        if revalued is None:
            break
        rounds.append(as_ridden(road, race, revalued, ride_schedule))
        tell("riding the plan", rounds[-1].finish_time_s, -INFINITY)
    return min(rounds, key=FittedPlan.merit)
