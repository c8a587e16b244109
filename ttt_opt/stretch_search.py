"""The search for a plan of few stretches: columns around the best chain so far, chosen by the stretch model."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ttt_models.stretches import StretchData, build_stretches
from ttt_opt.pattern_ride import (
    ACCELERATING,
    CLIMB,
    DESCENT,
    FLAT,
    KINDS,
    Line,
    PatternRoad,
    Patterns,
    Ridden,
    ride_patterns,
)
from ttt_opt.physics import road_load_power, speed_at_power
from ttt_opt.race import Race
from ttt_opt.solver import compile_model, solve

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SECONDS_STEP, WATTS_STEP = 5, 5
MOST_STRETCHES = 8
SHORTEST_STRETCH_S = 45.0
AMISS_ALLOWED_S = 1.0
"""A pull may miss its bounds by this where a pattern is ridden (s); the ride check allows more."""
SURGE_SHARE = 1.0
SOLVE_TIME_S, SOLVE_GAP = 5.0, 1e-4


@dataclass(frozen=True)
class Stretch:
    """A stretch with its pattern.

    Attributes
    ----------
    begin, end : int
        Nodes of the road.
    first : int
        Who leads when it begins, as place in the cyclic order.
    seconds : tuple of int
        Pulls in cyclic order (s).
    downhill_s : int
        Pull of everyone downhill (s).
    watts : tuple of tuple of int
        Front power by kind of road and rider in cyclic order (W).
    """

    begin: int
    end: int
    first: int
    seconds: tuple[int, ...]
    downhill_s: int
    watts: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Situation:
    """What columns are ridden on and from.

    Attributes
    ----------
    road : PatternRoad
    race : Race
    line : Line
    start_leaders : tuple of int
    entry_mps : ndarray (n_nodes,)
        About how fast the line is at each node (m/s).
    spent_j : ndarray (n_nodes, n_line)
        About how much W' is spent there (J).
    extra_reserve_j : ndarray (n_line,)
        W' kept beyond the reserve, since a ride fell below it (J).
    """

    road: PatternRoad
    race: Race
    line: Line
    start_leaders: tuple[int, ...]
    entry_mps: FloatArray
    spent_j: FloatArray
    extra_reserve_j: FloatArray
    on_wheel_tolerance: float = 0.06

    @property
    def spendable_j(self) -> FloatArray:
        """W' that each rider of the line may spend (J)."""
        return self.line.w_prime_j - self.race.limits.w_prime_reserve_j - self.extra_reserve_j


def patterns_of(stretches: Sequence[Stretch], entry_mps: FloatArray, spent_j: FloatArray) -> Patterns:
    """Stretches as rows to be ridden, given speed (m/s) and W' spent (J) at all nodes."""
    begin = np.array([s.begin for s in stretches], dtype=np.int64)
    return Patterns(
        begin=begin,
        end=np.array([s.end for s in stretches], dtype=np.int64),
        first=np.array([s.first for s in stretches], dtype=np.int64),
        seconds=np.array([s.seconds for s in stretches], dtype=np.float64),
        downhill_s=np.array([s.downhill_s for s in stretches], dtype=np.float64),
        watts=np.array([s.watts for s in stretches], dtype=np.float64),
        entry_mps=entry_mps[begin],
        spent_j=spent_j[begin],
    )


@dataclass(frozen=True)
class Chain:
    """Stretches one after the other, as they were ridden one after the other."""

    stretches: tuple[Stretch, ...]
    time_s: float
    entry_mps: FloatArray  # (n_stretches,)
    spent_j: FloatArray  # (n_stretches + 1, n_line)
    most_spent_j: FloatArray  # (n_line,)
    amiss_s: float
    changes: tuple[tuple[tuple[int, int], ...], ...]


