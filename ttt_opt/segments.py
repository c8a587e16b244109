"""Cutting a course into the segments on which the optimiser decides who leads and how fast."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.course import Course
from ttt_opt.physics import GRAVITY_MPS2, braking_deceleration, cornering_speed
from ttt_opt.race import PullBounds

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SHORTEST_SEGMENT_M, LONGEST_SEGMENT_M = 20.0, 400.0
STEEP_GRADE = 0.025
TERRAIN_NAMES = {0: "flat", 1: "climb", -1: "descent"}
TERRAIN_CHANGE_M = 1.0
SHORTEST_TERRAIN_M = 150.0
BEND_MATTERS_BELOW = 0.97
BENDS_MERGE_WITHIN_M = 60.0
LONGEST_BEND_SEGMENT_M = 80.0
AFTER_MILD_BEND_M = (90.0,)
AFTER_BEND_M = (50.0, 90.0)
MILD_BEND_ABOVE = 0.7
ONE_ACCELERATION_WITHIN_M = 150.0
AFTER_START_M = (50.0, 100.0)
ACCELERATION_MPS2 = 0.5
SHORTEST_RISE_IN_BEND_M, LONGEST_RISE_IN_BEND_M = 30.0, 100.0
USUAL_SECONDS, USUAL_UP_TO_S = 15.0, 2700.0
WISHED_SHARE_OF_PULL_RANGE, LONGEST_SHARE_OF_PULL_RANGE = 0.8, 0.9
SHORTEST_WISH_S = 0.1
TOO_LONG_COST = 1000.0
GRADE_SCALE = 0.015
STEEPEST_DESCENT, STEEPEST_CLIMB, N_GRADES = -0.3, 0.4, 701
HEADING_SCALE_RAD = 0.26


@dataclass(frozen=True)
class Segments:
    """Stretches of road on which grade, heading and speed count as constant.

    Attributes
    ----------
    start_m, end_m : ndarray (n_segments,)
        Where each segment starts and ends (m); each starts where the one before ends.
    grade : ndarray (n_segments,)
        Rise over run of the smoothed profile.
    heading_deg : ndarray (n_segments,)
        Mean direction of travel (degrees clockwise from north).
    elevation_m : ndarray (n_segments,)
        Mean elevation (m).
    speed_cap_mps : ndarray (n_segments,)
        Highest speed through what the segment holds of a bend (m/s), ``inf`` without one: halfway between the mean
        and the last of riders who brake as late as they can.
    terrain : tuple of str
        ``flat``, ``climb`` or ``descent``.
    bend : ndarray of bool (n_segments,)
        The segment holds a bend that riders may have to brake for.
    accelerating : ndarray of bool (n_segments,)
        Riders accelerate here: at the start, out of bends, and between tight places of one bend.
    """

    start_m: FloatArray
    end_m: FloatArray
    grade: FloatArray
    heading_deg: FloatArray
    elevation_m: FloatArray
    speed_cap_mps: FloatArray
    terrain: tuple[str, ...]
    bend: BoolArray
    accelerating: BoolArray

    def __post_init__(self) -> None:
        n_segments = len(self.start_m)
        if n_segments < 1 or any(
            len(getattr(self, key)) != n_segments
            for key in (
                "end_m",
                "grade",
                "heading_deg",
                "elevation_m",
                "speed_cap_mps",
                "terrain",
                "bend",
                "accelerating",
            )
        ):
            raise ValueError("all arrays of Segments must have one value per segment")
        if not (self.end_m[:-1] == self.start_m[1:]).all() or not (self.end_m > self.start_m).all():
            raise ValueError("segments must follow one another without gap or overlap")
        if not set(self.terrain) <= {"flat", "climb", "descent"}:
            raise ValueError("terrain must be flat, climb or descent")
        capped = np.isfinite(self.speed_cap_mps)
        if not (capped[self.bend].all() and (self.bend | self.accelerating)[capped].all()):
            raise ValueError("segments with a bend, and no others but those out of one, have a finite speed_cap_mps")

    @property
    def length_m(self) -> FloatArray:
        """Length of each segment (m)."""
        return self.end_m - self.start_m

    @property
    def boundary_m(self) -> FloatArray:
        """Boundaries of the segments, (n_segments + 1,) (m)."""
        return np.append(self.start_m, self.end_m[-1])


def terrain_of(course: Course) -> NDArray[np.int8]:
    """Terrain of each interval between samples: 1 climb, -1 descent, 0 flat, (n_samples - 1,).

    Notes
    -----
    Climbs are where the road rises by more than 2.5 %, descents where it falls by more. The labels are those
    that gather the most height beyond 2.5 %, less 1 m for every change of label, found by dynamic
    programming: so a short easing does not end a climb, nor does a bump begin one. Stretches shorter than
    150 m become flat. The figures are our choice.

    References
    ----------
    Viterbi, A. J. (1967), Error bounds for convolutional codes, IEEE Transactions on Information Theory 13.
    """
    step = float(course.distance_m[1])
    labels = (-1, 0, 1)
    gains = [(label * course.grade - abs(label) * STEEP_GRADE) * step for label in labels]
    best = [0.0, 0.0, 0.0]
    came_from: list[list[int]] = []
    for gain in zip(*(values.tolist() for values in gains), strict=True):
        top = max(best)
        leader = best.index(top)
        stays = [own >= top - TERRAIN_CHANGE_M for own in best]
        came_from.append([own if stay else leader for own, stay in enumerate(stays)])
        best = [max(own, top - TERRAIN_CHANGE_M) + gained for own, gained in zip(best, gain, strict=True)]
    state = best.index(max(best))
    terrain = np.zeros(len(came_from), dtype=np.int8)
    for interval in range(len(came_from) - 1, -1, -1):
        terrain[interval] = labels[state]
        state = came_from[interval][state]
    edges = np.concatenate(([0], np.flatnonzero(np.diff(terrain)) + 1, [len(terrain)])).tolist()
    for first, last in itertools.pairwise(edges):
        if (last - first) * step < SHORTEST_TERRAIN_M:
            terrain[first:last] = 0
    return terrain


def carried_speed(course: Course, reference_speed: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Speed in each interval between samples (m/s): the steady one of its grade, approached with the line's momentum.

    A rider at speed v on a grade speeds up as the grade on which v is steady, less his own, lets him roll: so the
    steady speeds say it all. Backward Euler in the square of the speed, from the steady speed at the start; bends do
    not slow it.
    """
    step = float(course.distance_m[1])
    grades = np.linspace(STEEPEST_DESCENT, STEEPEST_CLIMB, N_GRADES)
    speeds, first = np.unique(np.asarray(reference_speed(grades), dtype=np.float64), return_index=True)
    brake = 2.0 * GRAVITY_MPS2 * step
    table = speeds**2 - brake * grades[first]
    speed = float(reference_speed(course.grade[:1])[0])
    carried = []
    for grade in course.grade.tolist():
        speed = float(np.interp(speed**2 - brake * grade, table, speeds))
        carried.append(speed)
    return np.array(carried)


