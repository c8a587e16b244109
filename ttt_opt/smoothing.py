"""Smoothing of what recorders write once a second or less often: penalised least squares on a grid of seconds."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

FloatArray = NDArray[np.float64]

ORDER = 3
"""Differences of this order are penalised, so that a steady acceleration passes unchanged."""
GAP_WEIGHT = 0.05
"""Weight of the straight line that bridges seconds without a value: without it a gap swings out on both sides."""


def smoothed(values: FloatArray, period_s: float) -> FloatArray:
    """Values at equal steps of one second, smoothed; gaps are filled.

    Parameters
    ----------
    values : ndarray (n_seconds,) or (n_seconds, n_columns)
        ``nan`` where there is none.
    period_s : float
        Undulations of this period keep half their height (s).

    Returns
    -------
    ndarray, shape of ``values``
        Minimiser of the squared deviations plus a multiple of the squared third differences; a column with fewer than
        four values comes back as its mean, or as nan without any.

    References
    ----------
    Whittaker, E. T. (1923), On a new method of graduation, Proceedings of the Edinburgh Mathematical Society 41.
    """
    columns = values[:, np.newaxis] if values.ndim == 1 else values
    result = np.empty_like(columns)
    for number, column in enumerate(columns.T):
        known = np.isfinite(column)
        if known.sum() <= ORDER or len(column) <= 2 * ORDER:
            result[:, number] = column[known].mean() if known.any() else np.nan
            continue
        places = np.arange(len(column), dtype=np.float64)
        near = np.interp(places, places[known], column[known])
        weights = np.where(known, 1.0, GAP_WEIGHT)
        bands = _difference_bands(len(column), (2.0 * math.sin(math.pi / period_s)) ** (-2 * ORDER))
        bands[ORDER] += weights
        result[:, number] = solveh_banded(bands, weights * near)
    return result[:, 0] if values.ndim == 1 else result


def _difference_bands(n_values: int, weight: float) -> FloatArray:
    """Upper bands of a multiple of the squared operator of third differences."""
    coefficients = [(-1.0) ** (ORDER - k) * math.comb(ORDER, k) for k in range(ORDER + 1)]
    bands = np.zeros((ORDER + 1, n_values))
    n_rows = n_values - ORDER
    for first in range(ORDER + 1):
        for second in range(first, ORDER + 1):
            row = ORDER - (second - first)
            bands[row, second : second + n_rows] += weight * coefficients[first] * coefficients[second]
    return bands


def on_seconds(time_s: FloatArray, values: FloatArray, seconds: FloatArray, longest_gap_s: float) -> FloatArray:
    """Values at given moments, linear between samples; nan where samples are too far apart.

    Parameters
    ----------
    time_s, values : ndarray (n_samples,)
        Samples; those that are ``nan`` do not count.
    seconds : ndarray (n_seconds,)
        Rising moments (s).
    longest_gap_s : float
        Between samples further apart there is no value (s).

    Returns
    -------
    ndarray (n_seconds,)
    """
    known = np.isfinite(values)
    if not known.any():
        return np.full(len(seconds), np.nan)
    time, there = time_s[known], values[known]
    result = np.interp(seconds, time, there)
    after = np.searchsorted(time, seconds, side="left")
    outside = (seconds < time[0]) | (seconds > time[-1])
    following = time[np.minimum(after, len(time) - 1)]
    gap = following - time[np.maximum(after - 1, 0)]
    on_sample = np.isclose(following, seconds)
    result[outside | ((gap > longest_gap_s) & ~on_sample)] = np.nan
    return result
