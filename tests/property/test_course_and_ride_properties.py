"""What must hold for every course that is read, and for every ride of one."""

from __future__ import annotations

import math
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ttt_opt import physics
from ttt_opt.course import Course, read_course
from ttt_opt.plan import Plan
from ttt_opt.race import Race, Weather
from ttt_opt.ride import Ride, ride
from ttt_opt.ride_check import RESERVE_TOLERANCE_J
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

METRES_PER_DEGREE = 111_195.0
few = settings(max_examples=15, derandomize=True, deadline=None)


def road(seed: int, latitude_deg: float = 50.0, longitude_deg: float = 6.0) -> FloatArray:
    """Latitude, longitude and elevation every 25 m along a road that wanders and rolls, without sharp bends."""
    draw = np.random.default_rng(seed)
    place = np.arange(0.0, 2_001.0, 25.0)
    heading = draw.uniform(0.0, 2.0 * math.pi) + draw.uniform(-1.0, 1.0) * np.sin(place / draw.uniform(200.0, 400.0))
    north = np.concatenate([[0.0], np.cumsum(25.0 * np.cos(heading[:-1]))])
    east = np.concatenate([[0.0], np.cumsum(25.0 * np.sin(heading[:-1]))])
    elevation = 100.0 + draw.uniform(0.0, 25.0) * np.sin(place / draw.uniform(120.0, 400.0))
    latitude = latitude_deg + north / METRES_PER_DEGREE
    longitude = longitude_deg + east / METRES_PER_DEGREE / math.cos(math.radians(latitude_deg))
    return np.column_stack([latitude, (longitude + 540.0) % 360.0 - 180.0, elevation])


def read(points: FloatArray) -> Course:
    inner = "".join(f'<trkpt lat="{a:.8f}" lon="{o:.8f}"><ele>{e:.3f}</ele></trkpt>' for a, o, e in points)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "course.gpx"
        file.write_text(f"<gpx><trk><trkseg>{inner}</trkseg></trk></gpx>")
        return read_course(file)


seeds = st.integers(0, 10_000)


@few
@given(seed=seeds)
def test_a_course_ridden_backwards_is_as_long_and_descends_what_it_climbed(seed: int) -> None:
    points = road(seed)
    there, back = read(points), read(points[::-1])
    assert back.length_m == pytest.approx(there.length_m, rel=1e-6)
    rises = there.elevation_m[-1] - there.elevation_m[0]
    assert back.elevation_m[-1] - back.elevation_m[0] == pytest.approx(-rises, abs=1.0)
    assert np.interp(there.length_m - there.distance_m, back.distance_m, back.elevation_m) == pytest.approx(
        there.elevation_m, abs=1.0
    )


@few
@given(seed=seeds, longitude_deg=st.floats(-180.0, 180.0), south=st.booleans())
def test_a_course_is_the_same_wherever_it_lies(seed: int, longitude_deg: float, south: bool) -> None:
    """Along a parallel, over the antimeridian too; and mirrored at the equator, where left and right change places."""
    here, there = read(road(seed)), read(road(seed, longitude_deg=longitude_deg))
    assert there.length_m == pytest.approx(here.length_m, rel=1e-6)
    assert there.total_climb_m == pytest.approx(here.total_climb_m, abs=0.1)
    turned = (there.heading_deg - here.heading_deg + 180.0) % 360.0 - 180.0
    assert np.abs(turned).max() < 0.2
    if south:
        points = road(seed)
        points[:, 0] *= -1.0
        assert read(points).length_m == pytest.approx(here.length_m, rel=1e-6)


@few
@given(seed=seeds, times=st.lists(st.integers(1, 6), min_size=81, max_size=81))
def test_repeated_points_change_nothing(seed: int, times: list[int]) -> None:
    points = road(seed)
    once, often = read(points), read(np.repeat(points, times, axis=0))
    assert often.length_m == once.length_m
    assert often.elevation_m == pytest.approx(once.elevation_m, abs=1e-9)


@given(
    power=st.floats(100.0, 600.0),
    wind=st.floats(0.0, 12.0),
    mass=st.floats(55.0, 110.0),
    area=st.floats(0.15, 0.4),
    crr=st.floats(0.002, 0.008),
)
def test_head_wind_never_helps_on_an_out_and_back_at_constant_power(
    power: float, wind: float, mass: float, area: float, crr: float
) -> None:
    """Minutes lost against the wind are more than those won with it."""

    def pace(head_mps: float) -> float:
        speed = physics.speed_at_power(
            power, mass_kg=mass, drag_area_m2=area, grade=0.0, headwind_mps=head_mps, air_density=1.2, crr=crr
        )
        return float(1.0 / speed)

    assert pace(wind) + pace(-wind) >= 2.0 * pace(0.0) * (1.0 - 1e-9)


