"""Small invented rotation problems, and an oracle that rides every plan of the smallest ones.

Nothing here uses the model's equations or index sets: the constants come from a plain road-load formula, the
oracle follows the riders segment by segment with the rules of the trade, and knows lines only as tuples of
riders. What it takes from :class:`RotationData` are its numbers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from ttt_models.rotation import (
    DURATION_TOLERANCE_S,
    SPARE_S_PER_KJ,
    Line,
    RotationData,
    build_rotation,
    rotating_lines,
)
from ttt_opt.solver import LinearModel, matrix_form, solve

FloatArray = NDArray[np.float64]

INFINITY = float("inf")
AIR_DENSITY = 1.2
ROLLING = 0.004
EFFICIENCY = 0.976
GRAVITY = 9.81
PLACE_SHARE = (1.0, 0.68, 0.61, 0.61)
"""Share of solo drag by place: Broker, Kyle & Burke 1999, abstract, power converted to drag, rounded."""


@dataclass(frozen=True)
class TinyRider:
    """An invented rider; ``mass_kg`` with the bicycle, ``spare_j`` is W' above the reserve of 1 kJ."""

    mass_kg: float = 80.0
    cda_m2: float = 0.24
    cp_w: float = 320.0
    spare_j: float = 9000.0
    peak_w: float = 900.0


@dataclass(frozen=True)
class TinyRotation:
    """A rotation problem with what the oracle has to know beyond its numbers."""

    data: RotationData
    sitters: tuple[int, ...]
    counting: int
    may_sit_on: tuple[int, ...] = ()

    @property
    def nobody_leaves(self) -> bool:
        """All riders count."""
        return self.counting == self.data.n_riders

    def changed(self, **changes: NDArray[Any] | tuple[Any, ...] | bool) -> TinyRotation:
        """The same problem with other numbers."""
        return replace(self, data=replace(self.data, **changes))


def road_power_w(rider: TinyRider, share: float, grade: float, speed_mps: float) -> float:
    """Steady crank power; below zero it is what the road gives."""
    force = 0.5 * AIR_DENSITY * rider.cda_m2 * share * speed_mps**2 + rider.mass_kg * GRAVITY * (
        ROLLING + grade
    )
    return force * speed_mps / EFFICIENCY


