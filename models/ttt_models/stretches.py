"""The stretch model: a course as a few stretches, each ridden in one pattern of pulls; see ``stretches.md``."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pyomo.environ as pyo
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

JOULE_PER_UNIT = 1000.0
"""Energies inside the model are kJ."""
IMPLIED_UPPER = frozenset({"ride"})
"""No column is ridden more than once: one chain starts, and it never comes back."""
SPARE_S_PER_KJ = 1e-3
"""Worth of W' left at the finish, to break ties."""


@dataclass(frozen=True)
class StretchData:
    """Constants of the stretch model, one row a column: a pattern ridden over a stretch.

    Attributes
    ----------
    begin, end : ndarray (n_columns,) of int
        Places, 0 to ``n_places - 1``, between which the pattern is ridden.
    first, following : ndarray (n_columns,) of int
        Who leads when the stretch begins, and who leads next when it ends, as place in the cyclic order.
    time_s : ndarray (n_columns,)
        Riding time (s).
    spent_j, kept : ndarray (n_columns, n_riders)
        W' spent at the end by riders who come fresh (J), and the share of what is spent at the begin that is still
        spent at the end.
    room_j : ndarray (n_columns, n_riders)
        Most that may be spent at the begin (J), above 0: else someone is spent on the way.
    effort_in_w, effort_out_w : ndarray (n_columns,)
        Front power of the average rider at begin and end (W).
    rise_w, fall_w : ndarray (n_places,)
        By how much it may rise and fall at a place (W); ``inf``: free.
    n_places : int
    start_leaders : tuple of int
        Who may lead at the start.
    most_stretches : int
    """

    begin: IntArray
    end: IntArray
    first: IntArray
    following: IntArray
    time_s: FloatArray
    spent_j: FloatArray
    kept: FloatArray
    room_j: FloatArray
    effort_in_w: FloatArray
    effort_out_w: FloatArray
    rise_w: FloatArray
    fall_w: FloatArray
    n_places: int
    start_leaders: tuple[int, ...]
    most_stretches: int

    def __post_init__(self) -> None:
        if not (self.begin < self.end).all() or self.begin.min() < 0 or self.end.max() >= self.n_places:
            raise ValueError("stretches must lead from a place to a later one")
        if not ((self.kept >= 0.0).all() and (self.kept <= 1.0).all() and (self.room_j >= 0.0).all()):
            raise ValueError("kept must be shares, and room_j not below 0")
        if self.most_stretches < 1:
            raise ValueError("most_stretches must be at least 1")


def build_stretches(data: StretchData) -> pyo.ConcreteModel:
    """Build the model; ``stretches.md`` has every row with its reason."""
    n_columns, n_riders = data.spent_j.shape
    columns, riders, last = range(n_columns), range(n_riders), data.n_places - 1
    begins: dict[tuple[int, int], list[int]] = {}
    ends: dict[tuple[int, int], list[int]] = {}
    for c in columns:
        begins.setdefault((int(data.begin[c]), int(data.first[c])), []).append(c)
        ends.setdefault((int(data.end[c]), int(data.following[c])), []).append(c)
    begins_at = {b: [c for (place, _), cs in begins.items() if place == b for c in cs] for b in range(last)}
    ends_at = {b: [c for (place, _), cs in ends.items() if place == b for c in cs] for b in range(1, last + 1)}
    inner = [b for b in range(1, last) if begins_at[b] and ends_at[b]]
    spent, room = ((energy / JOULE_PER_UNIT).tolist() for energy in (data.spent_j, data.room_j))
    kept, time = data.kept.tolist(), data.time_s.tolist()
    effort_in, effort_out = data.effort_in_w.tolist(), data.effort_out_w.tolist()
    rise, fall = data.rise_w.tolist(), data.fall_w.tolist()

    model = pyo.ConcreteModel()
    model.ride = pyo.Var(columns, domain=pyo.Binary)
    later = [c for c in columns if data.begin[c] > 0]
    model.carried = pyo.Var(later, riders, domain=pyo.NonNegativeReals)

    def spent_at_end(c: int, i: int) -> pyo.Expression:
        own = spent[c][i] * model.ride[c]
        return own + kept[c][i] * model.carried[c, i] if data.begin[c] > 0 else own

    model.finish_time = pyo.Objective(
        expr=sum(time[c] * model.ride[c] for c in columns)
        + SPARE_S_PER_KJ * sum(spent_at_end(c, i) for c in ends_at[last] for i in riders)
    )
    model.one_start = pyo.Constraint(
        expr=sum(model.ride[c] for r in data.start_leaders for c in begins.get((0, r), [])) == 1
    )
    model.no_other_start = pyo.Constraint(
        [r for b, r in begins if b == 0 and r not in data.start_leaders],
        rule=lambda _, r: sum(model.ride[c] for c in begins[0, r]) == 0,
    )
    model.next_stretch = pyo.Constraint(
        sorted({node for node in (*begins, *ends) if 0 < node[0] < last}),
        rule=lambda _, b, r: sum(model.ride[c] for c in ends.get((b, r), []))
        == sum(model.ride[c] for c in begins.get((b, r), [])),
    )
    model.few_stretches = pyo.Constraint(expr=sum(model.ride[c] for c in columns) <= data.most_stretches)
    model.handed_on = pyo.Constraint(
        inner,
        riders,
        rule=lambda _, b, i: sum(model.carried[c, i] for c in begins_at[b])
        >= sum(spent_at_end(c, i) for c in ends_at[b]),
    )
    model.not_spent = pyo.Constraint(
        later, riders, rule=lambda _, c, i: model.carried[c, i] <= room[c][i] * model.ride[c]
    )

    def effort_change(b: int) -> pyo.Expression:
        return sum(effort_in[c] * model.ride[c] for c in begins_at[b]) - sum(
            effort_out[c] * model.ride[c] for c in ends_at[b]
        )

    # behind a place that no stretch ends at both sums are 0
    model.rise = pyo.Constraint(
        [b for b in inner if math.isfinite(rise[b])], rule=lambda _, b: effort_change(b) <= rise[b]
    )
    model.fall = pyo.Constraint(
        [b for b in inner if math.isfinite(fall[b])], rule=lambda _, b: -effort_change(b) <= fall[b]
    )
    return model
