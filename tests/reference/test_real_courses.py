"""Real GPX files: each is either read with notes, or refused with one sentence.

The files are not part of the repository; their README names origin, licence, length and climb. Expected
lengths and climbs are that README's: length inside segments on the WGS84 ellipsoid, sum of rises raw and
with a 5 m dead band.
"""

from __future__ import annotations

from pathlib import Path

import gpxpy
import numpy as np
import pytest
from numpy.typing import NDArray

from ttt_opt.course import Course, read_course
from ttt_opt.errors import InputError
from ttt_opt.gpx import read_track
from ttt_opt.race import Limits
from ttt_opt.segments import cut_segments

FOLDER = Path(__file__).resolve().parents[2] / ".." / "shared" / "courses"
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the folder of real GPX files is not here")

READ = {
    # beginning of the name: length in km, raw climb, climb with a dead band of 5 m
    "A07": (17.503, 155.0, 71.0),
    "A08": (123.061, 2940.0, 1939.0),
    "A09": (97.894, 1293.0, 736.0),
    "A10": (25.003 + 0.264, 356.0, 256.0),  # with the gap between its two tracks
    "B01": (11.195, 220.0, 206.0),
}
READ_IN_PART = {
    "B03": "falls apart into 3 stretches",
    "B04": "falls apart into 2 stretches",
    "B07": "consists of 14 pieces",
}
NEED_FLAT = {
    "A15": "elevation: the course has none",
    "B02": "elevation: the course has none",
    "B08": "elevation: is 0 at every point",
}
REFUSED = {
    "B06": "44 % of the way are jumps",
    "C01": "the points lie 755 m apart",
    "C02": "line 5: 'lat' of track point 1 is 'undefined'",
    "C03": "is not well-formed XML (mismatched tag)",
    "C04": "holds 1 waypoint but no track",
    "C05": "the points lie 880 m apart",
    "C06": "holds 8 waypoints but no track",
    "C07": "holds 1 waypoint but no track",
    "C08": "holds no track or route",
    "C09": "all points of the track are at one place",
    "C12": "the points lie 1399 m apart",
    "P01": "is not a GPX file",
}


def file_of(key: str) -> Path:
    (file,) = FOLDER.glob(f"{key}*")
    return file


def reference_speed(grade: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.clip(12.5 * np.exp(-8.0 * grade), 4.0, 20.0)


def check_believable(course: Course) -> None:
    assert np.abs(course.grade).max() <= 0.25 + 1e-9
    assert all(note.endswith(".") and "\n" not in note for note in course.repairs)
    assert (course.bend_radius_m >= 5.0).all()
    for wet in (False, True):
        segments = cut_segments(course, wet=wet, reference_speed=reference_speed, pulls=Limits().pulls)
        assert segments.end_m[-1] == course.length_m
        assert segments.length_m.min() >= 20.0
        assert segments.length_m.max() <= 400.0


def test_every_file_is_expected_to_be_read_or_refused() -> None:
    expected = {*READ, *READ_IN_PART, *NEED_FLAT, *REFUSED}
    assert {file.name[:3] for file in FOLDER.iterdir() if file.suffix in (".gpx", ".csv")} == expected


@pytest.mark.parametrize("key", READ)
def test_length_and_climb(key: str) -> None:
    length_km, raw_m, dead_band_m = READ[key]
    course = read_course(file_of(key))
    check_believable(course)
    assert course.length_m / 1000.0 == pytest.approx(length_km, rel=5e-4)
    # Two filters need not agree; noise must not count, real climbs must.
    assert course.total_climb_m < raw_m
    assert 0.9 * dead_band_m < course.total_climb_m < 1.2 * dead_band_m


@pytest.mark.parametrize("key", READ_IN_PART)
def test_what_is_read_in_part_says_so(key: str) -> None:
    course = read_course(file_of(key))
    check_believable(course)
    assert any(READ_IN_PART[key] in note for note in course.repairs)


@pytest.mark.parametrize("key", NEED_FLAT)
def test_unknown_elevation_is_refused_unless_flat(key: str) -> None:
    with pytest.raises(InputError, match=NEED_FLAT[key]):
        read_course(file_of(key))
    course = read_course(file_of(key), flat=True)
    check_believable(course)
    assert (course.elevation_m == 0.0).all()


@pytest.mark.parametrize("key", REFUSED)
@pytest.mark.parametrize("flat", [False, True])
def test_refused_with_one_sentence(key: str, flat: bool) -> None:
    with pytest.raises(InputError) as caught:
        read_course(file_of(key), flat=flat)
    assert REFUSED[key] in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("key", "most"), [("A07", 18.0), ("A08", 5.0), ("A09", 6.0), ("A10", 12.0)])
def test_noise_of_recorders_makes_no_bends(key: str, most: float) -> None:
    # Bends below 45 km/h per 10 km. A07 winds through a town, A10 is a hilly course on lanes; both have that
    # many turns of 60 degrees and more. Bound: our judgement of the maps, no source.
    course = read_course(file_of(key))
    tight = np.concatenate(([False], course.bend_radius_m < 12.5**2 / 3.5))
    count = int((~tight[:-1] & tight[1:]).sum())
    assert 0.0 < count / course.length_m * 10_000.0 < most


def test_repairs_of_a_ride_with_repeated_points_and_gaps() -> None:
    notes = read_course(file_of("A09")).repairs
    assert "583 repeated points left out." in notes
    assert "At km 23.74 the track jumps by 1580 m; a straight line bridges it." in notes


def test_step_of_a_hundred_metres_does_not_climb() -> None:
    notes = read_course(file_of("A08")).repairs
    assert any("99 m off the neighbours replaced" in note for note in notes)


@pytest.mark.parametrize("key", ["A07", "A08", "A09", "A10", "A15", "B03", "B04", "B06", "B07", "B08", "C12"])
def test_same_points_as_another_reader(key: str) -> None:
    with file_of(key).open(encoding="utf-8") as stream:
        other = gpxpy.parse(stream)
    points = [point for track in other.tracks for segment in track.segments for point in segment.points]
    track = read_track(file_of(key))
    assert track.latitude_deg.tolist() == [point.latitude for point in points]
    assert track.longitude_deg.tolist() == [point.longitude for point in points]
    elevation = [np.nan if point.elevation is None else point.elevation for point in points]
    assert np.array_equal(track.elevation_m, elevation, equal_nan=True)


def test_bad_fix_and_unbound_prefix_do_not_hinder() -> None:
    assert len(read_track(file_of("C01")).latitude_deg) == 2
    assert len(read_track(file_of("C05")).latitude_deg) == 3
