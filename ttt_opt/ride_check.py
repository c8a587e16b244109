"""Ride check: does a simulated ride confirm the plan, and are all limits met?

Every check is one line: what was found, what is allowed, whether it is met. A plan passes when all are met.

Notes
-----
Two kinds of checks. What the *riders* do comes from the ride: finish time, W', power on the wheel, peak
power, speed, who is there at the finish. What the *schedule* says is checked as written: who leads, how long a pull
is, how far speed and front power jump. Agreement between plan and ride is asked to 0.5 % of the finish time
and 1 kJ of each rider's W'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.course import Course
from ttt_opt.physics import DRIVETRAIN_EFFICIENCY, kinetic_mass, road_load_power
from ttt_opt.race import PullBounds, Race
from ttt_opt.ride import Ride, road_conditions
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.segments import Segments
from ttt_opt.surge import (
    CHECKED_RATIO,
    power_asked_by_road_w,
    power_surge_applies,
    speed_surge_applies,
)
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

#: Largest difference between the finish times of plan and ride (share).
FINISH_TIME_TOLERANCE = 0.005
#: Largest difference between W' of plan and ride, per rider (J).
W_PRIME_TOLERANCE_J = 1000.0
#: A rider's lowest W' may fall below the reserve by this (J).
RESERVE_TOLERANCE_J = 500.0
#: A pull may be too long or too short by this (s): riders count, they do not time.
PULL_TOLERANCE_S = 2.0
#: Schedule and course may differ in length by this (m).
COURSE_TOLERANCE_M = 1.0
#: Surges may exceed their limit by this (W, km/h): rounding of speeds.
POWER_SURGE_TOLERANCE_W, SPEED_SURGE_TOLERANCE_KMH = 8.0, 0.1
#: The line may be faster than its top speed by this (km/h): riders cannot hold a speed more closely.
TOP_SPEED_TOLERANCE_KMH = 1.0
#: Mean power on a wheel over a segment may exceed its limit by this (share of critical power): what a leader
#: adds when the line is behind the clock reaches the wheels.
ON_WHEEL_TOLERANCE = 0.08
#: Mean power over a segment may exceed a rider's peak power by this (share).
PEAK_TOLERANCE = 0.05
#: Work of the leader's brakes in a segment from which on a change of speed there is none of power (J): 0.3 km/h at 50.
NOTABLE_BRAKING_J = 100.0
#: Shortest stay on a wheel within a segment that counts for the mean power there (s).
SHORTEST_STAY_S = 5.0


@dataclass(frozen=True)
class Check:
    """One thing checked.

    Attributes
    ----------
    name : str
        What was checked.
    value : float
        What was found.
    limit : float
        What is allowed.
    met : bool
        The limit is met, within the tolerance.
    unit : str
        Unit of value, limit and tolerance; empty for counts and shares.
    tolerance : float
        How far the value may be beyond the limit.
    detail : str
        Who and where, for the worst case; may be empty.
    """

    name: str
    value: float
    limit: float
    met: bool
    unit: str
    tolerance: float = 0.0
    detail: str = ""


@dataclass(frozen=True)
class RideCheck:
    """Result of a ride check.

    Attributes
    ----------
    finish_time_s : float
        Finish time of the ride (s).
    difference_s : float
        Ride minus plan (s): positive where the ride is slower.
    passed : bool
        Every check is met.
    checks : tuple of Check
    notes : tuple of str
        What else happened in the ride.
    """

    finish_time_s: float
    difference_s: float
    passed: bool
    checks: tuple[Check, ...]
    notes: tuple[str, ...]

    @property
    def failed(self) -> tuple[Check, ...]:
        """The checks that are not met."""
        return tuple(check for check in self.checks if not check.met)


def check_ride(
    ride: Ride,
    course: Course,
    segments: Segments,
    team: Team,
    race: Race,
    schedule: Schedule,
    planned_w_prime_j: FloatArray,
) -> RideCheck:
    """Compare a ride with the plan that it followed, and both with the limits.

    Parameters
    ----------
    ride : Ride
        Of this schedule, on this course.
    course : Course
    segments : Segments
        The segments of the schedule.
    team : Team
    race : Race
        Rules and limits.
    schedule : Schedule
    planned_w_prime_j : ndarray (n_segments + 1, n_riders)
        W' at the boundaries of the segments as the plan has it (J); what it says of riders who have left is
        ignored.

    Returns
    -------
    RideCheck

    Raises
    ------
    ValueError
        Segments, schedule, ride and planned W' do not fit together.
    """
    n_segments, n_riders = len(schedule.speed_mps), len(team.riders)
    if len(segments.start_m) != n_segments or ride.boundary_time_s.shape != (n_segments + 1,):
        raise ValueError("segments, schedule and ride must have the same number of segments")
    if planned_w_prime_j.shape != (n_segments + 1, n_riders) or ride.power_w.shape[1] != n_riders:
        raise ValueError(
            "planned_w_prime_j must have one row per boundary and one column per rider of the team"
        )
    checks = (
        _covers_course(course, schedule),
        _line_order(team, schedule),
        _sitting_on(team, schedule),
        *_pull_durations(segments, team, race, schedule),
        _finish_time(ride, schedule),
        *_w_prime_agreement(ride, team, planned_w_prime_j),
        *_w_prime_reserve(ride, team, race),
        *_power_changes(ride, segments, course, team, race, schedule),
        _speed_surge(segments, course, race, schedule),
        _top_speed(ride, race, schedule),
        _on_wheel(ride, segments, team, race, schedule),
        _peak_power(ride, team, schedule),
        _riders_at_finish(ride, race, n_riders),
    )
    return RideCheck(
        finish_time_s=ride.finish_time_s,
        difference_s=ride.finish_time_s - schedule.finish_time_s,
        passed=all(check.met for check in checks),
        checks=checks,
        notes=ride.notes,
    )


def _km(distance_m: float) -> str:
    return f"{distance_m / 1000:.2f} km"


def _covers_course(course: Course, schedule: Schedule) -> Check:
    missing_m = max(abs(float(schedule.boundary_m[0])), abs(float(schedule.boundary_m[-1]) - course.length_m))
    met = missing_m <= COURSE_TOLERANCE_M
    return Check(
        "Pulls cover the course: length missing or too much", missing_m, 0.0, met, "m", COURSE_TOLERANCE_M
    )


def _next_line(pull: ScheduledPull) -> tuple[int, ...]:
    """Line after a pull: the next wheel leads, the old leader is last of those who pull, or gone."""
    if pull.leader_leaves:
        return pull.line[1:]
    return (*pull.pulling[1:], pull.leader, *pull.sitting)


def _sits_on_from_now(team: Team, pull: ScheduledPull) -> set[int]:
    """By how many more riders may sit on after a pull: its leader may, where the team file says so and two go on."""
    may = team.riders[pull.leader].may_sit_on and not pull.leader_leaves and len(pull.pulling) > 2
    return {0, 1} if may else {0}


def _line_order(team: Team, schedule: Schedule) -> Check:
    wrong: list[str] = []
    if sorted(schedule.pulls[0].line) != list(range(len(team.riders))):
        wrong.append("the first pull must have every rider in the line once")
    for number, (pull, after) in enumerate(
        zip(schedule.pulls[:-1], schedule.pulls[1:], strict=True), start=2
    ):
        more = after.n_sitting - pull.n_sitting
        if after.line != _next_line(pull) or more not in _sits_on_from_now(team, pull):
            wrong.append(f"pull {number} at {_km(schedule.boundary_m[after.first_segment])}")
    return Check(
        "Line order: pulls whose line does not follow from the one before",
        len(wrong),
        0.0,
        not wrong,
        "",
        detail=wrong[0] if wrong else "",
    )


def _sitting_on(team: Team, schedule: Schedule) -> Check:
    wrong: list[str] = []
    throughout = {rider for rider, who in enumerate(team.riders) if not who.pulls}
    may_sit_on = {rider for rider, who in enumerate(team.riders) if who.may_sit_on}
    if not throughout <= set(schedule.pulls[0].sitting) <= throughout | may_sit_on:
        wrong.append("the first pull must have those at the end who sit on from the start")
    for number, pull in enumerate(schedule.pulls, start=1):
        if not pull.pulling or set(pull.pulling) & throughout:
            wrong.append(f"pull {number} at {_km(schedule.boundary_m[pull.first_segment])}")
    return Check(
        "Riders who sit on: pulls in which one leads or is not at the end of the line",
        len(wrong),
        0.0,
        not wrong,
        "",
        detail=wrong[0] if wrong else "",
    )


def _bounds(rider: Rider, terrain: str, race: Race) -> PullBounds:
    """Bounds on a pull of this rider; a rider's own ones hold on the flat."""
    bounds = race.limits.pulls[terrain]
    if terrain != "flat":
        return bounds
    return PullBounds(
        bounds.shortest_s if rider.shortest_pull_s is None else rider.shortest_pull_s,
        bounds.longest_s if rider.longest_pull_s is None else rider.longest_pull_s,
    )