def make_rotation(
    riders: Sequence[TinyRider],
    length_m: Sequence[float] | FloatArray,
    *,
    order: tuple[int, ...] | None = None,
    sitters: tuple[int, ...] = (),
    counting: int | None = None,
    may_sit_on: tuple[int, ...] = (),
    start_lines: tuple[int, ...] | None = None,
    grade: Sequence[float] | FloatArray | None = None,
    speed_mps: Sequence[float] | FloatArray = (10.0, 11.5, 13.0),
    kinetic: bool = True,
    flying_start: bool = False,
    bends: Sequence[int] = (),
    changeover_j: float = 150.0,
    swing_off_j: float = 400.0,
    changeover_use_j: float = 0.0,
    changeover_s: float = 0.1,
    recovery: float | FloatArray = 0.5,
    shortest_s: float = 1.0,
    longest_s: float = 1e4,
    on_wheel_share: float = 5.0,
    surge_w: float = INFINITY,
    drop_w: float = INFINITY,
    surge_mps: float = INFINITY,
    no_change_at: Sequence[int] = (),
) -> TinyRotation:
    """A rotation problem; unless told otherwise riders are in the order of their indices and no limit binds.

    ``speed_mps`` is one grid for all segments ``(n_speeds,)`` or one per segment ``(n_segments, n_speeds)``.
    From standstill the speed at the end of the first segment is that of the grid, the root mean square is
    less by the square root of two and the mean is half of it; time and work of a ``flying_start`` are those
    of the grid's speed. Changes of speed cost no work unless ``kinetic``. Limits of surges and drops hold
    from the third segment on.
    """
    order = tuple(i for i in range(len(riders)) if i not in sitters) if order is None else order
    counting = len(riders) if counting is None else counting
    rotating = rotating_lines(order, sitters, counting, may_sit_on=may_sit_on)
    lines = rotating.lines
    length = np.asarray(length_m, dtype=np.float64)
    slope = np.zeros(len(length)) if grade is None else np.asarray(grade, dtype=np.float64)
    ridden = np.array(np.broadcast_to(speed_mps, (len(length), np.shape(speed_mps)[-1])), dtype=np.float64)
    speed = ridden.copy()
    speed[0] /= np.sqrt(2.0)
    time_s = length[:, None] / ridden
    if not flying_start:
        ridden = speed
        time_s[0] *= 2.0
    n_segments, n_speeds = speed.shape
    middle = (n_speeds - 1) // 2
    road_work = np.zeros((n_segments, len(lines), n_speeds, len(riders)))
    changeover = np.zeros((n_segments, len(lines), len(riders)))
    for q, line in enumerate(lines):
        for place, i in enumerate(line):
            for s, k in product(range(n_segments), range(n_speeds)):
                power = road_power_w(riders[i], PLACE_SHARE[place], slope[s], ridden[s, k])
                road_work[s, q, k, i] = power * length[s] / ridden[s, k]
            changeover[:, q, i] = changeover_j + (swing_off_j if place == 0 else 0.0)
    average = TinyRider(
        mass_kg=float(np.mean([rider.mass_kg for rider in riders])),
        cda_m2=float(np.mean([rider.cda_m2 for rider in riders])),
    )
    front = np.array(
        [[road_power_w(average, 1.0, slope[s], v) for v in grid] for s, grid in enumerate(ridden)]
    )
    harder = np.zeros((n_segments, n_speeds))
    for s, k in product(range(1, n_segments), range(n_speeds)):
        before, after = (road_power_w(average, 1.0, slope[place], speed[s - 1, k]) for place in (s - 1, s))
        harder[s, k] = after - before
    mass = np.array([rider.mass_kg for rider in riders])
    cp = np.array([rider.cp_w for rider in riders])
    limits = np.full((3, n_segments), INFINITY)
    limits[:, 2:] = np.array([surge_w, drop_w, surge_mps])[:, None]
    data = RotationData(
        lines=lines,
        n_sitting=rotating.n_sitting,
        start_lines=rotating.of_the_full_team if start_lines is None else start_lines,
        successors=rotating.successors,
        time_s=time_s,
        speed_mps=speed,
        mean_mps=speed,
        fastest_mps=speed.max(axis=1),
        road_work_j=road_work,
        kinetic_j_per_v2=0.5 * mass / EFFICIENCY if kinetic else np.zeros(len(riders)),
        changeover_j=changeover,
        changeover_use_j=np.full((n_segments, len(lines)), changeover_use_j),
        changeover_dip_j=np.zeros((n_segments, len(lines))),
        changeover_s=np.full(n_segments, changeover_s),
        cp_w=cp,
        peak_w=np.array([rider.peak_w for rider in riders]),
        on_wheel_w=on_wheel_share * cp,
        w_prime_j=np.array([rider.spare_j + 1000.0 for rider in riders]),
        reserve_j=np.full(len(riders), 1000.0),
        dip_j=np.zeros((n_segments, len(riders))),
        recovery_share=np.broadcast_to(recovery, (n_segments, len(riders))).astype(np.float64),
        spent_kept=np.ones((n_segments, len(riders))),
        also_used_j=np.zeros((n_segments, len(riders))),
        also_work_j=np.zeros((n_segments, len(riders))),
        per_longest=np.full((n_segments, len(riders)), 1.0 / longest_s),
        per_shortest=np.full((n_segments, len(riders)), 1.0 / shortest_s),
        on_wheel_applies=np.arange(n_segments) > 0,
        bend=np.isin(np.arange(n_segments), bends),
        average_load_w=front,
        average_kinetic_j_per_v2=0.5 * average.mass_kg / EFFICIENCY if kinetic else 0.0,
        reference_s=time_s[:, middle],
        asked_w=np.maximum(harder, 0.0),
        given_w=np.maximum(-harder, 0.0),
        surge_w=limits[0],
        drop_w=limits[1],
        surge_mps=limits[2],
        change_allowed=~np.isin(np.arange(n_segments), no_change_at),
    )
    return TinyRotation(data, sitters, counting, may_sit_on)


