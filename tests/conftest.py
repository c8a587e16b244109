"""Fixtures that tests share: a small invented race, and one plan of it."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from plan_examples import in_eight_stretches, on_the_demo_road

from ttt_opt.plan import Plan, make_plan, with_patterns
from ttt_opt.plan_document import document_text, plan_document
from ttt_opt.race import read_race
from ttt_opt.search_control import Settings

METRES_PER_DEGREE = 111_195.0
"""Of latitude, nearly."""

TEAM = """
[team]
name = "Invented three"

[[riders]]
name = "Zoë"
mass_kg = 77
cp_w = 316
w_prime_j = 20000
cda_m2 = 0.250

[[riders]]
name = "Ben"
mass_kg = 66
cp_w = 287
w_prime_j = 17000
cda_m2 = 0.225
peak_power_w = 800

[[riders]]
name = "Cas"
mass_kg = 72
cp_w = 360
w_prime_j = 19000
cda_m2 = 0.235
"""

RACE = """
name = "Small race"
course = "course.gpx"
team = "team.toml"
start_time = 2031-06-01T10:00:00

[weather]
wind_speed_mps = 4
wind_from_deg = 270
"""

SHORT_RACE = f"""
start_order = ["Zoë", "Ben", "Cas"]
{RACE}
[limits.pulls.flat]
longest_s = 30
"""
"""For a kilometre, on which each of the three pulls then."""


def straight_road_gpx(length_m: float) -> str:
    """A level road that runs straight north, on an invented place in the sea."""
    points = "".join(
        f'<trkpt lat="{54.4 + metres / METRES_PER_DEGREE:.7f}" lon="4.6"><ele>2.0</ele></trkpt>'
        for metres in range(0, round(length_m) + 1, 30)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?><gpx version="1.1" creator="test" '
        'xmlns="http://www.topografix.com/GPX/1/1"><trk><name>Straight road</name>'
        f"<trkseg>{points}</trkseg></trk></gpx>"
    )


def write_race(folder: Path, race: str = RACE, team: str = TEAM, length_m: float = 3000.0) -> Path:
    """Write a race, of three riders over three flat kilometres if nothing else is said, and give its race file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "course.gpx").write_text(straight_road_gpx(length_m), encoding="utf-8")
    (folder / "team.toml").write_text(team, encoding="utf-8")
    race_file = folder / "race.toml"
    race_file.write_text(race, encoding="utf-8")
    return race_file


@pytest.fixture(scope="session")
def small_race_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_race(tmp_path_factory.mktemp("small-race"))


@pytest.fixture(scope="session")
def small_plan(small_race_file: Path) -> Plan:
    return with_patterns(make_plan(read_race(small_race_file), Settings(time_limit_s=60.0)))


@pytest.fixture(scope="session")
def small_plan_text(small_plan: Plan) -> str:
    """What plan.json holds for the small plan."""
    return document_text(plan_document(small_plan))


@pytest.fixture(scope="session")
def small_plan_in_eight(small_plan: Plan) -> Plan:
    """The small plan in eight stretches, see :func:`plan_examples.in_eight_stretches`."""
    return in_eight_stretches(small_plan)


@pytest.fixture(scope="session")
def demo_road_plan(small_plan: Plan) -> Plan:
    """The race of the demo ridden without a search, see :func:`plan_examples.on_the_demo_road`."""
    return on_the_demo_road(small_plan)


@pytest.fixture(scope="session")
def demo_road_plan_in_eight(demo_road_plan: Plan) -> Plan:
    """The same in eight stretches."""
    return in_eight_stretches(demo_road_plan)


@pytest.fixture
def listens_to_ctrl_c() -> Iterator[None]:
    """Also where the tests run in the background, where shells have Ctrl-C ignored."""
    old = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, old)


def answer_with(monkeypatch: pytest.MonkeyPatch, plan: Plan) -> None:
    """The plan command of this process finds this plan, patterns and all, without a search."""
    monkeypatch.setattr("ttt_opt.plan.make_plan", lambda *_: plan)
    monkeypatch.setattr("ttt_opt.plan.with_patterns", lambda made, *_: made)


@pytest.fixture
def first_patterns(monkeypatch: pytest.MonkeyPatch) -> None:
    """The plan command of this process takes the first patterns that it finds, as where their time is up at once."""
    monkeypatch.setattr("ttt_opt.plan.seconds_for", lambda *_: 0.0)


@pytest.fixture(scope="session")
def shortest_race_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two riders over 600 m without wind: all files of a plan in a second or two, for where any plan will do."""
    two, calm = TEAM[: TEAM.rindex("[[riders]]")], RACE[: RACE.index("[weather]")]
    return write_race(tmp_path_factory.mktemp("shortest-race"), calm, two, 600.0)


@pytest.fixture(scope="session")
def short_plan_text(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What plan.json holds for three riders over a kilometre, with first patterns: quickly ridden anew by a reader."""
    race_file = write_race(tmp_path_factory.mktemp("short-race"), SHORT_RACE, length_m=1000.0)
    plan = with_patterns(make_plan(read_race(race_file), Settings(time_limit_s=60.0)), seconds=0.0)
    assert plan.rideable is not None
    assert all(fall_back.plan is not None for fall_back in plan.fall_backs)
    return document_text(plan_document(plan))


@pytest.fixture
def small_document(small_plan_text: str) -> dict[str, Any]:
    """The small plan's document, fresh for every test that changes it."""
    document: dict[str, Any] = json.loads(small_plan_text)
    return document


@pytest.fixture
def small_plan_file(tmp_path: Path, small_plan_text: str) -> Path:
    path = tmp_path / "plan.json"
    path.write_text(small_plan_text, encoding="utf-8")
    return path
