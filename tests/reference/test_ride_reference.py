"""The ride against closed forms, another integrator and published values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from ttt_opt.changeover import changeover_work
from ttt_opt.course import Course
from ttt_opt.drafting import draft_shares
from ttt_opt.physics import (
    DRIVETRAIN_EFFICIENCY,
    GRAVITY_MPS2,
    WHEEL_ROTATION_DRAG_AREA_M2,
    air_density,
    air_density_at,
    kinetic_mass,
    rider_height_wind,
    speed_at_power,
)
from ttt_opt.race import Limits, Race, Weather
from ttt_opt.ride import LARGEST_ACCELERATION_MPS2, Ride, ride
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

RIDER = Rider("Ada", mass_kg=76.5, cp_w=300.0, w_prime_j=20000.0, cda_m2=0.25, peak_power_w=1200.0)


def course_of(length_m: float, grade: float = 0.0, heading_deg: float = 0.0) -> Course:
    distance = np.linspace(0.0, length_m, round(length_m / 10.0) + 1)
    zero = np.zeros_like(distance)
    return Course(
        name="Example",
        distance_m=distance,
        elevation_m=grade * distance,
        latitude_deg=zero,
        longitude_deg=zero,
        heading_deg=zero + heading_deg,
        bend_radius_m=np.full_like(distance, np.inf),
        repairs=(),
        total_climb_m=max(0.0, grade * length_m),
    )


def race_of(team: Team, weather: Weather | None = None, crr: float = 0.004) -> Race:
    return Race(
        "Example",
        team,
        Path("none.gpx"),
        weather=Weather() if weather is None else weather,
        limits=Limits(),
        crr=crr,
    )


@pytest.fixture(autouse=True)
def no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaders hold their power whatever the schedule's clock says."""
    monkeypatch.setattr("ttt_opt.ride.CLOCK_GAIN_PER_S", 0.0)


def solo(
    course: Course,
    powers_w: list[float],
    boundary_m: list[float],
    race: Race,
    rider: Rider = RIDER,
    time_step_s: float = 0.5,
) -> Ride:
    """One rider at one power per segment."""
    n_segments = len(powers_w)
    speed_mps = np.full(n_segments, 10.0)
    schedule = Schedule(
        np.array(boundary_m),
        speed_mps,
        speed_mps,
        np.array(powers_w),
        np.zeros(n_segments),
        (ScheduledPull((0,), 0, n_segments),),
    )
    return ride(course, Team("Solo", (rider,)), race, schedule, time_step_s=time_step_s)


def forces(race: Race, rider: Rider = RIDER) -> tuple[float, float, float]:
    """Resistance a v^2 + b v + c on a level road in calm air (N), after Martin et al. 1998."""
    weather = race.weather
    density = float(air_density(weather.temperature_c, weather.pressure_hpa * 100.0, weather.humidity))
    a = 0.5 * density * (rider.cda_m2 + WHEEL_ROTATION_DRAG_AREA_M2)
    return a, 0.0087, race.crr * rider.total_mass_kg * GRAVITY_MPS2 + 0.091


def test_steady_speed_on_the_flat_is_the_speed_at_that_power() -> None:
    race = race_of(Team("Solo", (RIDER,)))
    ridden = solo(course_of(5_000.0), [300.0], [0.0, 5_000.0], race)
    weather = race.weather
    steady = speed_at_power(
        300.0,
        mass_kg=RIDER.total_mass_kg,
        drag_area_m2=RIDER.cda_m2,
        grade=0.0,
        headwind_mps=0.0,
        air_density=air_density(weather.temperature_c, weather.pressure_hpa * 100.0, weather.humidity),
        crr=race.crr,
    )
    assert ridden.speed_mps[-1] == pytest.approx(float(steady), rel=1e-6)
    assert ridden.power_w[-1, 0] == pytest.approx(300.0, rel=1e-6)


