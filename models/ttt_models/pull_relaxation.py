"""Relaxation of the rotation model in which every pull has a speed of its own: a sharp lower bound on the finish time.

The written formulation is ``pull_relaxation.md`` beside this file. In the relaxation of :mod:`ttt_models.rotation` all
pulls of one line share its speeds, and half a pull may be ridden: half of a line that ends a slow pull and half of one
that begins a fast one cross the limits on surges unseen. Here each pull keeps its own limits from segment to
segment, and hands on the W' that there is: riders may not spend on one branch what they save on another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ttt_models.programme import FloatArray, IntArray, Programme, Terms
from ttt_models.rotation import (
    JOULE_PER_UNIT,
    NEGLIGIBLE_DIP_J,
    NEGLIGIBLE_J,
    SPARE_S_PER_KJ,
    RotationData,
    most_squares,
)


@dataclass(frozen=True)
class PullRelaxation:
    """The linear programme, and what its columns belong to.

    Attributes
    ----------
    programme : Programme
    pull : ndarray of int (n_arcs,)
        Column of the share to which each pull is ridden.
    move : ndarray of int (n_moves,)
        Column of the share to which each changeover takes place.
    pull_of, move_of : ndarray of int (n_columns,)
        The pull, or the changeover, with which alone a column is not zero; else -1.
    boundary, before : ndarray of int (n_moves,)
        Where each changeover takes place, and the line before it.
    """

    programme: Programme
    pull: IntArray
    move: IntArray
    pull_of: IntArray
    move_of: IntArray
    boundary: IntArray
    before: IntArray


@dataclass(frozen=True)
class _Moves:
    """Changeovers: boundary, line before and line after, and the pulls on both sides."""

    boundary: IntArray
    before: IntArray
    after: IntArray
    ending: tuple[IntArray, ...]
    """Pulls that end with each changeover's boundary and line before it; and those that begin with it:"""
    starting: tuple[IntArray, ...]

    @classmethod
    def of(cls, data: RotationData) -> _Moves:
        starting: dict[tuple[int, int], list[int]] = {}
        ending: dict[tuple[int, int], list[int]] = {}
        for a, arc in enumerate(data.arcs):
            starting.setdefault((arc.first, arc.line), []).append(a)
            ending.setdefault((arc.end, arc.line), []).append(a)
        moves = [
            (b, q, r)
            for b, q in sorted(ending)
            if b < data.n_segments
            for r in data.successors[q]
            if (b, r) in starting
        ]
        table = np.array(moves, dtype=np.int64).reshape(-1, 3)
        return cls(
            table[:, 0],
            table[:, 1],
            table[:, 2],
            tuple(np.array(ending[b, q]) for b, q, _ in moves),
            tuple(np.array(starting[b, r]) for b, _, r in moves),
        )

    def groups(self) -> IntArray:
        """Numbers of the changeovers, the same where they share a boundary and, directly or not, a line."""
        root: dict[tuple[str, int, int], tuple[str, int, int]] = {}

        def of(node: tuple[str, int, int]) -> tuple[str, int, int]:
            while root.setdefault(node, node) != node:
                node = root[node]
            return node

        sides = [
            (("before", b, q), ("after", b, r))
            for b, q, r in zip(self.boundary.tolist(), self.before.tolist(), self.after.tolist(), strict=True)
        ]
        for before, after in sides:
            root[of(before)] = of(after)
        number: dict[tuple[str, int, int], int] = {}
        return np.array([number.setdefault(of(before), len(number)) for before, _ in sides], dtype=np.int64)


