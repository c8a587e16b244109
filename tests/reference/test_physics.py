"""Road load, air and wind against published figures and independent libraries."""

from __future__ import annotations

import numpy as np
import pytest
from ambiance import Atmosphere
from CoolProp.HumidAirProp import HAPropsSI

from ttt_opt import physics

# Martin et al. 1998, J Appl Biomech 14(3), 276-291, worked example of the appendix (transcribed at second
# hand). The air density is from memory. The paper takes g = 9.81; ours is 9.80665, 0.03 % less.
MARTIN = {
    "mass_kg": 90.0,
    "drag_area_m2": 0.9 * 0.285,
    "grade": 0.003,
    "headwind_mps": 2.94 * np.cos(np.radians(30.0)),
    "air_density": 1.2234,
    "crr": 0.0032,
}
MARTIN_SPEED_MPS = 8.36
STILL_ROAD = {"mass_kg": 80.0, "grade": 0.0, "headwind_mps": 0.0, "air_density": 1.2, "crr": 0.004}


def wheel_power_without(**changes: float) -> float:
    """Power at the wheel of Martin's example with some of its inputs changed."""
    return float(physics.road_load_power(MARTIN_SPEED_MPS, **{**MARTIN, **changes}, efficiency=1.0))


def test_martin_head_wind() -> None:
    headwind, _ = physics.wind_components(2.94, 310.0, 340.0)
    # Martin et al. 1998: air speed 10.91 m/s
    assert MARTIN_SPEED_MPS + headwind == pytest.approx(10.91, abs=0.005)


def test_martin_aerodynamic_term() -> None:
    force = physics.aero_force(MARTIN_SPEED_MPS, MARTIN["headwind_mps"], 0.2565 + 0.0044, 1.2234)
    # Martin et al. 1998: 158.8 W with the air speed rounded to 10.91 m/s; 158.69 W unrounded (references,
    # 1.2)
    assert MARTIN_SPEED_MPS * force == pytest.approx(158.69, abs=0.01)
    assert wheel_power_without() - wheel_power_without(air_density=0.0) == pytest.approx(158.69, abs=0.01)


def test_martin_rolling_term() -> None:
    # Martin et al. 1998: 23.6 W
    assert wheel_power_without() - wheel_power_without(crr=0.0) == pytest.approx(23.6, abs=0.05)


def test_martin_bearing_term() -> None:
    # Martin et al. 1998: 1.4 W (1.369 unrounded); bearings are what is left without air, rolling and gradient
    assert wheel_power_without(air_density=0.0, crr=0.0, grade=0.0) == pytest.approx(1.369, abs=0.001)


def test_martin_potential_energy_term() -> None:
    # Martin et al. 1998: 22.1 W; the flat road rolls 5e-6 harder, which is nothing
    assert wheel_power_without() - wheel_power_without(grade=0.0) == pytest.approx(22.1, abs=0.05)


def test_rolling_and_weight_on_a_steep_ramp() -> None:
    # closed form, rise 3 on run 4 (sine 0.6, cosine 0.8), no air: m g v (0.8 crr + 0.6) plus bearings
    wheel = physics.road_load_power(
        2.0,
        mass_kg=80.0,
        drag_area_m2=0.25,
        grade=0.75,
        headwind_mps=0.0,
        air_density=0.0,
        crr=0.01,
        efficiency=1.0,
    )
    assert wheel == pytest.approx(80.0 * 9.80665 * 2.0 * (0.8 * 0.01 + 0.6) + 2.0 * (91.0 + 8.7 * 2.0) * 1e-3)


def test_martin_kinetic_energy_term_and_total() -> None:
    mean_speed, acceleration = (8.28 + 8.45) / 2.0, (8.45 - 8.28) / 56.42
    kinetic = float(physics.acceleration_power(90.0, mean_speed, acceleration))
    # Martin et al. 1998: 2.3 W at the wheel, 213.3 W in all at the crank
    assert kinetic * 0.976 == pytest.approx(2.305, abs=0.002)
    total = float(physics.road_load_power(MARTIN_SPEED_MPS, **MARTIN)) + kinetic
    assert total == pytest.approx(213.3, abs=0.1)


def test_martin_kinetic_mass() -> None:
    # Martin et al. 1998: wheel inertia 0.14 kg m2 at 0.311 m adds 1.45 kg
    assert physics.kinetic_mass(90.0) == pytest.approx(91.447, abs=0.001)


