"""The rides of a team on one clock: where each rider was, how fast the line rode, second by second.

Recorders differ in clock and sampling. All are brought to seconds of one clock: first by the times at which riders
passed the same places, since a team rides together for most of a race; clocks of satellites are believed unless they
contradict that. What is left, below the length of the line over its speed, is settled once it is known who was where
in the line (:func:`settled`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.changeover import BICYCLE_LENGTH_M
from ttt_opt.course import Course
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.ride_on_course import OnCourse
from ttt_opt.smoothing import on_seconds, smoothed

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

LONGEST_GAP_S = 8.0
"""Samples further apart are not joined (s): smart recorders leave out up to 7 s."""
SPEED_PERIOD_S, PLACE_PERIOD_S = 15.0, 120.0
SLOWEST_MPS = 5.0
"""Slower riders are left out when clocks are settled (m/s)."""
PLACES_APART_M = 100.0
TOGETHER_S = 4.0
"""Riders who pass a place within so many seconds of each other ride together (s)."""
WITH_THE_LINE_M = 40.0
"""Who is further behind the first rider has lost the line (m): far beyond noise and the length of a line."""
BACK_IN_LINE_S = 3
"""A rider who moves back counts again so long after he should be on the last wheel (s)."""
STANDING_MPS = 0.7
FROM_START_M = 60.0
"""Who stands further from the start is not waiting for it (m)."""
FIRST_M, FOUR_TIMES_IN = 5.0, 2.25
"""The start is told from when the line had moved so far, and four times as far (m)."""
LONGEST_RACE_S = 100_000.0


@dataclass(frozen=True)
class LineRidden:
    """Riders on one clock, one row a second.

    Attributes
    ----------
    time_s : ndarray (n_seconds,)
        Since the start of the race (s), in steps of one second; before the start below 0.
    along_m : ndarray (n_seconds, n_riders)
        Along the course (m), as recorded; nan where there is none.
    power_w, heart_rate_bpm : ndarray (n_seconds, n_riders)
        Mean power of the second around it (W), heart rate; nan where there is none.
    with_line : ndarray (n_seconds, n_riders) of bool
        The rider is with the line, or may be: nothing else is known.
    line_m, speed_mps, acceleration_mps2 : ndarray (n_seconds,)
        Of the line: where its front is along the course (m), speed and acceleration.
    clock_s : ndarray (n_riders,)
        What was added to each recorder's clock (s).
    start_s : float
        When the race started by the common clock (s).
    finish_s : float
        When the line passed the end of the course (s); the end of the recording where it did not.
    finished : bool
        The line reached the end of the course.
    from_standstill : bool
        The recordings hold the start from standstill.
    """

    time_s: FloatArray
    along_m: FloatArray
    power_w: FloatArray
    heart_rate_bpm: FloatArray
    with_line: BoolArray
    line_m: FloatArray
    speed_mps: FloatArray
    acceleration_mps2: FloatArray
    clock_s: FloatArray
    start_s: float
    finish_s: float
    finished: bool
    from_standstill: bool

    @property
    def racing(self) -> BoolArray:
        """Seconds between start and finish, ``(n_seconds,)``."""
        return np.asarray((self.time_s > 0.0) & (self.time_s <= self.finish_s))


def on_one_clock(
    course: Course, rides: Sequence[RecordedRide], places: Sequence[OnCourse], n_line: int, wheel_gap_m: float
) -> LineRidden:
    """Bring the rides of a team to one clock.

    Parameters
    ----------
    course : Course
    rides : sequence of RecordedRide
    places : sequence of OnCourse
        Of each ride.
    n_line : int
        Riders in the line, recorded or not.
    wheel_gap_m : float

    Raises
    ------
    ValueError
        The rides have no stretch of the course in common, or last too long.
    """
    middle_m = 0.5 * (n_line - 1) * (BICYCLE_LENGTH_M + wheel_gap_m)
    clock_s = _clocks(course, rides, places)
    seconds = _seconds(places, clock_s)
    return _brought_together(course, rides, places, clock_s, seconds, np.full((len(seconds), len(rides)), middle_m))


def settled(
    course: Course,
    rides: Sequence[RecordedRide],
    places: Sequence[OnCourse],
    line: LineRidden,
    place: IntArray,
    moving_back: BoolArray,
    wheel_gap_m: float,
) -> LineRidden:
    """The same with clocks settled by who was where in the line, and its speed by those who keep their places.

    Parameters
    ----------
    line : LineRidden
        As it was before.
    place : ndarray (n_seconds, n_riders) of int
        Place in the line, 0 in front; below 0 where it is not known.
    moving_back : ndarray (n_seconds, n_riders) of bool
    wheel_gap_m : float
    """
    moving = _widened(moving_back, BACK_IN_LINE_S)
    in_place = (place >= 0) & ~moving & line.with_line & np.isfinite(line.along_m)
    in_place &= (line.speed_mps > SLOWEST_MPS)[:, np.newaxis]
    front_m = line.along_m + np.maximum(place, 0) * (BICYCLE_LENGTH_M + wheel_gap_m)
    late_s = np.zeros(len(rides))
    for rider in range(len(rides)):
        others = in_place.copy()
        others[:, rider] = False
        both = in_place[:, rider] & others.any(axis=1)
        if both.sum() < 60:
            continue
        among = np.where(others[both], front_m[both], np.nan)
        ahead_m = front_m[both, rider] - np.nanmean(among, axis=1)
        late_s[rider] = -float(np.mean(ahead_m / line.speed_mps[both]))
    late_s *= (len(rides) - 1.0) / max(len(rides), 1)  # each was compared with the others, not with the mean of all
    behind_m = np.where(moving, np.nan, np.maximum(place, 0) * (BICYCLE_LENGTH_M + wheel_gap_m))
    seconds = line.time_s + line.start_s
    return _brought_together(course, rides, places, line.clock_s - late_s, seconds, behind_m)


def _seconds(places: Sequence[OnCourse], clock_s: FloatArray) -> FloatArray:
    """Seconds of the common clock that the recordings cover."""
    begin = min(float(place.time_s[0]) + clock for place, clock in zip(places, clock_s, strict=True))
    end = max(float(place.time_s[-1]) + clock for place, clock in zip(places, clock_s, strict=True))
    if end - begin > LONGEST_RACE_S:
        raise ValueError(f"last {(end - begin) / 3600:.0f} hours on the course; allowed: {LONGEST_RACE_S / 3600:.0f}")
    return np.arange(np.floor(begin), np.ceil(end) + 1.0)


def _widened(mask: BoolArray, by: int) -> BoolArray:
    """A mask that holds also for so many seconds before and after, in each column."""
    widened = mask.copy()
    for shift in range(1, by + 1):
        widened[shift:] |= mask[:-shift]
        widened[:-shift] |= mask[shift:]
    return widened


def _clocks(course: Course, rides: Sequence[RecordedRide], places: Sequence[OnCourse]) -> FloatArray:
    """What to add to each clock (s): the first ride's clock stays."""
    marks = np.arange(0.0, course.length_m + 1.0, PLACES_APART_M)
    passed = np.array([_passed(place, marks) for place in places])
    clock = np.zeros(len(rides))
    known = {0}
    while len(known) < len(rides):
        common = [
            (int(np.isfinite(passed[new] - passed[old]).sum()), new, old)
            for new in range(len(rides))
            for old in known
            if new not in known
        ]
        count, new, old = max(common)
        if count < 3:
            raise ValueError("have no stretch of the course in common")
        apart = (passed[old] + clock[old] - passed[new])[np.isfinite(passed[new] - passed[old])]
        clock[new] = _most_common(apart)
        if rides[old].utc and rides[new].utc:
            by_satellites = clock[old]
            together = np.abs(apart - by_satellites) < TOGETHER_S
            if together.sum() >= 0.5 * (np.abs(apart - clock[new]) < TOGETHER_S).sum():
                clock[new] = by_satellites
        known.add(new)
    return clock


