"""From patterns over stretches to a schedule that can be ridden and checked: :func:`settled_ride`."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ttt_opt.changeover import BICYCLE_LENGTH_M
from ttt_opt.course import Course
from ttt_opt.pattern_ride import PatternRoad, front_power
from ttt_opt.race import Race
from ttt_opt.ride import Ride, ride
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.segments import Segments

FloatArray = NDArray[np.float64]

SETTLING_RIDES = 4
"""Rides at most until the clock of the schedule is that of its own ride."""
CLOCK_SETTLED_S = 0.1
"""Schedule and ride agree to this at the finish (s)."""


@dataclass(frozen=True)
class PatternPull:
    """A pull that riding patterns led to.

    Attributes
    ----------
    node : int
        Where it starts.
    line : tuple of int
        Riders of the team in line order, the leader first.
    watts : ndarray (n_kinds,)
        Front power of the leader on each kind of road (W).
    n_sitting : int
        Riders at the end of the line who share no pulls.
    leaves : bool
        After it the leader leaves the line for good.
    """

    node: int
    line: tuple[int, ...]
    watts: FloatArray
    n_sitting: int = 0
    leaves: bool = False


def cut_at(course: Course, segments: Segments, places_m: FloatArray) -> tuple[Segments, NDArray[np.int64]]:
    """Segments cut once more at places, each part with its own gradient, and of which segment it is a part."""
    boundary = np.union1d(segments.boundary_m, places_m)
    boundary = boundary[np.append(np.diff(boundary) > 0.5, True)]
    boundary[0], boundary[-1] = segments.start_m[0], segments.end_m[-1]
    middle = 0.5 * (boundary[1:] + boundary[:-1])
    part_of = np.clip(np.searchsorted(segments.boundary_m, middle) - 1, 0, len(segments.start_m) - 1)
    rise = np.diff(np.interp(boundary, course.distance_m, course.elevation_m))
    whole = np.isin(boundary[:-1], segments.start_m) & np.isin(boundary[1:], segments.end_m)
    return Segments(
        start_m=boundary[:-1],
        end_m=boundary[1:],
        grade=np.where(whole, segments.grade[part_of], rise / np.diff(boundary)),
        heading_deg=np.where(whole, segments.heading_deg[part_of], _mean_heading(course, boundary)),
        elevation_m=segments.elevation_m[part_of],
        speed_cap_mps=segments.speed_cap_mps[part_of],
        terrain=tuple(segments.terrain[s] for s in part_of),
        bend=segments.bend[part_of],
        accelerating=segments.accelerating[part_of],
    ), part_of


def _mean_heading(course: Course, boundary_m: FloatArray) -> FloatArray:
    """Mean direction of travel between boundaries (degrees)."""
    unwrapped = np.degrees(np.unwrap(np.radians(course.heading_deg)))
    along = np.append(0.0, np.cumsum(0.5 * (unwrapped[1:] + unwrapped[:-1]) * np.diff(course.distance_m)))
    total = np.interp(boundary_m, course.distance_m, along)
    return np.asarray(np.diff(total) / np.diff(boundary_m) % 360.0, dtype=np.float64)


def settled_ride(
    course: Course,
    race: Race,
    road: PatternRoad,
    segments: Segments,
    pulls: Sequence[PatternPull],
    guess_mps: FloatArray,
) -> tuple[Segments, Schedule, Ride]:
    """Ride pulls at their watts until the schedule has the times of its own ride.

    Parameters
    ----------
    course : Course
    race : Race
    road : PatternRoad
        With the nodes that pulls start at.
    segments : Segments
        The segments that the road was made of.
    pulls : sequence of PatternPull
    guess_mps : ndarray (n_segments,)
        About how fast the segments are ridden (m/s).

    Returns
    -------
    segments : Segments
        Cut also where riders change and where they stop pedalling before bends.
    schedule : Schedule
    ride : Ride
    """
    kind_changes = np.flatnonzero(np.diff(road.kind) != 0) + 1
    starts = np.array([pull.node for pull in pulls])
    cut, part_of = cut_at(course, segments, road.node_m[np.union1d(kind_changes, starts)])
    first = np.searchsorted(cut.start_m, road.node_m[starts] - 0.5)
    ends = np.append(first[1:], len(cut.start_m))
    middle = 0.5 * (cut.start_m + cut.end_m)
    piece = np.clip(np.searchsorted(road.node_m, middle) - 1, 0, len(road.kind) - 1)
    kind, effort = road.kind[piece], road.effort[piece]
    peak_w = np.array([rider.peak_w for rider in race.team.riders])
    watts = np.concatenate(
        [
            front_power(pull.watts[kind[low:high]], effort[low:high], peak_w[pull.line[0]])
            for pull, low, high in zip(pulls, first, ends, strict=True)
        ]
    )
    schedule = Schedule(
        boundary_m=cut.boundary_m,
        speed_mps=guess_mps[part_of],
        exit_speed_mps=guess_mps[part_of],
        front_power_w=watts,
        lost_s=np.zeros(len(watts)),
        pulls=tuple(
            ScheduledPull(pull.line, int(low), int(high), pull.leaves, pull.n_sitting)
            for pull, low, high in zip(pulls, first, ends, strict=True)
        ),
    )
    for number in range(SETTLING_RIDES):
        ridden = ride(course, race.team, race, schedule)
        settled = abs(ridden.finish_time_s - schedule.finish_time_s) < CLOCK_SETTLED_S
        if settled and number > 0:  # the first speeds are a guess, however near the clock
            break
        schedule = _at_the_pace_of(ridden, schedule, race)
    return cut, schedule, ridden


def _at_the_pace_of(ridden: Ride, schedule: Schedule, race: Race) -> Schedule:
    """The schedule with the times and speeds of its ride."""
    place = np.append(0.0, ridden.distance_m)
    exit_mps = np.interp(schedule.boundary_m[1:], place, np.append(0.0, ridden.speed_mps))
    length_m, time_s = np.diff(schedule.boundary_m), np.diff(ridden.boundary_time_s)
    changes = [
        after.first_segment for before, after in itertools.pairwise(schedule.pulls) if before.leader != after.leader
    ]
    lost_s = np.zeros_like(time_s)
    more_m = BICYCLE_LENGTH_M + race.wheel_gap_m
    lost_s[changes] = time_s[changes] * more_m / (length_m[changes] + more_m)
    return replace(schedule, speed_mps=length_m / (time_s - lost_s), exit_speed_mps=exit_mps, lost_s=lost_s)