def ride_chain(situation: Situation, stretches: Sequence[Stretch]) -> Chain:
    """Ride stretches one after the other; who leads first in each is whoever is next."""
    road, n_line = situation.road, len(situation.line.riders)
    n_nodes = len(road.node_m)
    speed, spent, time_s, amiss = 0.0, np.zeros(n_line), 0.0, 0.0
    most = np.zeros(n_line)
    ridden, speeds, stores, changes = [], [], [spent], []
    first = stretches[0].first
    for stretch in stretches:
        stretch = replace(stretch, first=first)
        rows = patterns_of([stretch], np.full(n_nodes, speed), np.tile(spent, (n_nodes, 1)))
        one = ride_patterns(road, situation.race, situation.line, rows, with_changes=True)
        ridden.append(stretch)
        speeds.append(speed)
        time_s += float(one.time_s[0])
        speed, spent, first = float(one.exit_mps[0]), one.spent_j[0], int(one.next_leader[0])
        most = np.maximum(most, one.most_spent_j[0])
        amiss = max(amiss, float(one.amiss_s[0]))
        stores.append(spent)
        changes.append(one.changes[0])
    return Chain(tuple(ridden), time_s, np.array(speeds), np.array(stores), most, amiss, tuple(changes))


def best_chain(situation: Situation, candidates: Iterable[Stretch], most_stretches: int) -> tuple[Stretch, ...] | None:
    """The fastest chain of stretches among candidates that keeps all limits; ``None``: there is none."""
    stretches = list(dict.fromkeys(candidates))
    ridden = ride_patterns(
        situation.road, situation.race, situation.line, patterns_of(stretches, situation.entry_mps, situation.spent_j)
    )
    begin_spent = situation.spent_j[[s.begin for s in stretches]]
    spent = ridden.spent_j - ridden.kept * begin_spent
    most_spent = ridden.most_spent_j - ridden.most_kept * begin_spent
    spendable = situation.spendable_j
    room = np.minimum((spendable - most_spent) / np.maximum(ridden.most_kept, 1e-6), spendable)
    possible = (
        (ridden.amiss_s <= AMISS_ALLOWED_S)
        & (room >= 0.0).all(axis=1)
        & (ridden.on_wheel_share <= situation.race.limits.on_wheel_share_of_cp + situation.on_wheel_tolerance)
    )
    keep = _undominated(stretches, ridden, spent, room, np.flatnonzero(possible))
    if len(keep) == 0:
        return None
    kept_stretches = [stretches[i] for i in keep]
    places = sorted({s.begin for s in kept_stretches} | {s.end for s in kept_stretches})
    if places[0] != 0 or places[-1] != len(situation.road.node_m) - 1:
        return None
    number = {node: b for b, node in enumerate(places)}
    effort_in, effort_out = efforts_at_ends(situation, kept_stretches, ridden.next_leader[keep])
    rise_w, fall_w = _changes_allowed(situation, places)
    data = StretchData(
        begin=np.array([number[s.begin] for s in kept_stretches]),
        end=np.array([number[s.end] for s in kept_stretches]),
        first=np.array([s.first for s in kept_stretches]),
        following=ridden.next_leader[keep],
        time_s=ridden.time_s[keep],
        spent_j=spent[keep],
        kept=np.clip(ridden.kept[keep], 0.0, 1.0),
        room_j=room[keep],
        effort_in_w=effort_in,
        effort_out_w=effort_out,
        rise_w=rise_w,
        fall_w=fall_w,
        n_places=len(places),
        start_leaders=situation.start_leaders,
        most_stretches=most_stretches,
    )
    model, names, _ = compile_model(lambda: build_stretches(data))
    outcome = solve(model, time_limit_s=SOLVE_TIME_S, gap=SOLVE_GAP)
    print('   mip', len(keep), 'of', len(stretches), model.n_columns, round(outcome.seconds,2), outcome.stopped_because, outcome.objective, outcome.bound)
    if outcome.values is None:
        return None
    chosen = [
        index for (name, index), value in zip(names, outcome.values, strict=True) if name == "ride" and value > 0.5
    ]
    return tuple(sorted((kept_stretches[c] for c in chosen), key=lambda s: s.begin))


