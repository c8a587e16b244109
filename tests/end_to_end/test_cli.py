"""The command as people run it: files, exit codes, sentences, Ctrl-C."""

from __future__ import annotations

import importlib.metadata
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import jsonschema
import pandas as pd
import pytest
from conftest import RACE, SHORT_RACE, TEAM, answer_with, write_race

from ttt_opt import cli
from ttt_opt.errors import SolverFailureError
from ttt_opt.plan import Plan
from ttt_opt.plan_document import document_text, plan_document, schema_text
from ttt_opt.terminal_names import is_unsafe

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "data" / "demo" / "race.toml"
FILES = {"plan.json", "plan.txt", "schedule.csv", "briefing.html", "cards.html", "cues.gpx"}
TIMING = ("solve_seconds", "build_seconds")


def command(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "ttt_opt.cli", *map(str, words)]


def ttt_opt(*words: str | Path, within_s: float = 400.0, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(*words), capture_output=True, text=True, timeout=within_s, env={**os.environ, **environment}
    )


def one_sentence(result: subprocess.CompletedProcess[str]) -> str:
    """What the command says on standard error, which must be one line without a traceback."""
    lines = result.stderr.splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("ttt-opt: ")
    assert not any(is_unsafe(character) for character in lines[0])
    return lines[0].removeprefix("ttt-opt: ")


