"""The ride: follows the schedule, keeps the energy, obeys bends, peak power and the line."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ride_examples import (
    ambling_speed,
    make_course,
    make_plan,
    make_race,
    make_team,
    rotating_pulls,
    schedule_at,
    straight_boundaries,
    wavy_elevation,
)

import ttt_opt
from ttt_opt.changeover import manoeuvre, time_lost
from ttt_opt.physics import (
    DRIVETRAIN_EFFICIENCY,
    GRAVITY_MPS2,
    WHEEL_ROTATION_DRAG_AREA_M2,
    braking_deceleration,
    cornering_speed,
    kinetic_mass,
)
from ttt_opt.physiology import sustainable_share
from ttt_opt.race import Limits, Weather
from ttt_opt.ride import (
    CLOCK_GAIN_PER_S,
    LARGEST_ACCELERATION_MPS2,
    LARGEST_CLOCK_CORRECTION,
    TIME_STEP_S,
    ride,
    road_conditions,
    sustainable_cp_w,
)
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.team import Team


def steady_schedule(length_m: float, power_w: float, speed_mps: float, line: tuple[int, ...]) -> Schedule:
    """One leader, one power from start to finish."""
    boundary = straight_boundaries(length_m)
    n_segments = len(boundary) - 1
    return schedule_at(
        boundary,
        np.full(n_segments, speed_mps),
        np.full(n_segments, power_w),
        (ScheduledPull(line, 0, n_segments),),
    )


# What the plan must find confirmed: 0.5 % of time, 1 kJ of W' (design of the ride check).


@pytest.mark.parametrize("wind_mps", [0.0, 6.0])
def test_ride_confirms_a_plan_on_the_flat(wind_mps: float) -> None:
    course, team = make_course(30_000.0), make_team()
    race = make_race(team, weather=Weather(wind_speed_mps=wind_mps, wind_from_deg=40.0))
    boundary = straight_boundaries(30_000.0)
    speed = np.full(len(boundary) - 1, 12.5 if wind_mps == 0.0 else 10.8)
    speed[:2] = 8.0, 11.0
    plan = make_plan(course, team, race, boundary, speed, rotating_pulls(len(speed), 2, (0, 1, 2, 3)))
    ridden = ride(course, team, race, plan.schedule)
    assert ridden.finish_time_s == pytest.approx(plan.schedule.finish_time_s, rel=0.001)
    np.testing.assert_allclose(ridden.boundary_w_prime_j, plan.w_prime_j, atol=1000.0)
    assert plan.w_prime_j.min() < 14_000.0  # W' was really used


def test_ride_confirms_a_plan_whose_leaders_ride_at_different_speeds() -> None:
    course, team = make_course(20_000.0), make_team()
    race = make_race(team)
    boundary = straight_boundaries(20_000.0)
    pulls = rotating_pulls(len(boundary) - 1, 3, (2, 0, 3, 1))
    speed = np.full(len(boundary) - 1, 12.5)
    for pull in pulls:
        speed[pull.first_segment : pull.end_segment] += {0: 0.0, 1: -0.3, 2: 0.3, 3: -0.1}[pull.leader]
    speed[:2] = 8.0, 11.0
    plan = make_plan(course, team, race, boundary, speed, pulls)
    ridden = ride(course, team, race, plan.schedule)
    assert ridden.finish_time_s == pytest.approx(plan.schedule.finish_time_s, rel=0.001)
    np.testing.assert_allclose(ridden.boundary_w_prime_j[-1], plan.w_prime_j[-1], atol=1000.0)


def test_ride_confirms_a_plan_over_hills() -> None:
    course = make_course(20_000.0, wavy_elevation(20_000.0))
    team = make_team()
    race = make_race(team)
    boundary = straight_boundaries(20_000.0, 100.0)
    pulls = rotating_pulls(len(boundary) - 1, 4, (0, 1, 2, 3))
    speed = ambling_speed(course, team, race, boundary, pulls, 310.0)
    plan = make_plan(course, team, race, boundary, speed, pulls)
    ridden = ride(course, team, race, plan.schedule)
    assert ridden.finish_time_s == pytest.approx(plan.schedule.finish_time_s, rel=0.002)
    np.testing.assert_allclose(ridden.boundary_w_prime_j[-1], plan.w_prime_j[-1], atol=1000.0)


@pytest.mark.parametrize("n_bends", [0, 2])
def test_halving_the_step_changes_the_finish_time_by_less_than_a_fiftieth_of_a_percent(n_bends: int) -> None:
    """W' too, but where a step is pedalled in part and braked in part the pedalling is lost: in each bend at
    most a step at the front power.
    """
    bends = np.full(1001, np.inf)
    if n_bends:
        bends[300:303] = bends[700:702] = 15.0
    course = make_course(10_000.0, wavy_elevation(10_000.0), bend_radius=bends)
    team = make_team()
    race = make_race(team)
    schedule = steady_schedule(10_000.0, 380.0, 12.0, (0, 1, 2, 3))
    coarse = ride(course, team, race, schedule)
    fine = ride(course, team, race, schedule, time_step_s=0.25)
    finest = ride(course, team, race, schedule, time_step_s=0.02)
    assert len(fine.time_s) > 1.5 * len(coarse.time_s)
    assert coarse.finish_time_s == pytest.approx(fine.finish_time_s, rel=2e-4)
    assert coarse.finish_time_s == pytest.approx(finest.finish_time_s, rel=2e-4)
    too_much_j = coarse.w_prime_j[-1] - finest.w_prime_j[-1]
    assert (np.abs(too_much_j[1:]) < 50.0).all()
    assert -50.0 < too_much_j[0] < 50.0 + n_bends * TIME_STEP_S * 380.0


# Energy


def test_work_equals_drag_rolling_bearings_climbing_kinetic_energy_and_braking() -> None:
    elevation = wavy_elevation(8_000.0)
    heading = np.linspace(0.0, 350.0, 801)
    bends = np.full(801, np.inf)
    bends[200:203] = bends[500] = 12.0
    course = make_course(8_000.0, elevation, heading, bends)
    team = make_team(1)
    race = make_race(team, weather=Weather(wind_speed_mps=4.0, wind_from_deg=70.0))
    ridden = ride(course, team, race, steady_schedule(8_000.0, 330.0, 11.0, (0,)))
    (rider,) = team.riders
    step_m = np.diff(ridden.distance_m, prepend=0.0)
    speed = step_m / ridden.step_s
    interval = np.searchsorted(course.distance_m, ridden.distance_m - 0.5 * step_m) - 1
    air = road_conditions(course.elevation_m - course.elevation_m[0], course.heading_deg, race.weather)
    head = 0.5 * (air.headwind_mps[interval] + air.headwind_mps[interval + 1])
    density = 0.5 * (air.air_density[interval] + air.air_density[interval + 1])
    area = rider.cda_m2 + WHEEL_ROTATION_DRAG_AREA_M2
    weight = rider.total_mass_kg * GRAVITY_MPS2
    slope = np.arctan(course.grade[interval])
    drag_j = np.sum(0.5 * density * area * (speed + head) * np.abs(speed + head) * step_m)
    rolling_j = np.sum(race.crr * weight * np.cos(slope) * step_m)
    bearings_j = np.sum((0.091 + 0.0087 * speed) * step_m)
    climbing_j = np.sum(weight * np.sin(slope) * step_m)
    kinetic_j = 0.5 * float(kinetic_mass(rider.total_mass_kg)) * ridden.speed_mps[-1] ** 2
    braking_j = float(ridden.braking_work_j.sum())
    work_j = float(np.sum(ridden.power_w[:, 0] * ridden.step_s)) * DRIVETRAIN_EFFICIENCY
    assert braking_j > 2_000.0
    assert work_j == pytest.approx(
        drag_j + rolling_j + bearings_j + climbing_j + kinetic_j + braking_j, rel=1e-9
    )
    assert climbing_j == pytest.approx(weight * (elevation[-1] - elevation[0]), rel=0.01, abs=weight * 0.2)


def test_nobody_brakes_on_a_straight_flat_road() -> None:
    team = make_team()
    ridden = ride(
        make_course(3_000.0), team, make_race(team), steady_schedule(3_000.0, 330.0, 11.0, (0, 1, 2, 3))
    )
    assert float(ridden.braking_work_j.sum()) == 0.0


# The leader


def test_standing_start_is_limited_by_force_at_first() -> None:
    team = make_team(1)
    ridden = ride(make_course(1_000.0), team, make_race(team), steady_schedule(1_000.0, 850.0, 10.0, (0,)))
    acceleration = np.diff(ridden.speed_mps, prepend=0.0) / ridden.step_s
    assert 0.9 * LARGEST_ACCELERATION_MPS2 < acceleration[0] <= LARGEST_ACCELERATION_MPS2
    assert acceleration.max() <= LARGEST_ACCELERATION_MPS2
    assert ridden.power_w[0, 0] < 300.0  # force times little speed


def test_leader_holds_the_schedules_power_within_the_clock_correction() -> None:
    team, length_m = make_team(), 20_000.0

    def ridden_behind(clock_s: float) -> tuple[float, float]:
        """How far behind a clock of so many seconds the line finishes (s), and the leader's power there (W)."""
        schedule = steady_schedule(length_m, 330.0, length_m / clock_s, (0, 1, 2, 3))
        ridden = ride(make_course(length_m), team, make_race(team), schedule)
        return ridden.finish_time_s - schedule.finish_time_s, float(ridden.power_w[-1, 0])

    unhurried_s = 1600.0 + ridden_behind(1600.0)[0]
    far_s = LARGEST_CLOCK_CORRECTION / CLOCK_GAIN_PER_S
    behind_s, power_w = ridden_behind(unhurried_s - 0.7 * far_s)
    assert 0.2 * far_s < behind_s < 0.8 * far_s
    assert power_w == pytest.approx(330.0 * (1.0 + CLOCK_GAIN_PER_S * behind_s), rel=1e-3)
    for clock_s, sign in ((unhurried_s - 2.0 * far_s, 1.0), (unhurried_s + 2.0 * far_s, -1.0)):
        behind_s, power_w = ridden_behind(clock_s)
        assert sign * behind_s > far_s
        assert power_w == pytest.approx(330.0 * (1.0 + sign * LARGEST_CLOCK_CORRECTION), rel=1e-3)


