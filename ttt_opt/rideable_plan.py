"""The rideable plan: the course in a few stretches, each in one pattern of pulls that riders can keep in mind.

:func:`make_rideable_plan` searches it, beginning with what the detailed plan does. What a pattern means
to the riders is told in :mod:`ttt_opt.pattern_ride`.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ttt_opt.allowance import ENDLESS, Allowance
from ttt_opt.chain_search import improved, ranked
from ttt_opt.course import Course
from ttt_opt.course_notes import slopes, wind_stretches
from ttt_opt.pattern_ride import (
    ACCELERATING,
    DESCENT,
    KINDS,
    ON_WHEEL_AIM,
    RISING,
    kinds_of,
    line_of,
    pattern_road,
    traps_m,
)
from ttt_opt.pattern_schedule import PatternPull, settled_ride
from ttt_opt.physiology import sustainable_share
from ttt_opt.race import Race
from ttt_opt.ride import Ride
from ttt_opt.ride_check import SHORTEST_STAY_S, Check, RideCheck, check_ride
from ttt_opt.rotation_problem import Road, pull_bounds
from ttt_opt.schedule import Schedule
from ttt_opt.segments import Segments
from ttt_opt.stretch_search import (
    SECONDS_STEP,
    SHORTEST_STRETCH_S,
    WATTS_STEP,
    Chain,
    Columns,
    Relaxed,
    Situation,
    Stretch,
    best_chain,
    bounded,
    evened,
    kinds_in,
    neighbours,
    relaxed_choice,
    ridden_columns,
    ride_chain,
    rotated,
    scaled,
    surges_within,
)

FloatArray = NDArray[np.float64]

EARLY = 0.5
"""Who sits on from before this share of the course in the detailed plan, sits on from the start in the stretches;
whoever stops pulling later, pulls to the finish: patterns are those of one line."""
MOST_STRETCHES = 8
MOST_BORDERS = 16
"""Places between which the first stretches are tried."""
LONGEST_FIRST_SHARE = 0.5
"""Of the course, that one of the first stretches may cover."""
LARGEST_TEAM_TRIED_WELL = 5
"""Riders who pull up to whom neighbours two steps away are tried."""
SETTLING_ROUNDS, FEWEST_SETTLING_ROUNDS, USUAL_SETTLING_ROUNDS = 8, 1, 5
"""Rounds in which the ride of the whole plan corrects what patterns tell: at most; for speed (fall-backs, plan)."""
SHARE_FOR_PATTERNS = 0.75
"""Of the time allowed, for the search of stretches and patterns; the rest is for the rounds."""
MOST_CURES, MUST_HELP, CURED_BEFORE_M = 60, 0.97, 300.0
"""Rides that may be spent on curing missed limits, what a cure must leave at most of what is beyond them (share), and
how far from a stretch a limit may be missed for it to be changed (m)."""
CURE_SHARE = 0.03
"""Time that these rides may take, as share of the finish time: the longer the race, the longer each of them takes."""
FIRST_FACTORS = (0.84, 0.92, 0.96, 1.0)
"""Watts of the first stretches over those of the detailed plan."""
OTHER_FACTORS = (0.95, 0.975, 1.0, 1.025)
NOBODY = -1
SHORTEST_M, COMMON_SHARE = 400.0, 0.3
"""Length of a stretch (m), and share of its road on which a pattern must have been ridden to be tried on all of it."""
FACTORS = (0.94, 0.97, 0.985, 1.015, 1.03)
MOST_BEYOND_J = 3000.0
"""Largest correction of the reserves (J)."""
MOST_COLUMNS, MOST_PARENTS = 500, 14
"""Columns that stay from one relaxation to the next, and columns whose neighbours are tried."""
STRICTER_SURGE_W = 4.0
"""By how much the limit of surges is tightened where the ride of the whole plan misses it (W)."""
WHEEL_SPARE, LEAST_WHEEL_STEP = 0.01, 0.94
"""Power on a wheel may be beyond what is aimed at by this (share of critical power) before the limit on a piece of
road is corrected, by no less than this factor at a time."""
LOWEST_EFFORT = 1.4
"""Watts for accelerating over those on the flat, where the detailed plan has none."""


@dataclass(frozen=True)
class RiddenPlan:
    """Stretches with the schedule that they lead to, and its ride.

    Attributes
    ----------
    stretches : tuple of Stretch
    chain : Chain
    node_m : ndarray (n_nodes,)
        What the nodes of the stretches mean (m).
    line : tuple of int
        Riders of the team: those who pull in cyclic order, then those who sit on.
    n_pulling : int
    segments : Segments
    schedule : Schedule
    ride : Ride
    check : RideCheck
    """

    chain: Chain
    node_m: FloatArray
    line: tuple[int, ...]
    n_pulling: int
    segments: Segments
    schedule: Schedule
    ride: Ride
    check: RideCheck

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        """The stretches in the order of the road."""
        return self.chain.stretches

    def pace_mps(self, road: Road) -> FloatArray:
        """Mean speed of its ride in each segment of the road ``(n_segments,)``."""
        boundary_m = road.segments.boundary_m
        time_s = np.interp(boundary_m, self.schedule.boundary_m, self.ride.boundary_time_s)
        return np.asarray(np.diff(boundary_m) / np.diff(time_s), dtype=np.float64)

    def merit(self) -> tuple[int, float, float]:
        """The lower the better: checks not met, how far beyond their limits, then time (s)."""
        return len(self.check.failed), beyond(self.check), self.ride.finish_time_s


def situation_of(
    course: Course,
    road: Road,
    race: Race,
    order: tuple[int, ...],
    sitting: tuple[int, ...],
    start_leaders: tuple[int, ...],
    planned_mps: FloatArray,
    finish_time_s: float,
) -> Situation:
    """Everything that patterns are ridden on, for riders of a race in a cyclic order; nobody has spent anything yet."""
    fine = pattern_road(course, road, race, pull_bounds(road.segments, race), planned_mps)
    share = race.limits.sustainable_share_of_cp
    line = line_of(race, order, sitting, float(sustainable_share(finish_time_s)) if share is None else share)
    n_line = len(line.riders)
    middle_m = 0.5 * (road.segments.start_m + road.segments.end_m)
    return Situation(
        road=fine,
        race=race,
        line=line,
        start_leaders=start_leaders,
        entry_mps=np.interp(fine.node_m, middle_m, planned_mps),
        spent_j=np.zeros((len(fine.node_m), n_line)),
        extra_reserve_j=np.zeros(n_line),
    )


def make_rideable_plan(
    course: Course,
    road: Road,
    race: Race,
    schedule: Schedule,
    w_prime_j: FloatArray,
    allowed: Allowance = ENDLESS,
) -> RiddenPlan | None:
    """Search the rideable plan that comes nearest to a detailed one.

    Parameters
    ----------
    course : Course
    road : Road
    race : Race
    schedule : Schedule
        The detailed plan.
    w_prime_j : ndarray (n_segments + 1, n_riders)
        W' at the boundaries of its segments (J).
    allowed : Allowance
        Looked at between the steps. What the ride of the plan misses is cured also when it is over, for
        :data:`CURE_SHARE` of the finish time more at most.

    Returns
    -------
    RiddenPlan or None
        ``None``: no chain of stretches keeps the limits.
    """
    start = schedule.pulls[0].line
    sitting = _sitting_in_stretches(race, schedule)
    order = tuple(i for i in start if i not in sitting)
    situation = situation_of(course, road, race, order, sitting, (0,), schedule.speed_mps, schedule.finish_time_s)
    spent = np.array([rider.w_prime_j for rider in race.team.riders]) - w_prime_j
    boundary_m, node_m, line = schedule.boundary_m, situation.road.node_m, (*order, *sitting)
    situation = replace(
        situation,
        entry_mps=np.interp(node_m, boundary_m, np.append(0.0, schedule.exit_speed_mps)),
        spent_j=np.column_stack([np.interp(node_m, boundary_m, np.nan_to_num(spent[:, i])) for i in line]),
    )
    first = _first_stretches(situation, road, schedule, order)
    possible = rotated(_allowed(situation, first), len(order))
    best = _choose(situation, ridden_columns(situation, possible)) if possible else None
    if best is None:
        return None
    borders = sorted({situation.road.node_at(place) for place in boundary_m})
    notable = sorted({s.begin for s in first} | {s.end for s in first})
    chain, reach = ride_chain(situation, best), reach_of(situation)
    for_patterns = allowed.part(SHARE_FOR_PATTERNS)
    for improve in (
        partial(better_patterns, rounds=2, reach=reach),
        partial(_other_stretches, places=notable),
        partial(better_patterns, rounds=2, reach=reach),
        partial(_better_borders, borders=borders),
        partial(better_patterns, rounds=2, reach=reach),
        partial(_better_borders, borders=borders),
        partial(better_patterns, rounds=2, reach=reach),
    ):
        if for_patterns.over():
            break
        plan = ridden_plan(course, road, situation, chain, schedule.speed_mps)
        situation = situation_at(with_reserves(situation, plan), chain)
        chain = fastest(situation, [chain, *improve(situation, chain)])
    situation = corrected(situation, ridden_plan(course, road, situation, chain, schedule.speed_mps))
    if not for_patterns.over():
        chain = improved(situation, chain, rounds=2, reach=reach)
    return settled(
        course, road, situation, chain, schedule.speed_mps, rounds=USUAL_SETTLING_ROUNDS, for_rounds=allowed
    )


def _sitting_in_stretches(race: Race, schedule: Schedule) -> tuple[int, ...]:
    """Who sits on from before :data:`EARLY` in a schedule, in the order of its start, which stays where it is fixed."""
    start, from_m = schedule.pulls[0].line, schedule.sits_on_from_m
    early_m = EARLY * float(schedule.boundary_m[-1])
    early = [i for i in start if from_m.get(i, np.inf) < early_m]
    if race.start_order:
        early = list(itertools.takewhile(lambda i: i in early, reversed(start)))[::-1]
    return tuple(early)


def settled(
    course: Course,
    road: Road,
    situation: Situation,
    chain: Chain,
    guess_mps: FloatArray,
    rounds: int = FEWEST_SETTLING_ROUNDS,
    for_rounds: Allowance = ENDLESS,
    cure_share: float = CURE_SHARE,
) -> RiddenPlan:
    """Ride the whole plan, correct what patterns tell by it, improve them; the best of these plans, repaired.

    Parameters
    ----------
    course : Course
    road : Road
    situation : Situation
    chain : Chain
    guess_mps : ndarray (n_segments,)
        About how fast the segments of the road are ridden (m/s).
    rounds : int
        Rounds for speed; others follow only while the ride misses a limit.
    for_rounds : Allowance
        Looked at before each round.
    cure_share : float
        Time for curing what the best of them misses, as share of its finish time.
    """

    def ride_it(chain: Chain, near: RiddenPlan | None = None) -> RiddenPlan:
        pace_mps = guess_mps if near is None else near.pace_mps(road)
        return ridden_plan(course, road, situation, chain, pace_mps)

    plans = [ride_it(chain)]
    for number in range(SETTLING_ROUNDS):
        plan, best = plans[-1], min(plans, key=RiddenPlan.merit)
        if for_rounds.over() or (number >= rounds and best.check.passed):
            break
        situation = corrected(situation, plan)
        better = improved(situation, plan.chain, rounds=1, reach=reach_of(situation))
        if better.stretches == plan.chain.stretches:
            break
        plans.append(ride_it(better))
    best = min(plans, key=RiddenPlan.merit)
    return repaired(situation, best, ride_it, Allowance.of(cure_share * best.ride.finish_time_s))


class RideIt(Protocol):
    """What rides a chain of stretches in the simulation."""

    def __call__(self, chain: Chain, near: RiddenPlan | None = None, /) -> RiddenPlan:
        """Ride it, from the pace of a plan near it where one is given."""


def repaired(
    situation: Situation, plan: RiddenPlan, ride_it: RideIt, allowed: Allowance = ENDLESS
) -> RiddenPlan:
    """While a ride misses a limit: of the changes of the stretches around, the one that costs least and helps.

    Parameters
    ----------
    situation : Situation
    plan : RiddenPlan
    ride_it : callable
        Rides a chain of stretches in the simulation; from the pace of another plan, if that is given, it takes fewer
        rides to settle. What helps is ridden once more without, as whoever reads the plan will ride it.
    allowed : Allowance
        Looked at before each ride.

    Returns
    -------
    RiddenPlan
        The plan as it was where no limit is missed; with limits missed where no cure is found in time or in
        :data:`MOST_CURES`.
    """
    tried = {plan.stretches}
    while not plan.check.passed and len(tried) <= MOST_CURES and not allowed.over():
        cures = [cure for cure in _cures(situation, plan) if cure not in tried]
        better = None
        for cure in cures[: MOST_CURES + 1 - len(tried)]:
            if allowed.over():
                break
            tried.add(cure)
            chain = ride_chain(situation, cure)
            if _helps(ride_it(chain, plan), plan) and _helps(other := ride_it(chain), plan):
                better = other
                break
        if better is None:
            break
        plan = better
    return plan


def _helps(other: RiddenPlan, plan: RiddenPlan) -> bool:
    return other.merit()[0] < plan.merit()[0] or other.merit()[1] < MUST_HELP * plan.merit()[1]


def _cures(situation: Situation, plan: RiddenPlan) -> list[tuple[Stretch, ...]]:
    """Chains near to a plan's that change it where its ride misses a limit.

    Those come first that change the pulls of who leads there, in each group those that cost least time.
    """
    concerned: dict[int, set[int]] = {}
    for failed in plan.check.failed:
        place_m = place_of(failed)
        for number, stretch in enumerate(plan.stretches):
            begin_m, end_m = plan.node_m[stretch.begin], plan.node_m[stretch.end]
            if place_m is None or begin_m - CURED_BEFORE_M <= place_m <= end_m + CURED_BEFORE_M:
                concerned.setdefault(number, set()).update(_leaders_around(plan, number, place_m))
    found: list[tuple[bool, float, tuple[Stretch, ...]]] = []
    for number, leaders in sorted(concerned.items()):
        own = plan.stretches[number]
        for gain_s, stretches in ranked(situation, plan.chain, number, reach_of(situation)):
            found.append((_changes_pulls_of(leaders, own, stretches[number]), gain_s, stretches))
    return [stretches for _, _, stretches in sorted(found, key=lambda one: (not one[0], -one[1]))]


def _leaders_around(plan: RiddenPlan, number: int, place_m: float | None) -> set[int]:
    """Places in the cyclic order of who leads in a stretch near a place of the road; of all where there is none."""
    changes = [(float(plan.node_m[node]), leader) for node, leader in plan.chain.changes[number]]
    if place_m is None or not changes:
        return {leader for _, leader in changes}
    ends_m = [*(start_m for start_m, _ in changes[1:]), float(plan.node_m[plan.stretches[number].end])]
    return {
        leader
        for (start_m, leader), end_m in zip(changes, ends_m, strict=True)
        if start_m - CURED_BEFORE_M <= place_m <= end_m + CURED_BEFORE_M
    }


def _changes_pulls_of(leaders: set[int], before: Stretch, after: Stretch) -> bool:
    """Whether somebody among those leads at other watts or for other seconds."""
    return any(
        before.seconds[leader] != after.seconds[leader]
        or any(old[leader] != new[leader] for old, new in zip(before.watts, after.watts, strict=True))
        for leader in leaders
    )


def place_of(check: Check) -> float | None:
    """Where along the road a check was missed (m), ``None`` where it is of no place."""
    found = re.search(r"([0-9]+\.[0-9]+) km", check.detail)
    return None if found is None else 1000.0 * float(found[1])


def beyond(check: RideCheck) -> float:
    """How far a ride is beyond its limits, over what each tolerates."""
    return sum(abs(one.value - one.limit) / max(one.tolerance, 1e-3) for one in check.failed)


def corrected(situation: Situation, plan: RiddenPlan) -> Situation:
    """The situation with reserves, limits of surges and power on wheels as the ride of a whole plan shows them."""
    situation = with_reserves(situation, plan)
    limits = situation.race.limits
    for failed in plan.check.failed:
        if failed.name.startswith(("Surge in power", "Drop in power", "Surge in speed")):
            situation = replace(
                situation, surge_tolerance_w=max(situation.surge_tolerance_w - STRICTER_SURGE_W, -0.5 * limits.surge_w)
            )
    start_m, end_m, share = _on_wheels(situation.race, plan)
    aim, limit = limits.on_wheel_share_of_cp + ON_WHEEL_AIM, situation.road.wheel_limit.copy()
    middle_m = 0.5 * (situation.road.node_m[1:] + situation.road.node_m[:-1])
    for s in np.flatnonzero(share > aim + WHEEL_SPARE):
        limit[(middle_m >= start_m[s]) & (middle_m <= end_m[s])] *= max(aim / share[s], LEAST_WHEEL_STEP)
    return replace(situation, road=replace(situation.road, wheel_limit=limit))


def _on_wheels(race: Race, plan: RiddenPlan) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Begin and end of segments (m), and the largest mean power on a wheel there as share of critical power."""
    cut, ride = plan.segments, plan.ride
    n = len(cut.start_m)
    segment = np.clip(np.searchsorted(ride.boundary_time_s, ride.time_s - 0.5 * ride.step_s) - 1, 0, n - 1)
    on_wheel = (ride.place > 0) & ~ride.moving_back
    share = np.zeros(n)
    for i, rider in enumerate(race.team.riders):
        time_s = np.bincount(segment, np.where(on_wheel[:, i], ride.step_s, 0.0), n)
        work_j = np.bincount(segment, np.where(on_wheel[:, i], ride.step_s * ride.power_w[:, i], 0.0), n)
        counts = (time_s >= SHORTEST_STAY_S) & ~cut.accelerating
        share = np.maximum(share, np.where(counts, work_j / np.maximum(time_s, 1e-9) / rider.cp_w, 0.0))
    return cut.start_m, cut.end_m, share