def _pace(course: Course, wet: bool, speed: FloatArray) -> FloatArray:
    """Time in each interval between samples (s) at reference speed, slowed by bends and to accelerate."""
    step = float(course.distance_m[1])
    cap = cornering_speed(course.bend_radius_m, wet)
    bounded = np.minimum(speed, np.minimum(cap[:-1], cap[1:]))
    before = 0.0
    seconds = []
    for bound in bounded.tolist():
        after = min(bound, math.sqrt(before**2 + 2.0 * ACCELERATION_MPS2 * step))
        seconds.append(2.0 * step / (min(before, bound) + after))
        before = after
    return np.array(seconds)


def _bends(course: Course, wet: bool, speed: FloatArray, shortest: int) -> list[tuple[int, int]]:
    """First and last sample of each bend that matters, widened to the shortest segment, neighbours merged."""
    n_samples = len(course.distance_m)
    merge = max(shortest, round(BENDS_MERGE_WITHIN_M / float(course.distance_m[1])))
    cap = cornering_speed(course.bend_radius_m, wet)
    matters = np.concatenate(
        ([False], cap < BEND_MATTERS_BELOW * np.append(speed, speed[-1]), [False])
    ).astype(np.int8)
    found: list[tuple[int, int]] = []
    for start, end in zip(
        np.flatnonzero(np.diff(matters) == 1).tolist(),
        np.flatnonzero(np.diff(matters) == -1).tolist(),
        strict=True,
    ):
        last = end - 1
        while last - start < shortest:
            start, last = (start - 1, last) if (last - start) % 2 else (start, last + 1)
        shift = max(-start, 0) - max(last - (n_samples - 1), 0)
        start, last = start + shift, last + shift
        if found and start - found[-1][1] < merge:
            start = found.pop()[0]
        if start < shortest:
            start = 0
        if n_samples - 1 - last < shortest:
            last = n_samples - 1
        found.append((start, last))
    return found


