"""The relaxation by pulls is below every plan, close to the best, and is what its page says."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from test_rotation_page import components_of_page
from tiny_rotations import TinyRider, TinyRotation, make_rotation

from ttt_models.programme import Programme, Terms
from ttt_models.pull_relaxation import build_pull_relaxation
from ttt_opt.interior_point import solve_by_interior_point
from ttt_opt.pull_bound import chain_bound, n_pull_places, pull_bound
from ttt_opt.rotation_paths import compile_rotation
from ttt_opt.solver import INFINITY, matrix_form, solve

PAGE = Path(__file__).resolve().parents[2] / "models" / "ttt_models" / "pull_relaxation.md"

RACES = {
    "plain": make_rotation((TinyRider(), TinyRider(cp_w=300.0), TinyRider(mass_kg=70.0)), (200.0,) * 8, longest_s=50.0),
    "bend": make_rotation((TinyRider(), TinyRider(cp_w=280.0)), (200.0,) * 6, bends=(3,), longest_s=50.0),
    "one may leave": make_rotation(
        (TinyRider(), TinyRider(cp_w=250.0, spare_j=4000.0), TinyRider()), (200.0,) * 6, counting=2, longest_s=50.0
    ),
    "sits on": make_rotation((TinyRider(), TinyRider(), TinyRider(cp_w=240.0)), (200.0,) * 6, sitters=(2,)),
    "one pulls": make_rotation((TinyRider(), TinyRider()), (150.0,) * 4, sitters=(1,)),
}


def limited(race: TinyRotation) -> TinyRotation:
    """The same with narrow limits on surges from the third segment on: before that the line starts from standstill."""
    later = np.arange(race.data.n_segments) > 1
    power, speed = np.where(later, 25.0, np.inf), np.where(later, 0.3, np.inf)
    return race.changed(surge_w=power, drop_w=power, surge_mps=speed)


ALL = {**RACES, **{f"{name}, surges limited": limited(race) for name, race in RACES.items()}}


@pytest.mark.parametrize("name", ALL)
def test_below_the_best_plan_and_near_it(name: str) -> None:
    """The best plan is proven by HiGHS on the rotation model, which the oracle of test_rotation_tiny.py checks."""
    data = ALL[name].data
    best = solve(compile_rotation(data).model, time_limit_s=60.0, gap=1e-6)
    found = pull_bound(data)
    assert found.stopped_because == best.stopped_because == "optimal"
    assert 0.98 * best.objective < found.bound_s <= best.objective + 1e-4


@pytest.mark.parametrize("name", ALL)
def test_any_prices_give_a_bound(name: str) -> None:
    """Prices of a relaxation that was stopped early, and then disturbed, prove less, but nothing that is wrong."""
    data = ALL[name].data
    best = solve(compile_rotation(data).model, time_limit_s=60.0, gap=1e-6)
    relaxation = build_pull_relaxation(data)
    model = matrix_form(relaxation.programme)
    duals = solve_by_interior_point(model, tolerance=1e-2).row_duals
    assert duals is not None
    draw = np.random.default_rng(1)
    for size in (0.0, 0.01, 0.3):
        shaken = duals * np.exp(size * draw.normal(size=len(duals)))
        assert chain_bound(data, relaxation, model, shaken) <= best.objective + 1e-4


def test_sharper_than_the_relaxation_of_the_rotation_model_where_surges_bind() -> None:
    data = limited(
        make_rotation((TinyRider(), TinyRider(cp_w=240.0, spare_j=2500.0), TinyRider()), (150.0,) * 10, longest_s=40.0)
    ).data
    shared = solve_by_interior_point(compile_rotation(data).model).bound
    assert pull_bound(data).bound_s > shared


def test_nobody_saves_on_one_branch_what_he_spends_on_another() -> None:
    """Who has just pulled is empty, the others are not: what they have left at the finish costs time.

    In the relaxation of the rotation model a third of the line ends behind each of three equal riders, and nobody has
    anything left: that is most of its gap.
    """
    data = make_rotation(
        (TinyRider(spare_j=2000.0),) * 3, (200.0,) * 10, shortest_s=30.0, longest_s=50.0, flying_start=True
    ).data
    best = solve(compile_rotation(data).model, time_limit_s=60.0, gap=1e-6).objective
    shared = solve_by_interior_point(compile_rotation(data).model).bound
    assert best - shared > 0.01 * best
    assert best - pull_bound(data).bound_s < 0.2 * (best - shared)


def test_limits_that_cannot_be_kept_are_told() -> None:
    data = make_rotation((TinyRider(peak_w=5.0), TinyRider(peak_w=5.0)), (200.0,) * 4).data
    found = pull_bound(data)
    assert found.stopped_because == "infeasible" and found.bound_s == INFINITY and found.share is None


def test_stopped_it_proves_nothing() -> None:
    found = pull_bound(ALL["plain"].data, interrupted=lambda: True)
    assert found.stopped_because == "interrupted" and found.bound_s == -INFINITY


def test_out_of_time_it_bounds_as_far_as_it_came() -> None:
    data = ALL["plain"].data
    found = pull_bound(data, time_limit_s=0.0)
    assert found.stopped_because == "time limit" and found.share is None
    assert found.bound_s <= pull_bound(data).bound_s


def test_shares_of_pulls_cover_every_segment_once() -> None:
    data = ALL["plain, surges limited"].data
    share = pull_bound(data).share
    assert share is not None and (share > -1e-6).all()
    covered = np.zeros(data.n_segments)
    for arc, part in zip(data.arcs, share, strict=True):
        covered[arc.first : arc.end] += part
    assert covered == pytest.approx(1.0, abs=1e-4)


def test_size_is_that_of_the_uses() -> None:
    data = ALL["one may leave"].data
    columns = build_pull_relaxation(data).programme.columns
    assert n_pull_places(data) == sum(block.size for name, block in columns.items() if name.startswith("use_"))


def test_page_names_the_blocks_and_nothing_else() -> None:
    programme = build_pull_relaxation(limited(RACES["one may leave"]).data).programme
    built = {re.sub(r"_\d+$", "_i", name) for name in (*programme.columns, *programme.rows)}
    assert built == set(components_of_page(PAGE))


def test_terms_are_sums_of_columns() -> None:
    """Against dense matrices."""
    draw = np.random.default_rng(0)
    columns = np.arange(5)

    def dense(terms: Terms) -> np.ndarray:
        matrix = np.zeros((terms.n_rows, 5))
        np.add.at(matrix, (terms.row, terms.column), terms.coefficient)
        return matrix

    factor = draw.normal(size=5)
    one, two = Terms.of(columns) * factor, Terms.of(columns[::-1])
    a, b = np.diag(factor), np.eye(5)[::-1]
    assert np.allclose(dense(one - two * 2.0), a - 2.0 * b)
    assert np.allclose(dense((one + two).take(np.array([3, 1, 3]))), (a + b)[[3, 1, 3]])
    assert np.allclose(dense((one + two).onto(np.array([0, 0, 1, 1, 1]), 2)), [(a + b)[:2].sum(0), (a + b)[2:].sum(0)])
    assert np.allclose(dense(Terms.stacked([one, two])), np.vstack([a, b]))
    with pytest.raises(ValueError, match="5 rows and 2 rows"):
        one + two.take(np.array([0, 1]))


def test_a_name_is_one_block() -> None:
    programme = Programme()
    columns = programme.add_columns("x", 2, 0.0, 1.0)
    programme.add_rows("row", Terms.of(columns), upper=1.0)
    with pytest.raises(ValueError, match="columns x already"):
        programme.add_columns("x", 1, 0.0, 1.0)
    with pytest.raises(ValueError, match="rows row already"):
        programme.add_rows("row", Terms.of(columns))
