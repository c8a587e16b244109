"""General solvers on the whole problem, without any start or search of ours: places, and the network of pulls."""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from position_model import compile_positions
from rotation_in_pyomo import rotation_in_pyomo
from solver_core import INFINITY, Pulls
from ttt_models.rotation import RotationData
from ttt_opt.rotation_paths import compile_rotation, path_of
from ttt_opt.solver import solve


@dataclass(frozen=True)
class SolverAnswer:
    """What a solver found.

    Attributes
    ----------
    pulls : tuple or None
        Of its best plan.
    objective_s, bound_s : float
        Time of that plan in the model and proven bound of the model (s); ``inf`` and ``-inf`` without.
    stopped_because : str
    build_s, solve_s : float
        Time to build the model, or to write and read it, and time of the solver (s).
    """

    pulls: Pulls | None
    objective_s: float
    bound_s: float
    stopped_because: str
    build_s: float
    solve_s: float


def solve_positions(data: RotationData, time_limit_s: float, seed: int, gap: float = 0.0) -> SolverAnswer:
    """The programme of places, by HiGHS."""
    began = time.perf_counter()
    compiled = compile_positions(data)
    build_s = time.perf_counter() - began
    outcome = solve(compiled.model, time_limit_s=max(time_limit_s - build_s, 1.0), gap=gap, seed=seed)
    pulls = None if outcome.values is None else compiled.pulls(outcome.values)
    return SolverAnswer(pulls, outcome.objective, outcome.bound, outcome.stopped_because, build_s, outcome.seconds)


def solve_network(data: RotationData, time_limit_s: float, seed: int, gap: float = 0.0) -> SolverAnswer:
    """The network of pulls whole, by HiGHS."""
    began = time.perf_counter()
    compiled = compile_rotation(data)
    build_s = time.perf_counter() - began
    outcome = solve(compiled.model, time_limit_s=max(time_limit_s - build_s, 1.0), gap=gap, seed=seed)
    pulls = None
    if outcome.values is not None:
        arcs = (data.arcs[a] for a in path_of(compiled, outcome.values))
        pulls = tuple((arc.first, arc.end, data.lines[arc.line]) for arc in arcs)
    return SolverAnswer(pulls, outcome.objective, outcome.bound, outcome.stopped_because, build_s, outcome.seconds)


def solve_network_by_scip(data: RotationData, time_limit_s: float, seed: int, gap: float = 0.0) -> SolverAnswer:
    """The network of pulls by SCIP, from a file that Pyomo writes: nothing of ours is between them.

    The whole time limit is the solver's; building, writing and reading come before it.
    """
    import pyscipopt  # an extra

    began = time.perf_counter()
    model = rotation_in_pyomo(data)
    other = pyscipopt.Model()
    other.hideOutput()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "rotation.lp"
        _, symbols = model.write(str(file), io_options={"symbolic_solver_labels": False})
        other.readProblem(str(file))
    build_s = time.perf_counter() - began
    names = {
        symbol: component.index()
        for symbol, component in model.solutions.symbol_map[symbols].bySymbol.items()
        if component.parent_component() is model.pull
    }
    other.setParam("limits/time", time_limit_s)
    other.setParam("limits/gap", gap)
    other.setParam("randomization/randomseedshift", seed)
    began = time.perf_counter()
    other.optimize()
    solve_s = time.perf_counter() - began
    pulls = None
    best = other.getBestSol() if other.getNSols() > 0 else None
    if best is not None:
        used = [data.arcs[names[v.name]] for v in other.getVars() if v.name in names and best[v] > 0.5]
        pulls = tuple((arc.first, arc.end, data.lines[arc.line]) for arc in sorted(used, key=lambda arc: arc.first))
    objective_s = float(other.getObjVal()) if pulls else INFINITY
    bound_s = float(other.getDualbound())
    return SolverAnswer(
        pulls, objective_s, bound_s if bound_s > -1e19 else -INFINITY, str(other.getStatus()), build_s, solve_s
    )