@dataclass(frozen=True)
class _Stretch:
    """Part of a bend, from sample to sample: ridden at one speed, or one in which riders accelerate."""

    first: int
    last: int
    rising: bool


def _slowed(allowed: FloatArray, step_m: float, wet: bool) -> FloatArray:
    """Highest speeds (m/s) at samples from which riders can still brake for those after them."""
    square = np.square(allowed)
    brake = 2.0 * braking_deceleration(wet) * step_m
    for i in range(len(square) - 2, -1, -1):
        square[i] = min(square[i], square[i + 1] + brake)
    return np.sqrt(square)


def _stretches(
    bends: list[tuple[int, int]], cap: FloatArray, speed: FloatArray, step_m: float, wet: bool, shortest: int
) -> list[_Stretch]:
    """The bends, divided where riders get faster between two tight places."""
    allowed = np.minimum(cap, np.append(speed, speed[-1]))
    shortest_rise = max(shortest, round(SHORTEST_RISE_IN_BEND_M / step_m))
    found: list[_Stretch] = []
    for start, last in bends:
        square = _slowed(allowed[start : last + 1], step_m, wet) ** 2
        for i in range(len(square) - 1):
            square[i + 1] = min(square[i + 1], square[i] + 2.0 * ACCELERATION_MPS2 * step_m)
        rising = np.diff(square) > 1e-9
        edges = np.concatenate(([0], np.flatnonzero(np.diff(rising)) + 1, [len(rising)])).tolist()
        size, begin = last - start, 0
        for first, end in itertools.pairwise(edges):
            if not rising[first]:
                continue
            first = max(first + 1, begin + shortest)  # one more sample at the speed of the tight place
            end = end if end == size else min(end, size - shortest)
            if end - first >= shortest_rise:
                found.append(_Stretch(start + begin, start + first, rising=False))
                found.append(_Stretch(start + first, start + end, rising=True))
                begin = end
        if begin < size:
            found.append(_Stretch(start + begin, last, rising=False))
    if found and found[0].first == 0:  # from standstill riders accelerate, even in a bend
        found[0] = _Stretch(0, found[0].last, rising=True)
    return found


