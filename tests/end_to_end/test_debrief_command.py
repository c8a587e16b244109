"""``ttt-opt debrief`` as people run it: files, sentences, exit codes."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plan_examples import on_a_road
from recorded_examples import Recorder, team_recordings, write, write_gpx
from test_cli import run_here
from test_ride_on_course import course_of

from ttt_opt.course import read_course
from ttt_opt.plan import Plan
from ttt_opt.plan_document import document_text, plan_document
from ttt_opt.race import Weather

ROOT = Path(__file__).resolve().parents[2]
POWER_RIDE = ROOT.parent / "shared" / "courses" / "P01-power-41km-275W-1hz.csv"


@pytest.fixture(scope="module")
def plan(demo_road_plan: Plan) -> Plan:
    return demo_road_plan


@pytest.fixture(scope="module")
def plan_file(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plan") / "plan.json"
    path.write_text(document_text(plan_document(plan)), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def rides(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Three recordings as GPX, one as CSV whose clock counts from its own start."""
    folder = tmp_path_factory.mktemp("rides")
    frames = team_recordings(plan, 1, recorders={"Dirk": Recorder(clock_s=60.0)})
    files = {
        name: write_gpx(frame, folder / f"2030-05-12 {name}.gpx", kind)
        for kind, (name, frame) in enumerate(frames.items())
        if name != "Dirk"
    }
    return {**files, "Dirk": write(frames["Dirk"], folder / "dirk.csv")}


def test_a_team_is_debriefed(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    plan_file: Path,
    rides: dict[str, Path],
    tmp_path: Path,
) -> None:
    out = tmp_path / "out"
    assert run_here(monkeypatch, "debrief", plan_file, *rides.values(), "--out", out) == 0
    text = capsys.readouterr().out
    assert f"Written to {out}: debrief.html, debrief.txt, debrief.csv, debrief.json" in text
    names = ["debrief.csv", "debrief.html", "debrief.json", "debrief.txt"]
    assert sorted(path.name for path in out.iterdir()) == names
    assert (out / "debrief.txt").read_text(encoding="utf-8") in text
    first = {name: (out / name).read_bytes() for name in names}
    again = tmp_path / "again"
    assert run_here(monkeypatch, "debrief", plan_file, *reversed(rides.values()), "--out", again) == 0
    assert {name: (again / name).read_bytes() for name in names} == first


def test_one_ride_said_whose_it_is(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], plan_file: Path, rides: dict[str, Path]
) -> None:
    assert run_here(monkeypatch, "debrief", plan_file, "--rider", f"carl={rides['Carl']}") == 0
    text = capsys.readouterr().out
    assert "One ride alone does not tell who led" in text and "Written to" not in text


GOOD_CSV = "seconds,watts,speed_mps,latitude,longitude\n" + "".join(
    f"{n},250,11.0,{55.2 + 1e-4 * n:.4f},4.6\n" for n in range(100)
)
GOOD_GPX = (
    '<?xml version="1.0"?><gpx><trk><trkseg>'
    + "".join(
        f'<trkpt lat="{55.2 + 1e-4 * n:.4f}" lon="4.6"><time>2030-05-12T12:30:{n:02d}Z</time><power>250</power></trkpt>'
        for n in range(60)
    )
    + "</trkseg></trk></gpx>"
)
BAD_RIDES = {
    "empty.csv": b"",
    "empty.gpx": b"",
    "header only.csv": b"seconds,watts,speed_mps,latitude,longitude\n",
    "foreign.csv": GOOD_CSV.replace("watts", "Stärke").encode("latin-1"),
    "foreign.gpx": GOOD_GPX.replace("<trk>", "<trk><name>Stärke</name>").encode("latin-1"),
    "utf-16.csv": GOOD_CSV.encode("utf-16"),
    "unknown encoding.gpx": GOOD_GPX.replace('"1.0"', '"1.0" encoding="EBCDIC-US"').encode(),
    "binary.csv": bytes(range(256)),
    "binary.gpx": bytes(range(256)),
    "back in time.csv": GOOD_CSV.replace("\n40,250", "\n20,250").encode(),
    "back in time.gpx": GOOD_GPX.replace(":40Z", ":20Z").encode(),
    "truncated.csv": GOOD_CSV[:-9].encode(),
    "truncated.gpx": GOOD_GPX[:-100].encode(),
    "no times.gpx": GOOD_GPX.replace("<time>2030-05-12T12:30:", "<when>").replace("Z</time>", "</when>").encode(),
    "no places.csv": b"seconds,watts,speed_mps\n" + b"".join(b"%d,250,11\n" % n for n in range(50)),
    "words.gpx": GOOD_GPX.replace("<power>250", "<power>much", 1).encode(),
    "web page.gpx": b"<!DOCTYPE html><html></html>",
    "another road.csv": GOOD_CSV.replace(",4.6\n", ",5.6\n").encode(),
    "another road.gpx": GOOD_GPX.replace('lon="4.6"', 'lon="5.6"').encode(),
    "a moment.csv": GOOD_CSV[:600].rpartition("\n")[0].encode(),
}


