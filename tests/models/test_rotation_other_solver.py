"""The same rotation problems by other ways: another solver, the relaxation, single paths, all chains."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from tiny_rotations import (
    INFINITY,
    TinyRider,
    TinyRotation,
    all_plans,
    best_mixed_time_s,
    compiled,
    make_rotation,
    optimum_s,
    random_rotation,
)

from rotation_in_pyomo import rotation_in_pyomo
from ttt_models.rotation import KEPT_TOLERANCE_S, RotationData
from ttt_opt.interior_point import solve_by_interior_point
from ttt_opt.rotation_paths import (
    CompiledRotation,
    PullPath,
    best_path,
    compile_rotation,
    path_of,
    restrict_to_path,
)
from ttt_opt.rotation_search import PathValuer
from ttt_opt.solver import solve

TOLERANCE_S = 2e-4
RIDERS = (
    TinyRider(mass_kg=84.0, cda_m2=0.25, cp_w=370.0, spare_j=9000.0),
    TinyRider(mass_kg=75.0, cda_m2=0.24, cp_w=330.0, spare_j=9500.0),
    TinyRider(mass_kg=68.0, cda_m2=0.22, cp_w=285.0, spare_j=8000.0),
)
SEEDS = range(20, 24)


def rolling_race(n_segments: int, counting: int = 3) -> TinyRotation:
    """Three unlike riders, a rolling road of 200 m segments, pulls of 30 to 55 s, to 40 s where two count."""
    place = np.arange(n_segments)
    return make_rotation(
        RIDERS,
        200.0 + 20.0 * np.sin(1.7 * place),
        counting=counting,
        grade=0.012 * np.sin(0.9 * place),
        speed_mps=(9.0, 11.5, 14.0),
        recovery=0.5,
        shortest_s=30.0,
        longest_s=55.0 if counting == 3 else 40.0,
        on_wheel_share=1.1,
        surge_w=80.0,
        surge_mps=1.5,
    )


@dataclass(frozen=True)
class Solved:
    """A race, its matrix, its proven optimum (s) and the path of that, and the path with the most pulls."""

    tiny: TinyRotation
    matrix: CompiledRotation
    optimum_s: float
    path: PullPath
    restless: PullPath


@pytest.fixture(scope="module")
def solved() -> Solved:
    tiny = rolling_race(12)
    matrix = compile_rotation(tiny.data)
    outcome = solve(matrix.model, gap=1e-6)
    assert outcome.values is not None
    restless = max(chains(tiny.data), key=lambda chain: (len(chain), chain))
    return Solved(tiny, matrix, outcome.objective, path_of(matrix, outcome.values), restless)


@pytest.mark.parametrize(("n_segments", "counting"), [(12, 3), (14, 3), (12, 2)])
def test_scip_finds_the_same_optimum(n_segments: int, counting: int, tmp_path: Path) -> None:
    """SCIP reads the model from a file that Pyomo writes: nothing of ``ttt_opt.solver`` is between them."""
    scip = pytest.importorskip("pyscipopt", reason="SCIP is an optional second solver")
    tiny = rolling_race(n_segments, counting)
    file = tmp_path / "rotation.mps"
    rotation_in_pyomo(tiny.data).write(str(file))
    other = scip.Model()
    other.hideOutput()
    other.readProblem(str(file))
    other.setParam("limits/gap", 1e-5)
    other.optimize()
    assert other.getStatus() in ("optimal", "gaplimit")
    ours = solve(compiled(tiny), gap=1e-5)
    assert ours.stopped_because == "optimal"
    assert ours.objective == pytest.approx(other.getObjVal(), rel=1e-4)
    assert ours.bound <= other.getObjVal() * (1.0 + 1e-6)
    assert other.getDualbound() <= ours.objective * (1.0 + 1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_relaxation_is_a_bound_and_both_methods_find_it(seed: int) -> None:
    tiny = random_rotation(seed)
    model = compiled(tiny)
    simplex = solve(model, relax=True)
    interior = solve_by_interior_point(model)
    assert simplex.stopped_because == interior.stopped_because == "optimal"
    assert simplex.objective == pytest.approx(interior.objective, abs=TOLERANCE_S)
    assert simplex.objective <= optimum_s(tiny) + TOLERANCE_S


def test_relaxation_is_tight(solved: Solved) -> None:
    """Within 0.2 % here, measured 0.07 %; with work and power summed over lines it would be 2.2 %."""
    assert solve(solved.matrix.model, relax=True).objective >= 0.998 * solved.optimum_s


def chains(data: RotationData) -> Iterator[PullPath]:
    """Every chain of arcs from start to finish."""
    unfinished: list[PullPath] = [
        (a,) for a, arc in enumerate(data.arcs) if arc.first == 0 and arc.line in data.start_lines
    ]
    while unfinished:
        chain = unfinished.pop()
        last = data.arcs[chain[-1]]
        if last.end == data.n_segments:
            yield chain
            continue
        unfinished.extend(
            (*chain, a)
            for a, arc in enumerate(data.arcs)
            if arc.first == last.end and arc.line in data.successors[last.line]
        )


@pytest.mark.parametrize("seed", SEEDS)
def test_speeds_of_one_path_are_worth_what_the_oracle_says(seed: int) -> None:
    tiny = random_rotation(seed)
    matrix = compile_rotation(tiny.data)
    by_lines = {
        tuple((pull.line, pull.first, pull.end) for pull in plan): best_mixed_time_s(tiny, plan)
        for plan in all_plans(tiny)
    }
    found = {}
    for chain in chains(tiny.data):
        arcs = [tiny.data.arcs[a] for a in chain]
        outcome = solve(restrict_to_path(matrix, chain).model, relax=True)
        found[tuple((tiny.data.lines[arc.line], arc.first, arc.end) for arc in arcs)] = outcome.objective
    assert found == pytest.approx(by_lines, abs=TOLERANCE_S)
    assert min(found.values()) == pytest.approx(optimum_s(tiny), abs=TOLERANCE_S)


@pytest.mark.parametrize("seed", SEEDS)
def test_model_of_one_chain_only_is_small_and_worth_the_same(seed: int) -> None:
    tiny = random_rotation(seed)
    full = compile_rotation(tiny.data)
    for chain in chains(tiny.data):
        pulls = tuple((arc.first, arc.end, arc.line) for arc in (tiny.data.arcs[a] for a in chain))
        endless = np.full_like(tiny.data.per_longest, 1e-6)  # else durations at the plan's own speeds count
        only = tiny.changed(kept_pulls=pulls, only_kept=True, per_longest=endless, per_shortest=1e12 * endless)
        assert only.data.arcs == tuple(tiny.data.arcs[a] for a in chain)
        small = compile_rotation(only.data)
        assert small.model.n_columns < full.model.n_columns
        path = tuple(range(len(chain)))
        wanted, found = PathValuer(full).value(chain), PathValuer(small).value(path)
        assert found.time_s == pytest.approx(wanted.time_s, abs=TOLERANCE_S)
        assert solve(small.model, gap=1e-6).objective == pytest.approx(found.time_s, abs=TOLERANCE_S)
        if found.pace is not None:
            assert found.pace.mix.sum(axis=1) == pytest.approx(1.0)
            assert found.values is not None
            assert path_of(small, found.values) == path


def test_kept_pull_that_misses_its_bound_costs() -> None:
    """At the plan's own speeds the first pull takes longer than it may: it is not ridden more slowly, and it costs."""
    tiny = random_rotation(1)
    full = compile_rotation(tiny.data)
    valuer = PathValuer(full)
    chain = min((chain for chain in chains(tiny.data) if len(chain) > 1), key=lambda chain: valuer.value(chain).time_s)
    arcs = [tiny.data.arcs[a] for a in chain]
    pulls = tuple((arc.first, arc.end, arc.line) for arc in arcs)

    def first_pull_s(longest_s: float) -> tuple[float, float]:
        bound = np.full_like(tiny.data.per_longest, 1.0 / longest_s)
        only = tiny.changed(
            kept_pulls=pulls, only_kept=True, per_longest=bound, per_shortest=np.full_like(bound, 1e6)
        )
        plan = PathValuer(compile_rotation(only.data)).value(tuple(range(len(chain))))
        assert plan.pace is not None
        return float((plan.pace.mix * tiny.data.time_s).sum(axis=1)[: arcs[0].end].sum()), plan.time_s

    free_s, fastest_s = first_pull_s(1e6)
    held_s, slower_s = first_pull_s(free_s - 2.0 * KEPT_TOLERANCE_S)
    assert held_s <= free_s + 1e-6
    assert slower_s > fastest_s + 1.0