def ridden_plan(course: Course, road: Road, situation: Situation, chain: Chain, guess_mps: FloatArray) -> RiddenPlan:
    """The schedule of a chain of stretches, ridden and checked."""
    line, race = situation.line, situation.race
    order, sitting = line.riders[: line.n_pulling], line.riders[line.n_pulling :]
    pulls = [
        PatternPull(
            node,
            (*order[leader:], *order[:leader], *sitting),
            np.array(stretch.watts, dtype=np.float64)[:, leader],
            len(sitting),
        )
        for stretch, changes in zip(chain.stretches, chain.changes, strict=True)
        for node, leader in changes
    ]
    segments, schedule, ride = settled_ride(course, race, situation.road, road.segments, pulls, guess_mps)
    full = [rider.w_prime_j for rider in race.team.riders]
    planned = np.vstack([full, ride.boundary_w_prime_j[1:]])
    check = check_ride(ride, course, segments, race.team, race, schedule, planned)
    return RiddenPlan(chain, situation.road.node_m, line.riders, line.n_pulling, segments, schedule, ride, check)


def with_reserves(situation: Situation, plan: RiddenPlan) -> Situation:
    """The situation with reserves larger by what a ride used more than its chain of stretches."""
    lowest = np.array([float(np.nanmin(plan.ride.w_prime_j[:, i])) for i in situation.line.riders])
    beyond = situation.line.w_prime_j - plan.chain.most_spent_j - lowest
    return replace(situation, extra_reserve_j=np.clip(beyond, -MOST_BEYOND_J, MOST_BEYOND_J))