def test_leader_never_exceeds_his_peak_power() -> None:
    team = make_team(1)
    ridden = ride(make_course(1_000.0), team, make_race(team), steady_schedule(1_000.0, 1500.0, 15.0, (0,)))
    assert ridden.power_w.max() == pytest.approx(team.riders[0].peak_w, rel=1e-3)


@pytest.mark.parametrize("wet", [False, True])
def test_line_brakes_before_a_bend_and_not_harder_than_it_can(wet: bool) -> None:
    bends = np.full(201, np.inf)
    bends[100:103] = 15.0
    course, team = make_course(2_000.0, bend_radius=bends), make_team()
    race = make_race(team, weather=Weather(wet=wet))
    ridden = ride(course, team, race, steady_schedule(2_000.0, 400.0, 12.0, (0, 1, 2, 3)))
    limit = float(cornering_speed(15.0, wet))
    in_bend = (ridden.distance_m >= 1000.0 - 1e-6) & (ridden.distance_m <= 1020.0 + 1e-6)
    assert ridden.speed_mps[in_bend].max() <= limit + 1e-9
    assert ridden.speed_mps[ridden.distance_m < 900.0].max() > limit + 3.0
    before = ridden.speed_mps[(ridden.distance_m > 900.0) & (ridden.distance_m <= 1000.0)]
    assert before.max() > before.min() + 2.0
    step_m = np.diff(ridden.distance_m, prepend=0.0)
    deceleration = -np.diff(ridden.speed_mps**2, prepend=0.0) / (2.0 * step_m)
    assert deceleration.max() == pytest.approx(braking_deceleration(wet), rel=1e-6)
    assert ridden.braking_work_j.sum(axis=0).min() > 1_000.0


