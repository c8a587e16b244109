"""Peers of the benchmarks on a small race: plans that can be ridden, by the one ride check."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from course_shapes import Shape
from instances import Instance
from peer_coach import COACHES, coach_plan, within_the_riders
from peer_evolution import evolve
from peer_solvers import solve_network, solve_positions
from results import ROOT, Row, read_results, surroundings, write_run
from ridden_schedule import PullChooser, leaders, pace_power_w, ride_powers
from run import run_ours, until_within
from solver_core import (
    Problem,
    Told,
    constants,
    first_assumptions,
    fit_pulls,
    order_of,
    pulls_of,
    read_problem,
    ride_of,
    settled_assumptions,
)
from ttt_opt.rotation_problem import reference_speed

ORDER = (0, 1, 2)


@pytest.fixture(scope="module")
def problem(tmp_path_factory: pytest.TempPathFactory) -> Problem:
    return read_problem(Instance("small", 3, Shape("flat", 3.0, 1), "test"), tmp_path_factory.mktemp("small"))


@pytest.mark.parametrize("name", COACHES)
def test_coach_rides_as_fast_as_his_riders_can(problem: Problem, name: str) -> None:
    plan = coach_plan(problem, name)
    assert within_the_riders(plan.check)
    assert abs(plan.check.difference_s) < 0.5
    speed_mps = reference_speed(problem.road, problem.race, 1.02 * plan.effort)
    leader = leaders(problem, plan.pulls)
    if name != "coach: pulls by threshold, one W/kg":
        harder = ride_powers(
            problem, plan.pulls, pace_power_w(problem, speed_mps, 1.02 * plan.effort, leader), speed_mps
        )
        assert not within_the_riders(harder)
        assert harder.finish_time_s < plan.check.finish_time_s


def test_coach_of_the_strongest_has_him_in_front_for_longest(problem: Problem) -> None:
    cp_w = [rider.cp_w for rider in problem.race.team.riders]
    plan = coach_plan(problem, "coach: strongest pulls longest")
    led = np.bincount(leaders(problem, plan.pulls), minlength=3)
    assert int(np.argmax(led)) == int(np.argmax(cp_w))


def test_chosen_pulls_keep_their_bounds_and_reach_the_finish(problem: Problem) -> None:
    data = constants(problem, ORDER, first_assumptions(problem))
    chooser = PullChooser.of(data)
    arcs = {(arc.first, arc.end, data.lines[arc.line]) for arc in data.arcs}
    for wished_s in (5.0, 30.0, 70.0, 300.0):
        pulls = chooser.pulls(0, lambda _rider, _first, wished_s=wished_s: wished_s)  # type: ignore[misc]
        assert pulls is not None
        assert set(pulls) <= arcs
        assert [first for first, _, _ in pulls] == [0, *(end for _, end, _ in pulls[:-1])]
        assert pulls[-1][1] == problem.road.n_segments


def test_evolution_finds_a_plan(problem: Problem) -> None:
    pytest.importorskip("nevergrad", reason="the extra bench")
    evolved = evolve(problem, ORDER, "DiscreteOnePlusOne", 2.0, 0)
    assert evolved is not None
    assert evolved.n_ridden > 0
    assert evolved.check.finish_time_s > 0.0


@pytest.mark.slow
def test_pulls_of_solvers_are_ridden_as_ours_are(tmp_path: Path) -> None:
    """Solvers prove the best plan of the model of this short race; ridden, ours is not slower by more than 0.2 %."""
    problem = read_problem(Instance("tiny", 3, Shape("flat", 1.6, 1), "test"), tmp_path)
    row, schedule = run_ours(problem, 0, 20.0)
    assert row.missed == []
    assert row.finish_time_s is not None and row.first_plan_s is not None
    assumptions = settled_assumptions(problem, schedule)
    data = constants(problem, order_of(problem, pulls_of(schedule)), assumptions)
    network, places = solve_network(data, 120.0, 0, gap=1e-4), solve_positions(data, 60.0, 0, gap=1e-4)
    assert network.stopped_because == "optimal"
    assert network.bound_s <= places.objective_s + 1e-3
    assert places.bound_s <= network.objective_s + 1e-3
    assert network.pulls is not None
    fitted = fit_pulls(problem, network.pulls, assumptions)
    assert fitted is not None
    assert row.finish_time_s < 1.002 * ride_of(problem, fitted).finish_time_s


def test_time_until_a_gap_is_reached() -> None:
    nothing = float("inf")
    told = [Told(1.0, "", nothing, -nothing), Told(2.0, "", 101.0, -nothing), Told(3.0, "", 100.5, 100.0)]
    assert until_within(told, 0.006) == 3.0
    assert until_within(told, 0.02, 100.0) == 2.0
    assert until_within(told, 0.001) is None


def test_results_come_back_as_they_were_written(tmp_path: Path) -> None:
    trace = [[1.0, "y", 2.0, None]]
    row = Row("a", "ours", 3, 60, 15.0, 0, 10.0, 100.0, ["x"], until_good_s={"0.005": 3.0}, trace=trace)
    about = surroundings({"time_limit_s": 10.0, "seeds": 1})
    file = write_run(tmp_path, "run", about, [row])
    found_about, found = read_results(file)
    assert found_about == about
    assert found == [row]
    lines = (tmp_path / "run.csv").read_text(encoding="utf-8").splitlines()
    assert lines[1].startswith("a,ours,3,60,15.0,0,10.0,100.0,x")
    text = file.read_text(encoding="utf-8")
    assert str(ROOT) not in text and "://" not in text


@pytest.mark.slow
def test_runner_and_its_results(tmp_path: Path) -> None:
    peers = [word for peer in ("ours", "network", "coach") for word in ("--peer", peer)]
    given = ["--instance", "longer-10-km", *peers, "--time-limit", "10", "--seeds", "1", "--out", str(tmp_path)]
    subprocess.run([sys.executable, "benchmarks/run.py", *given], cwd=ROOT, check=True, timeout=900)
    (file,) = tmp_path.glob("*.json")
    _, rows = read_results(file)
    assert [row.method for row in rows] == ["ours", "network by HiGHS", *COACHES]
    assert all(row.finish_time_s is not None for row in rows if row.method != "network by HiGHS")
