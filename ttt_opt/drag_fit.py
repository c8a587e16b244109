"""Drag area and rolling resistance from a recorded ride with power, by the balance of forces on the road.

What climbing, kinetic energy, bearings and wheel rotation do not explain of the work on a stretch, divided by
the length of the stretch, is a force, and that force is::

    drag area * dynamic pressure + coefficient of rolling resistance * normal force

one equation for each stretch (:mod:`ttt_opt.ride_stretches`), linear in the two unknowns, solved by least
squares. A steady wind that is not known may be two unknowns more, from north and from east: the dynamic pressure
is linear in small changes of it, and a few rounds settle it. That takes a ride in several directions.

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

from ttt_opt.race import CRR_BOUNDS, WEATHER_BOUNDS
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.ride_stretches import SLOWEST_MPS, STRETCH_S, Assumptions, Stretches, cut_into_stretches

FloatArray = NDArray[np.float64]

CRR_HALF_WIDTH = 0.001
"""How well rolling resistance is known without a measurement: 0.004 ± 0.001 on roads (from memory)."""
FEWEST_STRETCHES = 12
LARGEST_CONDITION = 30.0
MOST_WIND_ROUNDS = 20
SMALLEST_WIND_SHARE = 0.2
WIND_SETTLED_MPS = 1e-4
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
    assumptions : Assumptions
        What was taken as given, with the wind that was found where it was to be found.
    wind_directions : ndarray (2, 1 or 2) or None
        Directions in which the wind was found, as unit vectors to north and east; ``None`` where it was given.
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
    assumptions: Assumptions
    wind_directions: FloatArray | None


def fit_drag(ride: RecordedRide, assumptions: Assumptions, *, find_wind: bool = False) -> DragFit:
    """Drag area of a rider, and rolling resistance where the ride can tell it.

    Parameters
    ----------
    ride : RecordedRide
        Ridden alone and in one position.
    assumptions : Assumptions
    find_wind : bool
        Find a steady wind; that of the assumptions is where the search starts.

    Raises
    ------
    ValueError
        Too few stretches that count, or a wind, given or to be found, that the ride has not the places or the
        directions for.

    Notes
    -----
    Rolling resistance is given, not found, where the condition number is above 30, where the ride would leave
    it less certain than it is without a measurement (0.001), or where it comes out as no tyre has it; the last
    two rules are our own.
    """
    if find_wind and (ride.latitude_deg is None or assumptions.weather.shelter == 0.0):
        raise ValueError(
            "a wind cannot be found without latitude and longitude, nor where none comes through"
        )
    stretches = cut_into_stretches(ride, assumptions)
    if len(stretches) < FEWEST_STRETCHES:
        raise ValueError(
            f"there are {len(stretches)} stretches of {STRETCH_S:.0f} s that can be used; allowed: "
            f"{FEWEST_STRETCHES} or more of steady pedalling above {3.6 * SLOWEST_MPS:.0f} km/h"
        )
    directions = _wind_directions(stretches) if find_wind else None
    settled = assumptions if directions is None else _settled_wind(ride, assumptions, None, directions)
    stretches = cut_into_stretches(ride, settled)
    columns = _columns(stretches, directions, rolling=True)
    values, covariance = least_squares_newey_west(columns, stretches.force_n)
    both = (_interval(values[0], covariance[0, 0], columns), _interval(values[1], covariance[1, 1], columns))
    condition = _condition(columns)
    cannot_tell = _cannot_tell(condition, both[1])
    crr, used_crr, drag_area = both[1], both[1].value, both[0]
    if cannot_tell:
        used_crr = assumptions.crr
        settled = (
            assumptions if directions is None else _settled_wind(ride, assumptions, used_crr, directions)
        )
        stretches = cut_into_stretches(ride, settled)
        drag_area = _with_given_rolling(stretches, used_crr, directions)
    misses = (
        stretches.force_n
        - drag_area.value * stretches.dynamic_pressure_pa
        - used_crr * stretches.normal_force_n
    )
    return DragFit(
        stretches=stretches,
        drag_area_m2=drag_area,
        crr=None if cannot_tell else crr,
        used_crr=used_crr,
        both=both,
        condition=condition,
        correlation=float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])),
        cannot_tell=cannot_tell,
        scatter_n=float(np.std(misses)),
        assumptions=settled,
        wind_directions=directions,
    )


def drag_area_if(ride: RecordedRide, fit: DragFit) -> dict[str, float]:
    """How much the drag area changes (m2) if an assumption is wrong, by what is wrong, in words.

    Parameters
    ----------
    ride : RecordedRide
    fit : DragFit
        Of this ride; rolling resistance and wind stay found or given, as they were there.
    """
    assumptions = fit.assumptions
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
    if ride.latitude_deg is not None and fit.wind_directions is None:
        more = replace(weather, wind_speed_mps=weather.wind_speed_mps + 1.0)
        wrong[f"1 m/s more wind from {weather.wind_from_deg:.0f}°"] = replace(assumptions, weather=more)
    if fit.crr is None:
        wrong["0.0005 more rolling resistance"] = replace(assumptions, crr=assumptions.crr + 0.0005)
    changes = {}
    for words, other in wrong.items():
        stretches = cut_into_stretches(ride, other)
        given_crr = other.crr if fit.crr is None else None
        area = _solve(stretches, given_crr, fit.wind_directions)[0]
        changes[words] = float(area) - fit.drag_area_m2.value
    return changes


def _wind_directions(stretches: Stretches) -> FloatArray:
    """Directions in which a wind does what drag and rolling do not, as unit vectors to north and east, (2, 1 or 2).

    Raises
    ------
    ValueError
        There are none: the ride goes one way.
    """
    others = _columns(stretches, None, rolling=True)
    own = stretches.wind_gain - others @ np.linalg.lstsq(others, stretches.wind_gain)[0]
    _, sizes, directions = np.linalg.svd(own, full_matrices=False)
    told = sizes > SMALLEST_WIND_SHARE * np.linalg.norm(stretches.wind_gain)
    if not told.any():
        raise ValueError("the ride goes too much one way to tell a wind from drag; give the wind instead")
    return np.asarray(directions[told].T, dtype=np.float64)


def _columns(stretches: Stretches, directions: FloatArray | None, rolling: bool) -> FloatArray:
    """Columns of the unknowns: drag area, rolling resistance, drag area times wind in each direction."""
    columns = [stretches.dynamic_pressure_pa]
    if rolling:
        columns.append(stretches.normal_force_n)
    if directions is not None:
        columns.extend((stretches.wind_gain @ directions).T)
    return np.column_stack(columns)


def _solve(stretches: Stretches, given_crr: float | None, directions: FloatArray | None) -> FloatArray:
    """Drag area first, wind last, in the order of :func:`_columns`."""
    columns = _columns(stretches, directions, rolling=given_crr is None)
    force_n = stretches.force_n - (given_crr or 0.0) * stretches.normal_force_n
    return np.asarray(np.linalg.lstsq(columns, force_n)[0], dtype=np.float64)


def _settled_wind(
    ride: RecordedRide, assumptions: Assumptions, given_crr: float | None, directions: FloatArray
) -> Assumptions:
    """The assumptions with the steady wind at 10 m that explains the ride best, by Newton's method."""
    weather = assumptions.weather
    from_rad = np.radians(weather.wind_from_deg)
    wind = weather.wind_speed_mps * np.array([np.cos(from_rad), np.sin(from_rad)])
    for _ in range(MOST_WIND_ROUNDS):
        unknowns = _solve(cut_into_stretches(ride, assumptions), given_crr, directions)
        change = directions @ unknowns[-directions.shape[1] :] / unknowns[0]
        wind = wind + change
        speed = float(np.hypot(*wind))
        if not (unknowns[0] > 0.0 and speed <= WEATHER_BOUNDS["wind_speed_mps"].high):
            break
        from_deg = float(np.degrees(np.arctan2(wind[1], wind[0]))) % 360.0
        assumptions = replace(
            assumptions, weather=replace(weather, wind_speed_mps=speed, wind_from_deg=from_deg)
        )
        if np.abs(change).max() < WIND_SETTLED_MPS:
            return assumptions
    raise ValueError("no steady wind explains the ride; give the wind instead")


def _condition(columns: FloatArray) -> float:
    """Condition number of columns scaled to unit length."""
    return float(np.linalg.cond(columns / np.linalg.norm(columns, axis=0)))


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


def _with_given_rolling(stretches: Stretches, crr: float, directions: FloatArray | None) -> Interval:
    """Drag area at a given coefficient of rolling resistance, which is known to 0.001."""
    columns = _columns(stretches, directions, rolling=False)
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