@pytest.mark.parametrize("top_kmh", [50.0, 70.0])
def test_line_stays_at_the_top_speed_down_a_steep_descent(top_kmh: float) -> None:
    """One kilometre of 9 % between level kilometres: gravity alone would take the line beyond 80 km/h."""
    x = np.linspace(0.0, 3_000.0, 301)
    course, team = make_course(3_000.0, 100.0 - 0.09 * np.clip(x - 1_000.0, 0.0, 1_000.0)), make_team()
    schedule = steady_schedule(3_000.0, 330.0, 12.0, (0, 1, 2, 3))
    free = ride(course, team, make_race(team, limits=Limits(top_speed_kmh=110.0)), schedule)
    ridden = ride(course, team, make_race(team, limits=Limits(top_speed_kmh=top_kmh)), schedule)
    speed_kmh = 3.6 * ridden.speed_mps
    assert 3.6 * free.speed_mps.max() > 80.0
    assert speed_kmh.max() == pytest.approx(top_kmh, rel=1e-12)
    capped = (ridden.distance_m > 1_500.0) & (ridden.distance_m < 2_000.0)
    np.testing.assert_allclose(speed_kmh[capped], top_kmh, rtol=1e-12)
    assert (ridden.braking_work_j[capped] > 0.0).all()
    assert (ridden.power_w[capped] == 0.0).all()  # the plan's 330 W are not asked for there
    assert free.braking_work_j[:, 0].sum() == 0.0