def _pull_durations(segments: Segments, team: Team, race: Race, schedule: Schedule) -> tuple[Check, Check]:
    """Pulls against their bounds; on mixed terrain each second counts as its share of what that terrain
    allows.

    The last pull may be as short as the course leaves it.
    """
    longest, shortest = (-np.inf, ""), (-np.inf, "")
    last = schedule.pulls[-1]
    for pull in schedule.pulls:
        rider = team.riders[pull.leader]
        covered = slice(pull.first_segment, pull.end_segment)
        duration_s = schedule.duration_s[covered]
        bounds = [_bounds(rider, terrain, race) for terrain in segments.terrain[covered]]
        total_s = float(duration_s.sum())
        share_of_longest = sum(t / b.longest_s for t, b in zip(duration_s, bounds, strict=True))
        share_of_shortest = sum(t / b.shortest_s for t, b in zip(duration_s, bounds, strict=True))
        where = f"{rider.name} from {_km(schedule.boundary_m[pull.first_segment])}: {total_s:.0f} s"
        if len(pull.pulling) > 1:  # else nobody can relieve him
            longest = max(longest, (total_s * (1.0 - 1.0 / share_of_longest), where))
        if pull is not last:
            shortest = max(shortest, (total_s * (1.0 / share_of_shortest - 1.0), where))
    return (
        Check(
            "Longest pull: time beyond its bound",
            longest[0],
            0.0,
            longest[0] <= PULL_TOLERANCE_S,
            "s",
            PULL_TOLERANCE_S,
            longest[1],
        ),
        Check(
            "Shortest pull: time missing to its bound",
            shortest[0],
            0.0,
            shortest[0] <= PULL_TOLERANCE_S,
            "s",
            PULL_TOLERANCE_S,
            shortest[1],
        ),
    )


