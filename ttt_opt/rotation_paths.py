"""The compiled rotation model, its restriction to one path of pulls, and the cheapest path at given prices."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ttt_models.rotation import RotationData, build_rotation
from ttt_opt.solver import FloatArray, IntArray, LinearModel, Restriction, matrix_form, restrict

AMISS = ("pull_amiss", "surge_amiss", "speed_amiss", "power_amiss", "reserve_amiss")
"""By what a model of kept pulls may miss limits."""
PullPath = tuple[int, ...]
"""Indices of the arcs of a schedule, in the order of the road."""
MISSED = 1e-6
"""By how much a path alone may miss a limit, in its model's units, and still count as one that keeps it."""


@dataclass(frozen=True)
class CompiledRotation:
    """A rotation model as a matrix, with the meaning of its columns and rows.

    What no pull covers has no columns: a table of columns has -1 there.

    Attributes
    ----------
    data : RotationData
    model : LinearModel
    segment, line : ndarray of int (n_columns,)
        Segment and line of ``mix``, ``led_time``, ``end_square``, ``work``, ``use`` and ``power_amiss`` columns;
        else -1.
    pull_column : ndarray of int (n_arcs,)
    stay_column : ndarray of int (n_segments, n_lines)
    mix_column : ndarray of int (n_segments, n_lines, n_speeds)
    balance_row : ndarray of int (n_segments, n_riders)
        Rows that hold the price of W'.
    stay_square_columns : ndarray of int (n, 3)
        Column, segment and line of every ``stay_square``.
    move_columns : ndarray of int (n, 4)
        Column, boundary, line before and line after of every column that belongs to a changeover.
    move_square_columns : ndarray of int (n, 2)
        Column and boundary of every ``move_square``.
    end_square_columns : ndarray of int (n,)
    move_column : dict
        Column of ``move[b, q, r]``.
    amiss : tuple of (int, str, index)
        Column, name and index of what a model of kept pulls may miss limits by.
    """

    data: RotationData
    model: LinearModel
    segment: IntArray
    line: IntArray
    pull_column: IntArray
    stay_column: IntArray
    mix_column: IntArray
    balance_row: IntArray
    stay_square_columns: IntArray
    move_columns: IntArray
    move_square_columns: IntArray
    end_square_columns: IntArray
    move_column: dict[tuple[int, int, int], int]
    amiss: tuple[tuple[int, str, Any], ...]

    def of_path(self, path: PullPath) -> PathProgramme:
        """The linear programme of one path."""
        return PathProgramme(self, restrict_to_path(self, path))


@dataclass(frozen=True)
class PathsAlone:
    """A rotation with too many lines and riders to be built as a whole: each path gets a model of its own.

    Attributes
    ----------
    data : RotationData
    """

    data: RotationData

    def of_path(self, path: PullPath) -> PathProgramme:
        """The linear programme of one path, in which limits may be missed at a price."""
        arcs = [self.data.arcs[a] for a in path]
        kept = tuple((arc.first, arc.end, arc.line) for arc in arcs)
        alone = compile_rotation(replace(self.data, kept_pulls=kept, only_kept=True))
        return PathProgramme(alone, restrict_to_path(alone, tuple(range(len(path)))))


Rotation = CompiledRotation | PathsAlone


@dataclass(frozen=True)
class PathProgramme:
    """The linear programme of one path of pulls, in which only speeds are free.

    Attributes
    ----------
    whole : CompiledRotation
        The model that it is a restriction of.
    small : Restriction
    """

    whole: CompiledRotation
    small: Restriction

    def misses(self, values: FloatArray) -> bool:
        """Whether a solution, of all columns, misses a limit."""
        return any(values[column] > MISSED for column, _, _ in self.whole.amiss)

    def pulls_amiss(self, values: FloatArray) -> list[int]:
        """Places in the path of the pulls that miss a bound on their duration."""
        return [
            place for column, name, place in self.whole.amiss if name == "pull_amiss" and values[column] > MISSED
        ]


def compile_rotation(data: RotationData) -> CompiledRotation:
    """Build the rotation model and turn it into a matrix."""
    built = build_rotation(data)
    columns = built.columns
    n_lines = len(data.lines)
    segment, line = (np.full(built.n_columns, -1, dtype=np.int64) for _ in range(2))
    for name in ("mix", "led_time", "work", "use", "power_amiss"):
        block = columns[name]
        segment[block.numbers], line[block.numbers] = block.index[:, 0], block.index[:, 1]
    end_square, stay_square = columns["end_square"], columns["stay_square"]
    move, move_square = columns["move"], columns["move_square"]
    segment[end_square.numbers], line[end_square.numbers] = data.n_segments - 1, end_square.index[:, 0]
    stay_column = np.full((data.n_segments, n_lines), -1, dtype=np.int64)
    stay_column[tuple(columns["stay"].index.T)] = columns["stay"].numbers
    mix_column = np.full((data.n_segments, n_lines, data.n_speeds), -1, dtype=np.int64)
    mix_column[tuple(columns["mix"].index.T)] = columns["mix"].numbers
    return CompiledRotation(
        data=data,
        model=matrix_form(built),
        segment=segment,
        line=line,
        pull_column=columns["pull"].numbers,
        stay_column=stay_column,
        mix_column=mix_column,
        balance_row=built.rows["balance"].numbers.reshape(data.n_segments, data.n_riders),
        stay_square_columns=np.column_stack([stay_square.numbers, stay_square.index]),
        move_columns=np.concatenate(
            [np.column_stack([block.numbers, block.index]) for block in (move, move_square)]
        ),
        move_square_columns=np.column_stack([move_square.numbers, move_square.index[:, 0]]),
        end_square_columns=end_square.numbers,
        move_column={
            (b, q, r): column for column, (b, q, r) in zip(move.numbers.tolist(), move.index.tolist(), strict=True)
        },
        amiss=tuple(
            (column, name, index[0] if len(index) == 1 else tuple(index))
            for name in AMISS
            for column, index in zip(columns[name].numbers.tolist(), columns[name].index.tolist(), strict=True)
        ),
    )