def test_leader_gives_no_more_than_the_top_speed_takes() -> None:
    """The plan asks for 330 W, the top speed of 40 km/h takes less, and nobody brakes for it on the flat."""
    course, team = make_course(5_000.0), make_team()
    schedule = steady_schedule(5_000.0, 330.0, 12.0, (0, 1, 2, 3))
    ridden = ride(course, team, make_race(team, limits=Limits(top_speed_kmh=40.0)), schedule)
    at_cap = ridden.distance_m > 1_000.0
    np.testing.assert_allclose(3.6 * ridden.speed_mps[at_cap], 40.0, rtol=1e-12)
    force_n = 0.5 * 1.21 * (team.riders[0].cda_m2 + WHEEL_ROTATION_DRAG_AREA_M2) * (40.0 / 3.6) ** 2
    force_n += 0.004 * team.riders[0].total_mass_kg * GRAVITY_MPS2 + 0.091 + 0.0087 * 40.0 / 3.6
    expected_w = force_n * 40.0 / 3.6 / DRIVETRAIN_EFFICIENCY
    assert expected_w < 300.0
    np.testing.assert_allclose(ridden.power_w[at_cap, 0], expected_w, rtol=0.01)
    assert float(ridden.braking_work_j.sum()) == 0.0


def test_line_goes_at_walking_pace_where_the_schedule_gives_no_power_uphill() -> None:
    elevation = np.linspace(0.0, 50.0, 101)
    team = make_team(2)
    schedule = steady_schedule(1_000.0, 0.0, 10.0, (0, 1))
    ridden = ride(make_course(1_000.0, elevation), team, make_race(team), schedule)
    assert ridden.finish_time_s == pytest.approx(1_000.0, rel=0.01)  # 1 m/s
    assert any("walking pace" in note for note in ridden.notes)


# The riders on the wheels


