"""The search for a plan of few stretches: columns around the best chain so far, chosen by the stretch model."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ttt_models.stretches import IMPLIED_UPPER, StretchData, build_stretches
from ttt_opt.interior_point import solve_by_interior_point
from ttt_opt.pattern_ride import (
    CLIMB,
    DESCENT,
    FLAT,
    RISING,
    STEEP,
    Line,
    PatternRoad,
    Patterns,
    Ridden,
    ride_patterns,
)
from ttt_opt.physics import road_load_power, speed_at_power
from ttt_opt.race import Race
from ttt_opt.ride import WALKING_PACE_MPS
from ttt_opt.solver import compile_model, solve

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
FloatLike = float | FloatArray

SECONDS_STEP, WATTS_STEP = 5, 5
SHORTEST_STRETCH_S = 45.0
NEGLIGIBLE_J = 30.0
"""Columns that differ by less than this count as alike (J)."""
AMISS_ALLOWED_S, AMISS_S_PER_S, WHEEL_AMISS_S = 1.0, 2.0, 50.0
"""A pull may miss its bounds by this where a pattern is ridden (s); what a second more costs (s/s), and what power on a
wheel beyond its limit costs, per critical power (s): above what it could gain, so that there always is a chain."""
SOLVE_GAP, RELAXED_TOLERANCE = 5e-4, 1e-7
LARGE_PROGRAMME, LONGEST_SOLVE_S = 2000, 20.0
"""Columns from which on the solver rewrites a programme first, and how long it may take (s). That takes 1.3 times as
long on the demo, 2.5 times on 3 km; but of the first programme of six riders over 100 km, which is not solved in
minutes, the best chain after 30 s is better with it, and that is a start like another."""
TRIED_COLUMNS = (250, 700)
"""Columns that the mixed-integer programme chooses from, the cheapest first; more where they give no chain."""


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
    surge_tolerance_w : float
        How far differences of effort may be beyond their limit (W), since watts come in steps of 5. Below 0 where a
        ride showed more than the stretches had told.
    """

    road: PatternRoad
    race: Race
    line: Line
    start_leaders: tuple[int, ...]
    entry_mps: FloatArray
    spent_j: FloatArray
    extra_reserve_j: FloatArray
    surge_tolerance_w: float = 4.0

    @property
    def surge_w(self) -> float:
        """Largest difference of effort between riders who follow each other (W)."""
        return self.race.limits.surge_w + self.surge_tolerance_w

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


@dataclass(frozen=True)
class Columns:
    """Stretches that were ridden, with the constants of the model.

    Attributes
    ----------
    stretches : tuple of Stretch
    following : ndarray (n_columns,) of int
    time_s : ndarray (n_columns,)
    spent_j, kept, room_j : ndarray (n_columns, n_line)
    effort_in_w, effort_out_w : ndarray (n_columns,)
        As in :class:`ttt_models.stretches.StretchData`.
    """

    stretches: tuple[Stretch, ...]
    following: IntArray
    time_s: FloatArray
    spent_j: FloatArray
    kept: FloatArray
    room_j: FloatArray
    effort_in_w: FloatArray
    effort_out_w: FloatArray

    def only(self, keep: IntArray) -> Columns:
        """Some of them."""
        arrays = (getattr(self, item.name)[keep] for item in fields(self)[1:])
        return Columns(tuple(self.stretches[i] for i in keep), *arrays)

    def and_also(self, other: Columns) -> Columns:
        """These and others."""
        arrays = (np.concatenate([getattr(self, item.name), getattr(other, item.name)]) for item in fields(self)[1:])
        return Columns(self.stretches + other.stretches, *arrays)


def ridden_columns(situation: Situation, stretches: Sequence[Stretch]) -> Columns:
    """Ride stretches and keep those that overspend nobody and that no faster one beats; there may be none."""
    ridden = ride_patterns(
        situation.road, situation.race, situation.line, patterns_of(stretches, situation.entry_mps, situation.spent_j)
    )
    begin_spent = situation.spent_j[[s.begin for s in stretches]]
    spent = ridden.spent_j - ridden.kept * begin_spent
    most_spent = ridden.most_spent_j - ridden.most_kept * begin_spent
    spendable = situation.spendable_j
    room = np.minimum((spendable - most_spent) / np.maximum(ridden.most_kept, 1e-6), spendable)
    amiss_s = AMISS_S_PER_S * np.maximum(ridden.amiss_s - AMISS_ALLOWED_S, 0.0) + WHEEL_AMISS_S * ridden.on_wheel_beyond
    ridden = replace(ridden, time_s=ridden.time_s + amiss_s)
    possible = (room >= 0.0).all(axis=1)
    keep = _undominated(stretches, ridden, spent, room, np.flatnonzero(possible))
    kept = [stretches[i] for i in keep]
    effort_in, effort_out = efforts_at_ends(situation, kept, ridden.next_leader[keep]) if kept else np.zeros((2, 0))
    return Columns(
        tuple(kept), ridden.next_leader[keep], ridden.time_s[keep], spent[keep],
        np.clip(ridden.kept[keep], 0.0, 1.0), room[keep], effort_in, effort_out,
    )  # fmt: skip