def _finish_time(ride: Ride, schedule: Schedule) -> Check:
    percent = 100.0 * (ride.finish_time_s / schedule.finish_time_s - 1.0)
    limit = 100.0 * FINISH_TIME_TOLERANCE
    return Check("Finish time: ride against plan", percent, limit, abs(percent) <= limit, "%")


def _w_prime_agreement(ride: Ride, team: Team, planned_w_prime_j: FloatArray) -> list[Check]:
    checks: list[Check] = []
    for index, rider in enumerate(team.riders):
        ridden = ride.boundary_w_prime_j[:, index]
        in_line = np.isfinite(ridden)
        ridden, planned = ridden[in_line], planned_w_prime_j[in_line, index]
        pairs = (("at the end", ridden[-1] - planned[-1]), ("at its lowest", ridden.min() - planned.min()))
        for what, difference_j in pairs:
            met = bool(abs(difference_j) <= W_PRIME_TOLERANCE_J)
            checks.append(
                Check(
                    f"W' {what}, {rider.name}: ride minus plan", difference_j, W_PRIME_TOLERANCE_J, met, "J"
                )
            )
    return checks


def _w_prime_reserve(ride: Ride, team: Team, race: Race) -> list[Check]:
    reserve_j = race.limits.w_prime_reserve_j
    checks: list[Check] = []
    for index, rider in enumerate(team.riders):
        w_prime_j = np.append(rider.w_prime_j, ride.w_prime_j[:, index])
        lowest = int(np.nanargmin(w_prime_j))
        where = _km(float(np.append(0.0, ride.distance_m)[lowest]))
        value = float(w_prime_j[lowest])
        met = value >= reserve_j - RESERVE_TOLERANCE_J
        checks.append(
            Check(
                f"W' reserve, {rider.name}: lowest W'", value, reserve_j, met, "J", RESERVE_TOLERANCE_J, where
            )
        )
    return checks


