"""Drag area and rolling resistance from a recorded ride with power, by the balance of forces on the road.

What climbing, kinetic energy, bearings and wheel rotation do not explain of the work on a stretch, divided by
the length of the stretch, is a force, and that force is::

    drag area * dynamic pressure + coefficient of rolling resistance * normal force

one equation for each stretch (:mod:`ttt_opt.ride_stretches`), linear in the two unknowns, solved by least squares.

References
----------
Martin et al. 1998, Journal of Applied Biomechanics 14(3), 276-291: the forces. From memory: Newey & West 1987,
Econometrica 55, 703-708, and for the lag 1994, Review of Economic Studies 61, 631-653: standard errors that
hold for errors of unequal size that are alike in neighbouring stretches, as wind and drifting barometers make
them. Belsley, Kuh & Welsch 1980, "Regression Diagnostics": a condition number of 30 as the mark of harmful
collinearity.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from ttt_opt.race import CRR_BOUNDS
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.ride_stretches import SLOWEST_MPS, STRETCH_S, Assumptions, Stretches, cut_into_stretches

FloatArray = NDArray[np.float64]

CRR_HALF_WIDTH = 0.001
"""How well rolling resistance is known without a measurement: 0.004 ± 0.001 on roads (from memory)."""
FEWEST_STRETCHES = 12
LARGEST_CONDITION = 30.0
COVERED = 0.95
NORMAL_QUANTILE = 1.959964


@dataclass(frozen=True)
class Interval:
    """A figure with its standard error and its 95 % interval.

    Raises
    ------
    ValueError
        The figure is not within the interval.
    """

    value: float
    standard_error: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.value <= self.high:
            raise ValueError(f"{self.value} is not within {self.low} to {self.high}")

    @property
    def half_width(self) -> float:
        """Half of the interval."""
        return 0.5 * (self.high - self.low)


@dataclass(frozen=True)
class DragFit:
    """Drag area and rolling resistance of a ride.

    Attributes
    ----------
    stretches : Stretches
    drag_area_m2 : Interval
        (m2); where rolling resistance is given, the interval takes in that it is known to 0.001 only.
    crr : Interval or None
        Coefficient of rolling resistance; ``None`` where it is given rather than found.
    used_crr : float
        The coefficient that goes with the drag area, found or given.
    both : tuple of Interval
        Drag area (m2) and coefficient of rolling resistance with both unknown, whether they are used or not.
    condition : float
        Condition number of the two unknowns, columns scaled to unit length.
    correlation : float
        Of the two estimates, -1 to 1.
    cannot_tell : str
        Why rolling resistance is given rather than found; empty where it is found.
    scatter_n : float
        Standard deviation of the force that the answer does not explain (N).
    """

    stretches: Stretches
    drag_area_m2: Interval
    crr: Interval | None
    used_crr: float
    both: tuple[Interval, Interval]
    condition: float
    correlation: float
    cannot_tell: str
    scatter_n: float


def fit_drag(ride: RecordedRide, assumptions: Assumptions) -> DragFit:
    """Drag area of a rider, and rolling resistance where the ride can tell it.

    Parameters
    ----------
    ride : RecordedRide
        Ridden alone and in one position.
    assumptions : Assumptions

    Raises
    ------
    ValueError
        Wind without places that would tell which way the ride went, or too few stretches that count.

    Notes
    -----
    Rolling resistance is given, not found, where the condition number is above 30, where the ride would leave
    it less certain than it is without a measurement (0.001), or where it comes out as no tyre has it; the last
    two rules are our own.
    """
    stretches = cut_into_stretches(ride, assumptions)
    if len(stretches) < FEWEST_STRETCHES:
        raise ValueError(
            f"there are {len(stretches)} stretches of {STRETCH_S:.0f} s that can be used; allowed: "
            f"{FEWEST_STRETCHES} or more of steady pedalling above {3.6 * SLOWEST_MPS:.0f} km/h"
        )
    columns = np.column_stack((stretches.dynamic_pressure_pa, stretches.normal_force_n))
    values, covariance = least_squares_newey_west(columns, stretches.force_n)
    both = (_interval(values[0], covariance[0, 0], columns), _interval(values[1], covariance[1, 1], columns))
    condition = float(np.linalg.cond(columns / np.linalg.norm(columns, axis=0)))
    correlation = float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))
    cannot_tell = _cannot_tell(condition, both[1])
    crr = None if cannot_tell else both[1]
    drag_area = both[0] if crr is not None else _with_given_rolling(stretches, assumptions.crr)
    used_crr = assumptions.crr if crr is None else crr.value
    misses = stretches.force_n - columns @ np.array([drag_area.value, used_crr])
    return DragFit(
        stretches=stretches,
        drag_area_m2=drag_area,
        crr=crr,
        used_crr=used_crr,
        both=both,
        condition=condition,
        correlation=correlation,
        cannot_tell=cannot_tell,
        scatter_n=float(np.std(misses)),
    )


def drag_area_if(ride: RecordedRide, assumptions: Assumptions, fit: DragFit) -> dict[str, float]:
    """How much the drag area changes (m2) if an assumption is wrong, by what is wrong, in words.

    Parameters
    ----------
    ride : RecordedRide
    assumptions : Assumptions
    fit : DragFit
        Of this ride with these assumptions; rolling resistance stays found or given, as it was there.
    """
    weather, density = assumptions.weather, assumptions.air_density
    denser = (
        replace(assumptions, weather=replace(weather, pressure_hpa=1.01 * weather.pressure_hpa))
        if density is None
        else replace(assumptions, air_density=1.01 * density)
    )
    wrong = {
        "1 kg more mass": replace(assumptions, mass_kg=assumptions.mass_kg + 1.0),
        "1 % more power than shown": replace(assumptions, power_scale=1.01 * assumptions.power_scale),
        "1 % denser air": denser,
    }
    if ride.latitude_deg is not None:
        more = replace(weather, wind_speed_mps=weather.wind_speed_mps + 1.0)
        wrong[f"1 m/s more wind from {weather.wind_from_deg:.0f}°"] = replace(assumptions, weather=more)
    if fit.crr is None:
        wrong["0.0005 more rolling resistance"] = replace(assumptions, crr=assumptions.crr + 0.0005)
    changes = {}
    for words, other in wrong.items():
        stretches = cut_into_stretches(ride, other)
        columns = np.column_stack((stretches.dynamic_pressure_pa, stretches.normal_force_n))
        if fit.crr is None:
            area = _with_given_rolling(stretches, other.crr).value
        else:
            area = float(np.linalg.lstsq(columns, stretches.force_n)[0][0])
        changes[words] = area - fit.drag_area_m2.value
    return changes


def least_squares_newey_west(columns: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares, with a covariance for errors of unequal size that are alike in neighbouring rows.

    Parameters
    ----------
    columns : ndarray (n_rows, n_unknowns)
        Rows in the order of time.
    values : ndarray (n_rows,)

    Returns
    -------
    unknowns : ndarray (n_unknowns,)
    covariance : ndarray (n_unknowns, n_unknowns)
        With Bartlett's weights up to the lag ``4 (n_rows / 100) ** (2 / 9)`` and the correction
        ``n_rows / (n_rows - n_unknowns)``.
    """
    n_rows, n_unknowns = columns.shape
    unknowns = np.linalg.lstsq(columns, values)[0]
    scores = columns * (values - columns @ unknowns)[:, np.newaxis]
    middle = scores.T @ scores
    lags = int(4.0 * (n_rows / 100.0) ** (2.0 / 9.0))
    for lag in range(1, lags + 1):
        shifted = scores[lag:].T @ scores[:-lag]
        middle += (1.0 - lag / (lags + 1.0)) * (shifted + shifted.T)
    inverse = np.linalg.pinv(columns.T @ columns)
    covariance = inverse @ middle @ inverse * n_rows / (n_rows - n_unknowns)
    return np.asarray(unknowns, dtype=np.float64), np.asarray(covariance, dtype=np.float64)