def random_rotation(seed: int) -> TinyRotation:
    """Two or three unlike riders on three to five unlike segments, with limits that often bind."""
    draw = np.random.default_rng(seed)
    n_riders = int(draw.integers(2, 4))
    n_segments = int(draw.integers(3, 6 if n_riders == 2 else 5))
    n_speeds = 2 if n_segments == 5 else 3
    riders = [
        TinyRider(
            mass_kg=float(draw.uniform(65.0, 90.0)),
            cda_m2=float(draw.uniform(0.21, 0.27)),
            cp_w=float(draw.uniform(260.0, 380.0)),
            spare_j=float(draw.uniform(5500.0, 9000.0)),
        )
        for _ in range(n_riders)
    ]
    order = tuple(int(i) for i in draw.permutation(n_riders))
    sitters = (order[-1],) if n_riders == 3 and draw.random() < 0.35 else ()
    grade = draw.uniform(-0.03, 0.03, n_segments)
    reference = 11.5 - 90.0 * grade * np.where(grade > 0.0, 1.0, 0.5)
    steps = np.array([0.72, 1.15]) if n_speeds == 2 else np.array([0.72, 0.96, 1.2])
    bends = [s for s in range(1, n_segments) if draw.random() < 0.25]
    reference[bends] *= 0.75
    shortest, longest = [(1.0, 1e4), (1.0, 60.0), (22.0, 1e4), (20.0, 70.0)][int(draw.integers(4))]
    tiny = make_rotation(
        riders,
        draw.uniform(120.0, 260.0, n_segments),
        order=order[: n_riders - len(sitters)],
        sitters=sitters,
        counting=n_riders - int(draw.random() < 0.5),
        start_lines=(1,) if draw.random() < 0.4 else None,
        grade=grade,
        speed_mps=reference[:, None] * steps[None, :],
        changeover_j=float(draw.uniform(0.0, 300.0)),
        swing_off_j=float(draw.uniform(0.0, 900.0)),
        changeover_s=float(draw.uniform(0.0, 0.6)),
        recovery=draw.uniform(0.1, 1.0, (n_segments, n_riders)),
        shortest_s=shortest,
        longest_s=longest,
        on_wheel_share=float(draw.uniform(0.85, 1.3)),
        bends=bends,
        surge_w=float(draw.choice([60.0, 250.0, INFINITY])),
        drop_w=float(draw.choice([60.0, 250.0, INFINITY])),
        surge_mps=float(draw.choice([1.0, 2.5, INFINITY])),
        no_change_at=[s for s in range(1, n_segments) if draw.random() < 0.15],
    )
    data = tiny.data
    return tiny.changed(
        reference_s=data.reference_s * draw.uniform(0.8, 1.2, n_segments),
        changeover_j=data.changeover_j * draw.uniform(0.2, 2.0, n_segments)[:, None, None],
        changeover_s=data.changeover_s * draw.uniform(0.2, 2.0, n_segments),
        per_longest=data.per_longest * draw.uniform(0.7, 1.2, data.per_longest.shape),
        per_shortest=data.per_shortest * draw.uniform(0.8, 1.2, data.per_shortest.shape),
        on_wheel_applies=data.on_wheel_applies & (draw.random(n_segments) < 0.8),
        changeover_use_j=draw.uniform(0.0, 300.0, data.changeover_use_j.shape),
        mean_mps=data.mean_mps * draw.uniform(0.95, 1.0, n_segments)[:, None],
        changeover_dip_j=draw.uniform(0.0, 2500.0, data.changeover_dip_j.shape),
        dip_j=50.0 * np.maximum(draw.integers(-40, 20, data.also_used_j.shape), 0.0),  # none negligible
    )


def with_all_limits(*, only_kept: bool) -> TinyRotation:
    """All limits, a bend, one start line, one may leave, one sits on, all pulls kept: every block has members."""
    tiny = make_rotation(
        (TinyRider(),) * 4,
        (200.0,) * 5,
        sitters=(3,),
        counting=3,
        start_lines=(1,),
        shortest_s=18.0,
        longest_s=50.0,
        surge_w=30.0,
        surge_mps=0.5,
        drop_w=30.0,
        bends=(3,),
    )
    pulls = tuple((arc.first, arc.end, arc.line) for arc in tiny.data.arcs)
    return tiny.changed(kept_pulls=pulls, only_kept=only_kept, dip_j=np.full(tiny.data.dip_j.shape, 100.0))


