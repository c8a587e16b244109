"""The commands of the studies as people run them: files, sentences, exit codes, interruption."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from conftest import RACE, TEAM, write_race
from study_examples import DAN, four_riders
from test_cli import run_here

from ttt_opt.study_store import FOLDER


def command(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "ttt_opt.cli", *map(str, words)]


def ttt_opt(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command(*words), capture_output=True, text=True, timeout=300)


def results(out: Path, name: str) -> tuple[pd.DataFrame, dict[str, object], str]:
    """CSV, JSON and page of a study."""
    page = (out / f"{name}.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>") and "Content-Security-Policy" in page
    assert not re.search(r'(?:src|href)="', page) and "<script" not in page
    document = json.loads((out / f"{name}.json").read_text(encoding="utf-8"))
    return pd.read_csv(io.StringIO((out / f"{name}.csv").read_text(encoding="utf-8"))), document, page


@pytest.fixture(scope="module")
def squad_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four riders of whom three start; Dan is so weak that no team with him can be the best."""
    folder = tmp_path_factory.mktemp("squad")
    team = TEAM + DAN.replace("cp_w = 300", "cp_w = 180")
    return write_race(folder, f"{RACE}\n[rules]\nteam_size = 3\n", team, length_m=1000.0)


def test_lineups(squad_file: Path, tmp_path: Path) -> None:
    done = ttt_opt("lineups", squad_file, "--out", tmp_path, "--time-limit", "60", "--quiet")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    text = (tmp_path / "lineups.txt").read_text(encoding="utf-8")
    assert text.splitlines()[3].startswith("Start with Zoë, Ben and Cas: 0:01:1")  # the conclusion comes first
    assert "3 of 4 teams (75 %) are cut off" in " ".join(text.split())
    table, document, page = results(tmp_path, "lineups")
    assert document["share_cut_off"] == 0.75
    assert set(table.columns) >= {"team", "rider", "finish_time_s", "not_below_s", "cut_off", "front_share"}
    assert len(table) == 12  # four teams of three riders
    assert table[table["place"] == 1]["front_share"].sum() == pytest.approx(1.0)
    assert table[table["cut_off"]]["finish_time_s"].isna().all()
    assert "Cut off: cannot be the best" in page
    files = {path.name: path.read_bytes() for path in tmp_path.glob("lineups.*")}
    again = ttt_opt("lineups", squad_file, "--out", tmp_path, "--time-limit", "60")
    assert again.returncode == 0 and again.stdout.startswith(text)
    assert {path.name: path.read_bytes() for path in tmp_path.glob("lineups.*")} == files


@pytest.mark.slow
def test_lineups_killed_in_the_middle(tmp_path: Path) -> None:
    """kill -9, then the same command: what was finished is not solved again, and the answer is that of one run."""
    race_file = four_riders(tmp_path / "race", "[rules]\nteam_size = 3\n")
    words = ("lineups", race_file, "--time-limit", "60", "--quiet", "--out")
    straight = ttt_opt(*words, tmp_path / "straight")
    assert straight.returncode == 0
    out = tmp_path / "killed"
    first = subprocess.Popen(command(*words, out))
    kept = out / FOLDER
    n_bounds = 4
    end = time.monotonic() + 120.0
    while (len(list(kept.glob("*.json"))) if kept.is_dir() else 0) < n_bounds + 1:  # a plan is finished
        assert time.monotonic() < end and first.poll() is None
        time.sleep(0.05)
    first.kill()
    first.wait()
    before = {path.name: path.stat().st_mtime_ns for path in kept.glob("*.json")}
    assert n_bounds < len(before) < n_bounds + 4
    assert not (out / "lineups.json").exists()
    assert ttt_opt(*words, out).returncode == 0
    assert {name: (kept / name).stat().st_mtime_ns for name in before} == before
    for name in ("lineups.json", "lineups.csv", "lineups.html", "lineups.txt"):
        assert (out / name).read_bytes() == (tmp_path / "straight" / name).read_bytes(), name


@pytest.mark.slow
def test_ctrl_c_ends_with_its_exit_code_and_keeps_what_is_finished(tmp_path: Path) -> None:
    race_file = four_riders(tmp_path / "race", "[rules]\nteam_size = 3\n")
    started = subprocess.Popen(
        command("lineups", race_file, "--out", tmp_path / "out"), stderr=subprocess.PIPE, text=True
    )
    kept = tmp_path / "out" / FOLDER
    while not (kept.is_dir() and list(kept.glob("*.json"))):
        time.sleep(0.05)
    os.kill(started.pid, signal.SIGINT)
    _, told = started.communicate(timeout=30)
    assert started.returncode == 130
    assert "ttt-opt: interrupted" in told and "Traceback" not in told
    assert list(kept.glob("*.json"))


