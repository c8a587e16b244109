"""The same race as a compact programme: who is in which place in each segment, with indicators of changeovers.

This is how one would write the problem down at first. It decides the same as the model of
``models/ttt_models/rotation.py`` from the same constants, and has the same best plan; but time, work and W' exist once
per segment and rider, not once per line, and rows of a place that a rider may not have are switched off by large
constants. So its relaxation may mix places at no cost, and its bound is weak.

A *slot* is (riders in the line, place). Only races in which all that the constants say of a line follows from a
rider's slot can be written so; others are refused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
import pyomo.environ as pyo
from numpy.typing import NDArray

from ttt_models.rotation import (
    DURATION_TOLERANCE_S,
    JOULE_PER_UNIT,
    NEGLIGIBLE_DIP_J,
    SPARE_S_PER_KJ,
    Line,
    RotationData,
    most_squares,
)
from ttt_opt.solver import LinearModel, compile_model

FloatArray = NDArray[np.float64]
Slot = tuple[int, int]

UNLIKE_J = 1e-6
"""Constants of one slot that differ by more than this do not follow from it (J)."""


@dataclass(frozen=True)
class SlotData:
    """Constants by rider and slot instead of by line, in kJ.

    Attributes
    ----------
    slots : tuple of (int, int)
    n_sitters : int
        Riders who keep the last wheels.
    road, changeover : dict
        By (rider, slot): road work there ``(n_segments, n_speeds)``, work of a changeover from there ``(n_segments,)``.
    use, dip : dict
        By (rider, slot): W' used beyond the mean, and needed, when the leader swings off ``(n_segments,)``.
    """

    slots: tuple[Slot, ...]
    n_sitters: int
    road: dict[tuple[int, Slot], FloatArray]
    changeover: dict[tuple[int, Slot], FloatArray]
    use: dict[tuple[int, Slot], FloatArray]
    dip: dict[tuple[int, Slot], FloatArray]

    def after_rotation(self, slot: Slot) -> Slot:
        """Where a rider of this slot is after the leader has swung off."""
        size, place = slot
        last_pulling = size - self.n_sitters - 1
        if place > last_pulling:
            return slot
        return (size, place - 1 if place > 0 else last_pulling)

    def after_leaving(self, slot: Slot) -> Slot:
        """Where a follower of this slot is after the leader has left."""
        return (slot[0] - 1, slot[1] - 1)


def slot_data(data: RotationData) -> SlotData:
    """Constants by slot.

    Raises
    ------
    ValueError
        Two lines with the same rider in the same slot have unlike constants, the model has kept pulls, or riders may
        stop pulling.
    """
    if data.kept_pulls or data.only_kept:
        raise ValueError("kept pulls cannot be written by places")
    if len(set(data.n_sitting)) > 1:
        raise ValueError("riders who stop pulling on the way cannot be written by places")
    places: dict[tuple[int, Slot], list[int]] = {}
    for q, line in enumerate(data.lines):
        for place, i in enumerate(line):
            places.setdefault((i, (len(line), place)), []).append(q)

    def same(
        of_line: Callable[[int, int], FloatArray], leaders_only: bool = False
    ) -> dict[tuple[int, Slot], FloatArray]:
        found = {}
        for (i, slot), lines in places.items():
            if leaders_only and slot[1] != 0:
                continue
            values = [of_line(q, i) for q in lines]
            if any(np.abs(value - values[0]).max() > UNLIKE_J for value in values):
                raise ValueError(f"constants of rider {i} in place {slot[1]} of {slot[0]} depend on who else is there")
            found[i, slot] = values[0] / JOULE_PER_UNIT
        return found

    leads = {line[0] for line in data.lines}
    return SlotData(
        slots=tuple(sorted({slot for _, slot in places}, reverse=True)),
        n_sitters=data.n_riders - len(leads),
        road=same(lambda q, i: data.road_work_j[:, q, :, i]),
        changeover=same(lambda q, i: data.changeover_j[:, q, i]),
        use=same(lambda q, _i: data.changeover_use_j[:, q], leaders_only=True),
        dip=same(lambda q, _i: data.changeover_dip_j[:, q], leaders_only=True),
    )


def build_positions(data: RotationData) -> pyo.ConcreteModel:
    """Build the programme of places.

    Raises
    ------
    ValueError
        The constants cannot be written by places.
    """
    by_slot = slot_data(data)
    slots, n_sitters = by_slot.slots, by_slot.n_sitters
    n_segments, riders, speeds = data.n_segments, range(data.n_riders), range(data.n_speeds)
    segments, later = range(n_segments), range(1, n_segments)
    sizes = sorted({size for size, _ in slots}, reverse=True)
    largest, smallest = sizes[0], sizes[-1]
    known = set(by_slot.road)
    cp, peak, on_wheel, full = (
        (value / JOULE_PER_UNIT).tolist()
        for value in (data.cp_w, data.peak_w, data.on_wheel_w, data.w_prime_j - data.reserve_j)
    )
    longest_s = (data.time_s.max(axis=1) + data.changeover_s).tolist()
    kinetic = (data.kinetic_j_per_v2 / JOULE_PER_UNIT).tolist()
    also_used, also_work = data.also_used_j / JOULE_PER_UNIT, data.also_work_j / JOULE_PER_UNIT
    fastest = data.fastest_mps
    most_square = most_squares(data).tolist()
    square = (data.speed_mps**2).tolist()

    m = pyo.ConcreteModel("positions")
    m.start = pyo.Var(data.start_lines, domain=pyo.Binary)
    m.place = pyo.Var([(s, i, *slot) for s in segments for i, slot in sorted(known)], domain=pyo.Binary)
    m.rotates = pyo.Var(later, domain=pyo.Binary)
    m.leaves = pyo.Var(later, domain=pyo.Binary)
    m.size = pyo.Var(segments, sizes, bounds=(0, 1))
    m.mix = pyo.Var(segments, speeds, bounds=(0, 1))
    m.time = pyo.Var(segments, bounds=(0, None))
    m.boundary_square = pyo.Var(
        range(n_segments + 1), bounds=lambda _, b: (0, 0 if b == 0 else None if b == n_segments else most_square[b])
    )
    m.work = pyo.Var(segments, riders, bounds=(0, None))
    most_use = {(s, i): full[i] + abs(float(also_used[s, i])) + cp[i] * longest_s[s] for s in segments for i in riders}
    m.use = pyo.Var(segments, riders, bounds=lambda _, s, i: (-cp[i] * longest_s[s], most_use[s, i]))
    m.spare = pyo.Var(range(n_segments + 1), riders, bounds=lambda _, b, i: (full[i] if b == 0 else 0.0, full[i]))
    m.finish_time = pyo.Objective(
        expr=pyo.quicksum(m.time.values()) - SPARE_S_PER_KJ * pyo.quicksum(m.spare[n_segments, i] for i in riders)
    )

    def there(s: int, i: int) -> pyo.Expression:
        """1 where rider i is still in the line."""
        return pyo.quicksum(m.place[s, i, *slot] for slot in slots if (i, slot) in known)

    # Who is where.
    m.one_start = pyo.Constraint(expr=pyo.quicksum(m.start.values()) == 1)
    m.start_places = pyo.Constraint(
        riders,
        range(largest),
        rule=lambda _, i, p: (
            m.place[0, i, largest, p] == pyo.quicksum(m.start[q] for q in data.start_lines if data.lines[q][p] == i)
            if (i, (largest, p)) in known
            else pyo.Constraint.Skip
        ),
    )
    m.one_size = pyo.Constraint(segments, rule=lambda _, s: pyo.quicksum(m.size[s, n] for n in sizes) == 1)
    m.one_place = pyo.Constraint(segments, riders, rule=lambda _, s, i: there(s, i) <= 1)
    m.every_place_taken = pyo.Constraint(
        segments,
        range(len(slots)),
        rule=lambda _, s, j: (
            pyo.quicksum(m.place[s, i, *slots[j]] for i in riders if (i, slots[j]) in known) == m.size[s, slots[j][0]]
        ),
    )
    m.one_change = pyo.Constraint(later, rule=lambda _, s: m.rotates[s] + m.leaves[s] <= int(data.change_allowed[s]))
    m.size_falls = pyo.Constraint(
        later,
        rule=lambda _, s: pyo.quicksum(n * (m.size[s - 1, n] - m.size[s, n]) for n in sizes) == m.leaves[s],
    )
    single = [n for n in sizes if n - n_sitters == 1]
    m.nobody_relieves = pyo.Constraint(
        later, single, rule=lambda _, s, n: m.rotates[s] + m.leaves[s] + m.size[s - 1, n] <= 1
    )
    m.rules_keep = pyo.Constraint(later, rule=lambda _, s: m.leaves[s] + m.size[s - 1, smallest] <= 1)
    may_leave = {
        (line[0], len(line))
        for q, line in enumerate(data.lines)
        for r in data.successors[q]
        if line[0] not in data.lines[r]
    }
    must_stay = [(i, n) for i, (n, p) in sorted(known) if p == 0 and n > smallest and (i, n) not in may_leave]
    m.who_must_stay = pyo.Constraint(
        later, must_stay, rule=lambda _, s, i, n: m.leaves[s] + m.place[s - 1, i, n, 0] <= 1
    )

    def moves(s: int, i: int, slot: Slot, event: pyo.Expression, to: Slot) -> pyo.Expression:
        if (i, to) not in known:
            return m.place[s - 1, i, *slot] + event <= 1
        return m.place[s, i, *to] >= m.place[s - 1, i, *slot] + event - 1

    placed = [(s, i, *slot) for s in later for i, slot in sorted(known)]
    m.keeps_place = pyo.Constraint(
        placed, rule=lambda _, s, i, n, p: moves(s, i, (n, p), 1 - m.rotates[s] - m.leaves[s], (n, p))
    )
    m.moves_up = pyo.Constraint(
        [key for key in placed if by_slot.after_rotation(key[2:]) != key[2:]],
        rule=lambda _, s, i, n, p: moves(s, i, (n, p), m.rotates[s], by_slot.after_rotation((n, p))),
    )
    m.closes_up = pyo.Constraint(
        [key for key in placed if key[3] > 0 and key[2] > smallest],
        rule=lambda _, s, i, n, p: moves(s, i, (n, p), m.leaves[s], by_slot.after_leaving((n, p))),
    )
    m.stays_away = pyo.Constraint(later, riders, rule=lambda _, s, i: there(s, i) <= there(s - 1, i))

    # How long a pull lasts, at the reference speeds, as in RotationData.arcs.
    def front(s: int, i: int) -> pyo.Expression:
        return pyo.quicksum(m.place[s, i, n, 0] for n in sizes if (i, (n, 0)) in known)

    def changes(s: int) -> pyo.Expression:
        return m.rotates[s] + m.leaves[s] if s > 0 else 1

    too_long, too_short = [], []
    pulling = sorted({line[0] for line in data.lines})
    for first, i in product(np.flatnonzero(data.change_allowed).tolist(), pulling):
        used = np.cumsum(data.reference_s[first:] * data.per_longest[first:, i])
        done = np.cumsum(data.reference_s[first:] * data.per_shortest[first:, i])
        last_end = first + int((used <= 1.0 + DURATION_TOLERANCE_S * data.per_longest[first, i]).sum())
        first_end = first + 1 + int((done < 1.0 - DURATION_TOLERANCE_S * data.per_shortest[first, i]).sum())
        if last_end < n_segments:
            too_long.append((first, i, last_end))
        too_short += [(first, i, end) for end in range(first + 1, min(first_end, n_segments))]

    m.not_too_long = pyo.Constraint(
        too_long,
        rule=lambda _, first, i, last: (
            pyo.quicksum(changes(s) for s in range(first + 1, last + 1))
            + pyo.quicksum(m.size[first, n] for n in single)
            >= front(first, i) + changes(first) - 1
        ),
    )
    m.long_enough = pyo.Constraint(
        too_short,
        rule=lambda _, first, i, end: changes(end) <= 2 - front(first, i) - changes(first),
    )

    # How fast.
    m.all_ridden = pyo.Constraint(segments, rule=lambda _, s: pyo.quicksum(m.mix[s, k] for k in speeds) == 1)

    def at_speeds(values: FloatArray, s: int) -> pyo.Expression:
        return pyo.quicksum(value * m.mix[s, k] for k, value in enumerate(values.tolist()))

    mean_square = [at_speeds(np.array(square[s]), s) for s in segments]
    m.lasts = pyo.Constraint(
        segments,
        rule=lambda _, s: (
            m.time[s] == at_speeds(data.time_s[s], s) + (float(data.changeover_s[s]) * changes(s) if s > 0 else 0.0)
        ),
    )
    comes, goes = [m.boundary_square[s] for s in segments], [m.boundary_square[s + 1] for s in segments]
    begins = [2 * mean_square[s] - goes[s] if data.bend[s] else comes[s] for s in segments]
    bends = [s for s in segments if data.bend[s]]
    m.square_linear = pyo.Constraint(
        [s for s in segments if not data.bend[s]], rule=lambda _, s: 2 * mean_square[s] == comes[s] + goes[s]
    )
    m.square_in_bend = pyo.Constraint(bends, rule=lambda _, s: goes[s] <= mean_square[s])
    m.square_into_bend = pyo.Constraint(bends, rule=lambda _, s: begins[s] <= comes[s])
    m.square_of_bend = pyo.Constraint(bends, rule=lambda _, s: begins[s] <= float(fastest[s]) ** 2)

    # Work, power and W', switched by places.
    def swing_off(s: int, i: int, slot: Slot) -> pyo.Expression:
        """Work of a changeover at the start of s of a rider who has come to this slot."""
        if s == 0:
            return 0.0
        size, place = slot
        last_pulling = size - n_sitters - 1
        before = slot if place > last_pulling else (size, place + 1 if place < last_pulling else 0)
        terms = []
        if (i, before) in by_slot.changeover and last_pulling > 0:
            terms.append(float(by_slot.changeover[i, before][s]) * m.rotates[s])
        if (i, (size + 1, place + 1)) in by_slot.changeover:
            terms.append(float(by_slot.changeover[i, (size + 1, place + 1)][s]) * m.leaves[s])
        return pyo.quicksum(terms)

    def most_swing_off(s: int, i: int) -> float:
        return max([0.0, *(float(values[s]) for (j, _), values in by_slot.changeover.items() if j == i)])

    most_kinetic = [2.0 * max(most_square[s], most_square[(s + 1) % n_segments], 2.0 * square[s][-1]) for s in segments]

    def most_work(s: int, i: int) -> float:
        road = max(float(np.abs(values[s]).max()) for (j, _), values in by_slot.road.items() if j == i)
        return float(road + kinetic[i] * most_kinetic[s] + most_swing_off(s, i) + abs(also_work[s, i]))

    most = {(s, i): most_work(s, i) for s in segments for i in riders}
    all_places = [(s, i, *slot) for s in segments for i, slot in sorted(known)]

    def away(s: int, i: int, n: int, p: int) -> pyo.Expression:
        return 1 - m.place[s, i, n, p]

    m.works = pyo.Constraint(
        all_places,
        rule=lambda _, s, i, n, p: (
            m.work[s, i] + most[s, i] * away(s, i, n, p)
            >= at_speeds(by_slot.road[i, (n, p)][s], s)
            + kinetic[i] * (goes[s] - begins[s])
            + swing_off(s, i, (n, p))
            + (float(also_work[s, i]) if p > 0 else 0.0)
        ),
    )
    m.below_peak = pyo.Constraint(
        all_places,
        rule=lambda _, s, i, n, p: (
            m.work[s, i] <= peak[i] * m.time[s] + swing_off(s, i, (n, p)) + most[s, i] * away(s, i, n, p)
        ),
    )
    m.on_wheel = pyo.Constraint(
        [key for key in all_places if key[3] > 0 and data.on_wheel_applies[key[0]]],
        rule=lambda _, s, i, n, p: (
            m.work[s, i] <= on_wheel[i] * m.time[s] + swing_off(s, i, (n, p)) + most[s, i] * away(s, i, n, p)
        ),
    )

    def above_cp(s: int, i: int) -> pyo.Expression:
        return m.work[s, i] - cp[i] * m.time[s]

    share = data.recovery_share
    m.spends = pyo.Constraint(segments, riders, rule=lambda _, s, i: m.use[s, i] >= above_cp(s, i))
    m.recovers = pyo.Constraint(
        segments, riders, rule=lambda _, s, i: m.use[s, i] >= float(share[s, i]) * above_cp(s, i)
    )
    swings_off = [(s, i, n) for s in later for i, (n, p) in sorted(known) if p == 0 and n - n_sitters > 1]

    def has_swung_off(s: int, i: int, n: int) -> pyo.Expression:
        """1 where rider i has swung off at the start of s from the front of n riders, at most 0 elsewhere."""
        return m.place[s - 1, i, n, 0] + m.rotates[s] - 1

    for name, factor in (("spends_swinging_off", None), ("recovers_swinging_off", share)):
        m.add_component(
            name,
            pyo.Constraint(
                swings_off,
                rule=lambda _, s, i, n, factor=factor: (
                    m.use[s, i]
                    >= (1.0 if factor is None else float(factor[s, i])) * above_cp(s, i)
                    + float(by_slot.use[i, (n, 0)][s]) * has_swung_off(s, i, n)
                ),
            ),
        )
    m.way_back = pyo.Constraint(
        swings_off,
        rule=lambda _, s, i, n: m.spare[s, i] >= float(by_slot.dip[i, (n, 0)][s]) * has_swung_off(s, i, n),
    )
    for name, later_end in (("dips_after", 0), ("dips_before", 1)):
        m.add_component(
            name,
            pyo.Constraint(
                [(s, i) for s, i in zip(*np.nonzero(data.dip_j > NEGLIGIBLE_DIP_J), strict=True)],
                rule=lambda _, s, i, later_end=later_end: (
                    m.spare[s + later_end, i] >= data.dip_j[s, i] / JOULE_PER_UNIT * there(s, i)
                ),
            ),
        )
    m.gone_rest = pyo.Constraint(
        segments, riders, rule=lambda _, s, i: m.use[s, i] >= -cp[i] * longest_s[s] * there(s, i)
    )
    kept = data.spent_kept
    m.balance = pyo.Constraint(
        segments,
        riders,
        rule=lambda _, s, i: (
            m.spare[s + 1, i]
            == float(kept[s, i]) * m.spare[s, i]
            + (1.0 - float(kept[s, i])) * full[i]
            - float(also_used[s, i])
            - m.use[s, i]
        ),
    )

    # Surges.
    average_kinetic = (data.average_kinetic_j_per_v2 / data.reference_s / JOULE_PER_UNIT).tolist()
    front_power = [
        at_speeds(data.average_load_w[s] / JOULE_PER_UNIT, s) + average_kinetic[s] * (goes[s] - begins[s])
        for s in segments
    ]
    m.surge_power = pyo.Constraint(
        [s for s in later if np.isfinite(data.surge_w[s])],
        rule=lambda _, s: (
            front_power[s] - front_power[s - 1] - at_speeds(data.asked_w[s] / JOULE_PER_UNIT, s - 1)
            <= data.surge_w[s] / JOULE_PER_UNIT
        ),
    )
    m.drop_power = pyo.Constraint(
        [s for s in later if np.isfinite(data.drop_w[s])],
        rule=lambda _, s: (
            front_power[s - 1] - front_power[s] - at_speeds(data.given_w[s] / JOULE_PER_UNIT, s - 1)
            <= data.drop_w[s] / JOULE_PER_UNIT
        ),
    )
    m.surge_speed = pyo.Constraint(
        [s for s in later if np.isfinite(data.surge_mps[s])],
        rule=lambda _, s: (
            at_speeds(data.mean_mps[s], s) - at_speeds(data.mean_mps[s - 1], s - 1) <= float(data.surge_mps[s])
        ),
    )
    return m


@dataclass(frozen=True)
class CompiledPositions:
    """The programme of places as a matrix, and which columns say who is where and when the leader changes."""

    model: LinearModel
    place_column: dict[tuple[int, int, int, int], int]
    change_columns: dict[int, list[int]]
    n_segments: int

    def pulls(self, values: FloatArray) -> tuple[tuple[int, int, Line], ...]:
        """First segment, end and riders in line order of each pull of a solution."""
        line_at: list[dict[int, int]] = [{} for _ in range(self.n_segments)]
        for (s, i, _, place), column in self.place_column.items():
            if values[column] > 0.5:
                line_at[s][place] = i
        starts = [0] + [s for s in sorted(self.change_columns) if values[self.change_columns[s]].sum() > 0.5]
        return tuple(
            (first, end, tuple(line_at[first][place] for place in sorted(line_at[first])))
            for first, end in zip(starts, [*starts[1:], self.n_segments], strict=True)
        )


def compile_positions(data: RotationData) -> CompiledPositions:
    """Build the programme of places and turn it into a matrix."""
    model, columns = compile_model(lambda: build_positions(data))
    changes: dict[int, list[int]] = {}
    places: dict[tuple[int, int, int, int], int] = {}
    for column, (name, index) in enumerate(columns):
        if name == "place":
            places[index] = column
        elif name in ("rotates", "leaves"):
            changes.setdefault(index, []).append(column)
    return CompiledPositions(model, places, changes, data.n_segments)
