"""A race as it was understood."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from ttt_opt.course import Course, read_course
from ttt_opt.race import Race, Rules, read_race
from ttt_opt.race_text import race_text
from ttt_opt.rotation_problem import Road, road_of, segments_of
from ttt_opt.terminal_names import is_unsafe
from ttt_opt.text_table import WIDTH, display_width

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo" / "race.toml"

Understood = tuple[Race, Course, Road]


@pytest.fixture(scope="module")
def demo() -> Understood:
    race = read_race(DEMO)
    course = read_course(race.course_file)
    return race, course, road_of(segments_of(course, race), race, float(course.elevation_m[0]))


def test_demo_race(demo: Understood) -> None:
    """Figures of the demo files: team.toml says 364 W at 80 kg for Arne, race.toml 6 m/s from 260 degrees."""
    race, course, road = demo
    text = race_text(race, course, road)
    assert text.startswith("Island team time trial · Island four\n")
    assert f"{course.length_m / 1000:.2f} km, {course.total_climb_m:.0f} m of climbing" in text
    assert f"{road.n_segments} segments" in text
    arne = next(line for line in text.splitlines() if line.startswith("Arne"))
    assert arne.split() == [
        "Arne",
        "80.0",
        "88.8",
        "364",
        "4.55",
        arne.split()[5],
        "24.0",
        "0.265",
        "764",
        "yes",
    ]
    assert 340 < int(arne.split()[5]) <= 364
    assert "Wind 6.0 m/s from 260°" in text
    assert f"{int(road.segments.bend.sum())} bends to slow down for" in text
    climbs = [line for line in text.splitlines() if line.startswith("climb ")]
    assert len(climbs) >= 1
    assert "+5." in climbs[0]
    assert "Nothing had to be repaired." in text
    assert max(map(display_width, text.splitlines())) <= WIDTH


def test_calm_flat_race(small_race_file: Path) -> None:
    race = read_race(small_race_file)
    course = read_course(race.course_file)
    calm = replace(race, weather=replace(race.weather, wind_speed_mps=0.0))
    road = road_of(segments_of(course, calm), calm, float(course.elevation_m[0]))
    text = race_text(calm, course, road)
    assert "No wind." in text
    assert "None that riders have to brake for." in text
    assert "None: nowhere steeper" in text


def test_wind_from_the_left(small_race_file: Path) -> None:
    """The road runs north, the wind comes from the west."""
    race = read_race(small_race_file)
    course = read_course(race.course_file)
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    text = race_text(race, course, road)
    assert "head wind 0 %, tail wind 0 %, wind from the right 0 %, wind from the left 100 %" in text


def test_rules_in_words(demo: Understood) -> None:
    race, course, road = demo
    text = race_text(race, course, road)
    assert "The time of the last of 4 counts. Start order: free." in text
    assert "nowhere faster than 70 km/h" in " ".join(text.split())
    other = replace(
        race,
        rules=Rules(counting_rider=3),
        flat=True,
        start_order=("Dirk", "Carl", "Bela", "Arne"),
        limits=replace(race.limits, sustainable_share_of_cp=0.93),
    )
    text = race_text(other, course, road)
    assert "The time of number 3 of 4 counts. Start order: Dirk, Carl, Bela, Arne." in text
    assert "Taken as level" in text
    assert "Lasting: 93 % of CP, as the race file says." in text


def test_hostile_names(demo: Understood) -> None:
    race, course, road = demo
    riders = tuple(replace(rider, name=f"{rider.name}\x1b[2J\u202e" + "W" * 70) for rider in race.team.riders)
    hostile = replace(race, name="\x1b[31m" * 20, team=replace(race.team, name="\r" * 80, riders=riders))
    text = race_text(hostile, replace(course, name="\x07" * 80, repairs=("\x1b]0;title\x07",)), road)
    assert not any(is_unsafe(character) for line in text.split("\n") for character in line)
    assert max(map(display_width, text.splitlines())) <= WIDTH
