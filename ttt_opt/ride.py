"""A ride: forward simulation of a schedule in small steps of time, as riders would follow it.

The simulation shares with the planning only the physics of one rider (:mod:`ttt_opt.physics`,
:mod:`ttt_opt.drafting`, :mod:`ttt_opt.physiology`, :mod:`ttt_opt.changeover`). It knows nothing of a
discretised speed or of mean speeds: it sees the fine course profile, starts from standstill, brakes before
bends, and every change of leader is ridden as a manoeuvre.

How the riders behave
---------------------
- The leader holds the schedule's front power of the segment, a little more when the line is behind the
  schedule's clock and a little less when it is ahead. He never exceeds his peak power, nor the force that
  tyres and gears allow when starting, and never brakes except for a bend and for the top speed.
- Before a bend the line brakes on the curve that just reaches the cornering speed.
- The line never exceeds the race's top speed: the leader eases, and where the road pushes all sit up or brake.
- The line is rigid: all riders share its speed and acceleration. The power of a rider on a wheel follows from
  the balance of forces with his own mass and his own drag area, reduced by his place in the line; below zero
  he coasts or brakes.
- A rider who swings off drifts back past the riders who share the pulls, unsheltered, and takes their last
  wheel; riders who sit on stay behind him.
- The rider who takes over starts one bicycle and one gap behind the rider who swings off: at every change of
  leader the front of the line has that much more road to ride (:func:`ttt_opt.changeover.time_lost`).
- The way back counts in W' with its mean power: the harsh seconds at its end come from the assumed ramps
  of :class:`ttt_opt.changeover.Manoeuvre`, and critical power describes minutes, not seconds.
- Where power would not carry the line up a slope at walking pace, the leader gives what walking pace takes.

Notes
-----
All riders are taken to be where the front wheel of the line is: a line of eight is 15 m long, less than two
samples of the course. While a rider drifts back, the others keep the shelter of a line of full length: for a
line with a rider beside it nothing is published.

The scheme is the implicit midpoint rule in the kinetic energy, on steps that end at every sample of the
course and at every boundary of a segment, so that all that depends on the place is constant within a step.
Work at the wheel equals drag, rolling, bearings, climbing, change of kinetic energy and braking exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from ttt_opt.changeover import BICYCLE_LENGTH_M, manoeuvre
from ttt_opt.course import Course
from ttt_opt.drafting import sheltered_share
from ttt_opt.physics import (
    DRIVETRAIN_EFFICIENCY,
    GRAVITY_MPS2,
    WHEEL_ROTATION_DRAG_AREA_M2,
    air_density_at,
    braking_deceleration,
    cornering_speed,
    kinetic_mass,
    rider_height_wind,
    road_load_power,
    wind_components,
    yaw_angle,
)
from ttt_opt.physiology import sustainable_share, w_prime_balance
from ttt_opt.race import Race, Weather
from ttt_opt.schedule import Schedule
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Longest step (s).
TIME_STEP_S = 0.5
#: Change of the leader's power per second that the line is behind the schedule's clock, as a share of his
#: power.
CLOCK_GAIN_PER_S = 0.0005
#: Largest such change.
LARGEST_CLOCK_CORRECTION = 0.08
#: Largest acceleration of the leader: tyres, gears and balance limit the force at low speed (common practice,
#: no source).
LARGEST_ACCELERATION_MPS2 = 2.5
#: Speed below which the line does not fall on a slope (m/s).
WALKING_PACE_MPS = 1.0
#: A rider on a wheel whose required power stays above his peak power for longer than this loses the wheel
#: (s).
PATIENCE_S = 3.0
#: Power over peak power beyond which that is so: nobody knows his peak power to the watt.
BEYOND_PEAK = 1.05

_BEARING_FORCE_N, _BEARING_FORCE_PER_SPEED = 0.091, 0.0087  # Martin et al. 1998: (91 + 8.7 v) v / 1000 W
_MOST_CORRECTIONS = 20  # of the speed in the middle of a step; each divides its error by 10 to 100


@dataclass(frozen=True)
class Conditions:
    """Air at places along the road, as a rider meets it.

    Attributes
    ----------
    headwind_mps, crosswind_mps : ndarray (n_places,)
        Wind at rider height along and across the road (m/s); head wind positive, from the right positive.
    air_density : ndarray (n_places,)
        (kg/m3).
    """

    headwind_mps: FloatArray
    crosswind_mps: FloatArray
    air_density: FloatArray


@dataclass(frozen=True)
class Ride:
    """What happened in a simulated ride. Row ``t`` describes the step that ends at ``time_s[t]``.

    Attributes
    ----------
    time_s, distance_m, speed_mps : ndarray (n_steps,)
        Time, distance and speed of the line at the end of the step.
    power_w : ndarray (n_steps, n_riders)
        Mean power at the crank in the step (W), 0 when coasting or braking; nan once a rider has left.
    w_prime_j : ndarray (n_steps, n_riders)
        W' left at the end of the step (J); below 0 the rider is cracked; nan once a rider has left.
    leader : ndarray (n_steps,) of int
        Index of the rider at the front.
    place : ndarray (n_steps, n_riders) of int
        Place in the line, 0 in front, that of the last puller while moving back; -1 once a rider has left.
    moving_back : ndarray (n_steps, n_riders) of bool
        The rider has swung off and is not yet back on a wheel.
    braking_work_j : ndarray (n_steps, n_riders)
        Work that a rider's brakes (or his sitting up) took in the step (J); nan once a rider has left.
    finish_time_s : float
        Time of the line at the finish (s).
    left_at_m : tuple of (float or None)
        Where each rider left the line for good (m); ``None``: he finished in it.
    boundary_time_s : ndarray (n_segments + 1,)
        Time of the line at the schedule's boundaries (s).
    boundary_w_prime_j : ndarray (n_segments + 1, n_riders)
        W' left there (J); nan once a rider has left.
    notes : tuple of str
        What a coach should know: cracked riders, wheels lost, walking.
    """

    time_s: FloatArray
    distance_m: FloatArray
    speed_mps: FloatArray
    power_w: FloatArray
    w_prime_j: FloatArray
    leader: IntArray
    place: IntArray
    moving_back: BoolArray
    braking_work_j: FloatArray
    finish_time_s: float
    left_at_m: tuple[float | None, ...]
    boundary_time_s: FloatArray
    boundary_w_prime_j: FloatArray
    notes: tuple[str, ...]

    @property
    def step_s(self) -> FloatArray:
        """Length of each step (s)."""
        return np.asarray(np.diff(self.time_s, prepend=0.0), dtype=np.float64)


def road_conditions(rise_m: FloatArray, heading_deg: FloatArray, weather: Weather) -> Conditions:
    """Wind and air density at places along the road.

    Parameters
    ----------
    rise_m : ndarray (n_places,)
        Height above the start, where the weather's pressure holds (m).
    heading_deg : ndarray (n_places,)
        Direction of travel (degrees clockwise from north).
    weather : Weather
    """
    wind_mps = rider_height_wind(weather.wind_speed_mps, weather.shelter)
    headwind_mps, crosswind_mps = wind_components(wind_mps, weather.wind_from_deg, heading_deg)
    density = air_density_at(weather.temperature_c, weather.pressure_hpa * 100.0, weather.humidity, rise_m)
    return Conditions(
        headwind_mps=np.broadcast_to(np.asarray(headwind_mps, dtype=np.float64), heading_deg.shape),
        crosswind_mps=np.broadcast_to(np.asarray(crosswind_mps, dtype=np.float64), heading_deg.shape),
        air_density=np.broadcast_to(np.asarray(density, dtype=np.float64), heading_deg.shape),
    )


def sustainable_cp_w(race: Race, team: Team, finish_time_s: float) -> FloatArray:
    """Critical power that each rider can sustain in a race of this duration.

    Parameters
    ----------
    finish_time_s : float
        Planned finish time (s); it matters where the race file states no share of its own.

    Returns
    -------
    ndarray (n_riders,)
        (W).
    """
    share = race.limits.sustainable_share_of_cp
    if share is None:
        share = float(sustainable_share(finish_time_s))
    return np.array([share * rider.cp_w for rider in team.riders])


def ride(
    course: Course,
    team: Team,
    race: Race,
    schedule: Schedule,
    *,
    time_step_s: float = TIME_STEP_S,
) -> Ride:
    """Ride a schedule from standstill to the end of the course.

    Parameters
    ----------
    course : Course
    team : Team
        The riders that the schedule's indices mean.
    race : Race
        Weather, road, drafting and recovery; its own team is not used.
    schedule : Schedule
    time_step_s : float
        Longest step (s).

    Returns
    -------
    Ride

    Raises
    ------
    ValueError
        The schedule holds a speed that is not positive, a power that is negative, a number that is not
        finite, or a rider that the team has not; or the step is not positive.

    Notes
    -----
    The error of the finish time falls with the square of the step; at the default it is below 0.01 %.
    """
    _check(team, schedule, time_step_s)
    road = _Road.along(course, race, schedule)
    lines = _Lines.of(schedule, team, race)
    track = _ride_line(road, lines, schedule, team.riders, race, time_step_s)
    segment = road.segment[track.interval]
    end_s = np.cumsum(track.step_s)
    boundary_s = np.interp(schedule.boundary_m, np.append(0.0, track.distance_m), np.append(0.0, end_s))
    place = lines.place[segment]
    moving = _moving_back(schedule, race, boundary_s, end_s - track.step_s, end_s, len(team.riders))
    power_w, braking_j = _power(road, lines, track, segment, place, moving, team.riders, race)
    w_prime_j = w_prime_balance(
        _mean_over_manoeuvres(power_w, track.step_s, moving.now),
        track.step_s,
        sustainable_cp_w(race, team, schedule.finish_time_s),
        np.array([rider.w_prime_j for rider in team.riders]),
        race.recovery,
        race.recovery_share,
    )
    boundary_w_prime_j = np.column_stack(
        [
            np.interp(boundary_s, np.append(0.0, end_s), np.append(rider.w_prime_j, w_prime_j[:, index]))
            for index, rider in enumerate(team.riders)
        ]
    )
    left_at_m = _left_at(place, track.distance_m)
    return Ride(
        time_s=end_s,
        distance_m=track.distance_m,
        speed_mps=track.speed_mps,
        power_w=power_w,
        w_prime_j=w_prime_j,
        leader=lines.leader[segment],
        place=place,
        moving_back=moving.now,
        braking_work_j=braking_j,
        finish_time_s=float(end_s[-1]),
        left_at_m=left_at_m,
        boundary_time_s=boundary_s,
        boundary_w_prime_j=boundary_w_prime_j,
        notes=_notes(team.riders, track, power_w, w_prime_j, moving.now),
    )


def _check(team: Team, schedule: Schedule, time_step_s: float) -> None:
    if not time_step_s > 0.0:
        raise ValueError(f"time_step_s: {time_step_s} is not positive")
    boundary_m = np.asarray(schedule.boundary_m)
    if not (np.isfinite(boundary_m).all() and (np.diff(boundary_m) > 0.0).all()):
        raise ValueError("schedule: boundary_m must be finite and rise along the road")
    if not (np.isfinite(schedule.speed_mps).all() and (schedule.speed_mps > 0.0).all()):
        raise ValueError("schedule: speed_mps must be finite and above 0")
    if not (np.isfinite(schedule.front_power_w).all() and (schedule.front_power_w >= 0.0).all()):
        raise ValueError("schedule: front_power_w must be finite and not below 0")
    for number, pull in enumerate(schedule.pulls):
        if not pull.line or not set(pull.line) <= set(range(len(team.riders))):
            raise ValueError(
                f"schedule: pulls[{number}].line {pull.line} must name riders of the team, "
                f"0 to {len(team.riders) - 1}"
            )


@dataclass(frozen=True)
class _Road:
    """The course cut at its own samples and at the schedule's boundaries; constant within an interval.

    Attributes
    ----------
    node_m : ndarray (n_intervals + 1,)
    segment : ndarray (n_intervals,) of int
        Segment of the schedule.
    ridden_m : ndarray (n_intervals,)
        What the front of the line rides in the interval: more than its length after a change of leader.
    grade : ndarray (n_intervals,)
    conditions : Conditions
        ``(n_intervals,)``.
    square_allowed : ndarray (n_intervals + 1,)
        Square of the top speed, or less: the largest from which the bends to come can be ridden (m2/s2).
    """

    node_m: FloatArray
    segment: IntArray
    ridden_m: FloatArray
    grade: FloatArray
    conditions: Conditions
    square_allowed: FloatArray

    @classmethod
    def along(cls, course: Course, race: Race, schedule: Schedule) -> _Road:
        sample_m = np.asarray(course.distance_m)
        inside = schedule.boundary_m[(schedule.boundary_m > 0.0) & (schedule.boundary_m < sample_m[-1])]
        node_m = np.union1d(sample_m, inside)
        node_m = node_m[np.append(True, np.diff(node_m) > 1e-6)]
        node_m[-1] = sample_m[-1]
        middle_m = 0.5 * (node_m[:-1] + node_m[1:])
        sample = np.clip(np.searchsorted(sample_m, middle_m) - 1, 0, len(sample_m) - 2)
        segment = np.clip(np.searchsorted(schedule.boundary_m, middle_m) - 1, 0, len(schedule.speed_mps) - 1)
        at_samples = road_conditions(
            np.asarray(course.elevation_m - course.elevation_m[0]), course.heading_deg, race.weather
        )
        conditions = Conditions(
            *(
                0.5 * (values[sample] + values[sample + 1])
                for values in (at_samples.headwind_mps, at_samples.crosswind_mps, at_samples.air_density)
            )
        )
        wet = race.weather.wet
        cap = np.asarray(cornering_speed(course.bend_radius_m, wet), dtype=np.float64)
        before = np.clip(np.searchsorted(sample_m, node_m + 1e-6) - 1, 0, len(sample_m) - 1)
        after = np.clip(np.searchsorted(sample_m, node_m - 1e-6), 0, len(sample_m) - 1)
        square = np.maximum(cap[before], cap[after]) ** 2
        square = np.minimum(square, race.limits.top_speed_mps**2)
        deceleration = float(braking_deceleration(wet))
        length_m = np.diff(node_m)
        for i in range(len(length_m) - 1, -1, -1):
            square[i] = min(square[i], square[i + 1] + 2.0 * deceleration * length_m[i])
        ridden_m = length_m.copy()
        changes = [
            after.first_segment
            for before, after in zip(schedule.pulls[:-1], schedule.pulls[1:], strict=True)
            if before.leader != after.leader
        ]
        first_interval = np.searchsorted(segment, changes)
        ridden_m[first_interval[first_interval < len(segment)]] += BICYCLE_LENGTH_M + race.wheel_gap_m
        grade = np.asarray(course.grade)[sample]
        return cls(node_m, segment, ridden_m, grade, conditions, square)


@dataclass(frozen=True)
class _Lines:
    """Who is where in the line, per segment."""

    leader: IntArray  # (n_segments,)
    place: IntArray  # (n_segments, n_riders), -1: not in the line
    share: FloatArray  # (n_segments, n_riders) draft share of the place, 1 outside the line

    @classmethod
    def of(cls, schedule: Schedule, team: Team, race: Race) -> _Lines:
        shape = (len(schedule.speed_mps), len(team.riders))
        leader = np.zeros(shape[0], dtype=np.int64)
        place = np.full(shape, -1, dtype=np.int64)
        share = np.ones(shape)
        shares = {line: race.line_shares([team.riders[i] for i in line]) for line in {p.line for p in schedule.pulls}}
        for pull in schedule.pulls:
            covered = slice(pull.first_segment, pull.end_segment)
            leader[covered] = pull.leader
            for index, rider in enumerate(pull.line):
                place[covered, rider] = index
            share[covered, list(pull.line)] = shares[pull.line]
        return cls(leader, place, share)


@dataclass(frozen=True)
class _Track:
    """The motion of the line, one row per step."""

    interval: IntArray
    step_s: FloatArray
    distance_m: FloatArray
    speed_mps: FloatArray
    middle_speed_mps: FloatArray
    acceleration_mps2: FloatArray
    walked_at_m: float | None


def _ride_line(
    road: _Road, lines: _Lines, schedule: Schedule, riders: Sequence[Rider], race: Race, time_step_s: float
) -> _Track:
    """Integrate the motion of the leader, in plain floats: each step needs the one before."""
    slope = np.arctan(road.grade)
    resistance_per_kg = (GRAVITY_MPS2 * (np.sin(slope) + race.crr * np.cos(slope))).tolist()
    half_density = (0.5 * road.conditions.air_density).tolist()
    headwind = road.conditions.headwind_mps.tolist()
    square_crosswind = (road.conditions.crosswind_mps**2).tolist()
    node_m, ridden_m = road.node_m.tolist(), road.ridden_m.tolist()
    square_allowed = road.square_allowed.tolist()
    segment_of = road.segment.tolist()
    planned_w = schedule.front_power_w.tolist()
    start_m = schedule.boundary_m.tolist()
    seconds_per_metre = (schedule.duration_s / np.diff(schedule.boundary_m)).tolist()
    clock_s = np.append(0.0, np.cumsum(schedule.duration_s)).tolist()
    shortest_m = 0.5 * LARGEST_ACCELERATION_MPS2 * time_step_s**2

    intervals: list[int] = []
    steps_s: list[float] = []
    ends_m: list[float] = []
    speeds: list[float] = []
    middle_speeds: list[float] = []
    walked_at_m: float | None = None
    segment = -1
    time, speed = 0.0, 0.0
    for i in range(len(segment_of)):
        if segment_of[i] != segment:
            segment = segment_of[i]
            leader = riders[lines.leader[segment]]
            mass, drag_area, peak_w = leader.total_mass_kg, leader.cda_m2, leader.peak_w
            inertia, largest_force = float(kinetic_mass(mass)), LARGEST_ACCELERATION_MPS2 * mass
            saving = 1.0 - float(lines.share[segment, lines.leader[segment]])
        wind, rho_half, crosswind2 = headwind[i], half_density[i], square_crosswind[i]
        constant_force = mass * resistance_per_kg[i] + _BEARING_FORCE_N
        begin_m, place_m, end_m, length_m = node_m[i], node_m[i], node_m[i + 1], ridden_m[i]
        progress = (end_m - begin_m) / length_m
        allowed_rise = (square_allowed[i + 1] - square_allowed[i]) / length_m
        done_m = 0.0
        while done_m < length_m:
            step_m = max(speed * time_step_s, shortest_m)
            left_m = length_m - done_m
            if step_m >= 0.999 * left_m:
                step_m, done_m, next_m = left_m, length_m, end_m
            else:
                step_m = min(step_m, 0.5 * left_m)
                done_m += step_m
                next_m = begin_m + done_m * progress
            lag_s = time - clock_s[segment] - (place_m - start_m[segment]) * seconds_per_metre[segment]
            correction = max(
                -LARGEST_CLOCK_CORRECTION, min(LARGEST_CLOCK_CORRECTION, CLOCK_GAIN_PER_S * lag_s)
            )
            wheel_w = min(planned_w[segment] * (1.0 + correction), peak_w) * DRIVETRAIN_EFFICIENCY
            square = speed * speed
            middle = speed if speed > WALKING_PACE_MPS else 0.5 * (speed + sqrt(square + 4.0 * step_m))
            new_square = square
            for _ in range(_MOST_CORRECTIONS):
                guess = middle
                air = middle + wind
                air2 = air * air
                # cos(2 yaw), as in sheltered_share
                kept = (air2 - crosswind2) / (air2 + crosswind2) if air > 0.0 and air2 > crosswind2 else 0.0
                area = drag_area * (1.0 - saving * kept) + WHEEL_ROTATION_DRAG_AREA_M2
                force = min(wheel_w / middle, largest_force) - (
                    rho_half * area * air * abs(air) + constant_force + _BEARING_FORCE_PER_SPEED * middle
                )
                new_square = square + 2.0 * force * step_m / inertia
                middle = max(0.5 * (speed + sqrt(max(new_square, 0.0))), 0.1)
                if abs(middle - guess) <= 1e-7 * middle:
                    break
            slowest = min(WALKING_PACE_MPS * WALKING_PACE_MPS, square + step_m)
            if new_square < slowest:
                new_square = slowest
                walked_at_m = place_m if walked_at_m is None else walked_at_m
            allowed = square_allowed[i] + allowed_rise * done_m
            if new_square > allowed:
                new_square = allowed
            new_speed = sqrt(new_square)
            middle = 0.5 * (speed + new_speed)
            step_s = step_m / middle
            time += step_s
            intervals.append(i)
            steps_s.append(step_s)
            ends_m.append(next_m)
            speeds.append(new_speed)
            middle_speeds.append(middle)
            speed, place_m = new_speed, next_m
    seconds, end_speed = np.array(steps_s), np.array(speeds)
    return _Track(
        interval=np.array(intervals, dtype=np.int64),
        step_s=seconds,
        distance_m=np.array(ends_m),
        speed_mps=end_speed,
        middle_speed_mps=np.array(middle_speeds),
        acceleration_mps2=np.diff(end_speed, prepend=0.0) / seconds,
        walked_at_m=walked_at_m,
    )


@dataclass(frozen=True)
class _MovingBack:
    """Riders who have swung off, per step and rider."""

    now: BoolArray  # (n_steps, n_riders)
    relative_speed_mps: FloatArray  # (n_steps, n_riders) slower than the line by this
    relative_acceleration_mps2: FloatArray


def _moving_back(
    schedule: Schedule,
    race: Race,
    boundary_s: FloatArray,
    from_s: FloatArray,
    until_s: FloatArray,
    n_riders: int,
) -> _MovingBack:
    shape = (len(from_s), n_riders)
    now = np.zeros(shape, dtype=bool)
    speed, acceleration = np.zeros(shape), np.zeros(shape)
    for before, after in zip(schedule.pulls[:-1], schedule.pulls[1:], strict=True):
        rider = before.leader
        if before.leader_leaves or rider not in after.line or rider == after.leader:
            continue
        way_back = manoeuvre(after.line.index(rider) + 1, race.wheel_gap_m)
        swung_off_s = boundary_s[after.first_segment]
        first = int(np.searchsorted(from_s, swung_off_s - 1e-9))
        last = int(np.searchsorted(from_s, swung_off_s + way_back.duration_s))
        rows = slice(first, last)
        start_s, end_s = from_s[rows] - swung_off_s, until_s[rows] - swung_off_s
        at_start, at_end = way_back.relative_speed(start_s), way_back.relative_speed(end_s)
        now[rows, rider] = True
        speed[rows, rider] = 0.5 * (at_start + at_end)
        acceleration[rows, rider] = (at_end - at_start) / (end_s - start_s)
    return _MovingBack(now, speed, acceleration)


def _power(
    road: _Road,
    lines: _Lines,
    track: _Track,
    segment: IntArray,
    place: IntArray,
    moving: _MovingBack,
    riders: Sequence[Rider],
    race: Race,
) -> tuple[FloatArray, FloatArray]:
    """Power at the crank and work of the brakes, from the balance of forces on each rider."""
    mass = np.array([rider.total_mass_kg for rider in riders])
    headwind = road.conditions.headwind_mps[track.interval]
    yaw_deg = yaw_angle(track.middle_speed_mps, headwind, road.conditions.crosswind_mps[track.interval])
    share = np.asarray(sheltered_share(lines.share[segment], yaw_deg[:, np.newaxis]))
    share = np.where(moving.now, 1.0, share)
    own_speed = np.maximum(track.middle_speed_mps[:, np.newaxis] - moving.relative_speed_mps, 0.0)
    own_acceleration = track.acceleration_mps2[:, np.newaxis] - moving.relative_acceleration_mps2
    load_w = road_load_power(
        own_speed,
        mass_kg=mass,
        drag_area_m2=share * np.array([rider.cda_m2 for rider in riders]),
        grade=road.grade[track.interval][:, np.newaxis],
        headwind_mps=headwind[:, np.newaxis],
        air_density=road.conditions.air_density[track.interval][:, np.newaxis],
        crr=race.crr,
        efficiency=1.0,
    )
    wheel_w = load_w + kinetic_mass(mass) * own_acceleration * own_speed
    in_line = place >= 0
    power_w = np.where(in_line, np.maximum(wheel_w, 0.0) / DRIVETRAIN_EFFICIENCY, np.nan)
    braking_j = np.where(in_line, np.maximum(-wheel_w, 0.0) * track.step_s[:, np.newaxis], np.nan)
    return power_w, braking_j


def _mean_over_manoeuvres(power_w: FloatArray, step_s: FloatArray, moving_back: BoolArray) -> FloatArray:
    """Power with every way back from the front replaced by its mean."""
    smooth = power_w.copy()
    for rider in range(power_w.shape[1]):
        edges = np.flatnonzero(np.diff(moving_back[:, rider].astype(np.int8), prepend=0, append=0))
        for first, end in zip(edges[::2], edges[1::2], strict=True):
            smooth[first:end, rider] = np.average(power_w[first:end, rider], weights=step_s[first:end])
    return smooth


def _left_at(place: IntArray, distance_m: FloatArray) -> tuple[float | None, ...]:
    left: list[float | None] = []
    for column in place.T:
        steps_in_line = np.flatnonzero(column >= 0)
        if len(steps_in_line) == 0:
            left.append(0.0)
        else:
            last = int(steps_in_line[-1])
            left.append(None if last == len(column) - 1 else float(distance_m[last]))
    return tuple(left)


def _notes(
    riders: Sequence[Rider], track: _Track, power_w: FloatArray, w_prime_j: FloatArray, moving_back: BoolArray
) -> tuple[str, ...]:
    notes: list[str] = []
    if track.walked_at_m is not None:
        notes.append(
            f"The line slows to walking pace at {track.walked_at_m / 1000:.2f} km: "
            "the schedule's power does not carry it up."
        )
    for index, rider in enumerate(riders):
        cracked = np.flatnonzero(w_prime_j[:, index] < 0.0)
        if len(cracked):
            notes.append(
                f"{rider.name} has used up W' at {track.distance_m[cracked[0]] / 1000:.2f} km: cracked."
            )
        too_much = (power_w[:, index] > rider.peak_w * BEYOND_PEAK) & ~moving_back[:, index]
        lost = _first_long_run(too_much, track.step_s, PATIENCE_S)
        if lost is not None:
            notes.append(
                f"{rider.name} loses the wheel at {track.distance_m[lost] / 1000:.2f} km: it takes "
                f"{power_w[lost, index]:.0f} W, peak power is {rider.peak_w:.0f} W."
            )
    return tuple(notes)


def _first_long_run(condition: BoolArray, step_s: FloatArray, longer_than_s: float) -> int | None:
    """First step of the first unbroken run of steps that lasts longer than given."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], condition, [False])).astype(np.int8)))
    ends_s = np.append(0.0, np.cumsum(step_s))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        if ends_s[end] - ends_s[first] > longer_than_s:
            return int(first)
    return None