def path_of(compiled: CompiledRotation, values: FloatArray) -> PullPath:
    """PullPath of a solution whose pulls are integer."""
    used = np.flatnonzero(values[compiled.pull_column] > 0.5)
    return tuple(sorted((int(a) for a in used), key=lambda a: compiled.data.arcs[a].first))


def speed_mix(compiled: CompiledRotation, values: FloatArray) -> FloatArray:
    """Share of each segment ridden at each speed ``(n_segments, n_speeds)``, whoever leads, in a solution."""
    column = compiled.mix_column
    return np.asarray(np.where(column >= 0, values[column], 0.0).sum(axis=1), dtype=np.float64)


def boundary_squares(compiled: CompiledRotation, values: FloatArray) -> FloatArray:
    """Squares of the speed at which segments are left ``(n_segments,)`` (m2/s2), in a solution."""
    squares = np.zeros(compiled.data.n_segments)
    for columns in (compiled.stay_square_columns[:, :2], compiled.move_square_columns):
        np.add.at(squares, columns[:, 1] - 1, values[columns[:, 0]])
    squares[-1] = values[compiled.end_square_columns].sum()
    return squares


def lines_of(data: RotationData, path: PullPath) -> IntArray:
    """Line in each segment ``(n_segments,)`` along a path."""
    lines = np.full(data.n_segments, -1, dtype=np.int64)
    for a in path:
        arc = data.arcs[a]
        lines[arc.first : arc.end] = arc.line
    return lines


def restrict_to_path(compiled: CompiledRotation, path: PullPath) -> Restriction:
    """The linear programme of one path: only speeds are free."""
    data = compiled.data
    lines = lines_of(data, path)
    starts = np.zeros(data.n_segments, dtype=bool)
    starts[[data.arcs[a].first for a in path]] = True
    keep = np.ones(compiled.model.n_columns, dtype=bool)
    fixed = np.zeros(compiled.model.n_columns)

    placed = compiled.segment >= 0
    keep[placed] = compiled.line[placed] == lines[compiled.segment[placed]]
    keep[compiled.pull_column] = False
    fixed[compiled.pull_column[list(path)]] = 1.0
    keep[compiled.stay_column[compiled.stay_column >= 0]] = False
    going_on = np.flatnonzero(~starts)
    fixed[compiled.stay_column[going_on, lines[going_on]]] = 1.0

    column, place, line = compiled.stay_square_columns.T
    keep[column] = ~starts[place] & (lines[place] == line)
    column, boundary, before, after = compiled.move_columns.T
    keep[column] = starts[boundary] & (lines[boundary - 1] == before) & (lines[boundary] == after)
    for b in np.flatnonzero(starts[1:]) + 1:
        move = compiled.move_column[int(b), int(lines[b - 1]), int(lines[b])]
        keep[move], fixed[move] = False, 1.0
    return restrict(compiled.model, keep, fixed)


def best_path(data: RotationData, arc_cost: FloatArray, move_cost: FloatArray) -> PullPath | None:
    """Cheapest chain of pulls from start to finish, by dynamic programming.

    Parameters
    ----------
    arc_cost : ndarray (n_arcs,)
    move_cost : ndarray (n_segments, n_lines)
        Cost of a changeover of line q at the start of segment b.

    Returns
    -------
    tuple of int or None
        ``None`` where no chain fits.
    """
    n_segments, n_lines = data.n_segments, len(data.lines)
    reach = np.full((n_segments + 1, n_lines), np.inf)
    reach[0, list(data.start_lines)] = 0.0
    came_arc = np.full((n_segments + 1, n_lines), -1, dtype=np.int64)
    by_start: list[list[int]] = [[] for _ in range(n_segments)]
    for a, arc in enumerate(data.arcs):
        by_start[arc.first].append(a)
    finish, finish_arc = np.inf, -1
    for b in range(n_segments):
        for a in by_start[b]:
            arc = data.arcs[a]
            cost = reach[b, arc.line] + arc_cost[a]
            if arc.end == n_segments:
                if cost < finish:
                    finish, finish_arc = cost, a
                continue
            if cost == np.inf:
                continue
            cost += move_cost[arc.end, arc.line]
            for following in data.successors[arc.line]:
                if cost < reach[arc.end, following]:
                    reach[arc.end, following] = cost
                    came_arc[arc.end, following] = a
    if finish_arc < 0:
        return None
    path = [finish_arc]
    while (first := data.arcs[path[-1]].first) > 0:
        path.append(int(came_arc[first, data.arcs[path[-1]].line]))
    return tuple(reversed(path))