def _undominated(
    stretches: Sequence[Stretch], ridden: Ridden, spent_j: FloatArray, room_j: FloatArray, possible: IntArray
) -> IntArray:
    """Of columns between the same nodes and leaders, those that no faster one beats in the W' of all riders."""
    groups: dict[tuple[int, int, int, int], list[int]] = {}
    for i in possible:
        s = stretches[i]
        groups.setdefault((s.begin, s.end, s.first, int(ridden.next_leader[i])), []).append(int(i))
    worth = np.hstack([spent_j, -room_j])
    keep: list[int] = []
    for group in groups.values():
        members = np.array(group)[np.argsort(ridden.time_s[group], kind="stable")]
        best = np.empty((0, worth.shape[1]))
        for i in members:
            if not (best <= worth[i] + NEGLIGIBLE_J).all(axis=1).any():
                best = np.vstack([best, worth[i]])
                keep.append(int(i))
    return np.array(sorted(keep), dtype=np.int64)


def _data_of(situation: Situation, columns: Columns, most_stretches: int) -> StretchData:
    places = sorted({s.begin for s in columns.stretches} | {s.end for s in columns.stretches})
    number = {node: b for b, node in enumerate(places)}
    rise_w, fall_w = changes_allowed(situation, places)
    return StretchData(
        begin=np.array([number[s.begin] for s in columns.stretches]),
        end=np.array([number[s.end] for s in columns.stretches]),
        first=np.array([s.first for s in columns.stretches]),
        following=columns.following,
        time_s=columns.time_s,
        spent_j=columns.spent_j,
        kept=columns.kept,
        room_j=columns.room_j,
        effort_in_w=columns.effort_in_w,
        effort_out_w=columns.effort_out_w,
        rise_w=rise_w,
        fall_w=fall_w,
        n_places=len(places),
        start_leaders=situation.start_leaders,
        most_stretches=most_stretches,
    )


def _reaches_the_finish(situation: Situation, columns: Columns) -> bool:
    leaders = situation.start_leaders
    return any(s.begin == 0 and s.first in leaders for s in columns.stretches) and any(
        s.end == len(situation.road.node_m) - 1 for s in columns.stretches
    )


@dataclass(frozen=True)
class Relaxed:
    """The relaxation of the stretch model.

    Attributes
    ----------
    time_s : float
        Its optimum (s).
    share, price_s : ndarray (n_columns,)
        How much of each column it takes, and by how much it would be slower with all of the column (s).
    """

    time_s: float
    share: FloatArray
    price_s: FloatArray


def relaxed_choice(
    situation: Situation, columns: Columns, most_stretches: int
) -> Relaxed | None:
    """The relaxation of the model; ``None``: it has no solution."""
    if not _reaches_the_finish(situation, columns):
        return None
    model, names = compile_model(
        partial(build_stretches, _data_of(situation, columns, most_stretches)), implied_upper=IMPLIED_UPPER
    )
    relaxed = solve_by_interior_point(model, tolerance=RELAXED_TOLERANCE)
    if relaxed.row_duals is None or relaxed.values is None:
        return None
    worth = model.cost - model.matrix.T @ relaxed.row_duals
    share, price = np.zeros((2, len(columns.stretches)))
    for (name, index), value, cost in zip(names, relaxed.values, worth, strict=True):
        if name == "ride":
            share[index], price[index] = value, cost
    return Relaxed(relaxed.objective, share, price)


