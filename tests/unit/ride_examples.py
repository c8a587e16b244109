"""Invented courses, teams and schedules for the tests of ride and ride check.

The plan is worked out here the way a planner would (mean speeds of segments, change of kinetic energy between
them, changeover cost), independently of the ride.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ttt_opt.changeover import changeover_work, time_lost
from ttt_opt.course import Course
from ttt_opt.drafting import draft_shares, sheltered_share
from ttt_opt.physics import crank_power, kinetic_mass, road_load_power, yaw_angle
from ttt_opt.physiology import w_prime_balance
from ttt_opt.race import Limits, Race, Weather
from ttt_opt.ride import ride, road_conditions, sustainable_cp_w
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

RIDERS = (
    Rider("Ada", mass_kg=77.0, cp_w=330.0, w_prime_j=20000.0, cda_m2=0.25, peak_power_w=900.0),
    Rider("Ben", mass_kg=66.0, cp_w=290.0, w_prime_j=18000.0, cda_m2=0.23, peak_power_w=800.0),
    Rider("Cleo", mass_kg=72.0, cp_w=350.0, w_prime_j=22000.0, cda_m2=0.24, peak_power_w=900.0),
    Rider("Dan", mass_kg=70.0, cp_w=310.0, w_prime_j=16000.0, cda_m2=0.22, peak_power_w=800.0),
)


def make_team(count: int = 4) -> Team:
    return Team("Example", RIDERS[:count])


def make_race(team: Team, **changes: object) -> Race:
    race = Race("Example", team, Path("none.gpx"), weather=Weather(), limits=Limits())
    return replace(race, **changes)  # type: ignore[arg-type]


def make_course(
    length_m: float,
    elevation: FloatArray | None = None,
    heading: FloatArray | None = None,
    bend_radius: FloatArray | None = None,
) -> Course:
    distance = np.linspace(0.0, length_m, round(length_m / 10.0) + 1)
    zero = np.zeros_like(distance)
    return Course(
        name="Example",
        distance_m=distance,
        elevation_m=zero if elevation is None else elevation,
        latitude_deg=zero,
        longitude_deg=zero,
        heading_deg=zero if heading is None else heading,
        bend_radius_m=np.full_like(distance, np.inf) if bend_radius is None else bend_radius,
        repairs=(),
        total_climb_m=float(np.maximum(np.diff(zero if elevation is None else elevation), 0.0).sum()),
    )


def rotating_pulls(
    n_segments: int, segments_each: int | Sequence[int], order: tuple[int, ...], sitters: tuple[int, ...] = ()
) -> tuple[ScheduledPull, ...]:
    """Pulls of so many segments each, the line turning over; sitters stay at its end."""
    lengths = [segments_each] * n_segments if isinstance(segments_each, int) else list(segments_each)
    pulls, first, turn = [], 0, 0
    while first < n_segments:
        shift = turn % len(order)
        end = min(first + lengths[turn % len(lengths)], n_segments)
        pulls.append(ScheduledPull((*order[shift:], *order[:shift], *sitters), first, end, n_sitting=len(sitters)))
        first, turn = end, turn + 1
    return tuple(pulls)


@dataclass(frozen=True)
class Plan:
    """A schedule with the W' that its planner expects at the boundaries."""

    schedule: Schedule
    w_prime_j: FloatArray