@dataclass(frozen=True)
class _Nodes:
    """Nodes, each a boundary and a line, at which all changeovers together hand on what all pulls together have."""

    line: IntArray
    of_move: IntArray
    pulls: IntArray
    of_pull: IntArray

    @classmethod
    def begin(cls, data: RotationData, moves: _Moves) -> _Nodes:
        """Where pulls begin, but at the start."""
        return cls._of(data, moves.boundary, moves.after, moves.starting)

    @classmethod
    def end(cls, data: RotationData, moves: _Moves) -> _Nodes:
        """Where pulls end, but at the finish."""
        return cls._of(data, moves.boundary, moves.before, moves.ending)

    @classmethod
    def _of(cls, data: RotationData, boundary: IntArray, line: IntArray, sides: Sequence[IntArray]) -> _Nodes:
        nodes, one_move, of_move = np.unique(
            line + boundary * len(data.lines), return_index=True, return_inverse=True
        )
        pulls = [sides[j] for j in one_move]
        return cls(
            nodes % len(data.lines),
            of_move,
            np.concatenate([np.empty(0, dtype=np.int64), *pulls]),
            np.repeat(np.arange(len(nodes)), [len(each) for each in pulls]),
        )

    def balance(self, moved: Terms, pulled: Terms) -> Terms:
        """What changeovers ``(n_moves,)`` hand on less what pulls ``(n_arcs,)`` have, at each node."""
        n_nodes = len(self.line)
        return moved.onto(self.of_move, n_nodes) - pulled.take(self.pulls).onto(self.of_pull, n_nodes)


