"""The course with cue points: valid GPX 1.1, readable names, in the order of the road."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import gpxpy
import numpy as np
import pytest
import xmlschema
from plan_examples import renamed, with_many_pulls
from test_briefing import HOSTILE

from ttt_opt.course import read_course
from ttt_opt.course_notes import bends, slopes
from ttt_opt.cues import LONGEST_NAME, MOST_CUES, MOST_POINTS, cues, cues_gpx, readable
from ttt_opt.gpx import read_track
from ttt_opt.plan import Plan
from ttt_opt.terminal_names import is_unsafe

SPACE = "{http://www.topografix.com/GPX/1/1}"
SCHEMA = xmlschema.XMLSchema(Path(__file__).resolve().parents[1] / "data" / "gpx-1.1.xsd")
"""The schema of GPX 1.1 as TopoGrafix publishes it, see tests/data/README.md."""


def assert_valid(text: str) -> ElementTree.Element:
    """Valid against the schema of GPX 1.1; every point has an elevation, and coordinates stand without exponents."""
    SCHEMA.validate(text)
    root = ElementTree.fromstring(text)
    for node in root.iter():
        if node.tag in (f"{SPACE}wpt", f"{SPACE}trkpt"):
            assert math.isfinite(float(node.findtext(f"{SPACE}ele", "")))
            assert "e" not in (node.get("lat", "") + node.get("lon", "")).lower()  # xsd:decimal
    return root


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('version="1.1"', 'version="1.0"'),
        (' creator="ttt-opt"', ""),
        ('<wpt lat="', '<wpt lat="9'),
        ("<name>Finish</name>", "<name>Finish</name><ele>1.0</ele>"),
        ("<ele>", "<height>3</height><ele>"),
    ],
)
def test_the_schema_refuses_what_is_no_gpx(right: str, wrong: str, small_plan: Plan) -> None:
    text = cues_gpx(small_plan)
    assert right in text
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        SCHEMA.validate(text.replace(right, wrong, 1))


def test_stretches_of_the_rideable_plan_are_cues(demo_road_plan_in_eight: Plan) -> None:
    plan = demo_road_plan_in_eight
    assert plan.rideable is not None
    found = [cue for cue in cues(plan) if cue.kind == "stretch"]
    assert "change of leader" not in {cue.kind for cue in cues(plan)}
    for number, (cue, stretch) in enumerate(zip(found, plan.rideable.stretches, strict=True), start=1):
        assert cue.distance_m == stretch.start_m
        assert cue.name == f"{number} {stretch.line[0]} leads"
        for rider in stretch.riders:
            assert f"{rider.rider} {rider.pull_s} s " in cue.told
    assert_valid(cues_gpx(plan))


def test_valid_and_read_back_by_two_readers(demo_road_plan: Plan, tmp_path: Path) -> None:
    text = cues_gpx(demo_road_plan)
    root = assert_valid(text)
    path = tmp_path / "cues.gpx"
    path.write_text(text, encoding="utf-8")
    track, other, course = read_track(path), gpxpy.parse(text), demo_road_plan.course
    np.testing.assert_allclose(track.latitude_deg, course.latitude_deg, atol=1e-7)
    np.testing.assert_allclose(track.longitude_deg, course.longitude_deg, atol=1e-7)
    np.testing.assert_allclose(track.elevation_m, course.elevation_m, atol=0.051)
    assert track.name == course.name
    assert track.notes == ()
    points = other.tracks[0].segments[0].points
    assert [point.latitude for point in points] == track.latitude_deg.tolist()
    assert [point.name for point in other.waypoints] == [cue.name for cue in cues(demo_road_plan)]
    assert len(root.findall(f"{SPACE}wpt")) == len(other.waypoints)
    assert read_course(path).length_m == pytest.approx(course.length_m, rel=1e-3)


def test_cues_lie_along_the_road(demo_road_plan: Plan) -> None:
    found = cues(demo_road_plan)
    assert [cue.distance_m for cue in found] == sorted(cue.distance_m for cue in found)
    assert found[-1].name == "Finish"
    by_kind = {kind: [cue for cue in found if cue.kind == kind] for kind in {cue.kind for cue in found}}
    climbs = [slope for slope in slopes(demo_road_plan.road) if slope.terrain == "climb"]
    assert len(by_kind["bend"]) == len(bends(demo_road_plan.course, demo_road_plan.road)) > 0
    assert len(by_kind["climb"]) == 2 * len(climbs) > 0
    relieving = demo_road_plan.pulls[1:]
    assert [cue.distance_m for cue in by_kind["change of leader"]] == [pull.start_m for pull in relieving]
    for cue, pull in zip(by_kind["change of leader"], relieving, strict=True):
        assert cue.name == f"{pull.rider} {pull.front_power_w:.0f}W"
        assert f"{pull.rider} leads for {pull.duration_s:.0f} s at {pull.front_power_w:.0f} W." in cue.told
    points = gpxpy.parse(cues_gpx(demo_road_plan)).waypoints
    for cue, point in zip(found, points, strict=True):
        course = demo_road_plan.course
        assert point.latitude == pytest.approx(
            np.interp(cue.distance_m, course.distance_m, course.latitude_deg), abs=1e-7
        )


def test_number_of_cues_is_bounded(demo_road_plan: Plan) -> None:
    many = with_many_pulls(demo_road_plan, 1000)
    found = cues(many)
    assert 0.6 * MOST_CUES < len(found) <= MOST_CUES
    assert {cue.kind for cue in found} == {"change of leader", "bend", "climb", "finish"}


@pytest.mark.parametrize("names", [*HOSTILE, ("\x00\x1f", "\ud800", "\ufffe")])
def test_hostile_names(names: tuple[str, ...], small_plan_in_eight: Plan) -> None:
    text = cues_gpx(renamed(small_plan_in_eight, names))
    root = assert_valid(text)
    for point in root.findall(f"{SPACE}wpt"):
        name = point.findtext(f"{SPACE}name", "")
        assert 1 <= len(name) <= LONGEST_NAME
        assert not set(name) & set('<>&"\n=@+')
        assert not any(is_unsafe(character) for character in name)
    assert gpxpy.parse(text).waypoints


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Zoë", "Zoë"),
        ("Zoe\u0308", "Zoë"),
        ("  Jean-Luc  d'Arc ", "Jean-Luc d'Arc"),
        ("<b>Ben</b>", "bBenb"),
        ("👩‍👩‍👧‍👦", "other"),
        ("...", "other"),
        ("\u202eeve", "eve"),
        ("A" * 80, "A" * 15),
    ],
)
def test_readable(text: str, name: str) -> None:
    assert readable(text, 15, "other") == name


def test_across_the_date_line(small_plan: Plan) -> None:
    """Longitudes stay below 180, and no cue lies on the other side of the earth."""
    course = small_plan.course
    east = np.linspace(179.99, 180.03, len(course.distance_m))
    for longitude in (east, np.where(east >= 180.0, east - 360.0, east)):
        root = assert_valid(cues_gpx(replace(small_plan, course=replace(course, longitude_deg=longitude))))
        for point in root.iter(f"{SPACE}wpt"):
            assert abs(float(point.get("lon", ""))) > 179.9


def test_long_courses_have_fewer_points(small_plan: Plan) -> None:
    places = np.linspace(0.0, 300_000.0, 30_001)
    zero = np.zeros_like(places)
    course = replace(
        small_plan.course,
        distance_m=places,
        elevation_m=zero,
        latitude_deg=places / 111_195.0,
        longitude_deg=zero,
        heading_deg=zero,
        bend_radius_m=zero + np.inf,
    )
    track = gpxpy.parse(cues_gpx(replace(small_plan, course=course))).tracks[0].segments[0].points
    assert 0.5 * MOST_POINTS < len(track) <= MOST_POINTS + 1
    assert track[-1].latitude == pytest.approx(300_000.0 / 111_195.0, abs=1e-7)


def test_same_plan_same_bytes(small_plan: Plan) -> None:
    assert cues_gpx(small_plan) == cues_gpx(small_plan)
