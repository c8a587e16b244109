"""Every constant of the rotation model that one line of physics gives, written anew here, on a road with wind and hill.

A plan is fitted to its ride, so that a wrong constant is corrected before anybody sees it: plans stay right, bounds do
not. Therefore the constants are held against formulas of their own, not against plans.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ride_examples import make_course, make_race

from ttt_models.rotation import RotationData
from ttt_opt.drafting import draft_shares, sheltered_share
from ttt_opt.physics import air_density_at
from ttt_opt.race import Limits, PullBounds, Race, Weather
from ttt_opt.rotation_problem import (
    Assumptions,
    KeptPull,
    Road,
    reference_speed,
    road_of,
    rotation_data,
    segments_of,
)
from ttt_opt.team import Rider, Team

GRAVITY, EFFICIENCY, WHEELS_M2, WHEELS_KG = 9.80665, 0.976, 0.0044, 0.14 / 0.311**2
"""Martin et al. 1998."""
WIND_MPS, FROM_DEG, SHARE_OF_CP, PER_KG = 7.0, 40.0, 0.97, 0.002
RIDERS = (
    Rider("Arne", 80.0, 360.0, 22_000.0, 0.25, peak_power_w=950.0, longest_pull_s=50.0),
    Rider("Bela", 68.0, 330.0, 18_000.0, 0.23, shortest_pull_s=20.0),
    Rider("Carl", 62.0, 280.0, 16_000.0, 0.21, bicycle_mass_kg=7.9),
)


@pytest.fixture(scope="module")
def race() -> Race:
    limits = Limits(
        pulls={"flat": PullBounds(15.0, 75.0), "climb": PullBounds(16.0, 90.0), "descent": PullBounds(10.0, 30.0)},
        surge_w=40.0,
        surge_kmh=1.8,
        w_prime_reserve_j=2_500.0,
        on_wheel_share_of_cp=1.2,
    )
    weather = Weather(wind_speed_mps=WIND_MPS, wind_from_deg=FROM_DEG, shelter=0.9)
    return make_race(Team("Example", RIDERS), limits=limits, weather=weather, drafting_per_kg=PER_KG)


@pytest.fixture(scope="module")
def road(race: Race) -> Road:
    """A level kilometre and a half, 1 km at 5 %, and the rest level; the heading turns slowly, without bends."""
    x = np.linspace(0.0, 4_000.0, 401)
    course = make_course(4_000.0, 50.0 + 0.05 * np.clip(x - 1_500.0, 0.0, 1_000.0), heading=0.03 * x)
    return road_of(segments_of(course, race), race, 50.0)


def assumed(road: Road, race: Race, sustainable_share: float) -> Assumptions:
    """Constants around the reference speeds, recovery at 0.4."""
    centre = reference_speed(road, race, 1.0)
    nothing = np.zeros((road.n_segments, len(race.team.riders)))
    return Assumptions(
        centre_mps=centre,
        exit_mps=centre,
        steps=(0.9, 1.0, 1.1),
        closeness=1.0,
        time_share=np.ones(road.n_segments),
        recovery_share=nothing + 0.4,
        spent_kept=nothing + 1.0,
        also_used_j=nothing,
        also_work_j=nothing,
        also_changeover_j=np.zeros(len(race.team.riders)),
        sustainable_share=sustainable_share,
        dip_j=nothing + np.arange(len(race.team.riders)),
    )


@pytest.fixture(scope="module")
def data(road: Road, race: Race) -> RotationData:
    return rotation_data(road, race, (0, 1, 2), assumed(road, race, SHARE_OF_CP))


def test_of_many_who_may_sit_on_the_slowest_two_do(road: Road) -> None:
    """Four who differ in critical power alone: the two who have least."""
    by_name = {"A": 360.0, "B": 300.0, "C": 320.0, "D": 290.0}
    riders = (replace(RIDERS[0], name=name, cp_w=cp_w, may_sit_on=True) for name, cp_w in by_name.items())
    four = make_race(Team("Example", tuple(riders)))
    settled = assumed(road, four, 1.0)
    found = rotation_data(road, four, (0, 1, 2, 3), settled)
    sitting = {line[len(line) - n :] for line, n in zip(found.lines, found.n_sitting, strict=True) if n}
    assert sitting == {(1,), (3,), (1, 3), (3, 1)}
    kept = KeptPull(0, road.n_segments, (0, 2, 1, 3), 2)
    alone = rotation_data(road, four, (0, 2, 1, 3), replace(settled, kept_pulls=(kept,)), only_kept=True)
    assert [alone.lines[arc.line] for arc in alone.arcs] == [(0, 2, 1, 3)]
    stranger = replace(settled, kept_pulls=(KeptPull(0, road.n_segments, (0, 1, 2, 3)),))
    with pytest.raises(ValueError, match="kept pulls"):
        rotation_data(road, four, (0, 2, 1, 3), stranger, only_kept=True)


def test_wind_on_the_road(road: Road, race: Race) -> None:
    """Logarithmic profile over 0.03 m to 1 m, times the shelter; from ahead and from the right count as positive."""
    at_rider = WIND_MPS * 0.9 * np.log(1.0 / 0.03) / np.log(10.0 / 0.03)
    angle = np.radians(FROM_DEG - road.segments.heading_deg)
    np.testing.assert_allclose(road.headwind_mps, at_rider * np.cos(angle), rtol=1e-9)
    np.testing.assert_allclose(road.crosswind_mps, at_rider * np.sin(angle), rtol=1e-9, atol=1e-12)
    assert np.ptp(road.headwind_mps) > 1.0


def test_air_thins_with_height(road: Road, race: Race) -> None:
    weather = race.weather
    rise = road.segments.elevation_m - 50.0
    density = air_density_at(weather.temperature_c, weather.pressure_hpa * 100.0, weather.humidity, rise)
    np.testing.assert_allclose(road.air_density, density, rtol=1e-12)
    assert road.air_density[-1] < road.air_density[0]


def test_work_against_road_load(data: RotationData, road: Road, race: Race) -> None:
    """Force at the wheel times length over the drivetrain's efficiency, for every segment, line, speed and rider."""
    shares = draft_shares(race.drafting, 3, race.wheel_gap_m)
    slope = np.arctan(road.segments.grade)
    for q, line in enumerate(data.lines):
        for place, i in enumerate(line):
            rider = RIDERS[i]
            mass = rider.mass_kg + rider.bicycle_mass_kg
            for k in range(3):
                v = data.speed_mps[:, k]
                along = v + road.headwind_mps
                yaw = np.degrees(np.arctan2(road.crosswind_mps, along))
                ahead = RIDERS[line[place - 1]] if place > 0 else rider
                share = shares[place] * (1.0 - max(min(PER_KG * (ahead.mass_kg - rider.mass_kg), 0.03), -0.03))
                area = rider.cda_m2 * np.array([sheltered_share(share, angle) for angle in yaw]) + WHEELS_M2
                force = 0.5 * road.air_density * area * along * np.abs(along) + (91.0 + 8.7 * v) / 1000.0
                force += mass * GRAVITY * (race.crr * np.cos(slope) + np.sin(slope))
                np.testing.assert_allclose(data.road_work_j[:, q, k, i], force * road.length_m / EFFICIENCY, rtol=1e-9)