def build_pull_relaxation(data: RotationData) -> PullRelaxation:
    """Write the relaxation.

    Parameters
    ----------
    data : RotationData
        With all pulls, not only kept ones.

    Returns
    -------
    PullRelaxation
        Its optimum is at most that of the rotation model, in which pulls are whole; block names are those of
        ``pull_relaxation.md``.
    """
    n_segments = data.n_segments
    first = np.array([arc.first for arc in data.arcs])
    end = np.array([arc.end for arc in data.arcs])
    line = np.array([arc.line for arc in data.arcs])
    length = end - first
    offset = np.cumsum(length) - length
    arc_of = np.repeat(np.arange(len(first)), length)
    segment = np.arange(len(arc_of)) - offset[arc_of] + first[arc_of]
    line_of = line[arc_of]
    n_parts = len(segment)
    moves = _Moves.of(data)
    most = most_squares(data)
    square = 2.0 * data.speed_mps**2
    least_square, largest_square = square.min(axis=1)[segment], 2.0 * data.fastest_mps[segment] ** 2

    new = Programme()
    pull = new.add_columns("pull", len(first), 0.0, _possible(data, first, end, line, moves), implied="upper")
    time = new.add_columns("part_time", n_parts, 0.0, data.time_s.max(axis=1)[segment], implied="both")
    start = new.add_columns("start_square", n_parts, 0.0, np.where(segment > 0, most[segment], 0.0), implied="upper")
    most_at_end = np.append(most, 2.0 * data.fastest_mps[-1] ** 2)[end]
    finish = new.add_columns("end_square", len(first), 0.0, most_at_end, implied="upper")
    in_bend = np.flatnonzero(data.bend[segment])
    bend_square = new.add_columns("bend_square", len(in_bend), 0.0, largest_square[in_bend], implied="both")
    move = new.add_columns("move", len(moves.boundary), 0.0, 1.0, implied="upper")
    move_square = new.add_columns("move_square", len(moves.boundary), 0.0, most[moves.boundary], implied="upper")

    share = Terms.of(pull[arc_of])
    part_time = Terms.of(time)
    before = Terms.of(start)
    after = Terms.of(np.where(np.append(arc_of[1:] == arc_of[:-1], False), np.append(start[1:], 0), finish[arc_of]))
    bends = data.bend[segment].astype(np.float64)
    free_square = (before + after) * (1.0 - bends)
    held_square = Terms.of(bend_square).onto(in_bend, n_parts)
    mean_square = free_square + held_square
    rise = (after - before) * (1.0 - bends) + after * (2.0 * bends) - held_square

    # the chain of pulls, and the speed with which one line hands over to the next
    starts = np.flatnonzero((first == 0) & np.isin(line, data.start_lines))
    new.add_rows("one_start", Terms.of(pull[starts]).onto(np.zeros(len(starts), dtype=np.int64), 1), 1.0, 1.0)
    begin_nodes, end_nodes = _Nodes.begin(data, moves), _Nodes.end(data, moves)
    for what, moved, pulled, nodes in (
        ("pull_begins", move, pull, begin_nodes),
        ("square_begins", move_square, start[offset], begin_nodes),
        ("pull_ends", move, pull, end_nodes),
        ("square_ends", move_square, finish, end_nodes),
    ):
        new.add_rows(what, nodes.balance(Terms.of(moved), Terms.of(pulled)), 0.0, 0.0)
    new.add_rows("move_square_most", Terms.of(move_square) - Terms.of(move) * most[moves.boundary], upper=0.0)

    # speeds: the mean square lies on the grid, the time on or above its chords
    new.add_rows("square_least", mean_square - share * least_square, lower=0.0)
    new.add_rows("square_most", mean_square - share * largest_square, upper=0.0)
    bend_terms = [expression.take(in_bend) for expression in (mean_square, before, after, share)]
    new.add_rows("square_in_bend", bend_terms[2] * 2.0 - bend_terms[0], upper=0.0)
    begin = bend_terms[0] - bend_terms[2]
    new.add_rows("square_into_bend", begin - bend_terms[1], upper=0.0)
    new.add_rows("square_of_bend", begin - bend_terms[3] * (0.5 * largest_square[in_bend]), upper=0.0)
    chords = [_chord(square, data.time_s, k, min(k + 1, data.n_speeds - 1)) for k in range(max(data.n_speeds - 1, 1))]
    above = [mean_square * slope[segment] + share * level.min(axis=1)[segment] for slope, level in chords]
    new.add_rows("time_least", Terms.stacked([part_time - least for least in above]), lower=0.0)
    slope, level = _chord(square, data.time_s, 0, data.n_speeds - 1)
    below = mean_square * slope[segment] + share * level.max(axis=1)[segment]
    new.add_rows("time_most", part_time - below, upper=0.0)

    # surges, inside pulls and at changeovers
    inside = np.flatnonzero(segment != first[arc_of])
    group = moves.groups()
    n_groups = int(group.max(initial=-1)) + 1
    boundary_of_group = np.zeros(n_groups, dtype=np.int64)
    boundary_of_group[group] = moves.boundary
    last_parts, group_before = _in_groups(moves.ending, group, offset + length - 1)
    first_parts, group_after = _in_groups(moves.starting, group, offset)

    def on_time(values: FloatArray, *, least: bool) -> Terms:
        """A figure at the speeds of each segment, as a line over its time that is nowhere above it, or below it."""
        slope, level = _chord(data.time_s, values, 0, data.n_speeds - 1)
        nearest: FloatArray = level.min(axis=1) if least else level.max(axis=1)
        terms: Terms = part_time * slope[segment] + share * nearest[segment]
        return terms

    def limit_change(name: str, later: Terms, earlier: Terms, most_change: FloatArray) -> None:
        """``later`` in a segment exceeds ``earlier`` in the one before by at most ``most_change`` at its start."""
        limited = inside[np.isfinite(most_change[segment[inside]])]
        change = later.take(limited) - earlier.take(limited - 1)
        new.add_rows(name, change - share.take(limited) * most_change[segment[limited]], upper=0.0)
        change = later.take(first_parts).onto(group_after, n_groups)
        change = change - earlier.take(last_parts).onto(group_before, n_groups)
        at_move = np.where(np.isfinite(most_change), most_change, 0.0)[moves.boundary]
        change = change - (Terms.of(move) * at_move).onto(group, n_groups)
        limited = np.flatnonzero(np.isfinite(most_change[boundary_of_group]))
        new.add_rows(f"{name}_at_move", change.take(limited), upper=0.0)

    speed_up = rise * (data.average_kinetic_j_per_v2 / data.reference_s / JOULE_PER_UNIT)[segment]
    load = data.average_load_w / JOULE_PER_UNIT
    least_power, most_power = on_time(load, least=True) + speed_up, on_time(load, least=False) + speed_up
    asked, given = (
        on_time(np.roll(power, -1, axis=0) / JOULE_PER_UNIT, least=False) for power in (data.asked_w, data.given_w)
    )
    limit_change("surge_power", least_power, most_power + asked, data.surge_w / JOULE_PER_UNIT)
    limit_change("drop_power", most_power * -1.0, given - least_power, data.drop_w / JOULE_PER_UNIT)
    mean = data.mean_mps
    limit_change("surge_speed", on_time(mean, least=True), on_time(mean, least=False), data.surge_mps)

    # work and W'
    full = (data.w_prime_j - data.reserve_j) / JOULE_PER_UNIT
    entry = _entries(new, data, pull, move, moves)
    entered = offset[entry.pull]
    entry_segment = first[entry.pull]
    changeover_time = (Terms.of(entry.column) * data.changeover_s[entry_segment]).onto(entered, n_parts)
    led_time = part_time + changeover_time
    new.add_cost(led_time)
    leader = np.array([q[0] for q in data.lines])
    cp, peak, on_wheel = (power / JOULE_PER_UNIT for power in (data.cp_w, data.peak_w, data.on_wheel_w))
    road_j = np.where(np.abs(data.road_work_j) < NEGLIGIBLE_J, 0.0, data.road_work_j)
    comes_back = (1.0 - data.spent_kept) * full - data.also_used_j / JOULE_PER_UNIT
    of_pulls = [(time, arc_of), (start, arc_of), (bend_square, arc_of[in_bend]), (entry.column, entry.pull)]
    of_moves = [(move, np.arange(len(move))), (move_square, np.arange(len(move)))]
    for i in range(data.n_riders):
        member = np.array([i in q for q in data.lines])
        parts = np.flatnonzero(member[line_of])
        here, behind = segment[parts], line_of[parts]
        slope, level = _line_below(square, road_j[:, :, :, i] / JOULE_PER_UNIT)
        level = level[here, behind] + np.where(leader[behind] != i, data.also_work_j[here, i], 0.0) / JOULE_PER_UNIT
        ridden = mean_square.take(parts) * slope[here, behind] + share.take(parts) * level
        ridden = ridden + rise.take(parts) * (data.kinetic_j_per_v2[i] / JOULE_PER_UNIT)
        swing_j = data.changeover_j[entry_segment, entry.line, i]
        swing_use_j = np.where(leader[entry.line] == i, data.changeover_use_j[entry_segment, entry.line], 0.0)
        of_swing, of_use = (
            (Terms.of(entry.column) * (energy / JOULE_PER_UNIT)).onto(entered, n_parts).take(parts)
            for energy in (swing_j, swing_use_j)
        )
        work, lasts, recovery = ridden + of_swing, led_time.take(parts), data.recovery_share[here, i]
        longest = data.time_s.max(axis=1) + data.changeover_s
        most_use = peak[i] * longest + (
            np.maximum(data.changeover_j[:, :, i].max(axis=1), 0.0)
            + data.changeover_use_j.max(axis=1)
            + np.maximum(data.also_work_j[:, i], 0.0)
        ) / JOULE_PER_UNIT
        least_use = -recovery * cp[i] * longest[here]
        columns = new.add_columns(f"use_{i}", len(parts), least_use, most_use[here], implied="both")
        of_pulls.append((columns, arc_of[parts]))
        use = Terms.of(columns)
        new.add_rows(f"spends_{i}", use - work + lasts * cp[i] - of_use, lower=0.0)
        new.add_rows(f"recovers_{i}", use - work * recovery + lasts * (recovery * cp[i]) - of_use, lower=0.0)
        new.add_rows(f"recovers_at_most_{i}", use + lasts * (recovery * cp[i]) - of_use, lower=0.0)
        held = (leader[behind] != i) & data.on_wheel_applies[here]
        most_power_i = np.where(held, min(peak[i], on_wheel[i]), peak[i])
        new.add_rows(f"below_peak_{i}", ridden - lasts * most_power_i, upper=0.0)

        # W' at the start of each part and at the end of each pull, handed on from one pull to the next
        pulls, from_line = np.flatnonzero(member[line]), np.flatnonzero(member[moves.before])
        store = new.add_columns(f"store_{i}", len(parts), 0.0, full[i], implied="upper")
        left = new.add_columns(f"left_{i}", len(pulls), 0.0, full[i], implied="upper")
        handed = new.add_columns(f"handed_{i}", len(from_line), 0.0, full[i], implied="upper")
        of_pulls += [(store, arc_of[parts]), (left, pulls)]
        of_moves.append((handed, from_line))
        at_start = Terms.of(store).onto(parts, n_parts)
        at_end = Terms.of(left).onto(pulls, len(first))
        goes_on = np.flatnonzero(segment + 1 < end[arc_of])
        dipping = parts[data.dip_j[segment[parts], i] > NEGLIGIBLE_DIP_J]
        dips = share.take(dipping) * (data.dip_j[segment[dipping], i] / JOULE_PER_UNIT)
        after = at_start.take(goes_on + 1).onto(goes_on, n_parts) + at_end.onto(offset + length - 1, n_parts)
        for name, stored in ((f"dips_after_{i}", at_start), (f"dips_before_{i}", after)):
            new.add_rows(name, stored.take(dipping) - dips, lower=0.0)
        change = after - at_start * data.spent_kept[segment, i] - share * comes_back[segment, i]
        new.add_rows(f"balance_{i}", change.take(parts) + use, 0.0, 0.0)
        at_first = at_start.take(offset)
        beyond = (at_first - Terms.of(pull) * full[i]).take(pulls)
        new.add_rows(f"store_most_{i}", beyond, np.where(first[pulls] == 0, 0.0, -np.inf), 0.0)
        at_move = Terms.of(handed).onto(from_line, len(move))
        for name, nodes, stored in (
            (f"store_begins_{i}", begin_nodes, at_first), (f"store_ends_{i}", end_nodes, at_end)
        ):  # fmt: skip
            new.add_rows(name, nodes.balance(at_move, stored).take(np.flatnonzero(member[nodes.line])), 0.0, 0.0)
        dip = data.changeover_dip_j[moves.boundary, moves.before] / JOULE_PER_UNIT
        returns = np.flatnonzero((leader[moves.before] == i) & member[moves.after])
        new.add_rows(f"way_back_{i}", (at_move - Terms.of(move) * dip).take(returns), lower=0.0)
        beyond = at_move.take(from_line) - Terms.of(move[from_line]) * full[i]
        new.add_rows(f"handed_most_{i}", beyond, upper=0.0)
        new.add_cost(at_end.take(np.flatnonzero(end == n_segments)) * -SPARE_S_PER_KJ)
    pull_of, move_of = (np.full(new.n_columns, -1, dtype=np.int64) for _ in range(2))
    pull_of[pull] = pull_of[finish] = np.arange(len(first))
    for belongs_to, columns_of in ((pull_of, of_pulls), (move_of, of_moves)):
        for columns, numbers in columns_of:
            belongs_to[columns] = numbers
    return PullRelaxation(new, pull, move, pull_of, move_of, moves.boundary, moves.before)