def test_acceleration_from_standstill_agrees_with_another_integrator() -> None:
    """scipy's Dormand-Prince on the same forces, in time; the ride steps in kinetic energy."""
    race = race_of(Team("Solo", (RIDER,)))
    ridden = solo(course_of(400.0), [400.0], [0.0, 400.0], race, time_step_s=0.1)
    a, b, c = forces(race)
    mass = RIDER.total_mass_kg

    def motion(time: float, state: FloatArray) -> list[float]:
        speed = float(state[1])
        drive = min(400.0 * DRIVETRAIN_EFFICIENCY / max(speed, 1e-3), LARGEST_ACCELERATION_MPS2 * mass)
        return [speed, (drive - a * speed**2 - b * speed - c) / float(kinetic_mass(mass))]

    other = solve_ivp(
        motion, (0.0, float(ridden.time_s[-1])), [0.0, 0.0], rtol=1e-9, atol=1e-9, max_step=0.05
    )
    place = np.interp(ridden.time_s, other.t, other.y[0])
    speed = np.interp(ridden.time_s, other.t, other.y[1])
    np.testing.assert_allclose(ridden.speed_mps[5:], speed[5:], rtol=2e-3)
    np.testing.assert_allclose(ridden.distance_m, place, atol=0.1)


def test_coasting_on_the_flat_follows_the_closed_form() -> None:
    """m dv/dt = -(a v^2 + b v + c) has v(t) through an arc tangent, elementary calculus."""
    race = race_of(Team("Solo", (RIDER,)))
    ridden = solo(course_of(1_500.0), [400.0, 0.0], [0.0, 1_000.0, 1_500.0], race)
    a, b, c = forces(race)
    root = np.sqrt(4.0 * a * c - b * b)

    def phase(speed: FloatArray) -> FloatArray:
        return np.arctan((2.0 * a * speed + b) / root)

    start = int(np.searchsorted(ridden.distance_m, 1_000.0 - 1e-6))
    speed = ridden.speed_mps[start:]
    since_s = ridden.time_s[start:] - ridden.time_s[start]
    closed_s = float(kinetic_mass(RIDER.total_mass_kg)) * 2.0 / root * (phase(speed[:1]) - phase(speed))
    assert speed[0] - speed[-1] > 3.0
    np.testing.assert_allclose(since_s, closed_s, rtol=1e-3, atol=1e-3)
    assert float(np.abs(ridden.power_w[start + 1 :, 0]).max()) < 1e-3


def test_free_wheeling_downhill_reaches_terminal_speed() -> None:
    """Where the slope's pull equals rolling, bearings and drag: closed form of a quadratic."""
    race = race_of(Team("Solo", (RIDER,)))
    course = course_of(6_000.0, grade=-0.05)
    ridden = solo(course, [0.0], [0.0, 6_000.0], race)
    density = float(air_density_at(18.0, 101325.0, 0.6, -300.0))
    a = 0.5 * density * (RIDER.cda_m2 + WHEEL_ROTATION_DRAG_AREA_M2)
    slope = np.arctan(0.05)
    weight = RIDER.total_mass_kg * GRAVITY_MPS2
    pull = weight * (np.sin(slope) - race.crr * np.cos(slope)) - 0.091
    terminal = (-0.0087 + np.sqrt(0.0087**2 + 4.0 * a * pull)) / (2.0 * a)
    assert ridden.speed_mps[-1] == pytest.approx(terminal, rel=1e-3)