def fitted_rotation(seed: int) -> TinyRotation:
    """A random race with the constants of one ride: spent W' that fades, W' and work that the model does not know.

    What fades of a rider's W' after he has left is not defined: only races in which nobody leaves will do.
    """
    tiny, draw = random_rotation(seed), np.random.default_rng(seed)
    shape = tiny.data.recovery_share.shape
    return tiny.changed(
        spent_kept=draw.uniform(0.7, 1.0, shape),
        also_used_j=draw.uniform(-300.0, 300.0, shape),
        also_work_j=draw.uniform(-400.0, 400.0, shape),
    )


# The model's answers.


def compiled(tiny: TinyRotation, *, one_speed_per_segment: bool = False) -> LinearModel:
    """The model's matrix; ``one_speed_per_segment`` forbids mixes of speeds."""
    built = build_rotation(tiny.data)
    model = matrix_form(built)
    if one_speed_per_segment:
        model.integer[built.columns["mix"].numbers] = True
    return model


def optimum_s(tiny: TinyRotation, *, one_speed_per_segment: bool = False) -> float:
    """Proven optimum of the model (s), ``inf`` where it is infeasible."""
    outcome = solve(compiled(tiny, one_speed_per_segment=one_speed_per_segment), gap=1e-6)
    assert outcome.stopped_because in ("optimal", "infeasible")
    return outcome.objective


# The oracle.


@dataclass(frozen=True)
class TinyPull:
    """Line ``line``, the leader first, over segments ``first`` to ``end - 1``; some in it may have stopped pulling."""

    line: Line
    first: int
    end: int
    stopped: frozenset[int] = frozenset()


TinyPlan = tuple[TinyPull, ...]


def next_lines(tiny: TinyRotation, line: Line, stopped: frozenset[int]) -> set[tuple[Line, frozenset[int]]]:
    """Lines that may follow, and who of them has stopped pulling.

    The leader takes the last wheel before those who sit on, and may be one of them from now on if two others still
    pull; or he leaves for good. None follows where nobody can relieve the leader.
    """
    leader, rest = line[0], line[1:]
    pulling = [i for i in rest if i not in tiny.sitters and i not in stopped]
    sitting = [i for i in rest if i in tiny.sitters or i in stopped]
    if not pulling:
        return set()
    behind = (*pulling, leader, *sitting)
    following = {(behind, stopped)}
    if len(rest) >= tiny.counting:
        following.add((rest, stopped))
    if leader in tiny.may_sit_on and len(pulling) >= 2:
        following.add((behind, stopped | {leader}))
    return following


def pull_exists(tiny: TinyRotation, pull: TinyPull) -> bool:
    """Whether a pull is kept or keeps the bounds on its duration at the reference speeds; the road may end any.

    Each second counts as its share of what the leader's bound allows where it is ridden; the tolerance counts
    where the pull begins.
    """
    data, leader = tiny.data, pull.line[0]
    n_sitting = sum(i in tiny.sitters or i in pull.stopped for i in pull.line)
    states = list(zip(data.lines, data.n_sitting, strict=True))
    if (pull.first, pull.end, states.index((pull.line, n_sitting))) in data.kept_pulls:
        return True
    at_finish = pull.end == data.n_segments
    if not next_lines(tiny, pull.line, pull.stopped):
        return at_finish
    if not (at_finish or data.change_allowed[pull.end]):
        return False
    longest_s, shortest_s = 1.0 / data.per_longest[:, leader], 1.0 / data.per_shortest[:, leader]
    of_longest = sum(data.reference_s[s] / longest_s[s] for s in range(pull.first, pull.end))
    of_shortest = sum(data.reference_s[s] / shortest_s[s] for s in range(pull.first, pull.end))
    too_long = (of_longest - 1.0) * longest_s[pull.first] > DURATION_TOLERANCE_S
    too_short = (1.0 - of_shortest) * shortest_s[pull.first] > DURATION_TOLERANCE_S
    return not too_long and (at_finish or not too_short)