def test_kinetic_energy(data: RotationData) -> None:
    mass = np.array([rider.mass_kg + rider.bicycle_mass_kg for rider in RIDERS])
    np.testing.assert_allclose(data.kinetic_j_per_v2, 0.5 * (mass + WHEELS_KG) / EFFICIENCY, rtol=1e-9)
    assert data.average_kinetic_j_per_v2 == pytest.approx(0.5 * (mass.mean() + WHEELS_KG) / EFFICIENCY)


def test_time_is_length_over_speed_and_from_standstill_more(data: RotationData, road: Road) -> None:
    np.testing.assert_allclose(data.time_s[1:], road.length_m[1:, None] / data.speed_mps[1:], rtol=1e-12)
    np.testing.assert_allclose(data.time_s[0], np.sqrt(2.0) * road.length_m[0] / data.speed_mps[0], rtol=1e-12)
    np.testing.assert_allclose(data.reference_s, data.time_s[:, 1], rtol=1e-12)


def test_limits_in_units_of_the_model(data: RotationData, road: Road) -> None:
    assert set(np.round(data.surge_mps[np.isfinite(data.surge_mps)], 12)) == {0.5}
    assert set(data.surge_w[np.isfinite(data.surge_w)]) == {40.0}
    np.testing.assert_array_equal(data.drop_w, data.surge_w)
    np.testing.assert_allclose(data.cp_w, SHARE_OF_CP * np.array([360.0, 330.0, 280.0]))
    np.testing.assert_allclose(data.on_wheel_w, 1.2 * np.array([360.0, 330.0, 280.0]))
    # the peak of those who give none: critical power plus W' spent in 60 s
    np.testing.assert_allclose(data.peak_w, [950.0, 330.0 + 18_000.0 / 60.0, 280.0 + 16_000.0 / 60.0])
    np.testing.assert_array_equal(data.reserve_j, 2_500.0)
    np.testing.assert_array_equal(data.dip_j, np.tile([0.0, 1.0, 2.0], (road.n_segments, 1)))
    np.testing.assert_allclose(data.w_prime_j, [22_000.0, 18_000.0, 16_000.0])


def test_own_bounds_on_pulls_hold_on_the_flat_only(data: RotationData, road: Road) -> None:
    bounds = {"flat": (15.0, 75.0), "climb": (16.0, 90.0), "descent": (10.0, 30.0)}
    assert {"flat", "climb"} <= set(road.segments.terrain)
    for s, terrain in enumerate(road.segments.terrain):
        shortest, longest = bounds[terrain]
        flat = terrain == "flat"
        np.testing.assert_allclose(1.0 / data.per_longest[s], [50.0 if flat else longest, longest, longest])
        np.testing.assert_allclose(1.0 / data.per_shortest[s], [shortest, 20.0 if flat else shortest, shortest])


def test_front_power_of_the_average_rider_is_on_its_tangent(data: RotationData, road: Road, race: Race) -> None:
    mass = np.mean([rider.mass_kg + rider.bicycle_mass_kg for rider in RIDERS])
    area = np.mean([rider.cda_m2 for rider in RIDERS]) + WHEELS_M2
    slope = np.arctan(road.segments.grade)

    def power(v: np.ndarray) -> np.ndarray:
        along = v + road.headwind_mps
        force = 0.5 * road.air_density * area * along * np.abs(along) + (91.0 + 8.7 * v) / 1000.0
        return (force + mass * GRAVITY * (race.crr * np.cos(slope) + np.sin(slope))) * v / EFFICIENCY

    v = data.mean_mps[:, 1]
    np.testing.assert_allclose(data.average_load_w[:, 1], power(v), rtol=1e-6)
    slope_w = (power(v * 1.001) - power(v * 0.999)) / (0.002 * v)
    rise_w = data.average_load_w[:, 2] - data.average_load_w[:, 1]
    np.testing.assert_allclose(rise_w, slope_w * (data.mean_mps[:, 2] - v), rtol=1e-3)
