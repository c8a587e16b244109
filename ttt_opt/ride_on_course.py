"""Where along a course a recorded ride was: its places projected on the course line, in riding order.

A course may pass a place several times (laps, out and back), and a recording may begin long before the start. So the
whole recording is matched at once: each fix has a few places on the course that are near it, and the cheapest chain
of them is found by dynamic programming, where what costs is lying off the line, and riding less or more of the course
than the fixes moved. Parts of the chain that run forwards are passages; the one that covers most of the course is the
race.

References
----------
From memory: Newson & Krumm 2009, "Hidden Markov map matching through noise and sparseness", ACM SIGSPATIAL: distance
to the road and difference of route and straight distance as the two costs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ttt_opt.course import Course
from ttt_opt.recorded_ride import RecordedRide

FloatArray = NDArray[np.float64]

METRES_PER_DEGREE = 111_195.0
"""Of latitude on a sphere; only shares of steps and distances from the line are taken from it."""
NEAR_M = 60.0
"""A fix further from the course is off it (m)."""
PLACE_ERROR_M = 10.0
"""Error of a fix with the file's own line taken together (m)."""
FIX_EVERY_S = 5.0
MOST_FIXES = 4000
OFF_COURSE_COST, LEAVING_COST, RESTART_COST, LARGEST_STEP_COST = 12.0, 6.0, 30.0, 15.0
BACKWARDS_M = 25.0
"""Less than this backwards is noise (m)."""
NEW_PASSAGE_M = 300.0
"""So much backwards at once is the beginning of a new passage; less, as at a turn-around, is not (m)."""
WINDOW_STEPS = 5
"""A fix is looked for within so many samples of the course of where it should be: beyond turns lies another road."""
AWAY_COUNTS = 0.15
"""A metre away from where a fix should be counts as so many off the course."""
SMALLEST_COVERED_SHARE = 0.2
LARGEST_SPACING_S = 8.0
"""Places further apart in time than smart recorders leave them do not show who was where in a line (s)."""


@dataclass(frozen=True)
class OnCourse:
    """The race of one recording.

    Attributes
    ----------
    time_s : ndarray (n_samples,)
        By the recorder's clock (s): the samples of the passage, and those around it.
    along_m : ndarray (n_samples,)
        Distance along the course (m), noisy as the recording is; nan where there is no fix, or off the course.
    off_m : ndarray (n_samples,)
        Distance from the course (m).
    first, end : int
        Samples of the recording that belong to the passage.
    covered_share : float
        Share of the course that the passage covers.
    passages : int
        How often the recording covers more than half of what it covers here.
    """

    time_s: FloatArray
    along_m: FloatArray
    off_m: FloatArray
    first: int
    end: int
    covered_share: float
    passages: int


def ride_on_course(course: Course, ride: RecordedRide) -> OnCourse:
    """Match a recorded ride to a course.

    Parameters
    ----------
    course : Course
    ride : RecordedRide
        With places.

    Raises
    ------
    ValueError
        The ride has no places or too few of them, or less than a fifth of the course is on it.
    """
    if ride.latitude_deg is None or ride.longitude_deg is None:
        raise ValueError("has no latitude and longitude, which it takes to tell where on the course the rider was")
    line, fixes = _planes(course, ride)
    fixed = np.flatnonzero(np.isfinite(fixes).all(axis=1))
    if len(fixed) < 2:
        raise ValueError("has fewer than two places")
    every_s = max(FIX_EVERY_S, float(np.ptp(ride.time_s)) / MOST_FIXES)
    bucket = np.floor(ride.time_s[fixed] / every_s)
    chosen = fixed[np.append(True, np.diff(bucket) > 0.0)]
    matched = _cheapest_chain(course, line, fixes[chosen])
    first, last, passages = _longest_passage(matched)
    on = np.arange(first, last + 1)[np.isfinite(matched[first : last + 1])]
    covered = float(np.ptp(matched[on])) / course.length_m if len(on) > 1 else 0.0
    if covered < SMALLEST_COVERED_SHARE:
        raise ValueError(
            f"is not a ride on the course of the plan: it follows {100 * covered:.0f} % of it; allowed: "
            f"{100 * SMALLEST_COVERED_SHARE:.0f} % or more"
        )
    apart_s = float(np.median(np.diff(ride.time_s[fixed[(fixed >= chosen[on[0]]) & (fixed <= chosen[on[-1]])]])))
    if apart_s > LARGEST_SPACING_S:
        raise ValueError(f"has places {apart_s:.0f} s apart; allowed: {LARGEST_SPACING_S:.0f} s for most of the way")
    begin_s, end_s = ride.time_s[chosen[on[0]]], ride.time_s[chosen[on[-1]]]
    within = (ride.time_s >= begin_s - every_s) & (ride.time_s <= end_s + every_s)
    samples = np.flatnonzero(within)
    forwards = on[np.diff(matched[on], prepend=-np.inf) >= -BACKWARDS_M]
    expected = np.interp(ride.time_s[samples], ride.time_s[chosen[forwards]], matched[forwards])
    along, off = _projected(course, line, fixes[samples], expected)
    return OnCourse(ride.time_s[samples], along, off, int(samples[0]), int(samples[-1]) + 1, covered, passages)