@pytest.mark.slow
def test_sensitivity(small_race_file: Path, tmp_path: Path) -> None:
    words = ("--rides", "20", "--anew", "1", "--robust", "--time-limit", "60")
    done = ttt_opt("sensitivity", small_race_file, "--out", tmp_path, *words)
    assert done.returncode == 0, done.stderr
    assert "Most depends on: " in done.stdout.splitlines()[3]
    table, document, page = results(tmp_path, "sensitivity")
    assert set(table["what"]) == {"same pulls", "planned anew"}
    assert len(document["rides"]) == 4  # type: ignore[arg-type]  # the plan and three that keep more
    assert document["rides"][0]["n_rides"] == 20  # type: ignore[index]
    for word in ("drag area, all riders", "Who cracks, and where", "Histogram of the finish times"):
        assert word in page
    sizes = table[table["what"] == "same pulls"].groupby("input")["difference_s"].apply(lambda d: d.abs().max())
    shown = list(dict.fromkeys(table[table["what"] == "same pulls"]["input"]))
    assert list(sizes[shown]) == sorted(sizes, reverse=True)  # the largest first


@pytest.mark.slow
def test_ill(tmp_path: Path) -> None:
    race_file = four_riders(tmp_path / "race")
    words = ("--rider", "dan", "--below", "0.1", "--time-limit", "60")
    done = ttt_opt("ill", race_file, "--out", tmp_path / "out", *words)
    assert done.returncode == 0, done.stderr
    told = " ".join(done.stdout.split())
    caution, first_row = told.index("Fever, chest pain"), told.index("start without")
    assert caution < first_row and "do not start, and ask a doctor" in told
    assert "all must finish" in told
    table, document, page = results(tmp_path / "out", "ill")
    assert page.index("Fever, chest pain") < page.index("<table")
    assert list(table["way"]) == ["start without", "start, pull, leave", "sit on", "pull, then sit on", "short pulls",
                                  "plan made anew", "old plan unchanged"]  # fmt: skip
    assert document["may_leave"] is False


@pytest.mark.slow
def test_sizes(tmp_path: Path) -> None:
    race_file = four_riders(tmp_path / "race")
    done = ttt_opt("sizes", race_file, "--out", tmp_path / "out", "--wind", "0", "--time-limit", "60")
    assert done.returncode == 0, done.stderr
    told = " ".join(done.stdout.split())
    assert "In all 2 settings the best team of" in told and "For the rules: " in told
    table, _, page = results(tmp_path / "out", "sizes")
    assert list(table[table["varied"] == "team"]["wind_mps"]) == [0.0, 4.0]
    assert "Difference of the times by wind" in page


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["lineups", "RACE", "--size", "5"], "no team of 5 with two who pull can be chosen from 4 available riders"),
        (["lineups", "RACE", "--fixed", "Eve"], "has no rider --fixed Eve; allowed: Zoë, Ben, Cas, Dan"),
        (["lineups", "RACE", "--fixed", "Ben", "--unavailable", "Ben"], "no team of 4 with two who pull"),
        (["ill", "RACE", "--rider", "Eve"], "has no rider --rider Eve"),
        (["ill", "RACE", "--rider", "Ben", "--below", "0.9"], "--below"),
        (["ill", "RACE", "--rider", "Ben", "--counting-rider", "7"], "counting_rider"),
        (["sizes", "RACE", "--larger", "3", "--smaller", "3"], "--smaller 3 is not below --larger 3"),
        (["sizes", "RACE", "--larger", "6"], "has 4 riders; allowed: at least --larger 6"),
        (["sensitivity", "RACE", "--rides", "-1"], "--rides"),
        (["sensitivity", "nowhere.toml"], "cannot be read"),
        (["sensitivity", "RACE", "--scheduler", "tcp://127.0.0.1:9"], "does not answer"),
        (["lineups", "RACE", "--time-limit", "nan"], "--time-limit"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_bad_input_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    tmp_path: Path,
    words: list[str],
    sentence: str,
) -> None:
    monkeypatch.setattr("ttt_opt.study_cluster.CONNECTING_S", 0.5)
    race_file = four_riders(tmp_path / "race")
    words = [str(race_file) if word == "RACE" else word for word in words]
    assert run_here(monkeypatch, *words, "--out", tmp_path / "out") == 2
    told = capfd.readouterr().err
    assert sentence in " ".join(told.split())
    assert "Traceback" not in told
    assert not list((tmp_path / "out").glob("*.html")) if (tmp_path / "out").exists() else True
