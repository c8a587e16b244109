"""Patterns in words: large teams, and what riders can see where a stretch begins."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from conftest import METRES_PER_DEGREE, write_race

from ttt_opt.course import read_course
from ttt_opt.pattern_plan import StretchRider, landmark
from ttt_opt.pattern_text import rideable_text, speeds_of
from ttt_opt.plan import Plan
from ttt_opt.race import read_race
from ttt_opt.rotation_problem import road_of, segments_of

SIX = ("Arne", "Bela", "Carl", "Dirk", "Emil", "Finn")
WATTS = {"flat": 400, "uphill": 430}


def of_six(plan: Plan) -> Plan:
    """The plan with a first stretch of six riders."""
    assert plan.rideable is not None
    riders = tuple(
        StretchRider(name, 20 + 5 * i, 2, {slope: watts + 10 * i for slope, watts in WATTS.items()})
        for i, name in enumerate(SIX)
    )
    first = replace(
        plan.rideable.stretches[0],
        line=SIX,
        riders=riders,
        downhill_s=15,
        lowest_kmh=41.2,
        highest_kmh=47.9,
        swing_off="left",
    )
    return replace(plan, rideable=replace(plan.rideable, stretches=(first,)))


def test_patterns_of_a_large_team_are_sentences(small_plan: Plan) -> None:
    """Six columns do not fit: each rider has his seconds and watts after his name, in line order."""
    text = " ".join(" ".join(rideable_text(of_six(small_plan))).split())
    assert "; 41 to 48 km/h, off to the left" in text
    told = "; ".join(
        f"{name} {20 + 5 * i} s flat {400 + 10 * i}, uphill {430 + 10 * i} W" for i, name in enumerate(SIX)
    )
    assert told in text
    assert "downhill 15 s each" in text
    assert f"At the start Arne accelerates at {small_plan.rideable.start_power_w} W." in text  # type: ignore[union-attr]


def test_one_speed_is_told_once(small_plan: Plan) -> None:
    """Where both ends round to the same figure."""
    plan = of_six(small_plan)
    assert plan.rideable is not None
    steady = replace(plan.rideable.stretches[0], lowest_kmh=38.8, highest_kmh=39.2)
    assert speeds_of(steady) == speeds_of(steady, "-") == "39"
    assert speeds_of(replace(steady, highest_kmh=40.0), "-") == "39-40"


def test_no_line_is_wider_than_a_terminal(small_plan: Plan) -> None:
    assert max(len(line) for line in rideable_text(of_six(small_plan))) <= 100


@pytest.mark.parametrize(
    ("way", "place_m", "seen"),
    [
        (1.0, 0.0, "start"),
        (1.0, 1000.0, "climb begins"),
        (1.0, 1600.0, "climb ends"),
        (-1.0, 1000.0, "descent begins"),
        (-1.0, 1600.0, "descent ends"),
        (1.0, 2200.0, "km 2.2"),
    ],
)
def test_landmarks_of_a_hill(way: float, place_m: float, seen: str, tmp_path: Path) -> None:
    """Between 1,000 and 1,600 m of a straight road it rises, or falls, by 6 %."""
    race_file = write_race(tmp_path)
    points = "".join(
        f'<trkpt lat="{54.4 + metres / METRES_PER_DEGREE:.7f}" lon="4.6">'
        f"<ele>{100.0 + way * 0.06 * min(max(metres - 1000, 0), 600):.2f}</ele></trkpt>"
        for metres in range(0, 3001, 20)
    )
    race_file.with_name("course.gpx").write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>", encoding="utf-8")
    race = read_race(race_file)
    course = read_course(race.course_file)
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    assert landmark(course, road, place_m) == seen
