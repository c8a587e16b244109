"""The swing-off against closed forms and an independent integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from ttt_opt.changeover import Manoeuvre, changeover_work, manoeuvre, time_lost

RIDER = {"mass_kg": 80.0, "cda_m2": 0.25, "last_wheel_share": 0.6, "n_riders": 4, "wheel_gap_m": 0.5}
STILL_ROAD = {"grade": 0.0, "headwind_mps": 0.0, "air_density": 1.2, "crr": 0.004}


@pytest.mark.parametrize("n_riders", [2, 4, 9])
def test_the_way_back_ends_on_the_last_wheel(n_riders: int) -> None:
    way = manoeuvre(n_riders, 0.5)
    # geometry: n - 1 riders pass, and the last of them leaves one place behind his wheel
    assert way.distance_m == pytest.approx(n_riders * 2.2)
    times = np.linspace(0.0, way.duration_s, 100_001)
    assert np.trapezoid(way.relative_speed(times), times) == pytest.approx(way.distance_m, rel=1e-6)
    assert way.relative_speed(np.array([-1.0, 0.0, way.duration_s, 99.0])) == pytest.approx([0.0] * 4)
    assert np.max(way.relative_speed(times)) == pytest.approx(1.0)


def test_acceleration_is_the_slope_of_the_speed() -> None:
    way = manoeuvre(4, 0.5)
    times = np.array([0.5, 1.9, 5.0, way.duration_s - 1.9, way.duration_s - 0.1, way.duration_s + 1.0])
    slope = (way.relative_speed(times + 1e-6) - way.relative_speed(times - 1e-6)) / 2e-6
    assert way.relative_acceleration(times) == pytest.approx(slope, abs=1e-6)
    assert way.relative_acceleration(np.array([-0.1, 0.0])).tolist() == [0.0, 0.5]


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ((1, 0.5), "n_riders 1"),
        ((4, -0.1), "wheel_gap_m"),
        ((4, 0.5, 0.0), "drift_speed_mps"),
        ((2, 0.1, 2.0), "ramps"),
    ],
)
def test_impossible_manoeuvres(values: tuple[int, float], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        Manoeuvre(*values)


def test_each_change_costs_the_line_one_place() -> None:
    # team-pursuit model after Wagner et al. 2013 (references, section 4): 0.12 s per change; here at 60
    # km/h and 0.3 m
    assert time_lost(60.0 / 3.6, 0.3) == pytest.approx(0.12, abs=0.005)


def test_work_without_air_is_that_of_the_same_road() -> None:
    # closed form: on a climb without air the rider never stops pedalling and gets back what he lets go, so
    # over the same road only the bearings' 8.7e-3 v^2 differs; u is the speed below the line's, 1 m/s with
    # ramps of 2 s
    work = changeover_work(8.0, **RIDER, **{**STILL_ROAD, "grade": 0.08, "air_density": 0.0})
    integral_u, integral_u_squared = 8.8, 8.8 - 2.0 + 2.0 * 2.0 / 3.0
    bearings = 8.7e-3 * (integral_u_squared - 8.0 * integral_u) / 0.976
    assert work == pytest.approx(bearings, abs=1e-3)


@pytest.mark.parametrize(("speed", "grade", "wind"), [(14.0, 0.0, 0.0), (11.0, 0.01, 3.0), (7.0, 0.05, -2.0)])
def test_work_against_an_independent_integration(speed: float, grade: float, wind: float) -> None:
    # the equation of Martin et al. 1998 written out again, integrated adaptively between the corners of the
    # manoeuvre
    slope, weight, kinetic_mass = np.arctan(grade), 80.0 * 9.80665, 80.0 + 0.14 / 0.311**2
    ramp_s, distance_m = 2.0, 4 * (1.7 + 0.5)
    duration_s = distance_m / 1.0 + ramp_s

    def crank(own: float, share: float, acceleration: float) -> float:
        air = 0.5 * 1.2 * (0.25 * share + 0.0044) * (own + wind) * abs(own + wind)
        road = weight * (0.004 * np.cos(slope) + np.sin(slope)) + (91.0 + 8.7 * own) * 1e-3
        return max(0.0, float(own * (air + road + kinetic_mass * acceleration) / 0.976))

    parts = [
        quad(lambda t: crank(speed - t / 2.0, 1.0, -0.5), 0.0, ramp_s)[0],
        crank(speed - 1.0, 1.0, 0.0) * (duration_s - 2.0 * ramp_s),
        quad(lambda t: crank(speed - 1.0 + t / 2.0, 1.0, 0.5), 0.0, ramp_s)[0],
    ]
    sitting_on = crank(speed, 0.6, 0.0) * (duration_s - distance_m / speed)
    work = changeover_work(speed, **RIDER, **{**STILL_ROAD, "grade": grade, "headwind_mps": wind})
    assert work == pytest.approx(sum(parts) - sitting_on, abs=0.5)


def test_work_is_about_the_lost_shelter() -> None:
    # closed form, drag alone at line speed: (1 - share) * 0.5 rho A v^3 * duration; slower air and the road
    # saved take a bit off it
    lost = 0.4 * 0.5 * 1.2 * 0.25 * 14.0**3 * 10.8 / 0.976
    work = float(changeover_work(14.0, **RIDER, **STILL_ROAD))
    assert work == pytest.approx(lost, rel=0.2)


def test_free_on_a_descent() -> None:
    # nobody pedals: neither drifting back nor on the wheel
    assert changeover_work(12.0, **RIDER, **{**STILL_ROAD, "grade": -0.10}) == pytest.approx(0.0, abs=1e-9)


def test_too_slow_to_drift_back() -> None:
    with pytest.raises(ValueError, match="drift speed"):
        changeover_work(np.array([10.0, 1.0]), **RIDER, **STILL_ROAD)
