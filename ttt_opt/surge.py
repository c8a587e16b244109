"""Surges: how far front power and speed jump from one segment to the next beyond what the road itself asks.

A line breaks when a fresh leader goes harder than the one before, and loses time and rhythm when a weaker one goes
slower. Three measures, all between neighbouring segments:

- *Surge in power*: rise of the front power of the team's average rider, acceleration included, less what the road
  itself asks more.
- *Drop in power*: fall of the same, less what the road itself asks less.
- *Surge in speed*: rise of the speed on a road that has not changed for a while.

None applies on descents, where gravity sets the speed, nor where riders must brake or accelerate: at the start,
before, in and out of bends; those on power do not where momentum carries the line over a change of the road. The
functions work on arrays over segments (or over boundaries between segments, one fewer), so that planning and checking
can share them.

Notes
-----
The definitions are ours (common practice among coaches is the rule "do not surge when you come to the front"; no
published measure is known to us).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ttt_opt.segments import Segments

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

UNCHANGED_GRADE = 0.003
"""Gradients that differ by no more than this count as the same."""
UNCHANGED_HEADWIND_MPS = 0.3
"""Head winds that differ by no more than this count as the same (m/s)."""
UNCHANGED_SEGMENTS, UNCHANGED_M = 3, 500.0
"""Segments, the two at the boundary included, and metres over which the road must be the same for a limit on speed."""
BEFORE_BEND_M = 30.0
"""Segments that end so near to a bend (m) are ridden for it, also where a changeover at its landmark cuts them off."""
STEADY_RATIO, CHECKED_RATIO = 1.2, 1.15
"""Speeds of neighbouring segments that differ by no more than this ratio count as steady; the ride check asks for the
second, since its speeds are not quite those with which a plan was made."""


def _free(segments: Segments) -> BoolArray:
    """Segments in which gravity, brakes or an acceleration set the pace, ``(n_segments,)``."""
    descent = np.array([terrain == "descent" for terrain in segments.terrain])
    bend_begins_m = np.append(segments.start_m[segments.bend], np.inf)
    next_bend_m = bend_begins_m[np.searchsorted(bend_begins_m, segments.end_m - 1e-6)]
    before_bend = next_bend_m - segments.end_m < BEFORE_BEND_M
    return np.asarray(segments.accelerating | segments.bend | before_bend | descent, dtype=np.bool_)


def unsteady(speed_mps: FloatArray, ratio: float) -> BoolArray:
    """Segments in which momentum carries the line over a change of the road, by their speeds, ``(n_segments,)``."""
    change = np.maximum(speed_mps[1:], speed_mps[:-1]) > ratio * np.minimum(speed_mps[1:], speed_mps[:-1])
    return np.asarray(np.append(change, False) | np.append(False, change), dtype=np.bool_)


def power_surge_applies(segments: Segments, speed_mps: FloatArray, ratio: float = STEADY_RATIO) -> BoolArray:
    """Boundaries between segments where the limits on front power apply.

    Parameters
    ----------
    segments : Segments
    speed_mps : ndarray (n_segments,)
        At the foot of a bank the line comes with twice the speed at which it will climb: what a mean power is there,
        and whether it jumps, cannot be said from mean speeds.
    ratio : float
        Of the speeds of neighbouring segments, above which that is so.

    Returns
    -------
    ndarray (n_segments - 1,) of bool
    """
    free = _free(segments) | unsteady(speed_mps, ratio)
    return np.asarray(~(free[:-1] | free[1:]), dtype=np.bool_)


def speed_surge_applies(segments: Segments, headwind_mps: FloatArray) -> BoolArray:
    """Boundaries between segments where the limit on speed applies.

    Parameters
    ----------
    segments : Segments
    headwind_mps : ndarray (n_segments,)
        Head wind at rider height (m/s).

    Returns
    -------
    ndarray (n_segments - 1,) of bool
        ``True`` where the last :data:`UNCHANGED_SEGMENTS` segments, and all within :data:`UNCHANGED_M` before the
        boundary, have the same gradient and wind and none is free of limits: elsewhere the speed still follows a change
        of the road.
    """
    free = _free(segments)
    applies = np.zeros(len(free) - 1, dtype=np.bool_)
    for s in range(UNCHANGED_SEGMENTS - 1, len(free)):
        far_enough = int(np.searchsorted(segments.end_m, segments.start_m[s] - UNCHANGED_M, side="right"))
        window = slice(min(far_enough, s + 1 - UNCHANGED_SEGMENTS), s + 1)
        applies[s - 1] = (
            not free[window].any()
            and np.ptp(segments.grade[window]) <= UNCHANGED_GRADE
            and np.ptp(headwind_mps[window]) <= UNCHANGED_HEADWIND_MPS
        )
    return applies


def power_asked_by_road_w(load_before_w: FloatArray, load_after_w: FloatArray) -> FloatArray:
    """Rise of power that the road itself asks at a boundary, which no leader is blamed for.

    Parameters
    ----------
    load_before_w, load_after_w : ndarray
        Steady front power of the average rider before and after the boundary (W), *both at the speed before it*.

    Returns
    -------
    ndarray, as the parameters
        Allowance (W), at least 0. With the two exchanged: the fall of power that the road gives.
    """
    return np.asarray(np.maximum(0.0, np.asarray(load_after_w) - np.asarray(load_before_w)), dtype=np.float64)