def test_pulls_that_leave_a_gap_are_refused() -> None:
    tiny = rolling_race(12)
    with pytest.raises(ValueError, match="every segment"):
        compile_rotation(tiny.changed(kept_pulls=((0, 4, 0), (5, 12, 1)), only_kept=True).data)


def test_path_of_the_optimum_reproduces_it(solved: Solved) -> None:
    small = restrict_to_path(solved.matrix, solved.path)
    outcome = solve(small.model, relax=True)
    assert outcome.values is not None
    assert outcome.objective == pytest.approx(solved.optimum_s, abs=TOLERANCE_S)
    model, expanded = solved.matrix.model, small.expand(outcome.values)
    activity = model.matrix @ expanded
    assert (activity >= model.row_lower - 1e-6).all()
    assert (activity <= model.row_upper + 1e-6).all()
    assert (expanded >= model.lower - 1e-6).all()
    assert (expanded <= model.upper + 1e-6).all()
    assert model.cost @ expanded + model.offset == pytest.approx(solved.optimum_s, abs=TOLERANCE_S)


def test_another_path_is_slower_than_the_optimum(solved: Solved) -> None:
    restricted = solve(restrict_to_path(solved.matrix, solved.restless).model, relax=True).objective
    assert restricted > solved.optimum_s + 0.01


@pytest.mark.parametrize("seed", SEEDS)
def test_best_path_is_the_cheapest_of_all_chains(seed: int) -> None:
    data = random_rotation(seed).data
    draw = np.random.default_rng(seed)
    arc_cost = draw.uniform(0.0, 10.0, len(data.arcs))
    arc_cost[draw.random(len(data.arcs)) < 0.1] = INFINITY
    move_cost = draw.uniform(0.0, 10.0, (data.n_segments, len(data.lines)))

    def cost(chain: PullPath) -> float:
        moves = sum(move_cost[data.arcs[a].end, data.arcs[a].line] for a in chain[:-1])
        return float(arc_cost[list(chain)].sum() + moves)

    cheapest = min(chains(data), key=cost)
    found = best_path(data, arc_cost, move_cost)
    assert found is not None
    assert cost(found) == pytest.approx(cost(cheapest))


def test_best_path_says_so_where_no_chain_fits() -> None:
    data = random_rotation(SEEDS[0]).data
    none = np.full(len(data.arcs), INFINITY)
    assert best_path(data, none, np.zeros((data.n_segments, len(data.lines)))) is None
