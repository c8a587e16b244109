"""Many cases side by side: each solved once, kept at once, and not again after an interruption."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from study_examples import Doubling, Failing, times_solved

from ttt_opt.errors import SolverFailureError
from ttt_opt.study_pool import Workers, solve_all, solving
from ttt_opt.study_store import FOLDER, Store

TWO = Workers(processes=2)
TESTS = Path(__file__).parents[1]


def silent(_text: str) -> None:
    pass


def notes(tmp_path: Path) -> Path:
    folder = tmp_path / "notes"
    folder.mkdir()
    return folder


def test_outcomes_in_the_order_of_the_cases(tmp_path: Path) -> None:
    noted = notes(tmp_path)
    cases = [Doubling(number, noted, 0.3 if number == 0 else 0.0) for number in range(5)]
    told: list[str] = []
    outcomes = solve_all(cases, Store(tmp_path), TWO, told.append)
    assert [outcome["double"] for outcome in outcomes] == [0, 2, 4, 6, 8]
    assert told[-1].startswith("5 of 5 cases, 0 being solved")
    assert len(list((tmp_path / FOLDER).iterdir())) == 5


def test_equal_cases_are_solved_once(tmp_path: Path) -> None:
    noted = notes(tmp_path)
    outcomes = solve_all([Doubling(3, noted)] * 4, Store(tmp_path), TWO, silent)
    assert outcomes == [{"double": 6}] * 4
    assert times_solved(noted) == {"3": 1}


def test_finished_cases_are_not_solved_again(tmp_path: Path) -> None:
    noted = notes(tmp_path)
    solve_all([Doubling(number, noted) for number in range(3)], Store(tmp_path), TWO, silent)
    told: list[str] = []
    outcomes = solve_all([Doubling(number, noted) for number in range(5)], Store(tmp_path), TWO, told.append)
    assert [outcome["double"] for outcome in outcomes] == [0, 2, 4, 6, 8]
    assert times_solved(noted) == dict.fromkeys("01234", 1)
    assert "3 of them known from before" in told[-1]


def test_needless_cases_are_left_out_and_asked_late(tmp_path: Path) -> None:
    """A case is asked for when its turn comes, with what is known by then."""
    noted, known = notes(tmp_path), []
    one = Workers(processes=1)
    cases = [Doubling(number, noted) for number in range(4)]
    for number, outcome in solving(cases, Store(tmp_path), one, silent, lambda number: len(known) >= 2):
        if outcome is not None:
            known.append(number)
    assert known == [0, 1]
    assert times_solved(noted) == {"0": 1, "1": 1}


def test_a_case_that_fails_says_so_and_the_others_stay(tmp_path: Path) -> None:
    noted = notes(tmp_path)
    with pytest.raises(ValueError, match="cannot be solved"):
        solve_all([Doubling(1, noted), Failing()], Store(tmp_path), Workers(processes=1), silent)
    assert Store(tmp_path).kept(next((tmp_path / FOLDER).iterdir()).stem) == {"double": 2}


def test_a_worker_that_is_killed_is_told_as_such(tmp_path: Path) -> None:
    noted = notes(tmp_path)

    def kill_a_worker(_text: str) -> None:
        children = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text(encoding="ascii").split()
        for child in children:
            os.kill(int(child), signal.SIGKILL)

    with pytest.raises(SolverFailureError, match="start the same command again"):
        solve_all([Doubling(number, noted, 30.0) for number in range(2)], Store(tmp_path), TWO, kill_a_worker)


STUDY = """
import sys
from pathlib import Path
sys.path[:0] = sys.argv[2:]
from study_examples import Doubling
from ttt_opt.study_pool import Workers, solve_all
from ttt_opt.study_store import Store
folder = Path(sys.argv[1])
cases = [Doubling(number, folder / "notes", 0.4) for number in range(8)]
outcomes = solve_all(cases, Store(folder), Workers(processes=2), lambda text: None)
print(sum(outcome["double"] for outcome in outcomes))
"""


def test_killed_in_the_middle_and_started_again(tmp_path: Path) -> None:
    """kill -9 of the study; its workers end by themselves; the second run solves what is missing and nothing else."""
    noted = notes(tmp_path)
    command = [sys.executable, "-c", STUDY, str(tmp_path), str(TESTS), str(TESTS / "unit")]
    first = subprocess.Popen(command, start_new_session=True)
    kept = tmp_path / FOLDER
    end = time.monotonic() + 30.0
    while (len(list(kept.glob("*.json"))) if kept.is_dir() else 0) < 3:
        assert time.monotonic() < end, "nothing was kept"
        time.sleep(0.05)
    first.kill()
    first.wait()
    finished = {path.name for path in kept.glob("*.json")}
    assert 3 <= len(finished) < 8
    before = {path.name: path.stat().st_mtime_ns for path in kept.glob("*.json")}
    while _group_is_there(first.pid):
        assert time.monotonic() < end + 20.0, "workers outlive the study"
        time.sleep(0.1)
    solved_before = times_solved(noted)
    second = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert second.stdout.strip() == str(2 * sum(range(8)))
    assert {name: (kept / name).stat().st_mtime_ns for name in before} == before
    solved = times_solved(noted)
    assert len(solved) == 8
    repeated = {number for number, times in solved.items() if times > 1}
    assert len(repeated) <= 2  # what two workers had in hand when the study was killed
    assert sum(solved.values()) - sum(solved_before.values()) == 8 - len(finished)


def _group_is_there(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