def make_plan(
    course: Course,
    team: Team,
    race: Race,
    boundary_m: FloatArray,
    speed_mps: FloatArray,
    pulls: tuple[ScheduledPull, ...],
    bend: NDArray[np.bool_] | None = None,
    exit_speed_mps: FloatArray | None = None,
) -> Plan:
    """Front power and W' of a plan of mean speeds by segment.

    Segments that begin with a change of leader lose the time that it costs. Unless told otherwise the speed
    at a boundary lies between those of its neighbours, except at bends, where brakes take the energy in the
    bend and legs give it after it.
    """
    length, n_segments = np.diff(boundary_m), len(speed_mps)
    elevation = np.interp(boundary_m, course.distance_m, course.elevation_m)
    grade = np.diff(elevation) / length
    middle = 0.5 * (boundary_m[1:] + boundary_m[:-1])
    heading = np.interp(middle, course.distance_m, course.heading_deg)
    rise = np.interp(middle, course.distance_m, course.elevation_m) - course.elevation_m[0]
    air = road_conditions(rise, heading, race.weather)
    change = np.zeros(n_segments)
    for pull in pulls[1:]:
        change[pull.first_segment] = time_lost(speed_mps[pull.first_segment], race.wheel_gap_m)
    duration = length / speed_mps + change
    square = speed_mps**2
    between = (square[:-1] * length[1:] + square[1:] * length[:-1]) / (length[1:] + length[:-1])
    if bend is not None:
        between = np.where(bend[1:], square[:-1], np.where(bend[:-1], square[:-1], between))
    exit_square = np.append(between, square[-1]) if exit_speed_mps is None else exit_speed_mps**2
    kinetic = 0.5 * np.diff(exit_square, prepend=0.0)
    yaw = yaw_angle(speed_mps, air.headwind_mps, air.crosswind_mps)
    front = np.zeros(n_segments)
    work = np.zeros((n_segments, len(team.riders)))
    for number, pull in enumerate(pulls):
        shares = draft_shares(race.drafting, len(pull.line), race.wheel_gap_m)
        for place, (ahead, behind) in enumerate(itertools.pairwise(pull.line), start=1):
            heavier_kg = team.riders[ahead].mass_kg - team.riders[behind].mass_kg
            shares[place] *= 1.0 - max(min(race.drafting_per_kg * heavier_kg, 0.03), -0.03)
        for place, index in enumerate(pull.line):
            rider = team.riders[index]
            for s in range(pull.first_segment, pull.end_segment):
                road = {
                    "grade": grade[s],
                    "headwind_mps": air.headwind_mps[s],
                    "air_density": air.air_density[s],
                    "crr": race.crr,
                }
                share = sheltered_share(shares[place], yaw[s])
                wheel = road_load_power(
                    speed_mps[s],
                    mass_kg=rider.total_mass_kg,
                    drag_area_m2=rider.cda_m2 * share,
                    efficiency=1.0,
                    **road,
                )
                wheel += kinetic_mass(rider.total_mass_kg) * kinetic[s] * speed_mps[s] / length[s]
                on_road = max(crank_power(wheel), 0.0)
                work[s, index] = on_road * length[s] / speed_mps[s]
                if place == 0:
                    front[s] = on_road
                swung_off = number > 0 and s == pull.first_segment and index == pulls[number - 1].leader
                if swung_off and place > 0:
                    work[s, index] += changeover_work(
                        speed_mps[s],
                        mass_kg=rider.total_mass_kg,
                        cda_m2=rider.cda_m2,
                        last_wheel_share=share,
                        n_riders=place + 1,
                        wheel_gap_m=race.wheel_gap_m,
                        **road,
                    )
    schedule = Schedule(boundary_m, speed_mps, np.sqrt(exit_square), front, change, pulls)
    full = np.array([rider.w_prime_j for rider in team.riders])
    cp = sustainable_cp_w(race, team, schedule.finish_time_s)
    balance = w_prime_balance(
        work / duration[:, np.newaxis], duration, cp, full, race.recovery, race.recovery_share
    )
    return Plan(schedule, np.vstack([full, balance]))


def schedule_at(
    boundary_m: FloatArray, speed_mps: FloatArray, power_w: FloatArray, pulls: tuple[ScheduledPull, ...]
) -> Schedule:
    """Without time lost; it leaves segments at their mean speed, which a ride does not look at."""
    return Schedule(boundary_m, speed_mps, speed_mps, power_w, np.zeros_like(speed_mps), pulls)


def straight_boundaries(length_m: float, about_m: float = 200.0) -> FloatArray:
    """Boundaries of two short segments at the start and equal ones after them."""
    return np.concatenate(
        ([0.0, 50.0], np.linspace(150.0, length_m, round((length_m - 150.0) / about_m) + 1))
    )


def wavy_elevation(length_m: float) -> FloatArray:
    """Rolling country, up to about 4 % steep."""
    x = np.linspace(0.0, length_m, round(length_m / 10.0) + 1)
    return 100.0 + 25.0 * np.sin(2.0 * np.pi * x / 5000.0) + 3.0 * np.sin(2.0 * np.pi * x / 1700.0)


def ambling_speed(
    course: Course,
    team: Team,
    race: Race,
    boundary_m: FloatArray,
    pulls: tuple[ScheduledPull, ...],
    power_w: float,
) -> FloatArray:
    """Mean speeds by segment of a line whose leaders all hold about the same power."""
    n_segments = len(boundary_m) - 1
    schedule = schedule_at(boundary_m, np.full(n_segments, 11.0), np.full(n_segments, power_w), pulls)
    ridden = ride(course, team, race, schedule)
    road_m = np.diff(boundary_m)
    for pull in pulls[1:]:
        road_m[pull.first_segment] += time_lost(1.0, race.wheel_gap_m)
    return road_m / np.diff(ridden.boundary_time_s)
