"""Rides matched to courses that pass places twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from ride_examples import make_course

from ttt_opt.course import Course
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.ride_on_course import METRES_PER_DEGREE, OnCourse, ride_on_course

FloatArray = NDArray[np.float64]
LATITUDE, LONGITUDE = 54.4, 4.6


def placed(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude of places in metres to east and north."""
    degree_m = METRES_PER_DEGREE * np.cos(np.radians(LATITUDE))
    return LATITUDE + y / METRES_PER_DEGREE, LONGITUDE + x / degree_m


def course_of(x: FloatArray, y: FloatArray) -> Course:
    """A course through corners, sampled every 10 m."""
    length = np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y))))
    course = make_course(float(length[-1]))
    latitude, longitude = placed(
        np.interp(course.distance_m, length, x), np.interp(course.distance_m, length, y)
    )
    return replace(course, latitude_deg=latitude, longitude_deg=longitude)


def ridden(course: Course, along: FloatArray, seed: int = 0, noise_m: float = 3.0) -> RecordedRide:
    """A ride at places along a course, one a second; outside it, straight on from its ends."""
    random = np.random.default_rng(seed)
    latitude = np.interp(along, course.distance_m, course.latitude_deg)
    longitude = np.interp(along, course.distance_m, course.longitude_deg)
    off = random.normal(0.0, noise_m, (2, len(along))) / METRES_PER_DEGREE
    time = np.arange(float(len(along)))
    return RecordedRide(
        time, np.full_like(time, 250.0), np.full_like(time, 10.0), None, latitude + off[0], longitude + off[1]
    )


def misses(found: OnCourse, ride: RecordedRide, along: FloatArray) -> FloatArray:
    return np.abs(found.along_m - along[found.first : found.end])


OUT_AND_BACK = course_of(np.array([0.0, 0.0, 6.0, 6.0]), np.array([0.0, 3000.0, 3000.0, 0.0]))
LAPS = course_of(np.tile([0.0, 800.0, 800.0, 0.0], 3), np.tile([0.0, 0.0, 700.0, 700.0], 3))
EIGHT = course_of(
    np.array([0.0, 1000.0, 1000.0, 0.0, 0.0, -1000.0, -1000.0, 0.0]),
    np.array([0.0, 500.0, -500.0, 0.0, 0.0, 500.0, -500.0, 0.0]) + 0.0,
)


@pytest.mark.parametrize("course", [OUT_AND_BACK, LAPS, EIGHT], ids=["out and back", "laps", "eight"])
@pytest.mark.parametrize("seed", range(3))
def test_every_pass_is_told_from_the_others(course: Course, seed: int) -> None:
    along = np.arange(0.0, course.length_m, 11.0)
    ride = ridden(course, along, seed)
    found = ride_on_course(course, ride)
    assert found.covered_share > 0.98
    assert np.nanpercentile(misses(found, ride, along), 99) < 15.0
    assert np.isfinite(found.along_m).mean() > 0.99


def test_a_wait_and_a_gap_without_fixes() -> None:
    moving = np.arange(0.0, 6000.0, 10.0)
    along = np.concatenate([np.zeros(60), moving[:300], np.full(90, moving[299]), moving[300:]])
    ride = ridden(OUT_AND_BACK, along, 1)
    assert ride.latitude_deg is not None and ride.longitude_deg is not None
    for values in (ride.latitude_deg, ride.longitude_deg):
        values[200:260] = np.nan
    found = ride_on_course(OUT_AND_BACK, ride)
    assert np.isnan(found.along_m[200 - found.first : 260 - found.first]).all()
    assert np.nanpercentile(misses(found, ride, along), 98) < 15.0


def test_the_race_comes_after_a_look_at_the_course() -> None:
    once = np.arange(0.0, LAPS.length_m, 11.0)
    look = ridden(LAPS, once, 2)
    whole = ridden(LAPS, np.concatenate([once, once]), 3)
    found = ride_on_course(LAPS, whole)
    assert found.first >= len(look.time_s) - 5
    assert found.passages == 2
    assert found.covered_share > 0.98


def test_another_road_is_refused() -> None:
    ride = ridden(OUT_AND_BACK, np.arange(0.0, 6000.0, 10.0))
    assert ride.latitude_deg is not None
    with pytest.raises(ValueError, match="is not a ride on the course of the plan: it follows 0 % of it"):
        ride_on_course(OUT_AND_BACK, replace(ride, latitude_deg=ride.latitude_deg + 0.1))
    with pytest.raises(ValueError, match=r"it follows 1\d % of it; allowed: 20 % or more"):
        ride_on_course(OUT_AND_BACK, ridden(OUT_AND_BACK, np.arange(0.0, 1000.0, 10.0)))
    with pytest.raises(ValueError, match="has no latitude and longitude"):
        ride_on_course(OUT_AND_BACK, replace(ride, latitude_deg=None, longitude_deg=None))


def test_a_course_across_the_date_line() -> None:
    shifted = replace(OUT_AND_BACK, longitude_deg=(OUT_AND_BACK.longitude_deg + 175.4 + 180.0) % 360.0 - 180.0)
    along = np.arange(0.0, 6000.0, 10.0)
    ride = ridden(OUT_AND_BACK, along)
    assert ride.longitude_deg is not None
    moved = replace(ride, longitude_deg=(ride.longitude_deg + 175.4 + 180.0) % 360.0 - 180.0)
    assert ride_on_course(shifted, moved).covered_share > 0.98
