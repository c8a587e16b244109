"""The blocks of rows and columns that the product writes, against the same model written row by row in Pyomo."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyomo.environ as pyo
import pytest
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler
from tiny_rotations import TinyRider, fitted_rotation, make_rotation, random_rotation, with_all_limits

from rotation_in_pyomo import rotation_in_pyomo
from ttt_models.programme import Block, Programme
from ttt_models.rotation import RotationData, build_rotation

Name = tuple[str, Any]
Column = tuple[float, float, float, bool]
Row = tuple[float, float, dict[Name, float]]
NEGLIGIBLE = 1e-12


def names_of(blocks: dict[str, Block]) -> list[Name]:
    """Name and index of each column or row."""
    return [
        (name, None if len(index) == 0 else index[0] if len(index) == 1 else tuple(index))
        for name, block in blocks.items()
        for index in block.index.tolist()
    ]


def in_blocks(programme: Programme) -> tuple[dict[Name, Column], dict[Name, Row]]:
    """Columns with bounds, cost and kind, and rows with bounds and terms, by name."""
    columns, rows = names_of(programme.columns), names_of(programme.rows)
    parts = (programme.lower, programme.upper, programme.cost, programme.integer)
    lower, upper, cost, whole = (np.concatenate(part).tolist() for part in parts)
    found: list[dict[Name, float]] = [{} for _ in rows]
    row, column, coefficient = (np.concatenate(part).tolist() for part in zip(*programme.terms, strict=True))
    for r, c, value in zip(row, column, coefficient, strict=True):
        found[r][columns[c]] = found[r].get(columns[c], 0.0) + value
    low, high = (np.concatenate(part).tolist() for part in (programme.row_lower, programme.row_upper))
    return (
        dict(zip(columns, zip(lower, upper, cost, whole, strict=True), strict=True)),
        dict(zip(rows, zip(low, high, found, strict=True), strict=True)),
    )


def in_pyomo(model: pyo.ConcreteModel) -> tuple[dict[Name, Column], dict[Name, Row]]:
    """The same of a Pyomo model, by Pyomo's own compiler; of the columns those that are in a row."""
    form = LinearStandardFormCompiler().write(model, mixed_form=True)

    def name(component: Any) -> Name:
        return component.parent_component().local_name, component.index()

    cost = form.c.toarray().ravel()
    columns = {
        name(variable): (
            -np.inf if variable.lb is None else variable.lb,
            np.inf if variable.ub is None else variable.ub,
            cost[place],
            variable.is_binary(),
        )
        for place, variable in enumerate(form.columns)
    }
    keys, matrix, rows = list(columns), form.A.tocsr(), {}
    in_a_row = set(matrix.indices.tolist())
    for place, row in enumerate(form.rows):
        terms = slice(matrix.indptr[place], matrix.indptr[place + 1])
        where, values = matrix.indices[terms], matrix.data[terms]
        rows[name(row.constraint)] = (
            -np.inf if row.bound_type > 0 else form.rhs[place],
            np.inf if row.bound_type < 0 else form.rhs[place],
            {keys[c]: value for c, value in zip(where.tolist(), values.tolist(), strict=True)},
        )
    return {key: column for place, (key, column) in enumerate(columns.items()) if place in in_a_row}, rows


def times(factor: float, terms: dict[Name, float]) -> dict[Name, float]:
    return {column: factor * value for column, value in terms.items()}


def assert_same(data: RotationData) -> None:
    columns, rows = in_blocks(build_rotation(data))
    expected_columns, expected_rows = in_pyomo(rotation_in_pyomo(data))
    assert columns.keys() == expected_columns.keys()
    for key, column in columns.items():
        assert column == pytest.approx(expected_columns[key], rel=1e-9, abs=1e-12), key
    assert rows.keys() == expected_rows.keys()
    for key, (low, high, terms) in rows.items():
        below, above, other = expected_rows[key]
        other = {column: value for column, value in other.items() if abs(value) > NEGLIGIBLE}
        terms = {column: value for column, value in terms.items() if abs(value) > NEGLIGIBLE}
        turned = [sign for sign in (1.0, -1.0) if terms == pytest.approx(times(sign, other), rel=1e-9)]
        assert turned, key  # a row may be written with its sides changed
        bounds = (below, above) if turned[0] > 0.0 else (-above, -below)
        assert (low, high) == pytest.approx(bounds, rel=1e-9, abs=1e-12), key


@pytest.mark.parametrize("only_kept", [False, True])
def test_all_limits(only_kept: bool) -> None:
    assert_same(with_all_limits(only_kept=only_kept).data)


@pytest.mark.parametrize("seed", range(8))
def test_random_races(seed: int) -> None:
    assert_same(random_rotation(seed).data)
    assert_same(fitted_rotation(seed).data)


@pytest.mark.parametrize("seed", range(4))
def test_kept_pulls_alone(seed: int) -> None:
    tiny = fitted_rotation(seed)
    pulls = tuple((arc.first, arc.end, arc.line) for arc in tiny.data.arcs)
    assert_same(tiny.changed(kept_pulls=pulls, only_kept=True).data)


def test_a_road_that_no_pull_covers_is_refused() -> None:
    tiny = make_rotation((TinyRider(),) * 2, (200.0,) * 3)
    for build in (build_rotation, rotation_in_pyomo):
        with pytest.raises(ValueError, match="every segment must be covered"):
            build(tiny.changed(kept_pulls=((0, 2, 0),), only_kept=True).data)