def all_plans(tiny: TinyRotation) -> Iterator[TinyPlan]:
    """Every sequence of pulls from start to finish."""

    def from_here(line: Line, first: int, stopped: frozenset[int]) -> Iterator[TinyPlan]:
        for end in range(first + 1, tiny.data.n_segments + 1):
            pull = TinyPull(line, first, end, stopped)
            if not pull_exists(tiny, pull):
                continue
            if end == tiny.data.n_segments:
                yield (pull,)
                continue
            for following, now_stopped in sorted(next_lines(tiny, line, stopped), key=str):
                for rest in from_here(following, end, now_stopped):
                    yield (pull, *rest)

    for q in tiny.data.start_lines:
        line = tiny.data.lines[q]
        sitting = line[len(line) - tiny.data.n_sitting[q] :]
        yield from from_here(line, 0, frozenset(sitting) - set(tiny.sitters))


def boundary_squares(
    data: RotationData, square: Sequence[Any], out_of_bend: Sequence[Any] | None = None
) -> tuple[list[Any], list[Any]]:
    """Square of the speed at the start and end of every segment, from its mean there: numbers, or rows.

    It is linear along a segment, so that the mean is that of the two ends. The line starts from standstill, and what
    it comes to a bend with is braked off, so that a bend may be left at any speed: ``out_of_bend``, by default that of
    its mean. The means settle the rest.
    """
    at_start, at_end = [], []
    arriving = 0.0 * square[0]
    leaving = square if out_of_bend is None else out_of_bend
    for s in range(data.n_segments):
        at_start.append(arriving)
        arriving = leaving[s] if data.bend[s] else 2.0 * square[s] - arriving
        at_end.append(arriving)
    return at_start, at_end


def rises(data: RotationData, square: Sequence[Any], at_start: Sequence[Any], at_end: Sequence[Any]) -> list[Any]:
    """Change of the square of the speed in every segment; what brakes take before a bend does not count."""
    return [
        at_end[s] - (2.0 * square[s] - at_end[s] if data.bend[s] else at_start[s]) for s in range(data.n_segments)
    ]


def square_limits(
    data: RotationData, square: Sequence[Any], at_start: Sequence[Any], at_end: Sequence[Any]
) -> list[tuple[Any, float]]:
    """What keeps the speeds at the boundaries possible, each with what it may be at most.

    Nobody rides backwards or speeds up into or in a bend, nor comes into it faster than its grid after braking; on the
    way no boundary is faster than both grids there; before a bend, twice the square of the mean, and never
    more than the fastest grid has.
    """
    fastest = data.speed_mps.max(axis=1) ** 2
    limits = [(-end, 0.0) for end in at_end]
    for s in range(1, data.n_segments):  # to a bend riders come faster than their mean, and brake
        most = max(fastest[s - 1], min(2.0 * fastest[s - 1], fastest.max())) if data.bend[s] else fastest[s - 1]
        limits.append((at_start[s], float(max(most, fastest[s]))))
    for s in np.flatnonzero(data.bend):
        after_braking = 2.0 * square[s] - at_end[s]
        limits += [(after_braking - at_start[s], 0.0), (at_end[s] - square[s], 0.0), (after_braking, float(fastest[s]))]
    return limits