def situation_at(situation: Situation, chain: Chain) -> Situation:
    """The situation with speed and W' spent, at the borders of a chain, as it was ridden."""
    entry, spent = situation.entry_mps.copy(), situation.spent_j.copy()
    for number, stretch in enumerate(chain.stretches):
        entry[stretch.begin], spent[stretch.begin] = chain.entry_mps[number], chain.spent_j[number]
    return replace(situation, entry_mps=entry, spent_j=spent)


def fastest(situation: Situation, chains: Sequence[Chain]) -> Chain:
    """The fastest of those chains that overspend nobody; else the one that overspends least."""

    def merit(chain: Chain) -> tuple[float, float]:
        over_j = float((chain.most_spent_j - situation.spendable_j).max())
        return max(over_j, 300.0) // 300.0 + chain.amiss_s // 2.0, chain.time_s

    return min(chains, key=merit)


def _allowed(situation: Situation, stretches: Sequence[Stretch]) -> list[Stretch]:
    """Those, each once, that keep the bounds on pulls and watts, and in which nobody surges past the one before."""
    inside = [stretch for stretch in dict.fromkeys(stretches) if bounded(situation, stretch)]
    surges = surges_within(situation, inside)
    return [stretch for stretch, surge_w in zip(inside, surges, strict=True) if surge_w <= situation.surge_w]