def _interval(value: float, variance: float, columns: FloatArray) -> Interval:
    error = float(np.sqrt(max(variance, 0.0)))
    half = float(stdtrit(columns.shape[0] - columns.shape[1], 0.5 + 0.5 * COVERED)) * error
    return Interval(float(value), error, float(value) - half, float(value) + half)


def _with_given_rolling(stretches: Stretches, crr: float) -> Interval:
    """Drag area at a given coefficient of rolling resistance, which is known to 0.001."""
    columns = stretches.dynamic_pressure_pa[:, np.newaxis]
    values, covariance = least_squares_newey_west(columns, stretches.force_n - crr * stretches.normal_force_n)
    alone = _interval(values[0], covariance[0, 0], columns)
    per_crr = float(np.linalg.lstsq(columns, stretches.normal_force_n)[0][0])
    error = float(np.hypot(alone.standard_error, CRR_HALF_WIDTH * per_crr / NORMAL_QUANTILE))
    half = float(np.hypot(alone.half_width, CRR_HALF_WIDTH * per_crr))
    return Interval(alone.value, error, alone.value - half, alone.value + half)


def _cannot_tell(condition: float, crr: Interval) -> str:
    if condition > LARGEST_CONDITION:
        return (
            f"speed hardly changes (condition number {condition:.0f}, above {LARGEST_CONDITION:.0f}), so air and "
            f"rolling look the same"
        )
    if crr.half_width > CRR_HALF_WIDTH:
        return (
            f"the ride would leave it uncertain by ± {crr.half_width:.4f}, more than the ± {CRR_HALF_WIDTH:g} that "
            f"is known without it"
        )
    if not CRR_BOUNDS.low <= crr.value <= CRR_BOUNDS.high:
        return f"it comes out as {crr.value:.4f}, outside {CRR_BOUNDS.low:g} to {CRR_BOUNDS.high:g}"
    return ""