def ridden_time_s(tiny: TinyRotation, plan: TinyPlan, steps: Sequence[int]) -> float:
    """What a plan at one speed per segment, bends left at their mean speed, is worth (s).

    The finish time, less the worth of W' left at the finish or where a rider leaves; ``inf`` where a rider
    runs out of W' above the reserve, a limit is broken or the speeds do not fit together.
    """
    data = tiny.data
    spare = {i: data.w_prime_j[i] - data.reserve_j[i] for i in plan[0].line}
    clock, line_before = 0.0, plan[0].line
    square = [data.speed_mps[s, k] ** 2 for s, k in enumerate(steps)]
    at_start, at_end = boundary_squares(data, square)
    if any(value > limit + 1e-7 for value, limit in square_limits(data, square, at_start, at_end)):
        return INFINITY
    rise = rises(data, square, at_start, at_end)
    front_w = [
        data.average_load_w[s, k] + data.average_kinetic_j_per_v2 * rise[s] / data.reference_s[s]
        for s, k in enumerate(steps)
    ]
    for pull in plan:
        q, leader = data.lines.index(pull.line), pull.line[0]
        for s in range(pull.first, pull.end):
            k, before = steps[s], steps[s - 1]
            if s > 0:
                faster = data.mean_mps[s, k] - data.mean_mps[s - 1, before]
                harder = front_w[s] - front_w[s - 1] - data.asked_w[s, before]
                easier = front_w[s - 1] - front_w[s] - data.given_w[s, before]
                if harder > data.surge_w[s] or easier > data.drop_w[s] or faster > data.surge_mps[s]:
                    return INFINITY
            changing = s == pull.first and s > 0
            duration = data.time_s[s, k] + (data.changeover_s[s] if changing else 0.0)
            for i in pull.line:
                swing = data.changeover_j[s, data.lines.index(line_before), i] if changing else 0.0
                kinetic = data.kinetic_j_per_v2[i] * rise[s]
                also = 0.0 if i == leader else data.also_work_j[s, i]
                work = max(0.0, data.road_work_j[s, q, k, i] + kinetic + swing + also)
                if work > data.peak_w[i] * duration + swing:
                    return INFINITY
                wheel_limit = data.on_wheel_w[i] * duration + swing
                if i != leader and data.on_wheel_applies[s] and work > wheel_limit:
                    return INFINITY
                above = work - data.cp_w[i] * duration
                full = data.w_prime_j[i] - data.reserve_j[i]
                spent = above if above > 0.0 else data.recovery_share[s, i] * above
                if changing and i == line_before[0]:
                    spent += data.changeover_use_j[s, data.lines.index(line_before)]
                    if spare[i] < data.changeover_dip_j[s, data.lines.index(line_before)]:
                        return INFINITY
                spent += data.also_used_j[s, i]
                least = spare[i]
                spare[i] = min(full, full - data.spent_kept[s, i] * (full - spare[i]) - spent)
                if min(least, spare[i]) < data.dip_j[s, i]:
                    return INFINITY
            clock += duration
        line_before = pull.line
    worth = SPARE_S_PER_KJ * sum(spare.values()) / 1000.0
    return float(clock - worth)


def best_ridden(tiny: TinyRotation) -> tuple[float, TinyPlan | None]:
    """The quickest plan at one speed per segment, by trying them all: its time (s) and its pulls."""
    best, best_plan = INFINITY, None
    most_worth = SPARE_S_PER_KJ * float((tiny.data.w_prime_j - tiny.data.reserve_j).sum()) / 1000.0
    for plan in all_plans(tiny):
        for steps in product(range(tiny.data.n_speeds), repeat=tiny.data.n_segments):
            fastest_s = sum(tiny.data.time_s[s, k] for s, k in enumerate(steps))
            if fastest_s - most_worth >= best:
                continue  # too slow even with free changeovers and nothing spent
            time_s = ridden_time_s(tiny, plan, steps)
            if time_s < best:
                best, best_plan = time_s, plan
    return best, best_plan