def _fixed_cuts(
    course: Course,
    bends: list[tuple[int, int]],
    stretches_of_bends: list[_Stretch],
    mild: list[bool],
    terrain: NDArray[np.int8],
    shortest: int,
) -> tuple[list[int], BoolArray]:
    """Samples where a segment must end, and which intervals are ridden while accelerating.

    Bends come first, then the stretches out of them and from the start, then changes of terrain; a cut
    closer than the shortest segment to an earlier one is left out.
    """
    step = float(course.distance_m[1])
    last = len(course.distance_m) - 1
    joins = max(shortest, round(BENDS_MERGE_WITHIN_M / step))
    cuts = {0, last}
    accelerating = np.zeros(last, dtype=np.bool_)
    for part in stretches_of_bends:
        longest = LONGEST_RISE_IN_BEND_M if part.rising else LONGEST_BEND_SEGMENT_M
        n_parts = math.ceil((part.last - part.first) * step / longest)
        cuts.update(np.linspace(part.first, part.last, n_parts + 1).round().astype(int).tolist())
        accelerating[part.first : part.last] = part.rising
    ahead = [start for start, _ in bends] + [last]
    stretches = [
        (end, AFTER_MILD_BEND_M if easy else AFTER_BEND_M)
        for (_, end), easy in zip(bends, mild, strict=True)
        if end < last
    ]
    if not bends or bends[0][0] > 0:
        stretches.append((0, AFTER_START_M))
    for begin, lengths in stretches:
        limit = min(sample for sample in ahead if sample > begin)
        if begin > 0 and (limit - begin) * step <= ONE_ACCELERATION_WITHIN_M:
            accelerating[begin:limit] = True
            continue
        for length in lengths:
            end = min(begin + round(length / step), limit)
            if limit - end < joins:
                end = limit
            cuts.add(end)
            accelerating[begin:end] = True
            begin = end
            if begin == limit:
                break
    for cut in (np.flatnonzero(np.diff(terrain) != 0) + 1).tolist():
        if min(abs(cut - other) for other in cuts) >= shortest:
            cuts.add(cut)
    return sorted(cuts), accelerating


def _best_cuts(
    first: int,
    last: int,
    weights: FloatArray,
    sums: FloatArray,
    squares: FloatArray,
    parts: FloatArray,
    shortest: int,
    longest: int,
) -> list[int]:
    """Cuts between two fixed ones that minimise misfit within and uneven length of the segments.

    Parameters
    ----------
    first, last : int
        Samples between which to cut.
    weights : ndarray (n_samples,)
        Cumulative weight of the intervals: the part of a wished segment that each makes up.
    sums : ndarray (n_samples, n_features)
        Cumulative weighted sums of what describes the road in each interval.
    squares : ndarray (n_samples,)
        Cumulative weighted sums of the squares of the same.
    parts : ndarray (n_samples,)
        Cumulative part of the longest allowed duration that each interval makes up.
    shortest, longest : int
        Bounds on the length of a segment (samples).

    Returns
    -------
    list of int
        End sample of each segment; the last is ``last``. A segment lasts longer than allowed only where no
        cut that leaves the shortest length can prevent it.
    """
    n = last - first
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came_from = np.zeros(n + 1, dtype=np.intp)
    for end in range(1, n + 1):
        low, high = max(0, end - longest), end - shortest
        if high < low:
            if end < n or low > 0:
                continue
            high = 0  # a stretch between fixed cuts that is shorter than the shortest segment stays whole
        starts = np.arange(low, high + 1) + first
        stop = end + first
        share = weights[stop] - weights[starts]
        misfit = squares[stop] - squares[starts] - ((sums[stop] - sums[starts]) ** 2).sum(axis=1) / share
        too_long = np.maximum(parts[stop] - parts[starts] - 1.0, 0.0)
        cost = best[low : high + 1] + misfit + np.log(share) ** 2 + TOO_LONG_COST * too_long
        chosen = int(np.argmin(cost))
        best[end] = cost[chosen]
        came_from[end] = low + chosen
    ends = [n]
    while came_from[ends[-1]] > 0:
        ends.append(int(came_from[ends[-1]]))
    return [end + first for end in reversed(ends)]


