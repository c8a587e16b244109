"""The interior point method against scipy's simplex method (HiGHS), and bounds that hold whatever the prices.

Weak duality: Neumaier, Shcherbina 2004, Math. Programming 99, 283-296 (from memory); scipy.optimize.linprog as judge.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import csc_array

from ttt_opt import interior_point
from ttt_opt.interior_point import dual_bound, solve_by_interior_point
from ttt_opt.solver import LinearModel


def random_model(seed: int) -> LinearModel:
    """A feasible programme with rows of every kind, a fixed column, and an integer one that counts as continuous."""
    draw = np.random.default_rng(seed)
    n_rows, n_columns = 9, 14
    matrix = np.where(draw.random((n_rows, n_columns)) < 0.5, draw.normal(size=(n_rows, n_columns)), 0.0)
    inside = draw.uniform(0.2, 0.8, n_columns)
    activity = matrix @ inside
    low, high = activity - draw.random(n_rows), activity + draw.random(n_rows)
    low[:3] = high[:3] = activity[:3]
    low[3:5], high[5:7] = -math.inf, math.inf
    lower, upper = np.zeros(n_columns), np.ones(n_columns)
    lower[0] = upper[0] = inside[0]
    integer, implied = np.arange(n_columns) == 4, np.zeros(n_columns, dtype=np.bool_)
    return LinearModel(
        csc_array(matrix), low, high, draw.normal(size=n_columns), lower, upper, integer, implied, implied, 7.5
    )


def optimum(model: LinearModel) -> float:
    """By scipy."""
    matrix = model.matrix.toarray()
    below, above = np.isfinite(model.row_upper), np.isfinite(model.row_lower)
    solved = linprog(
        model.cost,
        A_ub=np.vstack([matrix[below], -matrix[above]]),
        b_ub=np.concatenate([model.row_upper[below], -model.row_lower[above]]),
        bounds=np.column_stack([model.lower, model.upper]),
        method="highs-ds",
    )
    assert solved.status == 0
    return float(solved.fun) + model.offset


@pytest.mark.parametrize("seed", range(8))
def test_optimum_values_and_prices_are_those_of_another_solver(seed: int) -> None:
    model = random_model(seed)
    found, expected = solve_by_interior_point(model), optimum(model)
    assert found.stopped_because == "optimal"
    assert found.objective == pytest.approx(expected, abs=1e-6)
    assert found.values is not None and found.row_duals is not None
    activity = model.matrix @ found.values
    assert (activity >= model.row_lower - 1e-6).all() and (activity <= model.row_upper + 1e-6).all()
    assert found.bound == pytest.approx(expected, abs=1e-5)
    assert found.bound <= expected + 1e-9
    for row in range(len(model.row_lower)):  # a price is what the optimum changes by, per unit of the row's sides
        step = np.where(np.arange(len(model.row_lower)) == row, 1e-4, 0.0)
        rows = {"row_lower": model.row_lower + step, "row_upper": model.row_upper + step}
        after = optimum(replace(model, **rows))
        assert (after - expected) / 1e-4 == pytest.approx(found.row_duals[row], abs=2e-3)


@pytest.mark.parametrize("seed", range(8))
def test_a_loose_solution_still_bounds(seed: int) -> None:
    model = random_model(seed)
    expected = optimum(model)
    loose = solve_by_interior_point(model, tolerance=1e-2)
    assert expected - 1.0 < loose.bound <= expected + 1e-9


@pytest.mark.parametrize("seed", range(20))
def test_no_prices_give_more_than_the_optimum(seed: int) -> None:
    model = random_model(seed % 4)
    prices = np.random.default_rng(seed).normal(size=len(model.row_lower))
    prices = np.where(np.isfinite(model.row_lower), prices, -np.abs(prices))
    prices = np.where(np.isfinite(model.row_upper), prices, np.abs(prices))
    assert dual_bound(model, prices) <= optimum(model) + 1e-9


def test_no_bound_where_one_would_need_an_infinite_side() -> None:
    model = random_model(1)
    prices = np.ones(len(model.row_lower))
    prices[3] = 1.0  # its lower side is infinite
    assert dual_bound(model, prices) == -math.inf
    endless = replace(model, upper=np.full(model.n_columns, math.inf), cost=-np.ones(model.n_columns))
    assert dual_bound(endless, np.zeros(len(model.row_lower))) == -math.inf


def test_infeasible() -> None:
    model = random_model(2)
    impossible = replace(model, row_lower=model.row_lower + 100.0, row_upper=model.row_upper + 100.0)
    found = solve_by_interior_point(impossible)
    assert (found.stopped_because, found.bound, found.values) == ("infeasible", math.inf, None)


def test_out_of_time() -> None:
    found = solve_by_interior_point(random_model(3), time_limit_s=0.0)
    assert (found.stopped_because, found.values) == ("time limit", None)
    assert found.row_duals is not None
    assert found.bound == dual_bound(random_model(3), found.row_duals) <= optimum(random_model(3))


def test_scaled_costs_change_nothing_but_how_exact_prices_are() -> None:
    model = random_model(3)
    plain, scaled = solve_by_interior_point(model), solve_by_interior_point(model, cost_scale=10.0)
    assert scaled.objective == pytest.approx(plain.objective, rel=1e-6)
    assert plain.row_duals is not None and scaled.row_duals is not None
    assert scaled.row_duals == pytest.approx(plain.row_duals, abs=1e-5)


def test_where_it_makes_no_progress_the_simplex_method_takes_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(interior_point, "MOST_ITERATIONS", 2)
    model = random_model(5)
    found = solve_by_interior_point(model)
    assert found.stopped_because == "optimal"
    assert found.objective == pytest.approx(optimum(model), abs=1e-7)


def test_nobody_wants_it_to_stop() -> None:
    outcome = solve_by_interior_point(random_model(1), interrupted=lambda: False)
    assert outcome.stopped_because == "optimal"
    assert outcome.objective == pytest.approx(optimum(random_model(1)), abs=1e-6)


def test_it_stops_without_a_solution_when_it_is_asked_to() -> None:
    outcome = solve_by_interior_point(random_model(1), interrupted=lambda: True)
    assert (outcome.stopped_because, outcome.values) == ("interrupted", None)
    assert outcome.bound <= optimum(random_model(1)) + 1e-9


def test_ctrl_c_between_two_iterations_is_not_lost(capfd: pytest.CaptureFixture[str]) -> None:
    """The solver itself would print a traceback and go on."""

    def pressed() -> bool:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        solve_by_interior_point(random_model(1), interrupted=pressed)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("status", ["PrimalInfeasible", "NumericalError", "InsufficientProgress"])
def test_what_fails_without_refinement_is_done_again_with_it(status: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """An inexact certificate that there is no solution is not believed; without one, shorter steps come first."""
    model, solved = random_model(1), interior_point._solved
    tried: list[tuple[bool, float]] = []

    def inexact(*arguments: Any, refine: bool, step: float) -> Any:
        tried.append((refine, step))
        return solved(*arguments, refine=True, step=step) if refine else SimpleNamespace(status=status)

    monkeypatch.setattr(interior_point, "_solved", inexact)
    assert solve_by_interior_point(model).objective == pytest.approx(optimum(model), rel=1e-6)
    between = [] if status == "PrimalInfeasible" else [(False, 0.9)]
    assert tried == [(False, 0.99), *between, (True, 0.9)]


@pytest.mark.parametrize("step", [0.5, 0.9])
def test_shorter_steps_lead_to_the_same_optimum(step: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(interior_point, "_TRIES", ((False, step),))
    assert solve_by_interior_point(random_model(4)).objective == pytest.approx(optimum(random_model(4)), rel=1e-6)