def _power_changes(
    ride: Ride, segments: Segments, course: Course, team: Team, race: Race, schedule: Schedule
) -> tuple[Check, Check]:
    conditions = road_conditions(
        segments.elevation_m - course.elevation_m[0], segments.heading_deg, race.weather
    )

    def load_w(segment: slice, speed_mps: FloatArray) -> FloatArray:
        """Steady power of the average rider, alone in the wind."""
        return road_load_power(
            speed_mps,
            mass_kg=float(np.mean([rider.total_mass_kg for rider in team.riders])),
            drag_area_m2=float(np.mean([rider.cda_m2 for rider in team.riders])),
            grade=segments.grade[segment],
            headwind_mps=conditions.headwind_mps[segment],
            air_density=conditions.air_density[segment],
            crr=race.crr,
        )

    before, after = slice(None, -1), slice(1, None)
    speed = schedule.speed_mps
    kinetic_kg = float(kinetic_mass(float(np.mean([rider.total_mass_kg for rider in team.riders]))))
    entry_square = np.append(0.0, schedule.exit_speed_mps[:-1] ** 2)
    rise_j = np.where(segments.bend, 0.0, 0.5 * kinetic_kg * (schedule.exit_speed_mps**2 - entry_square))
    riding_s = schedule.duration_s - schedule.lost_s
    front_w = load_w(slice(None), speed) + rise_j / DRIVETRAIN_EFFICIENCY / riding_s
    change_w = np.diff(front_w)
    held_w = load_w(before, speed[before]), load_w(after, speed[before])
    braked = _braked(ride, schedule)
    applies = power_surge_applies(segments, speed, CHECKED_RATIO) & ~braked[before] & ~braked[after]
    limit = race.limits.surge_w
    checks = []
    for name, beyond_w in (
        ("Surge in power between segments", change_w - power_asked_by_road_w(*held_w)),
        ("Drop in power between segments", -change_w - power_asked_by_road_w(*reversed(held_w))),
    ):
        value, where = _worst(beyond_w, applies, schedule)
        met = value <= limit + POWER_SURGE_TOLERANCE_W
        checks.append(Check(name, value, limit, met, "W", POWER_SURGE_TOLERANCE_W, where))
    return checks[0], checks[1]


def _braked(ride: Ride, schedule: Schedule) -> NDArray[np.bool_]:
    """Segments in which the leader brakes ``(n_segments,)``: with the wind, before bends that segments do not know."""
    steps = np.arange(len(ride.time_s))
    work_j = np.nan_to_num(ride.braking_work_j[steps, ride.leader])
    segment = _segment_of_steps(ride, len(schedule.speed_mps))
    return np.asarray(np.bincount(segment, work_j, len(schedule.speed_mps)) > NOTABLE_BRAKING_J)


def _segment_of_steps(ride: Ride, n_segments: int) -> NDArray[np.int64]:
    """Segment in the middle of each step ``(n_steps,)``."""
    segment = np.searchsorted(ride.boundary_time_s, ride.time_s - 0.5 * ride.step_s) - 1
    return np.clip(segment, 0, n_segments - 1)


def _speed_surge(segments: Segments, course: Course, race: Race, schedule: Schedule) -> Check:
    conditions = road_conditions(
        segments.elevation_m - course.elevation_m[0], segments.heading_deg, race.weather
    )
    applies = speed_surge_applies(segments, conditions.headwind_mps)
    value, where = _worst(3.6 * np.diff(schedule.speed_mps), applies, schedule)
    limit = race.limits.surge_kmh
    met = value <= limit + SPEED_SURGE_TOLERANCE_KMH
    return Check(
        "Surge in speed between segments", value, limit, met, "km/h", SPEED_SURGE_TOLERANCE_KMH, where
    )