def test_rider_on_a_wheel_needs_less_power_and_a_heavier_one_more_uphill() -> None:
    team = make_team()
    flat = ride(
        make_course(5_000.0), team, make_race(team), steady_schedule(5_000.0, 350.0, 12.0, (0, 1, 2, 3))
    )
    assert (flat.power_w[-1, 1:] < 0.85 * flat.power_w[-1, 0]).all()
    twins = Team(
        "Twins",
        tuple(
            replace(team.riders[0], name=name, mass_kg=mass)
            for name, mass in (("A", 70.0), ("B", 60.0), ("C", 80.0))
        ),
    )
    up = ride(
        make_course(2_000.0, np.linspace(0.0, 100.0, 201)),
        twins,
        make_race(twins),
        steady_schedule(2_000.0, 380.0, 6.0, (0, 1, 2)),
    )
    assert up.power_w[-1, 2] > up.power_w[-1, 0] > up.power_w[-1, 1]


def test_cross_wind_takes_shelter_away() -> None:
    team = make_team(2)
    schedule = steady_schedule(5_000.0, 350.0, 12.0, (0, 1))
    calm = ride(make_course(5_000.0), team, make_race(team), schedule)
    windy = ride(
        make_course(5_000.0),
        team,
        make_race(team, weather=Weather(wind_speed_mps=10.0, wind_from_deg=90.0)),
        schedule,
    )
    saving_calm = 1.0 - calm.power_w[-1, 1] / calm.power_w[-1, 0]
    saving_windy = 1.0 - windy.power_w[-1, 1] / windy.power_w[-1, 0]
    assert saving_windy < 0.85 * saving_calm