@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa", "humidity", "density"),
    # CIPM-2007 (Picard et al. 2008, Metrologia 45, 149), evaluated by an independent script
    [
        (20.0, 101325.0, 0.5, 1.19931),
        (15.0, 101325.0, 0.0, 1.22552),
        (0.0, 101325.0, 0.0, 1.29305),
        (25.0, 100000.0, 0.4, 1.16322),
        (30.0, 101325.0, 0.7, 1.15184),
        (10.0, 95000.0, 0.8, 1.16478),
        (35.0, 101325.0, 0.5, 1.13377),
    ],
)
def test_cipm_density(temperature_c: float, pressure_pa: float, humidity: float, density: float) -> None:
    assert physics.air_density(temperature_c, pressure_pa, humidity) == pytest.approx(density, abs=6e-6)


@pytest.mark.parametrize("temperature_c", [0.0, 10.0, 20.0, 35.0])
@pytest.mark.parametrize("pressure_pa", [80_000.0, 101_325.0])
@pytest.mark.parametrize("humidity", [0.0, 0.5, 1.0])
def test_density_against_coolprop(temperature_c: float, pressure_pa: float, humidity: float) -> None:
    # CoolProp moist air (volume of moist air), an equation of state of its own
    volume = HAPropsSI("Vha", "T", temperature_c + 273.15, "P", pressure_pa, "R", humidity)
    assert physics.air_density(temperature_c, pressure_pa, humidity) == pytest.approx(1.0 / volume, rel=1e-4)


@pytest.mark.parametrize("rise_m", [-200.0, 0.0, 500.0, 1000.0, 2000.0, 3000.0])
def test_standard_atmosphere(rise_m: float) -> None:
    # ambiance: standard atmosphere of 1993. It takes geometric heights, ours are geopotential: 2e-4 at 3 km.
    standard = Atmosphere(rise_m)
    assert physics.pressure_at(101_325.0, rise_m, 15.0) == pytest.approx(standard.pressure[0], rel=2.5e-4)
    density = physics.air_density_at(15.0, 101_325.0, 0.0, rise_m)
    # the standard's ideal gas without CO2 of today is 0.04 % lighter than CIPM
    assert density == pytest.approx(standard.density[0], rel=8e-4)


def test_standard_atmosphere_relative_density() -> None:
    rises = np.arange(0.0, 3001.0, 500.0)
    density = physics.air_density_at(15.0, 101_325.0, 0.0, rises)
    # standard atmosphere (references, section 6): relative density every 500 m
    published = [1.0, 0.9529, 0.9075, 0.8638, 0.8217, 0.7812, 0.7423]
    assert density / density[0] == pytest.approx(published, abs=2e-4)


def test_track_altitude_thins_air_by_a_fifth() -> None:
    # Bassett et al. 1999, MSSE 31, 1665: Mexico City, 2300 m, about 20 % less density
    ratio = physics.air_density_at(20.0, 101_325.0, 0.4, 2300.0) / physics.air_density(20.0, 101_325.0, 0.4)
    assert ratio == pytest.approx(0.80, abs=0.01)


@pytest.mark.parametrize(("humidity", "pressure_pa"), [(-0.1, 1e5), (1.1, 1e5), (60.0, 1e5), (0.5, 0.0)])
def test_density_refuses(humidity: float, pressure_pa: float) -> None:
    with pytest.raises(ValueError, match=r"humidity|pressure_pa"):
        physics.air_density(20.0, pressure_pa, humidity)


def test_pressure_refuses_the_stratosphere() -> None:
    with pytest.raises(ValueError, match="11 000"):
        physics.pressure_at(101_325.0, 12_000.0, 15.0)


def test_rider_height_wind() -> None:
    # log law over roughness length 0.03 m: ln(1 / 0.03) / ln(10 / 0.03)
    assert physics.rider_height_wind(10.0, 1.0) == pytest.approx(6.036, abs=0.001)
    assert physics.rider_height_wind(10.0, 0.5) == pytest.approx(3.018, abs=0.001)


@pytest.mark.parametrize(
    ("wind_from_deg", "headwind", "crosswind"),
    [(0.0, 5.0, 0.0), (90.0, 0.0, 5.0), (180.0, -5.0, 0.0), (270.0, 0.0, -5.0)],
)
def test_wind_on_a_road_to_the_north(wind_from_deg: float, headwind: float, crosswind: float) -> None:
    # definition: the wind blows from there; cross wind from the right (east) is positive
    along, across = physics.wind_components(5.0, wind_from_deg, 0.0)
    assert along == pytest.approx(headwind, abs=1e-12)
    assert across == pytest.approx(crosswind, abs=1e-12)


def test_yaw_angle() -> None:
    # geometry
    assert physics.yaw_angle(10.0, 0.0, 10.0) == pytest.approx(45.0)
    assert physics.yaw_angle(10.0, 0.0, -10.0) == pytest.approx(-45.0)
    assert physics.yaw_angle(0.0, 0.0, 0.0) == 0.0
    assert physics.yaw_angle(5.0, -10.0, 0.0) == pytest.approx(180.0)