def _passed(place: OnCourse, marks: FloatArray) -> FloatArray:
    """When a ride passed marks on the course, by its own clock (s); nan where it did not."""
    known = np.isfinite(place.along_m)
    along = np.maximum.accumulate(place.along_m[known])
    times = place.time_s[known]
    rising = np.append(True, np.diff(along) > 0.0)
    passed: FloatArray = np.interp(marks, along[rising], times[rising], left=np.nan, right=np.nan)
    return passed


def _most_common(apart_s: FloatArray) -> float:
    """The difference of clocks at which most places were passed together (s)."""
    ordered = np.sort(apart_s)
    held = np.searchsorted(ordered, ordered + 2.0 * TOGETHER_S, side="right") - np.arange(len(ordered))
    first = int(np.argmax(held))
    return float(np.median(ordered[first : first + int(held[first])]))


def _brought_together(
    course: Course,
    rides: Sequence[RecordedRide],
    places: Sequence[OnCourse],
    clock_s: FloatArray,
    seconds: FloatArray,
    behind_m: FloatArray,
) -> LineRidden:
    """Riders on the clocks given, at seconds of the common clock.

    ``behind_m`` tells how far each is behind the front of the line, nan while he moves back and tells nothing of it.
    """
    along, power, heart, recorded_mps = (np.full((len(seconds), len(rides)), np.nan) for _ in range(4))
    for number, (ride, place, clock) in enumerate(zip(rides, places, clock_s, strict=True)):
        along[:, number] = on_seconds(place.time_s + clock, place.along_m, seconds, LONGEST_GAP_S)
        passage = slice(place.first, place.end)
        times = ride.time_s[passage] + clock
        power[:, number] = _mean_of_seconds(times, ride.power_w[passage], seconds)
        if ride.heart_rate_bpm is not None:
            heart[:, number] = on_seconds(times, ride.heart_rate_bpm[passage], seconds, LONGEST_GAP_S)
        recorded_mps[:, number] = on_seconds(times, ride.speed_mps[passage], seconds, LONGEST_GAP_S)
    with_line = _with_line(along)
    moved_m, line_m, speed, acceleration = _motion(along, behind_m, with_line)
    start, from_standstill = _start(seconds, moved_m, line_m, speed)
    over = np.flatnonzero(line_m >= course.length_m)
    finished = bool(len(over) and over[0] > 0)
    finish = float(seconds[-1])
    if finished:
        around = slice(over[0] - 1, over[0] + 1)
        finish = float(np.interp(course.length_m, line_m[around], seconds[around]))
    return LineRidden(
        time_s=seconds - start,
        along_m=along,
        power_w=power,
        heart_rate_bpm=heart,
        with_line=with_line,
        line_m=line_m,
        speed_mps=speed,
        acceleration_mps2=acceleration,
        clock_s=clock_s,
        start_s=start,
        finish_s=finish - start,
        finished=finished,
        from_standstill=from_standstill,
    )