def run_here(monkeypatch: pytest.MonkeyPatch, *words: str | Path) -> int:
    """Run the entry point in this process and give its exit code."""
    monkeypatch.setattr(sys, "argv", ["ttt-opt", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        cli.run()
    code = ended.value.code
    assert isinstance(code, int)
    return code


@pytest.fixture(scope="module")
def planned(
    small_race_file: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[subprocess.CompletedProcess[str], Path]:
    out = tmp_path_factory.mktemp("planned") / "out"
    return ttt_opt("plan", small_race_file, "--out", out, "--time-limit", "60"), out


Planned = tuple[subprocess.CompletedProcess[str], Path]


def test_plan_writes_its_files_and_tells_the_plan(planned: Planned, small_plan: Plan) -> None:
    result, out = planned
    assert result.returncode == (0 if small_plan.check.passed else 1)
    assert {path.name for path in out.iterdir()} == FILES
    text = (out / "plan.txt").read_text(encoding="utf-8")
    assert result.stdout.startswith(text)
    assert f"Written to {out}" in result.stdout
    assert "HiGHS" not in result.stdout.split("What the plan is worth")[0]
    document = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, json.loads(schema_text()))
    table = pd.read_csv(out / "schedule.csv")
    assert list(table["rider"]) == [pull["rider"] for pull in document["pulls"]]


def test_progress_in_lines_where_there_is_no_terminal(planned: Planned) -> None:
    result, _ = planned
    lines = result.stderr.splitlines()
    assert "best 0:0" in lines[0]
    assert "\r" not in result.stderr
    assert len(lines) <= 14  # one in 5 s at most, in 60 s, and the verdict


def test_same_race_same_plan(planned: Planned, small_plan: Plan) -> None:
    """The command and the library, in two processes, give the same document but for the time it took."""
    _, out = planned

    def without_timing(text: str) -> list[str]:
        return [
            line
            for line in text.splitlines()
            if not line.strip().startswith(tuple(f'"{key}' for key in TIMING))
        ]

    written = (out / "plan.json").read_text(encoding="utf-8")
    assert without_timing(written) == without_timing(document_text(plan_document(small_plan)))


def test_simulate_rides_the_file_alone(planned: Planned, tmp_path: Path) -> None:
    result, out = planned
    moved = tmp_path / "elsewhere.json"
    moved.write_bytes((out / "plan.json").read_bytes())
    again = ttt_opt("simulate", moved)
    assert again.returncode == result.returncode
    assert again.stdout == (out / "plan.txt").read_text(encoding="utf-8")


def test_simulate_a_plan_that_fails_its_check(tmp_path: Path, small_document: dict[str, Any]) -> None:
    small_document["race"]["limits"]["surge_w"] = 1.0
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(small_document), encoding="utf-8")
    result = ttt_opt("simulate", path)
    assert result.returncode == 1
    assert one_sentence(result).startswith("the plan fails its ride check: not met: Surge in power")
    assert "FAILED" in result.stdout


def test_check_tells_what_was_understood(tmp_path: Path) -> None:
    result = ttt_opt("check", DEMO)
    assert result.returncode == 0
    assert result.stderr == ""
    for word in ("Island four", "of climbing", "bends to slow down for", "Wind 6.0 m/s", "4.55"):
        assert word in result.stdout


def test_quiet_says_nothing(
    small_race_file: Path,
    small_plan: Plan,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    answer_with(monkeypatch, checked(small_plan, passed=True))
    assert run_here(monkeypatch, "plan", small_race_file, "--out", tmp_path / "out", "--quiet") == 0
    assert capfd.readouterr() == ("", "")
    assert {path.name for path in (tmp_path / "out").iterdir()} == FILES


def checked(plan: Plan, *, passed: bool) -> Plan:
    """The plan with a ride check that passed or failed."""
    checks = tuple(replace(check, met=passed or number > 0) for number, check in enumerate(plan.check.checks))
    return replace(plan, check=replace(plan.check, passed=passed, checks=checks))


def test_plan_that_fails_its_check_is_written_and_says_so(
    small_race_file: Path,
    small_plan: Plan,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    answer_with(monkeypatch, checked(small_plan, passed=False))
    assert run_here(monkeypatch, "plan", small_race_file, "--out", tmp_path, "--quiet") == 1
    assert capfd.readouterr().err.startswith("ttt-opt: the plan fails its ride check: not met: ")
    assert {path.name for path in tmp_path.iterdir()} == FILES
    assert "do not ride this plan" in (tmp_path / "plan.txt").read_text(encoding="utf-8")


BAD_RACES: dict[str, tuple[Callable[[Path], object], str]] = {
    "no team file": (
        lambda folder: (folder / "team.toml").unlink(),
        'race.toml: team: "team.toml" is not there',
    ),
    "no course file": (
        lambda folder: (folder / "course.gpx").unlink(),
        'race.toml: course: "course.gpx" is not there',
    ),
    "a page for a course": (
        lambda folder: (folder / "course.gpx").write_text("<html><body>Not found</body></html>"),
        "course.gpx: ",
    ),
    "weight in pounds": (
        lambda folder: (folder / "team.toml").write_text(
            TEAM.replace("mass_kg = 66", "mass_kg = 166"), encoding="utf-8"
        ),
        "team.toml: riders[2].mass_kg (Ben): 166 is not within the allowed 35 to 150 kg",
    ),
    "misspelt field": (
        lambda folder: (folder / "race.toml").write_text(RACE.replace("wind_speed_mps", "wind_speed_ms")),
        "race.toml: weather.wind_speed_ms: is not known here; did you mean wind_speed_mps?",
    ),
    "name that moves the cursor": (
        lambda folder: (folder / "team.toml").write_text(
            TEAM.replace("Ben", "\\u001b[2JBen"), encoding="utf-8"
        ),
        "team.toml: riders[2].name",
    ),
}


@pytest.mark.parametrize("fault", sorted(BAD_RACES))
@pytest.mark.parametrize("which", ["check", "plan"])
def test_bad_input(
    fault: str, which: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    spoil, says = BAD_RACES[fault]
    race_file = write_race(tmp_path / "race")
    spoil(race_file.parent)
    out = tmp_path / "out"
    words = ("check", race_file) if which == "check" else ("plan", race_file, "--out", out)
    assert run_here(monkeypatch, *words) == 2
    told = capfd.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert says in told.err
    assert not any(is_unsafe(character) for character in told.err.rstrip("\n"))
    assert not (out / "plan.json").exists()


def test_bad_input_of_the_real_command(tmp_path: Path) -> None:
    result = ttt_opt("plan", tmp_path / "none\x1b[2J.toml", "--out", tmp_path / "out")
    assert result.returncode == 2
    assert "none\\x1b[2J.toml: cannot be read" in one_sentence(result)
    assert not (tmp_path / "out").exists()


def test_simulate_what_is_no_plan() -> None:
    result = ttt_opt("simulate", DEMO)
    assert result.returncode == 2
    assert "race.toml: is not a plan" in one_sentence(result)


def test_folder_that_cannot_be_written_is_told_before_the_search(small_race_file: Path) -> None:
    began = time.monotonic()
    result = ttt_opt("plan", small_race_file, "--out", small_race_file / "out", "--time-limit", "60")
    assert result.returncode == 2
    assert "cannot be written: Not a directory; choose another folder with --out" in one_sentence(result)
    assert time.monotonic() - began < 30.0


@pytest.mark.parametrize(
    "words",
    [
        ("plan", "race.toml"),
        ("plan", "race.toml", "--out", "out", "--time-limit", "nan"),
        ("plan", "race.toml", "--out", "out", "--time-limit", "inf"),
        ("plan", "race.toml", "--out", "out", "--time-limit", "0"),
        ("plan", "race.toml", "--out", "out", "--gap", "2"),
        ("plan", "race.toml", "--out", "out", "--gap", "nan"),
        ("plan", "race.toml", "--out", "out", "--seed", "-1"),
        ("ride", "race.toml"),
        ("check",),
    ],
)
def test_wrong_words_on_the_command_line(
    words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run_here(monkeypatch, *words) == 2
    told = capfd.readouterr()
    assert "Error: " in told.err
    assert "Traceback" not in told.err
    assert list(tmp_path.iterdir()) == []


def test_no_feasible_plan(tmp_path: Path) -> None:
    """Every pull between 5 and 6 s: the road is cut into some 15 s, and only the start is ever that short."""
    race = RACE + "\n[limits.pulls.flat]\nshortest_s = 5\nlongest_s = 6\n"
    result = ttt_opt("plan", write_race(tmp_path / "race", race), "--out", tmp_path / "out", "--quiet")
    assert result.returncode == 3
    told = one_sentence(result)
    assert "shortest and longest pulls allowed (limits.pulls and the riders' own) do not add up to the course" in told
    assert re.search(r"; the smallest change that makes one possible: limits.pulls.flat.longest_s at least \d+ ", told)
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("limit", "needs"),
    [
        (
            "on_wheel_share_of_cp = 0.5",
            r"limits.on_wheel_share_of_cp at least 0\.[5-9]\d* \(now 0\.5\), for [A-Z]\w+ at \d",
        ),
        ("w_prime_reserve_j = 13900", r"limits.w_prime_reserve_j at most 1[0-3]\d\d\d \(now 13900\), for Carl"),
    ],
)
def test_limits_that_no_plan_keeps_are_named_with_what_they_would_have_to_be(
    tmp_path: Path, limit: str, needs: str
) -> None:
    demo = tmp_path / "demo"
    shutil.copytree(ROOT / "data" / "demo", demo)
    text = (demo / "race.toml").read_text(encoding="utf-8")
    key = limit.split(" ", 1)[0]
    (demo / "race.toml").write_text(re.sub(rf"^{key} .*$", limit, text, flags=re.MULTILINE), encoding="utf-8")
    result = ttt_opt("plan", demo / "race.toml", "--out", tmp_path / "out", "--quiet")
    assert result.returncode == 3
    assert re.search(needs, one_sentence(result)), result.stderr
    assert list((tmp_path / "out").iterdir()) == []


def fail_with(error: BaseException) -> Callable[..., NoReturn]:
    def fail(*_: object) -> NoReturn:
        raise error

    return fail


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (SolverFailureError("the solver stopped"), 4, "the solver stopped\n"),
        (KeyboardInterrupt(), 130, "interrupted\n"),
        (
            ZeroDivisionError("division by zero"),
            70,
            "a fault in this program, please report it: ZeroDivisionError in ",
        ),
    ],
)
def test_other_ends(
    error: BaseException,
    code: int,
    says: str,
    small_race_file: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("ttt_opt.plan.make_plan", fail_with(error))
    assert run_here(monkeypatch, "plan", small_race_file, "--out", tmp_path / "out") == code
    told = capfd.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"ttt-opt: {says}")
    assert len(told.err.splitlines()) == 1
    assert list((tmp_path / "out").iterdir()) == []


def test_older_results_survive_a_failure(
    small_race_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "plan.json").write_text("older")
    monkeypatch.setattr("ttt_opt.plan.make_plan", fail_with(SolverFailureError("no")))
    assert run_here(monkeypatch, "plan", small_race_file, "--out", tmp_path, "--quiet") == 4
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"plan.json": "older"}


@pytest.mark.skipif(os.name != "posix", reason="sends a signal to a process group")
def test_ctrl_c_during_the_search_gives_the_best_plan_so_far(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with subprocess.Popen(
        command("plan", DEMO, "--out", out, "--time-limit", "300"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as running:
        assert running.stderr is not None
        assert "best 0:" in running.stderr.readline()  # there is a plan
        os.killpg(running.pid, signal.SIGINT)  # what a terminal does
        told = running.communicate(timeout=60)
    assert running.returncode in (0, 1)  # 1: the plan so far may fail its ride check
    assert "Traceback" not in told[1]
    assert "it was interrupted" in " ".join(told[0].split())
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))["stopped_because"] == "interrupted"
    assert {path.name for path in out.iterdir()} == FILES


def test_hostile_names(tmp_path: Path) -> None:
    names = {"Zoë": "=cmd|' /C calc'!A0", "Ben": "👩‍👩‍👧‍👦" * 10, "Cas": "漢" * 80}
    team = TEAM
    race = SHORT_RACE.replace("Small race", "<script>alert(1)</script>")
    for before, after in names.items():
        team, race = team.replace(f'"{before}"', f'"{after}"'), race.replace(f'"{before}"', f'"{after}"')
    out = tmp_path / "out ä\n"
    race_file = write_race(tmp_path / "r", race, team, 1000.0)
    result = ttt_opt("plan", race_file, "--out", out, "--time-limit", "60", PYTHONUTF8="1")
    assert result.returncode in (0, 1)
    assert not any(is_unsafe(c) for line in result.stdout.split("\n") for c in line)
    assert "Written to" in result.stdout.splitlines()[-1]
    document = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert {rider["name"] for rider in document["riders"]} == set(names.values())
    riders = set(pd.read_csv(out / "schedule.csv", dtype=str)["rider"])
    assert riders == {"'=cmd|' /C calc'!A0", names["Ben"], names["Cas"]}
    assert ttt_opt("simulate", out / "plan.json", PYTHONUTF8="1").returncode == result.returncode


def test_terminal_without_the_letters(planned: Planned) -> None:
    result = ttt_opt("simulate", planned[1] / "plan.json", PYTHONIOENCODING="ascii")
    assert result.returncode == planned[0].returncode
    assert "Zo\\xeb" in result.stdout


def test_output_cut_off_by_a_pager() -> None:
    with subprocess.Popen(
        command("check", DEMO), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert "Traceback" not in running.stderr.read()


@pytest.mark.skipif(os.name != "posix", reason="closes standard streams with a shell")
@pytest.mark.parametrize("closed", [">&- 2>&-", "<&- >&- 2>&-", "<&- >&-"])
def test_closed_streams(closed: str, shortest_race_file: Path, tmp_path: Path) -> None:
    """Files and pipes that are opened then do not get what is meant for the terminal."""
    words = command("plan", shortest_race_file, "--out", tmp_path / "out", "--time-limit", "60")
    result = subprocess.run(
        ["sh", "-c", f'"$@" {closed}', "sh", *words], capture_output=True, text=True, timeout=120
    )
    assert result.returncode in (0, 1), result.stderr
    assert {path.name for path in (tmp_path / "out").iterdir()} == FILES


def test_help_is_quick() -> None:
    """Below half a second of processor time, the best of three runs."""
    seconds = []
    for _ in range(3):
        before = os.times()
        result = ttt_opt("--help")
        after = os.times()
        assert result.returncode == 0
        seconds.append(
            after.children_user - before.children_user + after.children_system - before.children_system
        )
    assert min(seconds) < 0.5
    for word in ("check", "plan", "simulate"):
        assert f"\n  {word} " in result.stdout


def test_help_loads_nothing_heavy() -> None:
    program = (
        "import sys, ttt_opt.cli\n"
        "print(sorted({'numpy', 'scipy', 'pandas', 'pyomo', 'highspy', 'pyproj'} & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True
    )
    assert result.stdout.strip() == "[]"


def test_entry_point_is_the_one_of_the_package() -> None:
    scripts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["scripts"]
    entry = importlib.metadata.EntryPoint("ttt-opt", scripts["ttt-opt"], "console_scripts")
    assert entry.load() is cli.run