def test_elasticity_of_speed_to_density_is_a_third() -> None:
    # closed form: where air is nearly all the load, v ~ rho^(-1/3); references, section 9 item 7
    only_air = {**STILL_ROAD, "crr": 0.0, "drag_area_m2": 0.25}
    thin = physics.speed_at_power(300.0, **{**only_air, "air_density": 1.2 * 0.98})
    thick = physics.speed_at_power(300.0, **only_air)
    assert np.log(thin / thick) / np.log(0.98) == pytest.approx(-1.0 / 3.0, abs=0.005)


def test_zero_speed_needs_no_power() -> None:
    for grade, wind in [(0.0, 0.0), (0.2, 15.0), (-0.2, -15.0)]:
        load = {**STILL_ROAD, "drag_area_m2": 0.25, "grade": grade, "headwind_mps": wind}
        assert physics.road_load_power(0.0, **load) == 0.0
    assert physics.acceleration_power(80.0, 0.0, 2.0) == 0.0


def test_strong_tail_wind_pushes() -> None:
    # closed form: 0.5 * 1.2 * 0.25 * (20 - 5)^2 = 33.75 N forwards
    assert physics.aero_force(5.0, -20.0, 0.25, 1.2) == pytest.approx(-33.75)
    assert physics.aero_force(25.0, -20.0, 0.25, 1.2) == pytest.approx(0.15 * 25.0)


def test_tail_wind_coasting_speed() -> None:
    load = {**STILL_ROAD, "drag_area_m2": 0.25 - 0.0044, "headwind_mps": -20.0}
    speed = float(physics.speed_at_power(0.0, **load))
    # closed form at the solution: the wind's push equals rolling and bearings
    push = 0.5 * 1.2 * 0.25 * (20.0 - speed) ** 2
    assert push == pytest.approx(80.0 * 9.80665 * 0.004 + 0.091 + 0.0087 * speed, rel=1e-9)
    assert 0.0 < speed < 20.0


def test_steep_descent_coasting_speed() -> None:
    load = {**STILL_ROAD, "drag_area_m2": 0.25 - 0.0044, "grade": -0.20, "crr": 0.0}
    speed = float(physics.speed_at_power(0.0, **load))
    # terminal speed, closed form without the bearings (0.3 N of 154 N): sqrt(2 m g sin / (rho A))
    closed = np.sqrt(2.0 * 80.0 * 9.80665 * np.sin(np.arctan(0.20)) / (1.2 * 0.25))
    assert speed == pytest.approx(closed, rel=0.003)
    assert speed < closed


def test_braking_power_is_not_divided_by_the_efficiency() -> None:
    load = {**STILL_ROAD, "drag_area_m2": 0.25, "grade": -0.10}
    held_back = physics.road_load_power(8.0, **load)
    assert held_back < 0.0
    assert held_back == physics.road_load_power(8.0, **load, efficiency=1.0)
    assert physics.acceleration_power(80.0, 10.0, -1.0) == pytest.approx(
        -10.0 * float(physics.kinetic_mass(80.0))
    )
    assert physics.acceleration_power(80.0, 10.0, 1.0) == pytest.approx(
        10.0 * float(physics.kinetic_mass(80.0)) / 0.976
    )


def test_coasting_on_the_level_is_standing_still() -> None:
    assert physics.speed_at_power(0.0, **STILL_ROAD, drag_area_m2=0.25) == 0.0


@pytest.mark.parametrize("power_w", [-1.0, np.nan, np.inf])
def test_speed_refuses_power(power_w: float) -> None:
    with pytest.raises(ValueError, match=r"0 or above|finite"):
        physics.speed_at_power(power_w, **STILL_ROAD, drag_area_m2=0.25)


def test_speed_refuses_a_world_without_resistance() -> None:
    with pytest.raises(ValueError, match="no steady speed"):
        physics.speed_at_power(200.0, **{**STILL_ROAD, "air_density": -1.0}, drag_area_m2=0.25)


def test_bends_and_braking() -> None:
    # common practice, no source: 3.5 and 2.0 m/s2 sideways, 2.0 and 1.2 m/s2 braking
    assert physics.cornering_speed(20.0, wet=False) == pytest.approx(np.sqrt(70.0))
    assert physics.cornering_speed(20.0, wet=True) == pytest.approx(np.sqrt(40.0))
    assert physics.cornering_speed(np.inf, wet=True) == np.inf
    assert physics.braking_deceleration(wet=False) == 2.0
    assert physics.braking_deceleration(wet=True) == 1.2
