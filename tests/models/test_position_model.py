"""The programme of places, a benchmark's peer, against every plan of tiny races, the network of pulls, and SCIP."""

from __future__ import annotations

import numpy as np
import pytest
from test_rotation_other_solver import rolling_race
from tiny_rotations import (
    TinyPull,
    TinyRotation,
    all_plans,
    best_mixed_time_s,
    compiled,
    fitted_rotation,
    random_rotation,
)

from peer_solvers import solve_network, solve_network_by_scip, solve_positions
from position_model import compile_positions
from ttt_models.rotation import rotating_lines
from ttt_opt.solver import solve

TOLERANCE_S = 2e-4
"""As in ``test_rotation_tiny.py``."""
SOLVER_LIMIT_S = 120.0


def by_slots(tiny: TinyRotation) -> TinyRotation:
    """The same race with W' of changeovers that depends on the leader and the number in the line alone."""
    data = tiny.data
    same = {(line[0], len(line)): q for q, line in reversed(list(enumerate(data.lines)))}
    like = [same[line[0], len(line)] for line in data.lines]
    return tiny.changed(
        changeover_use_j=data.changeover_use_j[:, like], changeover_dip_j=data.changeover_dip_j[:, like]
    )


RANDOM = {f"random {seed}": by_slots(random_rotation(seed)) for seed in range(16)}
FITTED = {f"fitted {seed}": by_slots(tiny) for seed in range(8) if (tiny := fitted_rotation(seed)).nobody_leaves}


def test_races_cover_those_who_leave_and_those_who_sit_on() -> None:
    assert any(not tiny.nobody_leaves for tiny in RANDOM.values())
    assert any(tiny.sitters for tiny in RANDOM.values())
    assert len(FITTED) >= 3


@pytest.mark.parametrize("name", RANDOM | FITTED)
def test_places_have_the_optimum_that_trying_everything_finds(name: str) -> None:
    tiny = (RANDOM | FITTED)[name]
    places = compile_positions(tiny.data)
    outcome = solve(places.model, gap=1e-6)
    times = {plan: best_mixed_time_s(tiny, plan) for plan in all_plans(tiny)}
    assert outcome.objective == pytest.approx(min(times.values()), abs=TOLERANCE_S)
    if outcome.values is not None:  # and it is the plan that it says
        plan = tuple(TinyPull(line, first, end) for first, end, line in places.pulls(outcome.values))
        assert times[plan] == pytest.approx(outcome.objective, abs=TOLERANCE_S)


def test_who_may_not_leave_stays() -> None:
    tiny = rolling_race(10, counting=2)
    rotating = rotating_lines((0, 1, 2), (), 2, may_leave=(1,))
    lines = rotating.lines
    assert {len(line) for line in lines} == {2, 3}
    kept = [tiny.data.lines.index(line) for line in lines]
    data = tiny.data
    fewer = tiny.changed(
        lines=lines,
        n_sitting=rotating.n_sitting,
        successors=rotating.successors,
        start_lines=(0, 1, 2),
        road_work_j=data.road_work_j[:, kept],
        changeover_j=data.changeover_j[:, kept],
        changeover_use_j=data.changeover_use_j[:, kept],
        changeover_dip_j=data.changeover_dip_j[:, kept],
    ).data
    places, network = (method(fewer, SOLVER_LIMIT_S, 0, gap=1e-6) for method in (solve_positions, solve_network))
    assert places.objective_s == pytest.approx(network.objective_s, abs=2e-3)
    free = solve_network(data, SOLVER_LIMIT_S, 0, gap=1e-6)
    assert free.objective_s < places.objective_s - 0.01


def test_places_have_the_weaker_relaxation() -> None:
    tiny = rolling_race(10)
    places = solve(compile_positions(tiny.data).model, relax=True).objective
    network = solve(compiled(tiny), relax=True).objective
    assert places < 0.99 * network


def test_constants_that_do_not_follow_from_places_are_refused() -> None:
    tiny = RANDOM["random 0"]
    unlike = tiny.data.road_work_j.copy()
    unlike[0, 0, :, tiny.data.lines[0][-1]] += 1.0
    with pytest.raises(ValueError, match="depend on who else is there"):
        compile_positions(tiny.changed(road_work_j=unlike).data)
    with pytest.raises(ValueError, match="kept pulls"):
        compile_positions(tiny.changed(kept_pulls=((0, 1, 0),)).data)


@pytest.mark.parametrize(("n_segments", "counting"), [(8, 3), (9, 2), (10, 3)])
def test_three_solvers_prove_the_same_optimum(n_segments: int, counting: int) -> None:
    pytest.importorskip("pyscipopt", reason="SCIP is an optional second solver")
    data = rolling_race(n_segments, counting).data
    answers = [
        method(data, SOLVER_LIMIT_S, 0, gap=1e-6) for method in (solve_positions, solve_network, solve_network_by_scip)
    ]
    for answer in answers:
        assert answer.stopped_because in ("optimal", "gaplimit")
        assert answer.objective_s == pytest.approx(answers[0].objective_s, abs=2e-3)
        assert answer.bound_s == pytest.approx(answer.objective_s, abs=2e-3)
        assert answer.pulls is not None
        assert [end for _, end, _ in answer.pulls[:-1]] == [first for first, _, _ in answer.pulls[1:]]
        plan = tuple(TinyPull(line, first, end) for first, end, line in answer.pulls)
        tiny = rolling_race(n_segments, counting)
        assert best_mixed_time_s(tiny, plan) == pytest.approx(answer.objective_s, abs=2e-3)
    assert np.isfinite(answers[0].objective_s)