def _undominated(
    stretches: Sequence[Stretch], ridden: Ridden, spent: FloatArray, room: FloatArray, possible: IntArray
) -> IntArray:
    """Of columns between the same nodes and leaders, those that no faster one beats in all W'."""
    groups: dict[tuple[int, int, int, int], list[int]] = {}
    for i in possible:
        s = stretches[i]
        groups.setdefault((s.begin, s.end, s.first, int(ridden.next_leader[i])), []).append(int(i))
    keep: list[int] = []
    for members in groups.values():
        members.sort(key=lambda i: float(ridden.time_s[i]))
        best: list[int] = []
        for i in members:
            if not any((spent[j] <= spent[i] + 1.0).all() and (room[j] >= room[i] - 1.0).all() for j in best):
                best.append(i)
        keep += best
    return np.array(sorted(keep), dtype=np.int64)


def average_effort(situation: Situation, piece: int, rider: int, watts: float) -> float:
    """Steady power of the team's average rider (W) at the speed at which this rider of the line holds those watts."""
    return float(_efforts(situation, np.array([piece]), np.array([rider]), np.array([watts]))[0])


def _efforts(situation: Situation, piece: IntArray, rider: IntArray, watts: FloatArray) -> FloatArray:
    road, line = situation.road, situation.line
    air = {
        "grade": road.grade[piece],
        "headwind_mps": road.headwind_mps[piece],
        "air_density": road.air_density[piece],
        "crr": situation.race.crr,
    }
    speed = speed_at_power(watts, mass_kg=line.mass_kg[rider], drag_area_m2=line.cda_m2[rider], **air)
    speed = np.minimum(speed, situation.race.limits.top_speed_mps)
    riders = situation.race.team.riders
    return road_load_power(
        speed,
        mass_kg=float(np.mean([r.total_mass_kg for r in riders])),
        drag_area_m2=float(np.mean([r.cda_m2 for r in riders])),
        **air,
    )