def test_rider_swings_off_eases_drifts_back_and_closes_to_the_last_wheel() -> None:
    course, team = make_course(2_000.0), make_team()
    race = make_race(team)
    boundary = straight_boundaries(2_000.0)
    n_segments = len(boundary) - 1
    pulls = rotating_pulls(n_segments, 6, (0, 1, 2, 3))
    schedule = schedule_at(boundary, np.full(n_segments, 11.5), np.full(n_segments, 350.0), pulls)
    ridden = ride(course, team, race, schedule)
    swung_off_s = ridden.boundary_time_s[6]
    moving = ridden.moving_back[:, 0]
    way = manoeuvre(4, race.wheel_gap_m)
    assert ridden.step_s[moving].sum() == pytest.approx(way.duration_s, abs=1.0)
    assert (ridden.time_s - ridden.step_s)[moving][0] == pytest.approx(swung_off_s, abs=1e-6)
    power = ridden.power_w[moving, 0]
    assert power[0] < 50.0
    assert power[-1] > power[len(power) // 2] > 200.0
    assert (ridden.place[moving, 0] == 3).all()
    assert ridden.leader[np.flatnonzero(moving)[0]] == 1
    after = ridden.time_s > swung_off_s + way.duration_s + 1.0
    last_wheel = ridden.power_w[after & (ridden.leader == 1), 0]
    assert last_wheel.max() < power[len(power) // 2]  # sheltered again


def test_front_steps_back_by_a_bicycle_and_a_gap_at_every_change_of_leader() -> None:
    course, team = make_course(9_000.0), make_team()
    race = make_race(team)
    boundary = straight_boundaries(9_000.0)
    n_segments = len(boundary) - 1
    pulls = rotating_pulls(n_segments, 3, (0, 1, 2, 3))
    schedule = schedule_at(boundary, np.full(n_segments, 12.0), np.full(n_segments, 350.0), pulls)
    ridden = ride(course, team, race, schedule)
    speed_before = np.append(0.0, ridden.speed_mps[:-1])
    road_m = float(np.sum(0.5 * (ridden.speed_mps + speed_before) * ridden.step_s))
    extra_m = (len(pulls) - 1) * float(time_lost(1.0, race.wheel_gap_m))
    assert road_m == pytest.approx(9_000.0 + extra_m, rel=1e-9)


def test_rider_who_leaves_is_gone_from_there_on() -> None:
    course, team = make_course(3_000.0), make_team()
    boundary = straight_boundaries(3_000.0)
    n_segments = len(boundary) - 1
    pulls = (
        ScheduledPull((0, 1, 2, 3), 0, 5, leader_leaves=True),
        ScheduledPull((1, 2, 3), 5, n_segments),
    )
    schedule = schedule_at(boundary, np.full(n_segments, 11.5), np.full(n_segments, 350.0), pulls)
    ridden = ride(course, team, make_race(team), schedule)
    assert ridden.left_at_m == (pytest.approx(boundary[5]), None, None, None)
    gone = ridden.distance_m > boundary[5] + 1e-6
    assert np.isnan(ridden.power_w[gone, 0]).all()
    assert np.isnan(ridden.w_prime_j[gone, 0]).all()
    assert np.isfinite(ridden.power_w[~gone]).all()
    assert np.isfinite(ridden.power_w[:, 1:]).all()
    assert not ridden.moving_back[:, 0].any()
    assert np.isfinite(ridden.boundary_w_prime_j[:6, 0]).all()
    assert np.isnan(ridden.boundary_w_prime_j[6:, 0]).all()


def test_rider_moves_back_in_front_of_the_riders_who_sit_on() -> None:
    team = make_team()
    team = replace(team, riders=(*team.riders[:3], replace(team.riders[3], pulls=False)))
    race = make_race(team)
    course = make_course(2_000.0)
    boundary = straight_boundaries(2_000.0)
    n_segments = len(boundary) - 1
    pulls = rotating_pulls(n_segments, 6, (0, 1, 2), sitters=(3,))
    schedule = schedule_at(boundary, np.full(n_segments, 11.5), np.full(n_segments, 350.0), pulls)
    ridden = ride(course, team, race, schedule)
    duration_s = ridden.step_s[ridden.moving_back[:, 0]].sum()
    assert duration_s == pytest.approx(manoeuvre(3, race.wheel_gap_m).duration_s, abs=1.0)
    assert (ridden.place[:, 3] == 3).all()


# W' and what the coach is told


def test_cracked_rider_and_lost_wheel_are_noted() -> None:
    team = make_team(2)
    weak = replace(team.riders[1], cp_w=150.0, w_prime_j=3000.0, peak_power_w=220.0)
    team = Team("Mixed", (team.riders[0], weak))
    ridden = ride(make_course(5_000.0), team, make_race(team), steady_schedule(5_000.0, 450.0, 13.0, (0, 1)))
    assert any(note.startswith("Ben has used up W'") for note in ridden.notes)
    assert any(note.startswith("Ben loses the wheel") and "220 W" in note for note in ridden.notes)
    assert not any(note.startswith("Ada loses") for note in ridden.notes)
    assert ridden.w_prime_j[-1, 1] < 0.0


def test_sustainable_critical_power_is_the_races_own_share_or_falls_with_duration() -> None:
    team = make_team(2)
    by_duration = sustainable_cp_w(make_race(team), team, 3600.0)
    np.testing.assert_allclose(by_duration, np.array([330.0, 290.0]) * float(sustainable_share(3600.0)))
    stated = make_race(team, limits=Limits(sustainable_share_of_cp=0.9))
    np.testing.assert_allclose(sustainable_cp_w(stated, team, 3600.0), [297.0, 261.0])


def test_w_prime_starts_full_and_boundaries_fit_the_steps() -> None:
    team = make_team()
    ridden = ride(
        make_course(3_000.0), team, make_race(team), steady_schedule(3_000.0, 400.0, 12.0, (0, 1, 2, 3))
    )
    np.testing.assert_array_equal(ridden.boundary_w_prime_j[0], [rider.w_prime_j for rider in team.riders])
    np.testing.assert_array_equal(ridden.boundary_w_prime_j[-1], ridden.w_prime_j[-1])
    assert ridden.boundary_time_s[0] == 0.0
    assert ridden.boundary_time_s[-1] == ridden.finish_time_s == ridden.time_s[-1]
    assert ridden.distance_m[-1] == 3_000.0


# Schedules that do not fit


def test_schedule_that_ends_early_is_ridden_on_to_the_finish() -> None:
    team = make_team()
    schedule = steady_schedule(2_900.0, 350.0, 12.0, (0, 1, 2, 3))
    ridden = ride(make_course(3_000.0), team, make_race(team), schedule)
    assert ridden.distance_m[-1] == 3_000.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"speed_mps": np.zeros(14)}, "speed_mps"),
        ({"speed_mps": np.full(14, np.nan)}, "speed_mps"),
        ({"front_power_w": np.full(14, -1.0)}, "front_power_w"),
        ({"front_power_w": np.full(14, np.inf)}, "front_power_w"),
        ({"boundary_m": np.zeros(15)}, "boundary_m"),
        ({"pulls": (ScheduledPull((0, 7), 0, 14),)}, r"pulls\[0\]"),
        ({"pulls": (ScheduledPull((), 0, 14),)}, r"pulls\[0\]"),
    ],
)
def test_impossible_schedule_is_refused(change: dict[str, object], message: str) -> None:
    team = make_team()
    boundary = np.linspace(0.0, 2800.0, 15)
    schedule = schedule_at(
        boundary, np.full(14, 12.0), np.full(14, 350.0), (ScheduledPull((0, 1, 2, 3), 0, 14),)
    )
    with pytest.raises(ValueError, match=message):
        ride(make_course(2_800.0), team, make_race(team), replace(schedule, **change))  # type: ignore[arg-type]


