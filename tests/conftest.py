"""Fixtures that tests share: a small invented race, and one plan of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

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


def write_race(folder: Path, race: str = RACE, team: str = TEAM) -> Path:
    """Write a race of three riders over three flat kilometres and give the name of its race file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "course.gpx").write_text(straight_road_gpx(3000.0), encoding="utf-8")
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