def _even_cuts(first: int, last: int, parts: FloatArray, shortest: int) -> list[int]:
    """As few equal cuts as keep the parts between them within the longest allowed duration."""
    most = max(1, (last - first) // shortest)
    for n_segments in range(1, most + 1):
        boundary = (first + np.arange(n_segments + 1) * (last - first) // n_segments).tolist()
        if np.diff(parts[boundary]).max() <= 1.0:
            break
    return boundary[1:]


def cut_segments(
    course: Course,
    *,
    wet: bool,
    reference_speed: Callable[[FloatArray], FloatArray],
    pulls: Mapping[str, PullBounds],
    seconds: float | None = None,
) -> Segments:
    """Cut a course into segments of about equal time and near-constant grade and heading.

    Parameters
    ----------
    course : Course
    wet : bool
        Wet road: bends are taken more slowly.
    reference_speed : callable
        Steady speed (m/s) on grades (rise over run), for arrays.
    pulls : mapping of str to PullBounds
        Shortest and longest pull on ``flat``, ``climb`` and ``descent``.
    seconds : float, optional
        Wished duration of a segment at the reference speed (s). Standard: 15 s up to 45 minutes of riding,
        beyond it rising with the square root of the riding time (30 s for three hours), so that the segments
        of an open road number 180 for 45 minutes and stay below 400 up to 3 h 40.

    Returns
    -------
    Segments
        Each 20 to 400 m long.

    Notes
    -----
    So that whole segments add up to a pull whatever segment it starts with, none lasts longer than the
    longest less the shortest pull of its terrain, with a margin of 10 %, and 80 % of that difference is
    wished at most: pulls of 10 to 20 s make segments of about 8 s and at most 9 s. Only the shortest length
    of 20 m comes before that rule. Durations are those at the reference speed, with bends taken at their
    highest speed and no more than 0.5 m/s2 of acceleration. Riders with bounds of their own need narrower
    ``pulls``.

    The reference speed is that of the grade, approached with the line's momentum. Bends that must be taken slower than
    0.97 times it get segments of their own (at most
    about 80 m; bends less than 60 m apart count as one, in which 30 m and more between two tight places are
    segments in which riders accelerate). Their cap is one speed for riders who brake as late as they can and
    hold the speed of the tightest place from there on: halfway between their mean, which gives the time, and
    their last, from which they accelerate. They are followed by two segments of 50 m and 90 m in which
    riders accelerate: one of 90 m if the bend allows 0.7 times the reference speed, one in all if the next
    bend begins within 150 m; a rest of less than 60 m joins the last. So does the start, with 50 m and 100
    m. Terrain changes end a segment too. In between, dynamic programming finds the cuts that minimise,
    summed over segments, the squared departures of grade (in units of 1.5 %) and heading (of 15 degrees;
    both units grow with ``seconds`` beyond 15 s) from the segment's mean, averaged over a wished segment,
    plus the squared logarithm of its duration over the wished one: the optimal piecewise-constant fit. All
    these figures are our choice.

    References
    ----------
    Bellman, R. and Roth, R. (1969), Curve fitting by segmented straight lines, Journal of the American
    Statistical Association 64.
    """
    step = float(course.distance_m[1])
    grade = course.grade
    speed = carried_speed(course, reference_speed)
    shortest = math.ceil(SHORTEST_SEGMENT_M / step - 1e-9)
    longest = int(LONGEST_SEGMENT_M / step + 1e-9)
    terrain = terrain_of(course)
    bends = _bends(course, wet, speed, shortest)
    cap = cornering_speed(course.bend_radius_m, wet)
    mild = [bool((cap[start:end] >= MILD_BEND_ABOVE * speed[start:end]).all()) for start, end in bends]
    stretches = _stretches(bends, cap, speed, step, wet, shortest)
    fixed, accelerating = _fixed_cuts(course, bends, stretches, mild, terrain, shortest)
    for first, last in itertools.pairwise(fixed):  # of one terrain but for less than the shortest segment
        terrain[first:last] = round(float(terrain[first:last].mean()))

    interval_s = _pace(course, wet, speed)
    if seconds is None:
        seconds = USUAL_SECONDS * max(1.0, math.sqrt(float(interval_s.sum()) / USUAL_UP_TO_S))
    ranges = {label: pulls[name].longest_s - pulls[name].shortest_s for label, name in TERRAIN_NAMES.items()}
    pull_range = np.array([ranges[label] for label in terrain.tolist()])
    wished_s = np.maximum(np.minimum(seconds, WISHED_SHARE_OF_PULL_RANGE * pull_range), SHORTEST_WISH_S)
    longest_s = np.maximum(LONGEST_SHARE_OF_PULL_RANGE * pull_range, SHORTEST_WISH_S)
    share = np.clip(interval_s / wished_s, step / LONGEST_SEGMENT_M, step / SHORTEST_SEGMENT_M)
    heading = np.radians(course.heading_deg[:-1])
    road = np.column_stack(
        [grade / GRADE_SCALE, np.sin(heading) / HEADING_SCALE_RAD, np.cos(heading) / HEADING_SCALE_RAD]
    ) * min(1.0, USUAL_SECONDS / seconds)
    weights = np.concatenate(([0.0], np.cumsum(share)))
    sums = np.concatenate((np.zeros((1, road.shape[1])), np.cumsum(share[:, None] * road, axis=0)))
    squares = np.concatenate(([0.0], np.cumsum(share * (road**2).sum(axis=1))))
    parts = np.concatenate(([0.0], np.cumsum(interval_s / longest_s)))

    own = accelerating.copy()  # intervals whose segments are set: bends, accelerations
    for start, end in bends:
        own[start:end] = True
    ends: list[int] = []
    for first, last in itertools.pairwise(fixed):
        if own[first]:
            ends += _even_cuts(first, last, parts, shortest)
        else:
            ends += _best_cuts(first, last, weights, sums, squares, parts, shortest, longest)
    boundary = np.array([0, *ends])
    return _describe(course, boundary, wet, stretches, accelerating, terrain)


def _describe(
    course: Course,
    boundary: NDArray[np.intp],
    wet: bool,
    stretches: list[_Stretch],
    accelerating: BoolArray,
    terrain: NDArray[np.int8],
) -> Segments:
    """What the road is like in each segment between the boundary samples."""
    firsts, lasts = boundary[:-1], boundary[1:]
    position = course.distance_m[boundary]
    length = np.diff(position)
    middle = (course.elevation_m[1:] + course.elevation_m[:-1]) / 2.0
    elevation = np.add.reduceat(middle, firsts) / (lasts - firsts)
    heading = np.radians(course.heading_deg[:-1])
    mean_heading = np.arctan2(
        np.add.reduceat(np.sin(heading), firsts), np.add.reduceat(np.cos(heading), firsts)
    )
    bend_starts = np.array([part.first for part in stretches] + [len(course.distance_m)])
    bend_ends = np.array([part.last for part in stretches] + [len(course.distance_m)])
    which = np.searchsorted(bend_ends, firsts, side="right")
    in_bend = bend_starts[which] <= firsts
    step = float(course.distance_m[1])
    allowed = np.asarray(cornering_speed(course.bend_radius_m, wet))
    cap = np.full(len(firsts), np.inf)
    for s in np.flatnonzero(in_bend):
        rising = stretches[which[s]].rising
        speeds = _slowed(allowed[firsts[s] : lasts[s] + 1], step, wet)
        speeds = speeds if rising else np.minimum.accumulate(speeds)
        seconds = float((2.0 * step / (speeds[1:] + speeds[:-1])).sum())
        mean = length[s] / seconds if seconds > 0.0 else np.inf
        cap[s] = mean if rising else 0.5 * (mean + speeds[-1])
    return Segments(
        start_m=position[:-1],
        end_m=position[1:],
        grade=np.diff(course.elevation_m[boundary]) / length,
        heading_deg=np.degrees(mean_heading) % 360.0,
        elevation_m=elevation,
        speed_cap_mps=cap,
        terrain=tuple(TERRAIN_NAMES[label] for label in terrain[firsts].tolist()),
        bend=in_bend & ~accelerating[firsts] & np.isfinite(cap),
        accelerating=accelerating[firsts],
    )