@given(
    power=st.floats(100.0, 600.0),
    grade=st.floats(0.0, 0.2),
    mass=st.floats(50.0, 110.0),
    more=st.floats(0.5, 30.0),
)
def test_time_is_monotone_in_mass_on_climbs(power: float, grade: float, mass: float, more: float) -> None:
    rest = {"drag_area_m2": 0.25, "grade": grade, "headwind_mps": 0.0, "air_density": 1.2, "crr": 0.004}
    light, heavy = (float(physics.speed_at_power(power, mass_kg=m, **rest)) for m in (mass, mass + more))
    assert heavy < light


# --- rides of a whole course ----------------------------------------------------------------------------------


def level_course(length_m: float, grade: float, there_and_back: bool) -> Course:
    distance = np.linspace(0.0, length_m, round(length_m / 10.0) + 1)
    half = distance > length_m / 2.0
    zero = np.zeros_like(distance)
    return Course(
        name="Example",
        distance_m=distance,
        elevation_m=grade * distance,
        latitude_deg=zero,
        longitude_deg=zero,
        heading_deg=np.where(half, 180.0, 0.0) if there_and_back else zero,
        bend_radius_m=np.full_like(distance, np.inf),
        repairs=(),
        total_climb_m=grade * length_m,
    )


def solo(course: Course, rider: Rider, weather: Weather, power_w: float) -> Ride:
    team = Team("Alone", (rider,))
    race = Race("Example", team, Path("none.gpx"), weather=weather)
    speed = np.array([10.0])
    pulls = (ScheduledPull((0,), 0, 1),)
    boundary = np.array([0.0, course.length_m])
    schedule = Schedule(boundary, speed, speed, np.array([power_w]), np.zeros(1), pulls)
    return ride(course, team, race, schedule)


RIDER = Rider("Arne", mass_kg=72.0, cp_w=300.0, w_prime_j=20000.0, cda_m2=0.25, peak_power_w=900.0)


@pytest.fixture
def no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaders hold their power whatever the schedule's clock says."""
    monkeypatch.setattr("ttt_opt.ride.CLOCK_GAIN_PER_S", 0.0)


@pytest.mark.usefixtures("no_clock")
@pytest.mark.parametrize("power_w", [220.0, 330.0])
def test_head_wind_never_helps_in_a_ride_out_and_back(power_w: float) -> None:
    """Standing start and all; the wind is steady, power is constant."""
    course = level_course(4_000.0, 0.0, there_and_back=True)
    seconds = [
        float(solo(course, RIDER, Weather(wind_speed_mps=wind, wind_from_deg=0.0), power_w).time_s[-1])
        for wind in (0.0, 2.0, 5.0, 9.0)
    ]
    assert seconds == sorted(seconds)
    assert seconds[-1] > seconds[0] + 5.0


@pytest.mark.usefixtures("no_clock")
@pytest.mark.parametrize("grade", [0.02, 0.08])
def test_heavier_riders_take_longer_in_a_ride_uphill(grade: float) -> None:
    course = level_course(1_500.0, grade, there_and_back=False)
    seconds = [
        float(solo(course, replace(RIDER, mass_kg=mass), Weather(), 320.0).time_s[-1])
        for mass in (60.0, 61.0, 75.0, 95.0)
    ]
    assert seconds == sorted(seconds)
    assert seconds[-1] > 1.1 * seconds[0]


def test_w_prime_of_a_plan_and_its_ride_is_never_above_capacity_or_below_reserve(small_plan: Plan) -> None:
    full = np.array([rider.w_prime_j for rider in small_plan.race.team.riders])
    reserve_j = small_plan.race.limits.w_prime_reserve_j
    for left in (small_plan.ride.w_prime_j, small_plan.optimum.w_prime_j):
        assert np.nanmax(left - full) <= 1e-6
    assert np.nanmin(small_plan.optimum.w_prime_j) >= reserve_j - 1e-6
    assert np.nanmin(small_plan.ride.w_prime_j) >= reserve_j - RESERVE_TOLERANCE_J