def _mean_of_seconds(time_s: FloatArray, power_w: FloatArray, seconds: FloatArray) -> FloatArray:
    """Mean power of the second around each moment, when each sample is the mean since the one before."""
    known = np.isfinite(power_w)
    if known.sum() < 2:
        return np.full(len(seconds), np.nan)
    times, powers = time_s[known], power_w[known]
    work = np.append(0.0, np.cumsum(powers[1:] * np.diff(times)))
    mean = np.interp(seconds + 0.5, times, work) - np.interp(seconds - 0.5, times, work)
    recorded = np.isfinite(on_seconds(times, powers, seconds, LONGEST_GAP_S))
    return np.where(recorded, mean, np.nan)


def _with_line(along_m: FloatArray) -> BoolArray:
    """Who is with the line: not far behind the first rider, or not known to be."""
    smooth = smoothed(along_m, 2.0 * SPEED_PERIOD_S)
    there = np.isfinite(along_m)
    now = np.max(np.where(there, smooth, -np.inf), axis=1, keepdims=True)
    first = np.maximum.accumulate(now, axis=0)  # whose recording has ended was still in front
    behind = np.where(there & np.isfinite(first), first - smooth, 0.0)
    return np.asarray(behind < WITH_THE_LINE_M, dtype=np.bool_)