def test_step_must_be_positive() -> None:
    team = make_team()
    with pytest.raises(ValueError, match="time_step_s"):
        ride(
            make_course(1_000.0),
            team,
            make_race(team),
            steady_schedule(1_000.0, 350.0, 12.0, (0, 1, 2, 3)),
            time_step_s=0.0,
        )


@pytest.mark.parametrize("module", ["ride", "ride_check", "surge"])
def test_ride_and_its_check_import_nothing_of_the_optimiser(module: str) -> None:
    source = (Path(ttt_opt.__file__).parent / f"{module}.py").read_text(encoding="utf-8")
    imported = {
        name
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in ([node.module] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names])
    }
    ours = {name.removeprefix("ttt_opt.") for name in imported if name and name.startswith("ttt_opt")}
    assert ours <= {
        "changeover", "course", "drafting", "physics", "physiology", "race", "ride", "schedule",
        "segments", "surge", "team",
    }  # fmt: skip
    assert {name for name in imported if name and not name.startswith("ttt_opt")} <= {
        "__future__", "collections.abc", "dataclasses", "math", "numpy", "numpy.typing",
    }  # fmt: skip


def test_own_drag_shares_take_the_place_of_the_table() -> None:
    team = make_team(3)
    course = make_course(3000.0)
    boundary = straight_boundaries(3000.0)
    n_segments = len(boundary) - 1
    pulls = (ScheduledPull((0, 1, 2), 0, n_segments),)
    schedule = schedule_at(boundary, np.full(n_segments, 11.0), np.full(n_segments, 300.0), pulls)
    race = make_race(team)
    table = race.draft_shares(3)
    same = ride(course, team, make_race(team, drafting_shares=tuple(table)), schedule)
    worse = ride(course, team, make_race(team, drafting_shares=(1.0, 0.9)), schedule)
    plain = ride(course, team, race, schedule)
    np.testing.assert_allclose(same.power_w, plain.power_w)
    np.testing.assert_allclose(worse.power_w[:, 0], plain.power_w[:, 0])
    assert (worse.power_w[-20:, 1:] > 1.1 * plain.power_w[-20:, 1:]).all()