def _planes(course: Course, ride: RecordedRide) -> tuple[FloatArray, FloatArray]:
    """Course samples and fixes in one plane (m)."""
    assert ride.latitude_deg is not None and ride.longitude_deg is not None
    latitude, longitude = float(np.mean(course.latitude_deg)), float(course.longitude_deg[0])
    per_degree = np.array([METRES_PER_DEGREE * np.cos(np.radians(latitude)), METRES_PER_DEGREE])

    def plane(longitude_deg: FloatArray, latitude_deg: FloatArray) -> FloatArray:
        across = (longitude_deg - longitude + 180.0) % 360.0 - 180.0
        return np.asarray(np.column_stack([across, latitude_deg - latitude]) * per_degree, dtype=np.float64)

    return plane(course.longitude_deg, course.latitude_deg), plane(ride.longitude_deg, ride.latitude_deg)


def _cheapest_chain(course: Course, line: FloatArray, fixes: FloatArray) -> FloatArray:
    """Place on the course of each fix (m), nan where off it."""
    places, costs = _candidates(course, line, fixes)
    moved = np.append(0.0, np.hypot(*np.diff(fixes, axis=0).T))
    total = [costs[0]]
    came_from: list[NDArray[np.intp]] = []
    for n in range(1, len(fixes)):
        before, after = places[n - 1], places[n]
        step = after[np.newaxis, :] - before[:, np.newaxis]
        cost = np.minimum(np.abs(step - moved[n]) / (PLACE_ERROR_M + 0.3 * moved[n]), LARGEST_STEP_COST)
        cost = np.where(step < -BACKWARDS_M, RESTART_COST, cost)
        off_before, off_after = np.isnan(before)[:, np.newaxis], np.isnan(after)[np.newaxis, :]
        cost = np.where(off_before & off_after, 0.0, np.where(off_before | off_after, LEAVING_COST, cost))
        sums = total[-1][:, np.newaxis] + cost
        best = np.argmin(sums, axis=0)
        came_from.append(best)
        total.append(sums[best, np.arange(len(after))] + costs[n])
    chain = [int(np.argmin(total[-1]))]
    for best in reversed(came_from):
        chain.append(int(best[chain[-1]]))
    return np.array([here[k] for here, k in zip(places, reversed(chain), strict=True)])


def _candidates(course: Course, line: FloatArray, fixes: FloatArray) -> tuple[list[FloatArray], list[FloatArray]]:
    """For each fix the places on the course that are nearer than those beside them, and nan for none, with their costs.

    At a turn-around both ways belong to one pass, and each has such a place.
    """
    around = cKDTree(line).query_ball_point(fixes, NEAR_M, return_sorted=True)
    places, costs = [], []
    for fix, indices in zip(fixes, around, strict=True):
        index = np.array(indices, dtype=np.intp)
        distance = np.hypot(*(line[index] - fix).T)
        apart = np.diff(index) > 1  # a new pass begins: nothing before it is nearer
        before = np.append(np.inf, np.where(apart, np.inf, distance[:-1]))[: len(index)]
        after = np.append(np.where(apart, np.inf, distance[1:]), np.inf)[: len(index)]
        chosen = (distance < before) & (distance <= after)
        places.append(np.append(course.distance_m[index[chosen]], np.nan))
        costs.append(np.append(0.5 * (distance[chosen] / PLACE_ERROR_M) ** 2, OFF_COURSE_COST))
    return places, costs


def _longest_passage(matched: FloatArray) -> tuple[int, int, int]:
    """First and last fix of the run without a restart that covers most of the course, and how many come near it."""
    on = np.flatnonzero(np.isfinite(matched))
    if not len(on):
        return 0, 0, 0
    runs = np.split(on, np.flatnonzero(np.diff(matched[on]) < -NEW_PASSAGE_M) + 1)
    lengths = np.array([np.ptp(matched[run]) for run in runs])
    longest = int(np.flatnonzero(lengths >= 0.98 * lengths.max())[-1])  # the race comes after a look at the course
    return int(runs[longest][0]), int(runs[longest][-1]), int((lengths > 0.5 * lengths.max()).sum())


def _projected(
    course: Course, line: FloatArray, fixes: FloatArray, expected_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Distance along and from the course (m) of fixes near expected places; nan without a fix, or far off."""
    step_m = float(course.distance_m[1])
    middle = np.clip(np.round(expected_m / step_m).astype(np.intp), 0, len(line) - 2)
    number = np.clip(middle[:, np.newaxis] + np.arange(-WINDOW_STEPS, WINDOW_STEPS + 1), 0, len(line) - 2)
    begin, way = line[number], line[number + 1] - line[number]
    length2 = np.maximum((way**2).sum(axis=2), 1e-9)
    share = ((fixes[:, np.newaxis] - begin) * way).sum(axis=2) / length2
    low = np.where(number == 0, -np.inf, 0.0)  # before the start and behind the finish the line goes straight on
    high = np.where(number == len(line) - 2, np.inf, 1.0)
    share = np.clip(share, low, high)
    off = np.hypot(*np.moveaxis(begin + share[..., np.newaxis] * way - fixes[:, np.newaxis], 2, 0))
    along = (number + share) * step_m
    misfit = off**2 + (AWAY_COUNTS * (along - expected_m[:, np.newaxis])) ** 2
    rows = np.arange(len(fixes))
    best = np.argmin(np.where(np.isfinite(misfit), misfit, np.inf), axis=1)
    along, off = along[rows, best], off[rows, best]
    return np.where(off <= NEAR_M, along, np.nan), off