def _possible(data: RotationData, first: IntArray, end: IntArray, line: IntArray, moves: _Moves) -> FloatArray:
    """1 for each pull that some chain can begin and end with, 0 for the others ``(n_arcs,)``."""
    begun = (first == 0) & np.isin(line, data.start_lines)
    ended = end == data.n_segments
    begun[np.concatenate([np.empty(0, dtype=np.int64), *moves.starting])] = True
    ended[np.concatenate([np.empty(0, dtype=np.int64), *moves.ending])] = True
    return np.where(begun & ended, 1.0, 0.0)


def _in_groups(sides: Sequence[IntArray], group: IntArray, part: IntArray) -> tuple[IntArray, IntArray]:
    """Parts of the pulls on one side of the changeovers, each once, and the groups that they belong to."""
    if not sides:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    pulls, once = np.unique(np.concatenate(sides), return_index=True)
    return part[pulls], np.repeat(group, [len(side) for side in sides])[once]


@dataclass(frozen=True)
class _Entries:
    """Ways into pulls: the pull, the line whose leader swings off, and the column of the share that comes this way."""

    pull: IntArray
    line: IntArray
    column: IntArray


def _entries(new: Programme, data: RotationData, pull: IntArray, move: IntArray, moves: _Moves) -> _Entries:
    """The pull's own column where one line only can be relieved there; else new columns that add up to it."""
    node = moves.after + moves.boundary * len(data.lines)
    n_ways = np.bincount(node, minlength=1)[node]
    single, several = (np.flatnonzero(n_ways == 1).tolist(), np.flatnonzero(n_ways > 1).tolist())
    sizes = [len(moves.starting[j]) for j in several]
    way = np.repeat(np.array(several, dtype=np.int64), sizes)
    none = [np.empty(0, dtype=np.int64)]
    shared = np.concatenate(none + [moves.starting[j] for j in several])
    column = new.add_columns("entry", len(shared), 0.0, 1.0, implied="upper")
    pulls, of_pull = np.unique(shared, return_inverse=True)
    ways, of_way = np.unique(way, return_inverse=True)
    into = Terms.of(column)
    new.add_rows("pull_entered", into.onto(of_pull, len(pulls)) - Terms.of(pull[pulls]), 0.0, 0.0)
    new.add_rows("move_enters", into.onto(of_way, len(ways)) - Terms.of(move[ways]), 0.0, 0.0)
    alone = np.concatenate(none + [moves.starting[j] for j in single])
    alone_way = np.repeat(np.array(single, dtype=np.int64), [len(moves.starting[j]) for j in single])
    return _Entries(
        np.concatenate([alone, shared]),
        moves.before[np.concatenate([alone_way, way])],
        np.concatenate([pull[alone], column]),
    )