def _top_speed(ride: Ride, race: Race, schedule: Schedule) -> Check:
    """Largest speed of the ride or mean speed of a segment in the schedule, and where it is."""
    fastest, segment = int(np.argmax(ride.speed_mps)), int(np.argmax(schedule.speed_mps))
    value_kmh, where_m = max(
        (3.6 * float(ride.speed_mps[fastest]), float(ride.distance_m[fastest])),
        (3.6 * float(schedule.speed_mps[segment]), float(schedule.boundary_m[segment])),
    )
    limit = race.limits.top_speed_kmh
    met = value_kmh <= limit + TOP_SPEED_TOLERANCE_KMH
    return Check("Top speed", value_kmh, limit, met, "km/h", TOP_SPEED_TOLERANCE_KMH, _km(where_m))


def _worst(rise: FloatArray, applies: NDArray[np.bool_], schedule: Schedule) -> tuple[float, str]:
    """Largest rise where the limit applies, at least 0, and where it is."""
    if not applies.any():
        return 0.0, ""
    worst = int(np.argmax(np.where(applies, rise, -np.inf)))
    return max(0.0, float(rise[worst])), _km(float(schedule.boundary_m[worst + 1]))


def _segment_means(
    ride: Ride, schedule: Schedule, counts: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Mean power and time, per segment and rider, over the steps that count, (n_segments, n_riders)."""
    n_segments = len(schedule.speed_mps)
    segment = _segment_of_steps(ride, n_segments)
    time_s, mean_w = np.zeros((2, n_segments, counts.shape[1]))
    for rider in range(counts.shape[1]):
        weight = np.where(counts[:, rider], ride.step_s, 0.0)
        power_w = np.where(counts[:, rider], ride.power_w[:, rider], 0.0)
        time_s[:, rider] = np.bincount(segment, weight, n_segments)
        work_j = np.bincount(segment, weight * power_w, n_segments)
        mean_w[:, rider] = work_j / np.maximum(time_s[:, rider], 1e-9)
    return mean_w, time_s


def _on_wheel(ride: Ride, segments: Segments, team: Team, race: Race, schedule: Schedule) -> Check:
    mean_w, time_s = _segment_means(ride, schedule, (ride.place > 0) & ~ride.moving_back)
    share = mean_w / np.array([rider.cp_w for rider in team.riders])
    counts = (time_s >= SHORTEST_STAY_S) & ~np.asarray(segments.accelerating)[:, np.newaxis]
    share = np.where(counts, share, 0.0)
    worst, rider = np.unravel_index(int(np.argmax(share)), share.shape)
    limit = race.limits.on_wheel_share_of_cp
    return Check(
        "Power on a wheel: mean over a segment as share of critical power",
        float(share[worst, rider]),
        limit,
        bool(share[worst, rider] <= limit + ON_WHEEL_TOLERANCE),
        "",
        ON_WHEEL_TOLERANCE,
        f"{team.riders[rider].name} at {_km(schedule.boundary_m[worst])}",
    )


def _peak_power(ride: Ride, team: Team, schedule: Schedule) -> Check:
    mean_w, _ = _segment_means(ride, schedule, (ride.place >= 0) & ~ride.moving_back)
    for pull in schedule.pulls:
        covered = slice(pull.first_segment, pull.end_segment)
        mean_w[covered, pull.leader] = np.maximum(
            mean_w[covered, pull.leader], schedule.front_power_w[covered]
        )
    share = mean_w / np.array([rider.peak_w for rider in team.riders])
    worst, rider = np.unravel_index(int(np.argmax(share)), share.shape)
    return Check(
        "Peak power: mean over a segment as share of the rider's peak power",
        float(share[worst, rider]),
        1.0,
        bool(share[worst, rider] <= 1.0 + PEAK_TOLERANCE),
        "",
        PEAK_TOLERANCE,
        f"{team.riders[rider].name} at {_km(schedule.boundary_m[worst])}",
    )


def _riders_at_finish(ride: Ride, race: Race, n_riders: int) -> Check:
    needed = race.rules.counting_rider or n_riders
    there = sum(left is None for left in ride.left_at_m)
    return Check("Riders in the line at the finish", there, needed, there >= needed, "")