def best_chain(
    situation: Situation, columns: Columns, relaxed: Relaxed, most_stretches: int, known: Iterable[Stretch] = ()
) -> tuple[Stretch, ...] | None:
    """The fastest chain of whole stretches, of a known one and the columns of lowest price; ``None``: there is none.

    A column whose price is above what the known chain is slower than the relaxation is in no faster chain.
    """
    stretches = set(known)
    is_known = np.array([s in stretches for s in columns.stretches])
    known_s = float(columns.time_s[is_known].sum()) if is_known.sum() == len(stretches) > 0 else np.inf
    wanted = np.where(is_known, -np.inf, relaxed.price_s)
    promising = int((wanted <= known_s - relaxed.time_s).sum())
    for count in TRIED_COLUMNS:
        some = columns.only(np.sort(np.argsort(wanted, kind="stable")[: min(count + len(stretches), promising)]))
        if _reaches_the_finish(situation, some):
            model, names = compile_model(partial(build_stretches, _data_of(situation, some, most_stretches)))
            large = model.n_columns > LARGE_PROGRAMME
            outcome = solve(model, gap=SOLVE_GAP, presolve=large, time_limit_s=LONGEST_SOLVE_S)
            if outcome.values is not None:
                chosen = [
                    index
                    for (name, index), value in zip(names, outcome.values, strict=True)
                    if name == "ride" and value > 0.5
                ]
                return tuple(sorted((some.stretches[c] for c in chosen), key=lambda s: s.begin))
        if count >= promising:
            break
    return None


def _average_rider(race: Race) -> tuple[float, float]:
    """Mass with bicycle (kg) and drag area (m2) of the team's average rider."""
    riders = race.team.riders
    return float(np.mean([r.total_mass_kg for r in riders])), float(np.mean([r.cda_m2 for r in riders]))


def _efforts(situation: Situation, piece: IntArray, rider: IntArray, watts: FloatArray) -> FloatArray:
    """Steady power of the average rider (W) at the speeds at which riders of the line hold their watts."""
    line = situation.line
    speed = _speed(situation, piece, watts, line.mass_kg[rider], line.cda_m2[rider])
    mass_kg, cda_m2 = _average_rider(situation.race)
    return _load(situation, piece, np.minimum(speed, situation.race.limits.top_speed_mps), mass_kg, cda_m2)


def _watts_of(situation: Situation, piece: IntArray, rider: IntArray, effort_w: FloatArray) -> FloatArray:
    """Watts with which riders of the line hold the speed of the average rider's effort."""
    line = situation.line
    speed = _speed(situation, piece, effort_w, *_average_rider(situation.race))
    return _load(situation, piece, speed, line.mass_kg[rider], line.cda_m2[rider])


def _conditions(situation: Situation, piece: IntArray) -> dict[str, Any]:
    """Grade, head wind (m/s), air density (kg/m3) and rolling resistance on pieces of the road, by name."""
    road = situation.road
    return {
        "grade": road.grade[piece],
        "headwind_mps": road.headwind_mps[piece],
        "air_density": road.air_density[piece],
        "crr": situation.race.crr,
    }


def _speed(
    situation: Situation, piece: IntArray, power_w: FloatArray, mass_kg: FloatLike, cda_m2: FloatLike
) -> FloatArray:
    """Steady speed at a power in the wind (m/s)."""
    return speed_at_power(power_w, mass_kg=mass_kg, drag_area_m2=cda_m2, **_conditions(situation, piece))


def _load(
    situation: Situation, piece: IntArray, speed_mps: FloatArray, mass_kg: FloatLike, cda_m2: FloatLike
) -> FloatArray:
    """Steady power at a speed in the wind (W)."""
    return road_load_power(speed_mps, mass_kg=mass_kg, drag_area_m2=cda_m2, **_conditions(situation, piece))


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