def test_published_worked_example_of_the_road_power_model() -> None:
    """Martin et al. 1998, appendix (transcribed at second hand): 158.8 + 23.6 + 1.4 + 22.1 W at the wheel
    hold 8.36 m/s, without the change of kinetic energy; air density from memory, 1.2234 kg/m3.
    """
    rider = Rider("Rider", mass_kg=81.5, cp_w=300.0, w_prime_j=20000.0, cda_m2=0.2565)
    wind_10m = 2.94 / float(rider_height_wind(1.0, 1.0))
    dry = float(air_density(15.0, 101325.0, 0.0))
    weather = Weather(15.0, 1013.25 * 1.2234 / dry, 0.0, wind_10m, 310.0, 1.0)
    race = race_of(Team("Solo", (rider,)), weather, crr=0.0032)
    course = course_of(2_000.0, grade=0.003, heading_deg=340.0)
    power_w = (158.8 + 23.6 + 1.4 + 22.1) / 0.976
    ridden = solo(course, [power_w], [0.0, 2_000.0], race, rider)
    far = int(np.searchsorted(ridden.distance_m, 1_000.0))
    assert ridden.power_w[far, 0] == pytest.approx(power_w, rel=1e-6)
    assert ridden.speed_mps[far] == pytest.approx(8.36, rel=1e-3)


def test_w_prime_of_a_steady_effort_falls_by_power_above_critical_power_times_time() -> None:
    """Two-parameter model (Monod & Scherrer 1965)."""
    race = race_of(Team("Solo", (RIDER,)))
    ridden = solo(course_of(5_000.0), [345.0], [0.0, 5_000.0], race)
    above = ridden.power_w[:, 0] > RIDER.cp_w
    assert above[20:].all()
    used = np.sum((ridden.power_w[20:, 0] - RIDER.cp_w) * ridden.step_s[20:])
    assert ridden.w_prime_j[19, 0] - ridden.w_prime_j[-1, 0] == pytest.approx(float(used), rel=1e-9)


def test_swinging_off_in_the_ride_costs_the_work_of_the_worked_out_manoeuvre() -> None:
    """Two ways to the same work: the ride's steps, and changeover_work's own sum at constant line speed."""
    riders = tuple(Rider(f"R{i}", 76.5, 320.0, 20000.0, 0.25, peak_power_w=1000.0) for i in range(4))
    team = Team("Equal", riders)
    race = race_of(team)
    boundary = np.array([0.0, 2_000.0, 2_400.0])
    pulls = (ScheduledPull((0, 1, 2, 3), 0, 1), ScheduledPull((1, 2, 3, 0), 1, 2))
    speed_mps = np.array([11.0, 12.0])
    schedule = Schedule(boundary, speed_mps, speed_mps, np.array([350.0, 350.0]), np.zeros(2), pulls)
    ridden = ride(course_of(2_400.0), team, race, schedule, time_step_s=0.05)
    moving = ridden.moving_back[:, 0]
    step_s, speed = ridden.step_s[moving], float(np.mean(ridden.speed_mps[moving]))
    drifting_j = float(np.sum(ridden.power_w[moving, 0] * step_s))
    on_last_wheel_w = float(
        ridden.power_w[moving, 3][-1]
    )  # equal riders, places 3 and 4 share a wheel's shelter
    distance_m = 4 * (1.7 + race.wheel_gap_m)
    extra_j = drifting_j - on_last_wheel_w * (float(step_s.sum()) - distance_m / speed)
    density = float(air_density(18.0, 101325.0, 0.6))
    shares = draft_shares(race.drafting, 4, race.wheel_gap_m)
    worked_out = changeover_work(
        speed,
        mass_kg=85.0,
        cda_m2=0.25,
        last_wheel_share=shares[2],
        grade=0.0,
        headwind_mps=0.0,
        air_density=density,
        crr=race.crr,
        n_riders=4,
        wheel_gap_m=race.wheel_gap_m,
    )
    assert float(worked_out) > 200.0
    assert extra_j == pytest.approx(float(worked_out), rel=0.03)