def _motion(
    along_m: FloatArray, behind_m: FloatArray, with_line: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """How far the line has moved, where its front is, its speed and acceleration.

    Speed comes from what riders move from second to second, so that it does not matter who is recorded when. Their sum
    is more than the road, since at every change of leader the front of the line is one wheel further back: the place
    follows the riders' own places over a minute or two.
    """
    used = with_line & np.isfinite(along_m) & np.isfinite(behind_m)
    both = used[1:] & used[:-1]
    steps = np.where(both, np.diff(along_m, axis=0), 0.0)
    count = both.sum(axis=1)
    known = count > 0
    moved = np.append(0.0, np.cumsum(np.divide(steps.sum(axis=1), count, out=np.zeros(len(count)), where=known)))
    anybody = used.any(axis=1)
    total = np.where(used, along_m + np.nan_to_num(behind_m), 0.0).sum(axis=1)
    front = np.divide(total, used.sum(axis=1), out=np.full(len(used), np.nan), where=anybody)
    jumps = np.flatnonzero(~known)
    for jump in jumps[np.append(np.diff(jumps) > 1, True)[: len(jumps)]]:
        # after a stretch that nobody recorded, go on from where riders are next
        moved[jump + 1 :] += np.nan_to_num(front[jump + 1] - moved[jump + 1])
    moved += np.nanmean(front - moved)
    measured = np.where(anybody, moved, np.nan)
    smooth = smoothed(measured, SPEED_PERIOD_S)
    place = smooth + smoothed(front - smooth, PLACE_PERIOD_S)
    speed = np.gradient(smooth)
    return measured, place, np.maximum(speed, 0.0), np.gradient(speed)


def _start(
    seconds: FloatArray, moved_m: FloatArray, line_m: FloatArray, speed_mps: FloatArray
) -> tuple[float, bool]:
    """When the line left the start (s), and whether it is known to have stood there.

    With a steady acceleration a line is four times as far in twice the time, with a steady power in 2.5 times the
    time; riders start with the first and soon go over to the second.
    """
    standing = np.flatnonzero((speed_mps < STANDING_MPS) & (np.abs(line_m) < FROM_START_M))
    if len(standing):
        last = int(standing[-1])
        stood = moved_m[max(last - 10, 0) : last + 1]
        if not np.isfinite(stood).any():
            return float(seconds[last]), True
        stood_m = float(np.nanmean(stood))
        moved = moved_m[last : last + 60] - stood_m
        there = np.flatnonzero(np.nan_to_num(moved) >= 4.0 * FIRST_M)
        if not len(there):
            return float(seconds[last]), True
        rising = np.maximum.accumulate(np.nan_to_num(moved[: int(there[0]) + 1]))
        first_s, second_s = (
            float(np.interp(at_m, rising, seconds[last : last + len(rising)])) for at_m in (FIRST_M, 4.0 * FIRST_M)
        )
        return (FOUR_TIMES_IN * first_s - second_s) / (FOUR_TIMES_IN - 1.0), True
    behind = np.flatnonzero(line_m <= 0.0)
    if len(behind):
        return float(seconds[behind[-1]]), False
    return float(seconds[0] - line_m[0] / max(speed_mps[0], 1.0)), False