@pytest.mark.parametrize("name", BAD_RIDES)
def test_a_bad_ride_gives_one_sentence(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    plan_file: Path,
    name: str,
) -> None:
    path = tmp_path / name
    path.write_bytes(BAD_RIDES[name])
    assert run_here(monkeypatch, "debrief", plan_file, "--rider", f"Arne={path}", "--out", tmp_path / "out") == 2
    captured = capsys.readouterr()
    [line] = captured.err.splitlines()
    assert line.startswith(f"ttt-opt: {path}: ") and line.isprintable()
    assert captured.out == ""
    assert not list((tmp_path / "out").glob("*")) if (tmp_path / "out").exists() else True


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "RIDE: there is none"),
        (["--rider", "Eve=x.gpx"], '--rider: "Eve" is not in the team; allowed: Arne, Bela, Carl, Dirk'),
        (["--rider", "Arne"], '--rider: "Arne" is not NAME=FILE'),
        (["missing-arne.gpx"], "missing-arne.gpx: does not exist"),
        (["missing-arne.csv"], "missing-arne.csv: cannot be read"),
        (["ride.gpx"], "ride.gpx: names nobody of the team in its file name"),
    ],
)
def test_wrong_words(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    plan_file: Path,
    words: list[str],
    told: str,
) -> None:
    assert run_here(monkeypatch, "debrief", plan_file, *words) == 2
    assert f"ttt-opt: {told}" in capsys.readouterr().err


def test_a_bad_plan(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, rides: dict[str, Path]
) -> None:
    path = tmp_path / "plan.json"
    path.write_text("{}", encoding="utf-8")
    assert run_here(monkeypatch, "debrief", path, rides["Arne"]) == 2
    assert str(path) in capsys.readouterr().err


def test_an_hour_of_four_riders(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], small_plan: Plan, plan: Plan, tmp_path: Path
) -> None:
    """Four laps of 10 km, recorded once a second; how long that takes is measured elsewhere."""
    laps = course_of(np.tile([0.0, 2500.0, 2500.0, 0.0], 4), np.tile([0.0, 0.0, 2500.0, 2500.0], 4))
    hour = on_a_road(small_plan, replace(plan.race, start_order=()), laps)
    assert 3000.0 < hour.ride.finish_time_s < 4500.0
    (tmp_path / "plan.json").write_text(document_text(plan_document(hour)), encoding="utf-8")
    files = [
        write_gpx(frame, tmp_path / f"{name}.gpx", kind)
        for kind, (name, frame) in enumerate(team_recordings(hour, 2).items())
    ]
    assert run_here(monkeypatch, "debrief", tmp_path / "plan.json", *files, "--out", tmp_path / "out") == 0
    assert "Where the time went" in capsys.readouterr().out


@pytest.mark.skipif(not POWER_RIDE.is_file(), reason="the shared courses are not beside the checkout")
def test_a_real_ride_alone(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], small_plan: Plan, plan: Plan, tmp_path: Path
) -> None:
    """As recorded, without editing, on its own road: bookkeeping and orders of magnitude."""
    with POWER_RIDE.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    points = "".join(f'<trkpt lat="{r["lat"]}" lon="{r["lon"]}"><ele>{r["alt_m"]}</ele></trkpt>' for r in rows)
    course_file = tmp_path / "course.gpx"
    course_file.write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>", encoding="utf-8")
    road = on_a_road(small_plan, replace(plan.race, weather=Weather()), read_course(course_file))
    (tmp_path / "plan.json").write_text(document_text(plan_document(road)), encoding="utf-8")
    out = tmp_path / "out"
    words = ["debrief", tmp_path / "plan.json", "--rider", f"Arne={POWER_RIDE}", "--out", out]
    assert run_here(monkeypatch, *words) == 0
    text = capsys.readouterr().out
    assert "Ridden in 1:18:" in text  # 4,700 samples of one second, the last of them standing
    assert "276 (" in text or "275 (" in text  # mean power, of which the file's page says 275.5 W with all samples
    assert (out / "debrief.html").stat().st_size > 10_000
    assert run_here(monkeypatch, "fit", "--ride", POWER_RIDE) == 0
    assert "not all of them were maximal" in " ".join(capsys.readouterr().out.split())