def evened_and_allowed(situation: Situation, stretches: Sequence[Stretch]) -> list[Stretch]:
    """Stretches with efforts close to each other, without those that break a bound."""
    return _allowed(situation, evened(situation, stretches))


def _choose(situation: Situation, columns: Columns, known: Sequence[Stretch] = ()) -> tuple[Stretch, ...] | None:
    relaxed = relaxed_choice(situation, columns, MOST_STRETCHES)
    if relaxed is None:
        return None
    return best_chain(situation, columns, relaxed, MOST_STRETCHES, known)


def reach_of(situation: Situation) -> int:
    """Steps by which neighbours of patterns differ: fewer for large teams, whose patterns have more neighbours."""
    return 2 if situation.line.n_pulling <= LARGEST_TEAM_TRIED_WELL else 1


def better_patterns(situation: Situation, chain: Chain, rounds: int, reach: int) -> list[Chain]:
    """The best chain with the same borders and other patterns: columns around those that the relaxation takes."""
    m, parents = situation.line.n_pulling, list(chain.stretches)
    seen: set[Stretch] = set()
    columns: Columns | None = None
    relaxed: Relaxed | None = None
    for _ in range(rounds):
        near = [*parents, *evened(situation, parents)]
        for stretch in near[:]:
            near += neighbours(stretch, m, kinds_in(situation.road, stretch), reach)
            near += [scaled(stretch, factor) for factor in FACTORS]
        new = [stretch for stretch in dict.fromkeys(rotated(_allowed(situation, near), m)) if stretch not in seen]
        seen.update(new)
        if not new:
            break
        ridden = ridden_columns(situation, new)
        if columns is not None and relaxed is not None:
            kept = np.argsort(relaxed.price_s, kind="stable")[:MOST_COLUMNS]
            ridden = columns.only(np.sort(kept)).and_also(ridden)
        columns = ridden
        relaxed = relaxed_choice(situation, columns, MOST_STRETCHES)
        if relaxed is None:
            return []
        share = relaxed.share
        parents = [columns.stretches[i] for i in np.argsort(-share, kind="stable") if share[i] > 0.02][:MOST_PARENTS]
    if columns is None or relaxed is None:
        return []
    found = best_chain(situation, columns, relaxed, MOST_STRETCHES, chain.stretches)
    return [] if found is None else [ride_chain(situation, found)]