def best_mixed_time_s(tiny: TinyRotation, plan: TinyPlan) -> float:
    """Quickest time of a plan whose segments may mix speeds (s): one small linear programme of its own.

    Its variables are, in this order: shares of speeds per segment; per segment and rider in the line: work,
    W' spent (or, below zero, won) and W' left; per segment the square of the speed at which a bend is left.
    """
    data = tiny.data
    n_segments, n_speeds, n_riders = data.n_segments, data.n_speeds, data.n_riders
    n_mix, n_block = n_segments * n_speeds, n_segments * n_riders
    n_columns = n_mix + 3 * n_block + n_segments
    line_of = [pull.line for pull in plan for _ in range(pull.first, pull.end)]
    starts = {pull.first for pull in plan if pull.first > 0}

    def mix(s: int, table: FloatArray) -> FloatArray:
        row = np.zeros(n_columns)
        row[s * n_speeds : (s + 1) * n_speeds] = table
        return row

    def unit(block: int, s: int, i: int) -> FloatArray:
        row = np.zeros(n_columns)
        row[n_mix + block * n_block + s * n_riders + i] = 1.0
        return row

    square = [mix(s, data.speed_mps[s] ** 2) for s in range(n_segments)]
    at_start, at_end = boundary_squares(data, square, list(np.eye(n_columns)[n_mix + 3 * n_block :]))
    rise = rises(data, square, at_start, at_end)
    front_w = [
        mix(s, data.average_load_w[s]) + data.average_kinetic_j_per_v2 / data.reference_s[s] * rise[s]
        for s in range(n_segments)
    ]
    at_most: list[tuple[FloatArray, float]] = square_limits(data, square, at_start, at_end)
    for s in range(n_segments):
        line = line_of[s]
        q = data.lines.index(line)
        lost = data.changeover_s[s] if s in starts else 0.0
        duration = mix(s, data.time_s[s])
        for i in line:
            work, spent, left = (unit(block, s, i) for block in range(3))
            swing = data.changeover_j[s, data.lines.index(line_of[s - 1]), i] if s in starts else 0.0
            needed = mix(s, data.road_work_j[s, q, :, i]) + data.kinetic_j_per_v2[i] * rise[s]
            at_most.append((needed - work, -swing - (0.0 if i == line[0] else data.also_work_j[s, i])))
            at_most.append((work - data.peak_w[i] * duration, data.peak_w[i] * lost + swing))
            if i != line[0] and data.on_wheel_applies[s]:
                at_most.append((work - data.on_wheel_w[i] * duration, data.on_wheel_w[i] * lost + swing))
            above, above_lost = work - data.cp_w[i] * duration, data.cp_w[i] * lost
            swung_off = s in starts and i == line_of[s - 1][0]
            extra = data.changeover_use_j[s, data.lines.index(line_of[s - 1])] if swung_off else 0.0
            at_most.append((above - spent, above_lost - extra))
            share = data.recovery_share[s, i]
            at_most.append((share * above - spent, share * above_lost - extra))
            full = data.w_prime_j[i] - data.reserve_j[i]
            also, kept = data.also_used_j[s, i], data.spent_kept[s, i]
            if s == 0:
                at_most.append((left + spent, full - also))
            else:
                at_most.append((left + spent - kept * unit(2, s - 1, i), (1.0 - kept) * full - also))
            at_most.append((-left, -data.dip_j[s, i]))
            if s > 0:
                at_most.append((-unit(2, s - 1, i), -data.dip_j[s, i]))
            if swung_off:
                at_most.append((-unit(2, s - 1, i), -data.changeover_dip_j[s, data.lines.index(line_of[s - 1])]))
        if s > 0:
            harder = front_w[s] - front_w[s - 1]
            faster = mix(s, data.mean_mps[s]) - mix(s - 1, data.mean_mps[s - 1])
            for limit, change in (
                (data.surge_w[s], harder - mix(s - 1, data.asked_w[s])),
                (data.drop_w[s], -harder - mix(s - 1, data.given_w[s])),
                (data.surge_mps[s], faster),
            ):
                if np.isfinite(limit):
                    at_most.append((change, limit))
    cost = np.zeros(n_columns)
    for s in range(n_segments):
        cost += mix(s, data.time_s[s])
    for i in plan[0].line:
        last = max(s for s in range(n_segments) if i in line_of[s])
        cost -= SPARE_S_PER_KJ / 1000.0 * unit(2, last, i)
    shares = np.array([mix(s, np.ones(n_speeds)) for s in range(n_segments)])
    most = [data.w_prime_j[i] - data.reserve_j[i] for i in range(n_riders)] * n_segments
    bounds = (
        [(0.0, 1.0)] * n_mix
        + [(0.0, None)] * n_block
        + [(None, None)] * n_block
        + [(0.0, high) for high in most]
        + [(0.0, None)] * n_segments
    )
    scale = np.array([max(1.0, np.abs(row).max()) for row, _ in at_most])
    answer = linprog(
        cost,
        A_ub=np.array([row for row, _ in at_most]) / scale[:, None],
        b_ub=np.array([limit for _, limit in at_most]) / scale,
        A_eq=shares,
        b_eq=np.ones(n_segments),
        bounds=bounds,
    )
    if answer.status == 2:
        return INFINITY
    assert answer.status == 0, answer.message
    return float(answer.fun) + sum(float(data.changeover_s[b]) for b in starts)
