"""Bends, climbs and wind of the demo road, which was drawn with them (data/README.md), and of made-up roads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ttt_opt.course import Course, read_course
from ttt_opt.course_notes import (
    SHORTEST_WIND_SHARE,
    WindStretch,
    bends,
    slopes,
    wind_stretches,
    wind_words,
)
from ttt_opt.race import read_race
from ttt_opt.rotation_problem import Road, road_of, segments_of

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo" / "race.toml"


@pytest.fixture(scope="module")
def demo() -> tuple[Course, Road]:
    race = read_race(DEMO)
    course = read_course(race.course_file)
    return course, road_of(segments_of(course, race), race, float(course.elevation_m[0]))


def test_bends(demo: tuple[Course, Road]) -> None:
    course, road = demo
    found = bends(course, road)
    assert len(found) >= 5
    assert [bend.start_m for bend in found] == sorted(bend.start_m for bend in found)
    for bend in found:
        inside = (course.distance_m >= bend.start_m - 20.0) & (course.distance_m <= bend.end_m + 20.0)
        assert np.isfinite(course.bend_radius_m[inside]).any()
        before, after = np.interp([bend.start_m - 20.0, bend.end_m + 20.0], course.distance_m, np.arange(len(inside)))
        turned = course.heading_deg[round(after)] - course.heading_deg[round(before)]
        assert abs((bend.turn_deg - turned + 180.0) % 360.0 - 180.0) < 25.0
    around = [bend for bend in found if bend.turns_round]
    assert len(around) == 1
    assert around[0].speed_mps == min(bend.speed_mps for bend in found)


def test_side_of_a_bend_over_north(demo: tuple[Course, Road]) -> None:
    """From 350 to 10 degrees is a turn to the right."""
    course, road = demo
    bend = bends(course, road)[0]
    middle = 0.5 * (bend.start_m + bend.end_m)
    for before, after, side in ((350.0, 10.0, "right"), (10.0, 350.0, "left")):
        turned = replace(course, heading_deg=np.where(course.distance_m < middle, before, after))
        assert bends(turned, road)[0].side == side
        assert abs(bends(turned, road)[0].turn_deg) == pytest.approx(20.0)


def test_slopes(demo: tuple[Course, Road]) -> None:
    course, road = demo
    for slope in slopes(road):
        rise = np.diff(np.interp([slope.start_m, slope.end_m], course.distance_m, course.elevation_m))[0]
        assert slope.rise_m == pytest.approx(rise, abs=1.0)
        assert slope.grade > 0.0 if slope.terrain == "climb" else slope.grade < 0.0
        assert slope.length_m == pytest.approx(slope.rise_m / slope.grade)
    assert max(slope.rise_m for slope in slopes(road)) > 100.0


def test_wind_stretches_cover_the_course(demo: tuple[Course, Road]) -> None:
    _, road = demo
    found = wind_stretches(road)
    assert found[0].start_m == 0.0
    assert found[-1].end_m == road.segments.end_m[-1]
    assert [part.end_m for part in found[:-1]] == [part.start_m for part in found[1:]]
    assert len(found) <= 1.0 / SHORTEST_WIND_SHARE
    lengths = np.array([part.end_m - part.start_m for part in found])
    assert lengths @ [part.headwind_mps for part in found] == pytest.approx(road.length_m @ road.headwind_mps)


@pytest.mark.parametrize(
    ("headwind", "crosswind", "words"),
    [
        (2.04, -1.0, "head wind 2.0 m/s, from the left 1.0 m/s"),
        (-3.0, 0.6, "tail wind 3.0 m/s, from the right 0.6 m/s"),
        (0.4, -2.0, "from the left 2.0 m/s"),
        (0.0, 0.0, "next to none"),
    ],
)
def test_wind_in_words(headwind: float, crosswind: float, words: str) -> None:
    assert wind_words(WindStretch(0.0, 1.0, headwind, crosswind)) == words