def changes_allowed(situation: Situation, places: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """By how much front power may rise and fall at places (W); a rise uphill, a fall off a climb or onto steep road are
    the road's.
    """
    road, limit = situation.road, min(situation.race.limits.surge_w, situation.surge_w)
    rise, fall = np.full((2, len(places)), np.inf)
    for b, node in enumerate(places[1:-1], start=1):
        before, after = int(road.kind[node - 1]), int(road.kind[node])
        if road.closed[node - 1 : node + 1].any() or not {before, after} <= set(RISING):
            continue
        if after <= before:
            rise[b] = limit
        if after >= before and (after != STEEP or before == STEEP):
            fall[b] = limit
    return rise, fall


def surges_within(situation: Situation, stretches: Sequence[Stretch]) -> FloatArray:
    """Largest difference of effort in each pattern (W): from rider to rider, and each one's from flat to uphill.

    Onto steep road the speed falls so far that no surge counts (see :func:`ttt_opt.surge.unsteady`); on it the limit on
    rises of speed is the closer one, so that differences count more.
    """
    road, m = situation.road, situation.line.n_pulling
    worst = np.zeros(len(stretches))
    if m < 2 or not stretches:
        return worst
    watts = np.array([stretch.watts for stretch in stretches], dtype=np.float64)
    own = np.full((len(RISING), len(stretches), m), np.nan)
    for kind in RISING:
        middle = np.array([_middle_of(road, stretch.begin, stretch.end, kind) for stretch in stretches])
        there = np.flatnonzero(middle >= 0)
        pieces, riders = np.repeat(middle[there], m), np.tile(np.arange(m), len(there))
        efforts = _efforts(situation, pieces, riders, watts[there, kind].ravel()).reshape(-1, m)
        own[kind, there] = efforts
        changes_w = np.abs(efforts - np.roll(efforts, 1, axis=1)).max(axis=1)
        if kind == STEEP:
            changes_w *= _weight_on_steep_road(situation, middle[there], efforts.mean(axis=1))
        worst[there] = np.maximum(worst[there], changes_w)
    onto_climbs = np.nan_to_num(own[FLAT] - own[CLIMB]).max(axis=1)
    return np.asarray(np.maximum(worst, onto_climbs), dtype=np.float64)


def _weight_on_steep_road(situation: Situation, piece: IntArray, effort_w: FloatArray) -> FloatArray:
    """How much more a difference of effort counts where a small one already is the largest rise of speed allowed."""
    limits = situation.race.limits
    speed_mps = _speed(situation, piece, effort_w, *_average_rider(situation.race))
    largest_w = effort_w / np.maximum(speed_mps, WALKING_PACE_MPS) * limits.surge_kmh / 3.6
    return np.maximum(1.0, max(limits.surge_w, situation.surge_w) / largest_w)


def _middle_of(road: PatternRoad, begin: int, end: int, kind: int) -> int:
    """The piece in the middle of those of one kind, -1 without one."""
    own = np.flatnonzero(road.kind[begin:end] == kind)
    return begin + int(own[len(own) // 2]) if len(own) else -1


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
        for q in sorted({(r + 1) % m, (r - 1) % m} - {r}):
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
        tuple(round(factor * w / WATTS_STEP) * WATTS_STEP for w in row) if kind in (*RISING, DESCENT) else row
        for kind, row in enumerate(stretch.watts)
    ]
    return replace(stretch, watts=tuple(table))


def kinds_in(road: PatternRoad, stretch: Stretch) -> list[int]:
    """Kinds of terrain that a stretch has, the longest first."""
    length = np.diff(road.node_m)[stretch.begin : stretch.end]
    kind = road.kind[stretch.begin : stretch.end]
    metres = {k: float(length[kind == k].sum()) for k in (*RISING, DESCENT)}
    return [k for k in sorted(metres, key=lambda k: -metres[k]) if metres[k] > 0.0] or [FLAT]


def evened(situation: Situation, stretches: Sequence[Stretch]) -> list[Stretch]:
    """Stretches with efforts on all slopes so close to each other that every rider may follow every other."""
    road, m = situation.road, situation.line.n_pulling
    if not stretches or m < 2:
        return list(stretches)
    watts = np.array([stretch.watts for stretch in stretches], dtype=np.float64)
    limit = min(situation.race.limits.surge_w, situation.surge_w)
    efforts, metres = np.full((len(RISING), len(stretches), m), np.nan), np.zeros((len(RISING), len(stretches)))
    middles = []
    length_m = np.diff(road.node_m)
    for kind in RISING:
        middles.append(np.array([_middle_of(road, s.begin, s.end, kind) for s in stretches]))
        there = np.flatnonzero(middles[kind] >= 0)
        pieces, riders = np.repeat(middles[kind][there], m), np.tile(np.arange(m), len(there))
        own = _efforts(situation, pieces, riders, watts[there, kind].ravel()).reshape(-1, m)
        mean = own.mean(axis=1, keepdims=True)
        apart = np.full_like(mean, limit)
        if kind == STEEP:
            apart /= _weight_on_steep_road(situation, middles[kind][there], mean[:, 0])[:, None]
        efforts[kind, there] = mean + np.clip(own - mean, -0.5 * apart, 0.5 * apart)
        metres[kind] = [length_m[s.begin : s.end][road.kind[s.begin : s.end] == kind].sum() for s in stretches]
    over = np.maximum(np.nan_to_num(efforts[FLAT] - efforts[CLIMB] - limit), 0.0)
    uphill = (metres[CLIMB] / np.maximum(metres[FLAT] + metres[CLIMB], 1.0))[:, None]
    efforts[FLAT] -= over * uphill
    efforts[CLIMB] += over * (1.0 - uphill)
    for kind in RISING:
        there = np.flatnonzero(middles[kind] >= 0)
        pieces, riders = np.repeat(middles[kind][there], m), np.tile(np.arange(m), len(there))
        watts[there, kind] = _watts_of(situation, pieces, riders, efforts[kind, there].ravel()).reshape(-1, m)
    whole = (np.round(watts / WATTS_STEP) * WATTS_STEP).astype(int).tolist()
    return [
        replace(stretch, watts=tuple(tuple(row) for row in table))
        for stretch, table in zip(stretches, whole, strict=True)
    ]