# Three courses: elevation (m) and heading (degrees) at a distance (m), wind at 10 m (m/s) from the north, powers (W).
AlongRoad = Callable[[FloatArray], FloatArray]
COURSES: dict[str, tuple[AlongRoad, AlongRoad, float, list[float]]] = {
    "hills": (lambda x: 15.0 * (1.0 - np.cos(x / 300.0)), lambda x: 0.0 * x, 0.0, [330.0, 380.0, 250.0, 310.0]),
    "turning wind": (lambda x: 0.0 * x, lambda x: 0.045 * x, 7.0, [360.0, 310.0, 280.0, 330.0]),
    "pass": (
        lambda x: 0.06 * np.minimum(x, 2_000.0) - 0.05 * np.maximum(x - 2_000.0, 0.0),
        lambda x: 40.0 * np.sin(x / 500.0),
        4.0,
        [370.0, 340.0, 150.0, 0.0],
    ),
}


@pytest.mark.parametrize("name", COURSES)
def test_ride_of_a_whole_course_agrees_with_another_integrator(name: str) -> None:
    """scipy's Dormand-Prince on place, speed and W' in time, with the forces of Martin et al. 1998 and the differential
    recovery of Skiba et al. 2015 written anew; the ride steps in kinetic energy and has its own recovery.
    """
    elevation_of, heading_of, wind_mps, powers_w = COURSES[name]
    course = course_of(4_000.0)
    place_m = course.distance_m
    course = replace(course, elevation_m=elevation_of(place_m), heading_deg=heading_of(place_m), total_climb_m=0.0)
    weather = Weather(wind_speed_mps=wind_mps, wind_from_deg=0.0, shelter=1.0)
    race = race_of(Team("Solo", (RIDER,)), weather)
    boundary_m = [0.0, 1_000.0, 2_000.0, 3_000.0, 4_000.0]
    ridden = solo(course, powers_w, boundary_m, race, time_step_s=0.1)
    mass, full_j = RIDER.total_mass_kg, RIDER.w_prime_j
    slope = np.arctan(np.diff(course.elevation_m) / np.diff(course.distance_m))
    rider_wind = wind_mps * np.log(1.0 / 0.03) / np.log(10.0 / 0.03)

    def motion(_time: float, state: FloatArray) -> list[float]:
        place, speed, left_j = (float(value) for value in state)
        cell = min(max(int(place // 10.0), 0), len(slope) - 1)
        power = powers_w[min(int(place // 1_000.0), 3)]
        height = float(np.interp(place, course.distance_m, course.elevation_m)) - course.elevation_m[0]
        density = float(air_density_at(weather.temperature_c, weather.pressure_hpa * 100.0, weather.humidity, height))
        air = speed + rider_wind * np.cos(np.radians(heading_of(np.float64(place))))
        resistance = 0.5 * density * (RIDER.cda_m2 + 0.0044) * air * abs(air) + 0.091 + 0.0087 * speed
        resistance += mass * GRAVITY_MPS2 * (race.crr * np.cos(slope[cell]) + np.sin(slope[cell]))
        drive = min(0.976 * power / max(speed, 1e-3), LARGEST_ACCELERATION_MPS2 * mass)
        crank = drive * speed / 0.976  # from standstill the acceleration is bounded, and with it the power
        change = RIDER.cp_w - crank
        recovered = change * (full_j - left_j) / full_j if change > 0.0 else change
        return [speed, (drive - resistance) / (mass + 0.14 / 0.311**2), recovered]

    other = solve_ivp(motion, (0.0, float(ridden.time_s[-1])), [0.0, 0.0, full_j], rtol=1e-7, atol=1e-6, max_step=0.25)
    place, speed, left_j = (np.interp(ridden.time_s, other.t, row) for row in other.y)
    assert other.y[0, -1] == pytest.approx(4_000.0, rel=5e-4)
    np.testing.assert_allclose(ridden.distance_m, place, atol=2.5)
    np.testing.assert_allclose(ridden.speed_mps[20:], speed[20:], rtol=5e-3)
    np.testing.assert_allclose(ridden.w_prime_j[:, 0], left_j, atol=30.0)
    assert np.ptp(ridden.speed_mps[100:]) > 3.0
