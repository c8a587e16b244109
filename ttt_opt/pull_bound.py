"""The bound that the relaxation by pulls proves: the cheapest chain of pulls at its prices.

References
----------
Geoffrion 1974, "Lagrangean relaxation for integer programming", Mathematical Programming Study 2, 82-114: at any prices
of the other limits, no solution costs less than the cheapest chain.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ttt_models.pull_relaxation import PullRelaxation, build_pull_relaxation
from ttt_models.rotation import RotationData
from ttt_opt.interior_point import solve_by_interior_point
from ttt_opt.rotation_paths import best_path
from ttt_opt.solver import FloatArray, LinearModel, matrix_form

TOLERANCE, COST_SCALE = 3e-7, 10.0
"""Of the relaxation, relative, and how its costs are scaled for the solver. So the cheapest chain is 0.010 % below its
optimum; at 10^-6 0.025 % in 0.87 times the time, at 10^-7 without scaling 0.007 % in 1.22 times the time."""


@dataclass(frozen=True)
class PullBound:
    """What the relaxation by pulls says of one cyclic order.

    Attributes
    ----------
    stopped_because : str
        As in :class:`ttt_opt.solver.Outcome`.
    bound_s : float
        No plan is faster (s), as far as the solver came; ``inf``: there is none; ``-inf`` where it was interrupted.
    share : ndarray (n_arcs,) or None
        To which each pull is ridden in the relaxation, where it was solved.
    """

    stopped_because: str
    bound_s: float
    share: FloatArray | None


def n_pull_places(data: RotationData) -> int:
    """Size of the relaxation: riders in line, summed over the segments of all pulls."""
    return sum(len(data.lines[arc.line]) * (arc.end - arc.first) for arc in data.arcs)


def pull_bound(
    data: RotationData, time_limit_s: float = math.inf, interrupted: Callable[[], bool] | None = None
) -> PullBound:
    """Solve the relaxation by pulls, as far as the time for building and solving it goes.

    Raises
    ------
    SolverFailureError
        See :func:`ttt_opt.interior_point.solve_by_interior_point`.
    """
    began = time.perf_counter()
    relaxation = build_pull_relaxation(data)
    model = matrix_form(relaxation.programme)
    left_s = max(time_limit_s - (time.perf_counter() - began), 0.0)
    outcome = solve_by_interior_point(
        model, tolerance=TOLERANCE, time_limit_s=left_s, interrupted=interrupted, cost_scale=COST_SCALE
    )
    if outcome.row_duals is None:
        infeasible = outcome.stopped_because == "infeasible"
        return PullBound(outcome.stopped_because, math.inf if infeasible else -math.inf, None)
    bound_s = chain_bound(data, relaxation, model, outcome.row_duals)
    share = None if outcome.values is None else np.maximum(outcome.values[relaxation.pull], 0.0)
    return PullBound(outcome.stopped_because, bound_s, share)


def chain_bound(data: RotationData, relaxation: PullRelaxation, model: LinearModel, row_duals: FloatArray) -> float:
    """No chain of whole pulls takes less time, whatever the prices of the rows (s).

    What belongs to a pull costs its reduced cost at whichever of its bounds is cheaper, and only where the pull is
    ridden; one pull at a time is. ``inf`` where no chain reaches the finish.

    Parameters
    ----------
    data, relaxation, model
        The relaxation, and its matrix form.
    row_duals : ndarray (n_rows,)
        As in :func:`ttt_opt.interior_point.dual_bound`.
    """
    sides = np.where(row_duals > 0.0, model.row_lower, model.row_upper)
    reduced = model.cost - model.matrix.T @ row_duals
    ends = np.where(reduced > 0.0, model.lower, model.upper)
    cheapest = np.where(reduced != 0.0, reduced * ends, 0.0)
    whole = np.concatenate([relaxation.pull, relaxation.move])
    cheapest[whole] = reduced[whole]
    of_pull, of_move = relaxation.pull_of >= 0, relaxation.move_of >= 0
    arc_cost = np.bincount(relaxation.pull_of[of_pull], cheapest[of_pull], minlength=len(relaxation.pull))
    arc_cost[model.upper[relaxation.pull] == 0.0] = np.inf
    cost_of_move = np.bincount(relaxation.move_of[of_move], cheapest[of_move], minlength=len(relaxation.move))
    move_cost = np.full((data.n_segments, len(data.lines)), np.inf)
    np.minimum.at(move_cost, (relaxation.boundary, relaxation.before), cost_of_move)
    path = best_path(data, np.asarray(arc_cost, dtype=np.float64), move_cost)
    if path is None:
        return math.inf
    at_rows = row_duals != 0.0
    total = float(row_duals[at_rows] @ sides[at_rows] + cheapest[~of_pull & ~of_move].sum()) + model.offset
    total += float(arc_cost[list(path)].sum())
    total += sum(float(move_cost[data.arcs[a].end, data.arcs[a].line]) for a in path[:-1])
    return total if math.isfinite(total) else -math.inf