def _other_stretches(situation: Situation, chain: Chain, places: Sequence[int]) -> list[Chain]:
    """The best chain between notable places and the borders so far, in patterns that were ridden thereabouts."""
    road, m = situation.road, situation.line.n_pulling
    borders = sorted({*places, *(stretch.begin for stretch in chain.stretches)})
    tried: list[Stretch] = []
    for begin, end in itertools.combinations(borders, 2):
        length_m = float(road.node_m[end] - road.node_m[begin])
        if not SHORTEST_M < length_m <= LONGEST_FIRST_SHARE * float(road.node_m[-1]):
            continue
        for stretch in chain.stretches:
            common_m = road.node_m[min(end, stretch.end)] - road.node_m[max(begin, stretch.begin)]
            if common_m > COMMON_SHARE * length_m:
                moved = replace(stretch, begin=begin, end=end)
                tried += [scaled(moved, factor) for factor in OTHER_FACTORS]
    near = evened_and_allowed(situation, tried)
    columns = ridden_columns(situation, [*chain.stretches, *rotated(near, m)])
    found = _choose(situation, columns, chain.stretches)
    return [] if found is None else [ride_chain(situation, found)]


def _better_borders(situation: Situation, chain: Chain, borders: Sequence[int]) -> list[Chain]:
    """The best chain with about the same patterns and other borders: moved, left out or new."""
    road, m = situation.road, situation.line.n_pulling
    last = len(road.node_m) - 1
    near: dict[int, list[int]] = {0: [0], last: [last]}
    for stretch in chain.stretches[1:]:
        place = int(np.argmin(np.abs(np.array(borders) - stretch.begin)))
        near[stretch.begin] = sorted({*borders[max(place - 2, 1) : place + 3], stretch.begin} - {0, last})
    tried: list[Stretch] = []
    for stretch in chain.stretches:
        for begin, end in itertools.product(near[stretch.begin], near[stretch.end]):
            if road.node_m[end] - road.node_m[begin] > SHORTEST_M:
                moved = replace(stretch, begin=begin, end=end)
                tried += [scaled(moved, factor) for factor in (0.98, 1.0, 1.02)]
        if len(chain.stretches) < MOST_STRETCHES:
            for node in borders[:: max(1, len(borders) // 40)]:
                if stretch.begin < node < stretch.end:
                    parts = (replace(stretch, end=node), replace(stretch, begin=node))
                    if all(road.node_m[part.end] - road.node_m[part.begin] > SHORTEST_M for part in parts):
                        tried += [scaled(part, factor) for part in parts for factor in (0.97, 1.0, 1.03)]
    for before, after in itertools.pairwise(chain.stretches):
        tried += [replace(before, end=after.end), replace(after, begin=before.begin)]
    columns = ridden_columns(situation, [*chain.stretches, *rotated(_allowed(situation, tried), m)])
    found = _choose(situation, columns, chain.stretches)
    return [] if found is None else [ride_chain(situation, found)]


def _first_stretches(situation: Situation, road: Road, schedule: Schedule, order: tuple[int, ...]) -> list[Stretch]:
    """Stretches between the most notable places, in the seconds and watts that the detailed plan has there."""
    cut, fine = road.segments, situation.road
    clock = np.append(0.0, np.cumsum(schedule.duration_s))
    detailed = _Detailed.of(situation, road, schedule, order)
    places = _notable_segments(road, schedule, clock, traps_m(fine))
    longest_m = max(LONGEST_FIRST_SHARE * float(cut.end_m[-1]), float(np.diff(cut.boundary_m[places]).max()) + 1.0)
    found = []
    for a, b in itertools.combinations(places, 2):
        length_m = float(cut.boundary_m[b] - cut.boundary_m[a])
        if clock[b] - clock[a] < SHORTEST_STRETCH_S or length_m > longest_m:
            continue
        stretch = Stretch(
            begin=fine.node_at(float(cut.boundary_m[a])),
            end=fine.node_at(float(cut.boundary_m[b])),
            first=0,
            seconds=detailed.seconds(a, b),
            downhill_s=15,
            watts=detailed.watts(a, b),
        )
        shorter = replace(stretch, seconds=detailed.seconds(a, b, 0.7))
        found += [scaled(one, factor) for one in (stretch, shorter) for factor in FIRST_FACTORS]
    return evened(situation, found)


def _notable_segments(road: Road, schedule: Schedule, clock_s: FloatArray, traps: Sequence[float]) -> list[int]:
    """Boundaries at which terrain or wind changes, or that halve long ways, the most distant ones; those at traps."""
    boundary_m, length_m = schedule.boundary_m, float(schedule.boundary_m[-1])
    places = {place for slope in slopes(road) if slope.length_m > 250.0 for place in (slope.start_m, slope.end_m)}
    places |= {part.start_m for part in wind_stretches(road)}
    places |= {share * length_m for share in (0.1, 0.3, 0.5, 0.7, 0.9, 0.95)}
    kept = {0, len(boundary_m) - 1} | {int(np.argmin(np.abs(boundary_m - place))) for place in traps}
    chosen = sorted(kept | {int(np.argmin(np.abs(boundary_m - place))) for place in places})
    while len(chosen) > 2:
        gaps = np.diff(clock_s[chosen])
        nearer = np.where([place in kept for place in chosen[1:-1]], np.inf, np.minimum(gaps[:-1], gaps[1:]))
        if np.isinf(nearer.min()):
            break
        if len(chosen) <= MOST_BORDERS and nearer.min() >= SHORTEST_STRETCH_S:
            break
        chosen.pop(int(np.argmin(nearer)) + 1)
    return chosen


@dataclass(frozen=True)
class _Detailed:
    """What the detailed plan asks of each rider where the road is steady, per segment."""

    kind: NDArray[np.int64]
    leader: NDArray[np.int64]  # place in the cyclic order, NOBODY: sits on in the stretches
    pull_s: FloatArray
    duration_s: FloatArray
    power_w: FloatArray
    steady: NDArray[np.bool_]
    accelerating: NDArray[np.bool_]
    shortest_s: FloatArray
    longest_s: FloatArray
    peak_w: FloatArray
    n_pulling: int

    @classmethod
    def of(cls, situation: Situation, road: Road, schedule: Schedule, order: tuple[int, ...]) -> _Detailed:
        cut, duration = road.segments, schedule.duration_s
        leader, pull_s = np.zeros(len(duration), dtype=np.int64), np.zeros(len(duration))
        for pull in schedule.pulls:
            covered = slice(pull.first_segment, pull.end_segment)
            leader[covered] = order.index(pull.leader) if pull.leader in order else NOBODY
            pull_s[covered] = duration[covered].sum()
        kind = kinds_of(cut)
        shortest, longest = pull_bounds(cut, situation.race)
        return cls(
            kind=kind,
            leader=leader,
            pull_s=pull_s,
            duration_s=duration,
            power_w=schedule.front_power_w,
            steady=~(cut.accelerating | cut.bend | np.append(cut.bend[1:], False)),
            accelerating=np.arange(len(kind)) < int(np.argmin(np.append(cut.accelerating, False))),
            shortest_s=shortest[:, list(order)],
            longest_s=longest[:, list(order)],
            peak_w=situation.line.peak_w[: len(order)] - WATTS_STEP,
            n_pulling=len(order),
        )

    def _mean(self, values: FloatArray, *choices: NDArray[np.bool_]) -> float | None:
        """Mean over time in the first of some choices that holds any."""
        chosen = next((choice for choice in choices if choice.any()), None)
        return None if chosen is None else float(np.average(values[chosen], weights=self.duration_s[chosen]))

    def seconds(self, first: int, end: int, factor: float = 1.0) -> tuple[int, ...]:
        """Pulls of each rider there times a factor, in steps of 5 s within the bounds (s)."""
        inside = np.zeros(len(self.kind), dtype=bool)
        inside[first:end] = True
        uphill = inside & (self.kind != DESCENT)
        of_bounds = uphill if uphill.any() else self.kind != DESCENT
        found = []
        for rider in range(self.n_pulling):
            own = self.leader == rider
            mean = self._mean(self.pull_s, own & uphill, own & (self.kind != DESCENT), own)
            low = np.ceil(self.shortest_s[of_bounds, rider].max() / SECONDS_STEP) if of_bounds.any() else 1
            high = np.floor(self.longest_s[of_bounds, rider].min() / SECONDS_STEP) if of_bounds.any() else 12
            wanted = low if mean is None else round(factor * mean / SECONDS_STEP)
            found.append(int(np.clip(wanted, low, max(high, low))) * SECONDS_STEP)
        return tuple(found)

    def watts(self, first: int, end: int) -> tuple[tuple[int, ...], ...]:
        """Front power of each rider there, by kind of road, in steps of 5 W."""
        inside = np.zeros(len(self.kind), dtype=bool)
        inside[first:end] = True
        table = np.zeros((len(KINDS), self.n_pulling))
        for rider in range(self.n_pulling):
            own = self.leader == rider
            usual = self._mean(self.power_w, self.steady & own & (self.kind != DESCENT), self.steady & own, own)
            usual = 0.0 if usual is None else usual
            for kind in (*RISING, DESCENT):
                there = self.steady & own & (self.kind == kind)
                mean = self._mean(self.power_w, there & inside, there)
                table[kind, rider] = usual if mean is None else mean
            speeding_up = self._mean(self.power_w, own & self.accelerating)
            table[ACCELERATING, rider] = max(LOWEST_EFFORT * usual, 0.0 if speeding_up is None else speeding_up)
        table = np.minimum(table, self.peak_w)
        return tuple(tuple(int(WATTS_STEP * np.floor(w / WATTS_STEP + 0.5 - 1e-9)) for w in row) for row in table)