def _chord(at: FloatArray, values: FloatArray, i: int, j: int) -> tuple[FloatArray, FloatArray]:
    """Slope of the lines through points i and j of ``values`` over ``at``, and their levels through every point."""
    run = at[:, j] - at[:, i]
    slope = np.where(run != 0.0, (values[:, j] - values[:, i]) / np.where(run != 0.0, run, 1.0), 0.0)
    return slope, values - slope[:, None] * at


def _line_below(at: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lines nowhere above ``values`` ``(n_segments, n_lines, n_speeds)``, as high as possible at the middle speed.

    Returns
    -------
    slope, level : ndarray (n_segments, n_lines)
    """
    n_speeds = at.shape[1]
    middle = n_speeds // 2
    at = at[:, None, :]
    found: list[tuple[FloatArray, FloatArray]] = []
    for reach in range(1, middle + 1):
        i, j = middle - reach, min(middle + reach, n_speeds - 1)
        slope = (values[..., j] - values[..., i]) / (at[..., j] - at[..., i])
        found.append((slope, (values - slope[..., None] * at).min(axis=-1)))
    if not found:
        return np.zeros(values.shape[:2]), values[..., 0]
    slopes, levels = (np.stack(each) for each in zip(*found, strict=True))
    best = (slopes * at[..., middle] + levels).argmax(axis=0)[None]
    return np.take_along_axis(slopes, best, axis=0)[0], np.take_along_axis(levels, best, axis=0)[0]
