"""The one module that talks to the solver (HiGHS): linear and mixed-integer programmes as matrices."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
import pyomo.environ as pyo
from numpy.typing import NDArray
from pyomo.common.gc_manager import PauseGC
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler
from scipy.sparse import csc_array, diags_array

from ttt_models.programme import Programme
from ttt_opt.errors import SolverFailureError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

INFINITY = float("inf")
NEGLIGIBLE = 1e-12
"""Coefficients below this are what is left of terms that cancel."""


@dataclass(frozen=True)
class LinearModel:
    """minimise ``cost @ x`` with ``row_lower <= matrix @ x <= row_upper`` and ``lower <= x <= upper``.

    Attributes
    ----------
    matrix : csc_array (n_rows, n_columns)
    row_lower, row_upper : ndarray (n_rows,)
    cost, lower, upper : ndarray (n_columns,)
    integer : ndarray of bool (n_columns,)
    implied_lower, implied_upper : ndarray of bool (n_columns,)
        Bounds that a solver of the linear programme may do without: the optimum is the same.
    offset : float
        Added to the objective.
    """

    matrix: csc_array
    row_lower: FloatArray
    row_upper: FloatArray
    cost: FloatArray
    lower: FloatArray
    upper: FloatArray
    integer: BoolArray
    implied_lower: BoolArray
    implied_upper: BoolArray
    offset: float = 0.0

    @property
    def n_columns(self) -> int:
        """Number of variables."""
        return len(self.cost)


@dataclass(frozen=True)
class Restriction:
    """A smaller model in which some variables are fixed, and where its columns and rows are in the large one."""

    model: LinearModel
    columns: IntArray
    rows: IntArray
    fixed: FloatArray

    def expand(self, values: FloatArray) -> FloatArray:
        """Values of all columns of the large model."""
        full = self.fixed.copy()
        full[self.columns] = values
        return full


@dataclass(frozen=True)
class Outcome:
    """What the solver found, and why it stopped: two facts, both kept.

    Attributes
    ----------
    stopped_because : str
        ``optimal``, ``infeasible``, ``time limit``, ``iteration limit``, ``interrupted`` or ``unbounded``.
    values : ndarray (n_columns,) or None
        The best solution found.
    objective, bound : float
        Value of that solution (``inf`` without one) and proven bound (``-inf`` without one).
    row_duals : ndarray (n_rows,) or None
        For linear programmes solved to optimality, and by interior point also where the time was over before.
    seconds : float
    """

    stopped_because: str
    values: FloatArray | None
    objective: float
    bound: float
    row_duals: FloatArray | None
    seconds: float


def solver_version() -> str:
    """Name and version of the solver."""
    return f"HiGHS {_silent_solver().version()}"


Named = list[tuple[str, Any]]
"""(component name, index) of each column."""


def compile_model(
    build: Callable[[], pyo.ConcreteModel], implied_upper: Collection[str] = ()
) -> tuple[LinearModel, Named]:
    """Matrix form of the Pyomo model that ``build`` makes, and the names of its columns.

    Every row is divided by its largest coefficient: without that the interior point method makes no progress.

    Parameters
    ----------
    build : callable
    implied_upper : collection of str
        Components of which the linear programme does without upper bounds.
    """
    with PauseGC():  # else half of the time goes into looking through the growing model for what may be freed
        return _matrix_form(build(), implied_upper)


def _matrix_form(
    model: pyo.ConcreteModel, implied_upper: Collection[str]
) -> tuple[LinearModel, Named]:
    form = LinearStandardFormCompiler().write(model, mixed_form=True)
    matrix, largest = _scaled(csc_array(form.A))
    rhs = np.asarray(form.rhs, dtype=np.float64) / largest
    kind = np.array([row.bound_type for row in form.rows])
    bounds = [variable.bounds for variable in form.columns]
    columns = [(variable.parent_component().local_name, variable.index()) for variable in form.columns]
    linear = LinearModel(
        matrix=matrix,
        row_lower=np.where(kind <= 0, rhs, -INFINITY),
        row_upper=np.where(kind >= 0, rhs, INFINITY),
        cost=np.asarray(form.c.todense(), dtype=np.float64).ravel(),
        lower=np.array([-INFINITY if low is None else low for low, _ in bounds]),
        upper=np.array([INFINITY if high is None else high for _, high in bounds]),
        integer=np.array([variable.is_integer() or variable.is_binary() for variable in form.columns]),
        implied_lower=np.zeros(len(columns), dtype=np.bool_),
        implied_upper=np.array([name in implied_upper for name, _ in columns]),
        offset=float(form.c_offset[0]),
    )
    return linear, columns


def matrix_form(programme: Programme) -> LinearModel:
    """Matrix form of a programme written in blocks; every row is divided by its largest coefficient, too."""
    row, column, coefficient = (np.concatenate(parts) for parts in zip(*programme.terms, strict=True))
    shape = (programme.n_rows, programme.n_columns)
    matrix, largest = _scaled(csc_array((coefficient, (row, column)), shape=shape))
    return LinearModel(
        matrix=matrix,
        row_lower=np.concatenate(programme.row_lower) / largest,
        row_upper=np.concatenate(programme.row_upper) / largest,
        cost=np.concatenate(programme.cost),
        lower=np.concatenate(programme.lower),
        upper=np.concatenate(programme.upper),
        integer=np.concatenate(programme.integer),
        implied_lower=np.concatenate(programme.implied_lower),
        implied_upper=np.concatenate(programme.implied_upper),
    )


def _scaled(matrix: csc_array) -> tuple[csc_array, FloatArray]:
    """A matrix without negligible coefficients, its rows divided by their largest ones, and these."""
    matrix.data[np.abs(matrix.data) < NEGLIGIBLE] = 0.0
    matrix.eliminate_zeros()
    largest = np.maximum(abs(matrix).max(axis=1).toarray().ravel(), NEGLIGIBLE)
    return csc_array(diags_array(1.0 / largest) @ matrix), largest


def restrict(model: LinearModel, keep: BoolArray, fixed: FloatArray) -> Restriction:
    """Fix the columns that are not kept at ``fixed``; drop the rows that become empty."""
    columns = np.flatnonzero(keep)
    fixed = np.where(keep, 0.0, fixed)
    activity = model.matrix @ fixed
    matrix = model.matrix[:, columns]
    used = np.zeros(matrix.shape[0], dtype=bool)
    used[matrix.indices] = True
    rows = np.flatnonzero(used)
    return Restriction(
        model=LinearModel(
            matrix=csc_array(matrix.tocsr()[rows].tocsc()),
            row_lower=model.row_lower[rows] - activity[rows],
            row_upper=model.row_upper[rows] - activity[rows],
            cost=model.cost[columns],
            lower=model.lower[columns],
            upper=model.upper[columns],
            integer=model.integer[columns],
            implied_lower=model.implied_lower[columns],
            implied_upper=model.implied_upper[columns],
            offset=model.offset + float(model.cost @ fixed),
        ),
        columns=columns,
        rows=rows,
        fixed=fixed,
    )


_SECOND_TRIES = (("presolve", "off"), ("user_objective_scale", -7))
"""Options changed one after the other where the solver fails."""

_REASONS = {
    highspy.HighsModelStatus.kOptimal: "optimal",
    highspy.HighsModelStatus.kInfeasible: "infeasible",
    highspy.HighsModelStatus.kUnboundedOrInfeasible: "infeasible",
    highspy.HighsModelStatus.kUnbounded: "unbounded",
    highspy.HighsModelStatus.kTimeLimit: "time limit",
    highspy.HighsModelStatus.kIterationLimit: "iteration limit",
}


def solve(
    model: LinearModel,
    *,
    relax: bool = False,
    time_limit_s: float = INFINITY,
    gap: float = 1e-6,
    seed: int = 0,
    presolve: bool = True,
) -> Outcome:
    """Solve a linear or mixed-integer programme.

    Parameters
    ----------
    relax : bool
        Ignore that variables are integer.
    time_limit_s, gap : float
        When to stop: seconds, relative gap of a mixed-integer programme.
    presolve : bool
        Let the solver rewrite the programme first.

    Raises
    ------
    SolverFailureError
        The solver failed for another reason than infeasibility or a limit.
    """
    began = time.perf_counter()
    highs = _silent_solver()
    highs.setOptionValue("threads", 1)
    highs.setOptionValue("random_seed", seed)
    highs.setOptionValue("mip_rel_gap", gap)
    highs.setOptionValue("presolve", "choose" if presolve else "off")
    if time_limit_s < INFINITY:
        highs.setOptionValue("time_limit", max(time_limit_s, 0.01))
    is_mip = bool(model.integer.any()) and not relax
    highs.passModel(_lp(model, is_mip))
    highs.run()
    for name, value in _SECOND_TRIES:
        if highs.getModelStatus() in _REASONS:
            break
        highs.clearSolver()
        highs.setOptionValue(name, value)
        highs.run()
    status = highs.getModelStatus()
    if status not in _REASONS:
        raise SolverFailureError(f"the solver stopped with status '{highs.modelStatusToString(status)}'")
    info = highs.getInfo()
    solution = highs.getSolution()
    has_values = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    values = np.asarray(solution.col_value, dtype=np.float64) if has_values else None
    objective = float(info.objective_function_value) if has_values else INFINITY
    if is_mip:
        bound = float(info.mip_dual_bound)
        duals = None
    else:
        optimal = _REASONS[status] == "optimal"
        bound = objective if optimal else -INFINITY
        duals = np.asarray(solution.row_dual, dtype=np.float64) if solution.dual_valid else None
    return Outcome(_REASONS[status], values, objective, bound, duals, time.perf_counter() - began)


def _silent_solver() -> Any:
    highs = highspy.Highs()  # type: ignore[no-untyped-call]  # highspy types no constructor
    highs.setOptionValue("output_flag", False)
    return highs


def _lp(model: LinearModel, is_mip: bool) -> highspy.HighsLp:
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = model.n_columns, len(model.row_lower)
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = model.cost, model.lower, model.upper
    lp.row_lower_, lp.row_upper_ = model.row_lower, model.row_upper
    lp.offset_ = model.offset
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = model.matrix.indptr
    lp.a_matrix_.index_ = model.matrix.indices
    lp.a_matrix_.value_ = model.matrix.data
    if is_mip:
        lp.integrality_ = [
            highspy.HighsVarType.kInteger if flag else highspy.HighsVarType.kContinuous for flag in model.integer
        ]
    return lp
