from __future__ import annotations

import importlib.util
import itertools
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import gpxpy
import gpxpy.gpx
import pytest
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]  # has no types

from ttt_opt.race import Weather, read_race

DATA = Path(__file__).resolve().parents[2] / "data"
FOLDERS = ("demo", "flat-three")


def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo_course", DATA / "make_demo_course.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def track(folder: str) -> list[gpxpy.gpx.GPXTrackPoint]:
    parsed = gpxpy.parse((DATA / folder / "course.gpx").read_text(encoding="utf-8"))
    assert parsed.version == "1.1"
    [only] = parsed.tracks
    [segment] = only.segments
    return segment.points


def steps_m(points: list[gpxpy.gpx.GPXTrackPoint]) -> list[float]:
    """Lengths between neighbouring points on the WGS84 ellipsoid (geographiclib, Karney 2013)."""
    return [
        Geodesic.WGS84.Inverse(a.latitude, a.longitude, b.latitude, b.longitude, Geodesic.DISTANCE)["s12"]
        for a, b in itertools.pairwise(points)
    ]


def elevations(points: list[gpxpy.gpx.GPXTrackPoint]) -> list[float]:
    return [point.elevation for point in points if point.elevation is not None]


def test_the_generator_reproduces_the_committed_bytes(tmp_path: Path) -> None:
    generator().write_courses(tmp_path)
    for folder in FOLDERS:
        assert (tmp_path / folder / "course.gpx").read_bytes() == (
            DATA / folder / "course.gpx"
        ).read_bytes(), folder


@pytest.mark.parametrize(("folder", "length_m"), [("demo", 25_358.0), ("flat-three", 20_041.0)])
def test_length_and_size(folder: str, length_m: float) -> None:
    points = track(folder)
    assert sum(steps_m(points)) == pytest.approx(length_m, abs=15.0)
    assert (DATA / folder / "course.gpx").stat().st_size < 200_000
    assert len(elevations(points)) == len(points)


def test_points_are_evenly_spaced_and_closer_in_bends() -> None:
    lengths_m = steps_m(track("demo"))
    assert max(lengths_m) < 40.0
    assert min(lengths_m) > 2.0
    assert sum(25.0 < length < 40.0 for length in lengths_m) > 0.85 * len(lengths_m)


def test_the_demo_has_one_climb_and_a_fast_descent() -> None:
    points = track("demo")
    distance_m = [0.0, *itertools.accumulate(steps_m(points))]
    height_m = elevations(points)
    top = height_m.index(max(height_m))
    foot = max(i for i in range(top) if height_m[i] < 8.0)
    after = min(i for i in range(top, len(points)) if height_m[i] < 22.0)
    climb_m, rise_m = distance_m[top] - distance_m[foot], height_m[top] - height_m[foot]
    assert 2150.0 < climb_m < 2450.0
    assert 0.05 < rise_m / climb_m < 0.06
    assert (height_m[top] - height_m[after]) / (distance_m[after] - distance_m[top]) > 0.055
    assert max(height_m[after:]) < 40.0
    assert 7900.0 < distance_m[foot] < 8400.0
    assert max(height_m[:foot]) - min(height_m[:foot]) < 8.0
    grades = [
        (b - a) / step for (a, b), step in zip(itertools.pairwise(height_m), steps_m(points), strict=True)
    ]
    assert max(abs(grade) for grade in grades) < 0.08  # on the inside of the bend on the climb


def test_total_climb_of_the_demo() -> None:
    climb_m = sum(max(0.0, b - a) for a, b in itertools.pairwise(elevations(track("demo"))))
    # Rises between the heights in the generator, by hand: dyke 2.5, inland and hill 125, lighthouse 28 out
    # and 18 back, shore 18, dyke 2.5; the vertical curves round off the tops and the dips.
    assert 0.94 * 194.0 < climb_m < 194.0


def test_the_demo_turns_round_and_returns_to_its_start() -> None:
    points = track("demo")
    lengths_m = steps_m(points)
    close = [
        i for i in range(len(lengths_m) - 6) if sum(lengths_m[i : i + 4]) == pytest.approx(12.5, abs=1.5)
    ]
    [first, *_] = close
    before, after = points[first - 3], points[first + 7]
    at = points[first + 2]
    to_turn = Geodesic.WGS84.Inverse(before.latitude, before.longitude, at.latitude, at.longitude)["azi1"]
    from_turn = Geodesic.WGS84.Inverse(at.latitude, at.longitude, after.latitude, after.longitude)["azi2"]
    assert abs((to_turn - from_turn) % 360.0 - 180.0) < 15.0
    start, finish = points[0], points[-1]
    apart = Geodesic.WGS84.Inverse(start.latitude, start.longitude, finish.latitude, finish.longitude)["s12"]
    assert apart == pytest.approx(8.0, abs=0.1)  # two lanes, each 4 m from the centre line


def test_the_flat_course_is_level_and_nearly_straight() -> None:
    points = track("flat-three")
    assert set(elevations(points)) == {2.0}
    start, finish = points[0], points[-1]
    apart = Geodesic.WGS84.Inverse(start.latitude, start.longitude, finish.latitude, finish.longitude)["s12"]
    assert apart > 0.995 * sum(steps_m(points))


def test_heights_are_joined_by_parabolas() -> None:
    height = generator()._height
    heights = [(0.0, 0.0), (1000.0, 0.0), (2000.0, 50.0)]
    # Vertical curve of length L between grades g1 and g2: y(x) = g1 x + (g2 - g1) x^2 / (2 L)
    # (textbooks on road design, from memory).
    for x in (0.0, 40.0, 75.0, 110.0, 150.0):
        assert height(heights, 925.0 + x) == pytest.approx(0.05 * x**2 / (2.0 * 150.0), abs=1e-9)
    assert height(heights, 500.0) == 0.0
    assert height(heights, 1600.0) == pytest.approx(30.0)


def test_the_demo_race_is_read_as_described() -> None:
    race = read_race(DATA / "demo" / "race.toml")
    riders = race.team.riders
    assert race.rules.counting_rider == 0
    assert race.weather.wind_speed_mps == 6.0
    assert len(riders) == 4
    per_kg = [rider.cp_w / rider.mass_kg for rider in riders]
    assert min(per_kg) > 3.95
    assert max(per_kg) < 5.05
    assert 1.18 < max(per_kg) / min(per_kg) < 1.25


def test_the_flat_race_is_the_shortest_one() -> None:
    race = read_race(DATA / "flat-three" / "race.toml")
    assert race.weather == Weather()
    assert [round(rider.cp_w / rider.mass_kg, 2) for rider in race.team.riders] == [4.1, 4.35, 5.0]
    assert [rider.mass_kg for rider in race.team.riders] == [77.0, 66.0, 72.0]
    lines = (DATA / "flat-three" / "race.toml").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 5
    assert replace(race, name="other") != race