def efforts_at_ends(
    situation: Situation, stretches: Sequence[Stretch], following: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Front power of the average rider at begin and end of each stretch (W)."""
    road, m = situation.road, situation.line.n_pulling
    begin = np.array([s.begin for s in stretches])
    end = np.array([s.end - 1 for s in stretches])
    first, last = np.array([s.first for s in stretches]), (following - 1) % m
    watts = np.array([s.watts for s in stretches], dtype=np.float64)
    rows = np.arange(len(stretches))
    # both on the road behind the border, so that what the road asks more does not count
    into = _efforts(situation, begin, first, watts[rows, road.kind[begin], first])
    behind = np.minimum(end + 1, len(road.kind) - 1)
    out = _efforts(situation, behind, last, watts[rows, road.kind[end], last])
    return into, out


def _changes_allowed(situation: Situation, places: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """By how much front power may rise and fall at places (W): free where the kind of road changes or is no steady one."""
    kind = situation.road.kind
    limit = situation.race.limits.surge_w
    allowed = np.full(len(places), np.inf)
    for b, node in enumerate(places[1:-1], start=1):
        before, after = int(kind[node - 1]), int(kind[node])
        if before == after and before in (FLAT, CLIMB):
            allowed[b] = limit
    return allowed, allowed


def surges_within(situation: Situation, stretch: Stretch) -> float:
    """Largest difference of effort between riders who follow each other in the pattern (W), on flat and climb."""
    road, m = situation.road, situation.line.n_pulling
    pieces = np.arange(stretch.begin, stretch.end)
    worst = 0.0
    for kind in (FLAT, CLIMB):
        own = pieces[road.kind[pieces] == kind]
        if len(own) == 0 or m < 2:
            continue
        middle = own[len(own) // 2]
        efforts = _efforts(
            situation, np.full(m, middle), np.arange(m), np.array(stretch.watts[kind], dtype=np.float64)
        )
        worst = max(worst, float(np.abs(efforts - np.roll(efforts, 1)).max()))
    return worst


def rotated(stretches: Iterable[Stretch], m: int) -> list[Stretch]:
    """Every stretch begun by every rider."""
    return [replace(stretch, first=first) for stretch in stretches for first in range(m)]


def bounded(situation: Situation, stretch: Stretch) -> bool:
    """The seconds of a pattern keep the bounds on pulls and its watts what riders can do."""
    road, line, m = situation.road, situation.line, situation.line.n_pulling
    part = slice(stretch.begin, stretch.end)
    riders = list(line.riders[:m])
    uphill = ~road.downhill[part]
    if uphill.any():
        shortest = road.shortest_s[part][uphill][:, riders].max(axis=0)
        longest = road.longest_s[part][uphill][:, riders].min(axis=0)
        if not ((np.array(stretch.seconds) >= shortest).all() and (np.array(stretch.seconds) <= longest).all()):
            return False
    watts = np.array(stretch.watts, dtype=np.float64)
    return bool((watts >= 0.0).all() and (watts <= line.peak_w[:m]).all())


def neighbours(stretch: Stretch, m: int, kinds: Sequence[int], reach: int) -> list[Stretch]:
    """A stretch and those that differ from it in one thing: one rider's seconds or watts, or those of all."""
    found = [stretch]
    steps = [step for size in range(1, reach + 1) for step in (-size, size)]
    for r in range(m):
        for step in steps:
            seconds = list(stretch.seconds)
            seconds[r] += SECONDS_STEP * step
            found.append(replace(stretch, seconds=tuple(seconds)))
            found += [_watts_changed(stretch, kind, [r], WATTS_STEP * step) for kind in kinds]
            found.append(
                replace(_watts_changed(stretch, kinds[0], [r], -WATTS_STEP * step), seconds=tuple(seconds))
            )
        for q in range(m):
            if q != r:
                seconds = list(stretch.seconds)
                seconds[r] += SECONDS_STEP
                seconds[q] -= SECONDS_STEP
                found.append(replace(stretch, seconds=tuple(seconds)))
    for step in steps:
        found += [_watts_changed(stretch, kind, range(m), WATTS_STEP * step) for kind in kinds]
        found.append(replace(stretch, seconds=tuple(s + SECONDS_STEP * step for s in stretch.seconds)))
    found += [replace(stretch, downhill_s=s) for s in (10, 15, 20)] if DESCENT in kinds else []
    return found


def _watts_changed(stretch: Stretch, kind: int, riders: Iterable[int], by: int) -> Stretch:
    table = [list(row) for row in stretch.watts]
    for r in riders:
        table[kind][r] += by
    return replace(stretch, watts=tuple(tuple(row) for row in table))


def scaled(stretch: Stretch, factor: float) -> Stretch:
    """The stretch with all watts but those for accelerating times a factor, in steps of 5 W."""
    table = [
        tuple(round(factor * w / WATTS_STEP) * WATTS_STEP for w in row) if kind in (FLAT, CLIMB, DESCENT) else row
        for kind, row in enumerate(stretch.watts)
    ]
    return replace(stretch, watts=tuple(table))


def kinds_in(road: PatternRoad, stretch: Stretch) -> list[int]:
    """Kinds of terrain that a stretch has, the longest first."""
    length = np.diff(road.node_m)[stretch.begin : stretch.end]
    kind = road.kind[stretch.begin : stretch.end]
    metres = {k: float(length[kind == k].sum()) for k in (FLAT, CLIMB, DESCENT)}
    return [k for k in sorted(metres, key=lambda k: -metres[k]) if metres[k] > 0.0] or [FLAT]
