"""A rotation plan in the search: a path of pulls with speeds, in its model, and what it comes to."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from ttt_models.rotation import RotationData
from ttt_opt.as_ridden import Planned
from ttt_opt.rotation_paths import Rotation, lines_of
from ttt_opt.rotation_problem import Assumptions, Road, riding_time
from ttt_opt.rotation_search import ArcTable, PathValuer, ValuedPath, work_without_changeovers
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.solver import BoolArray, FloatArray

INFINITY = float("inf")


@dataclass(frozen=True)
class RotationPlan:
    """One cyclic order with its constants, its model and the best path known."""

    order: tuple[int, ...]
    assumptions: Assumptions
    compiled: Rotation
    table: ArcTable
    valuer: PathValuer
    best: ValuedPath


def speeds_of(data: RotationData, plan: ValuedPath) -> FloatArray:
    """Speeds of a plan ``(n_segments,)`` (m/s)."""
    assert plan.pace is not None
    return np.asarray((plan.pace.mix * data.speed_mps).sum(axis=1), dtype=np.float64)


def planned_of(road: Road, order: RotationPlan) -> Planned:
    """What a plan has in each segment."""
    data, plan = order.compiled.data, order.best
    assert plan.pace is not None
    time_s, changeover_s, needed = _along(data, plan)
    riding = (plan.pace.mix * riding_time(road, data.speed_mps)).sum(axis=1)
    _, swing_off = above_cp(data, plan)
    braking = np.maximum(time_s - riding * order.assumptions.time_share, 0.0)
    leader = np.array([data.lines[q][0] for q in lines_of(data, plan.path)])
    also_work = np.where(np.arange(data.n_riders) == leader[:, None], 0.0, data.also_work_j)
    return Planned(leader, time_s + changeover_s, riding, changeover_s, braking, needed, also_work, swing_off)


def _along(data: RotationData, plan: ValuedPath) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time and changeover time ``(n_segments,)`` and work ``(n_segments, n_riders)``, below zero where riders brake."""
    assert plan.pace is not None
    lines = lines_of(data, plan.path)
    segments = np.arange(data.n_segments)
    work = work_without_changeovers(data, plan.pace)[segments, lines]
    starts = np.array([data.arcs[a].first for a in plan.path[1:]], dtype=np.int64)
    lost = np.zeros(data.n_segments)
    lost[starts] = data.changeover_s[starts]
    work[starts] += data.changeover_j[starts, lines[starts - 1]]
    return (plan.pace.mix * data.time_s).sum(axis=1), lost, work


def finish_time_s(data: RotationData, plan: ValuedPath) -> float:
    """Time of a plan (s), ``inf`` for one without speeds."""
    if plan.pace is None:
        return INFINITY
    time_s, lost, _ = _along(data, plan)
    return float(time_s.sum() + lost.sum())


def w_prime_along(data: RotationData, plan: ValuedPath) -> FloatArray:
    """W' at the boundaries ``(n_segments + 1, n_riders)`` (J) with the model's recovery, nan once a rider has left."""
    above, swing_off = above_cp(data, plan)
    use = np.where(above > 0.0, above, above * data.recovery_share) + swing_off + data.also_used_j
    spent = np.zeros((data.n_segments + 1, data.n_riders))
    for s in range(data.n_segments):
        spent[s + 1] = np.maximum(data.spent_kept[s] * spent[s] + use[s], 0.0)
    left = data.w_prime_j - spent
    return _without_leavers(data, plan, left)


def above_cp(data: RotationData, plan: ValuedPath) -> tuple[FloatArray, FloatArray]:
    """Work above sustainable power and W' used by swinging off beyond it (J), each ``(n_segments, n_riders)``."""
    time_s, lost, work = _along(data, plan)
    duration = time_s + lost
    swing_off = np.zeros_like(work)
    for before, after in itertools.pairwise(plan.path):
        first, line = data.arcs[after].first, data.arcs[before].line
        swing_off[first, data.lines[line][0]] += data.changeover_use_j[first, line]
    return np.maximum(work, 0.0) - data.cp_w * duration[:, None], swing_off


def swings_off(data: RotationData, plan: ValuedPath) -> BoolArray:
    """Whether a rider swings off at the start of a segment ``(n_segments, n_riders)``."""
    result = np.zeros((data.n_segments, data.n_riders), dtype=bool)
    for before, after in itertools.pairwise(plan.path):
        result[data.arcs[after].first, data.lines[data.arcs[before].line][0]] = True
    return result


def _without_leavers(data: RotationData, plan: ValuedPath, w_prime_j: FloatArray) -> FloatArray:
    left = w_prime_j.copy()
    for a in plan.path:
        arc = data.arcs[a]
        absent = [i for i in range(data.n_riders) if i not in data.lines[arc.line]]
        left[arc.first + 1 : arc.end + 1, absent] = np.nan
    return left


def schedule_of(road: Road, order: RotationPlan) -> Schedule:
    """The schedule of a plan."""
    data, plan = order.compiled.data, order.best
    assert plan.pace is not None
    planned = planned_of(road, order)
    pulls = []
    for a, following in itertools.zip_longest(plan.path, plan.path[1:]):
        arc = data.arcs[a]
        line = data.lines[arc.line]
        leaves = following is not None and line[0] not in data.lines[data.arcs[following].line]
        pulls.append(ScheduledPull(line, arc.first, arc.end, leaves, data.n_sitting[arc.line]))
    return Schedule(
        boundary_m=road.segments.boundary_m,
        speed_mps=road.length_m / (planned.time_s - planned.changeover_s),
        exit_speed_mps=np.sqrt(np.maximum(plan.pace.square_at_end, 0.0)),
        front_power_w=planned.work_j[np.arange(data.n_segments), planned.leader] / planned.time_s,
        lost_s=planned.changeover_s,
        pulls=tuple(pulls),
    )
