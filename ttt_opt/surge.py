"""Surges: how far front power and speed jump from one segment to the next beyond what the road itself asks.

A line breaks when a fresh leader goes harder than the one before. Two measures, both between neighbouring
segments:

- *Surge in power*: rise of the front power of the team's average rider, less what the road itself asks.
- *Surge in speed*: rise of the speed where neither gradient nor head wind eases.

None applies where riders must accelerate: at the start, into, in and out of bends. The functions work on
arrays over segments (or over boundaries between segments, one fewer), so that planning and checking can share
them.

Notes
-----
The definitions are ours (common practice among coaches is the rule "do not surge when you come to the front";
no published measure is known to us).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: The gradient eases when it falls by more than this from one segment to the next.
EASING_GRADE = 0.002
#: The head wind eases when it falls by more than this from one segment to the next (m/s).
EASING_HEADWIND_MPS = 0.3


def power_surge_applies(accelerating: BoolArray, bend: BoolArray) -> BoolArray:
    """Boundaries between segments where the limit on surges in power applies.

    Parameters
    ----------
    accelerating, bend : ndarray (n_segments,) of bool
        Segments where riders accelerate (start, out of bends) and segments that hold a bend.

    Returns
    -------
    ndarray (n_segments - 1,) of bool
        ``True`` unless one of the two neighbours is accelerating or holds a bend.
    """
    special = np.asarray(accelerating, dtype=bool) | np.asarray(bend, dtype=bool)
    return np.asarray(~(special[:-1] | special[1:]), dtype=np.bool_)


def speed_surge_applies(
    accelerating: BoolArray, bend: BoolArray, grade: FloatArray, headwind_mps: FloatArray
) -> BoolArray:
    """Boundaries between segments where the limit on surges in speed applies.

    Parameters
    ----------
    accelerating, bend : ndarray (n_segments,) of bool
        Segments where riders accelerate (start, out of bends) and segments that hold a bend.
    grade : ndarray (n_segments,)
        Rise over run.
    headwind_mps : ndarray (n_segments,)
        Head wind at rider height (m/s), negative from behind.

    Returns
    -------
    ndarray (n_segments - 1,) of bool
        ``True`` where :func:`power_surge_applies` and neither gradient nor head wind eases by more than
        :data:`EASING_GRADE` and :data:`EASING_HEADWIND_MPS`.
    """
    road_eases = (np.diff(grade) < -EASING_GRADE) | (np.diff(headwind_mps) < -EASING_HEADWIND_MPS)
    return np.asarray(power_surge_applies(accelerating, bend) & ~road_eases, dtype=np.bool_)


def power_asked_by_road_w(load_before_w: FloatArray, load_after_w: FloatArray) -> FloatArray:
    """Rise of power that the road itself asks at a boundary, which no leader is blamed for.

    Parameters
    ----------
    load_before_w, load_after_w : ndarray (..., n_segments - 1)
        Steady front power of the average rider before and after the boundary (W), *both at the speed before
        it*.

    Returns
    -------
    ndarray, as the parameters
        Allowance (W), at least 0.
    """
    return np.asarray(np.maximum(0.0, np.asarray(load_after_w) - np.asarray(load_before_w)), dtype=np.float64)


def power_surge_w(
    load_before_w: FloatArray, load_after_w: FloatArray, load_after_at_speed_before_w: FloatArray
) -> FloatArray:
    """Surge in power at a boundary between segments.

    Parameters
    ----------
    load_before_w : ndarray (..., n_segments - 1)
        Steady front power of the average rider before the boundary, at the speed before it (W).
    load_after_w : ndarray (..., n_segments - 1)
        The same after the boundary, at the speed after it (W).
    load_after_at_speed_before_w : ndarray (..., n_segments - 1)
        The same after the boundary, had the speed stayed as before it (W).

    Returns
    -------
    ndarray, as the parameters
        Rise beyond what the road asks (W); negative where the leader eases.
    """
    rise = np.asarray(load_after_w) - np.asarray(load_before_w)
    return np.asarray(
        rise - power_asked_by_road_w(load_before_w, load_after_at_speed_before_w), dtype=np.float64
    )


def power_drop_w(
    load_before_w: FloatArray, load_after_w: FloatArray, load_after_at_speed_before_w: FloatArray
) -> FloatArray:
    """Drop in power at a boundary between segments.

    Parameters
    ----------
    load_before_w, load_after_w, load_after_at_speed_before_w
        As for :func:`power_surge_w`.

    Returns
    -------
    ndarray, as the parameters
        Fall beyond what the road gives (W); negative where the leader pushes on.
    """
    fall = np.asarray(load_before_w) - np.asarray(load_after_w)
    given = power_asked_by_road_w(load_after_at_speed_before_w, load_before_w)
    return np.asarray(fall - given, dtype=np.float64)


def speed_surge_mps(speed_mps: FloatArray) -> FloatArray:
    """Rise of the mean speed at each boundary between segments (m/s).

    Parameters
    ----------
    speed_mps : ndarray (..., n_segments)
        Mean speeds (m/s).

    Returns
    -------
    ndarray (..., n_segments - 1)
    """
    return np.asarray(np.diff(speed_mps, axis=-1), dtype=np.float64)
