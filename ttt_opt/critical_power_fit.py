"""Critical power and W' from maximal efforts, in the three accepted forms, with their uncertainty.

The three forms are one equation, ``power = cp + w_prime / time``, with different things taken to be uncertain:

- *power against 1/time*: power misses by the same number of watts in every effort. So it is where a duration
  is given and the rider makes what he can of it, as in tests on the road.
- *work against time*: work misses by the same number of joules. Weighted by ``1 / time**2`` it is the form
  before; without weights short efforts count for less.
- *time against power*, the hyperbola: time misses by the same share in every effort. So it is where a power is
  given and held to exhaustion, as on an ergometer; times then scatter by 5 to 15 % (from memory).

The answer is the form that fits how the efforts were ridden, chosen before looking at them: our own choice.
The other habit, to take whichever form shows the smallest standard errors, takes power against 1/time nearly
always; where times were what scattered, its 95 % intervals of W' held the truth in only 90 of 100 draws of four
efforts and in 83 of five, the hyperbola's in 95 (measured, 4,000 draws each).

References
----------
Monod & Scherrer 1965, "The work capacity of a synergic muscular group", Ergonomics 8, 329-338: work against
time. Hill 1993, "The critical power concept: a review", Sports Medicine 16, 237-254: the three forms (from
memory). Drake, Finke & Ferguson, European Journal of Applied Physiology, doi 10.1007/s00421-023-05274-5: the
hyperbola is unrealistic below 2 min and above 15 min. Journal of Science and Medicine in Sport 21 (2018),
742-747 (abstract): trials that are all shorter than 10 to 12 min overstate critical power and understate W'.
Karsten et al. 2015 (abstract): a field test of 3, 7 and 12 min is off by 4.5 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import stdtrit

from ttt_opt.efforts import Effort
from ttt_opt.physiology import sustainable_share
from ttt_opt.team import RIDER_BOUNDS

FloatArray = NDArray[np.float64]

POWER_AGAINST_INVERSE_TIME = "power against 1/time"
WORK_AGAINST_TIME = "work against time"
TIME_AGAINST_POWER = "time against power"

FORM_FOR = {"duration": POWER_AGAINST_INVERSE_TIME, "power": TIME_AGAINST_POWER}
"""The form that answers, by what was given to the rider: a duration, or a power to hold to exhaustion."""

COVERED = 0.95
"""Share of intervals that hold the truth."""

SHORTEST_VALID_S, LONGEST_VALID_S = 120.0, 900.0
LONG_EFFORT_S = 720.0
SMALLEST_SPREAD = 3.0
LARGEST_MISS = 0.03
SURE_CP, SURE_W_PRIME = 0.05, 0.10
"""Largest relative standard errors of tests that count as good (common practice, from memory)."""

LARGEST_EXPONENT = 50.0
SMALLEST_ABOVE_CP, LARGEST_ABOVE_CP = 1e-6, 10.0
"""Bounds on (least power - critical power) over least power: beyond them the hyperbola is a straight line."""
LARGEST_LOG_INTERVAL = float(np.log(1000.0))

HOUR_S = 3600.0
THRESHOLD_CP_ERROR = 0.05
POPULATION_W_PRIME_J, POPULATION_W_PRIME_ERROR_J = 18000.0, 5000.0
NORMAL_QUANTILE = 1.959964


@dataclass(frozen=True)
class Estimate:
    """A figure with its uncertainty.

    Attributes
    ----------
    value : float
    standard_error : float or None
        ``None`` where as many figures were estimated as there are efforts: the efforts then say nothing about
        their own uncertainty.
    low, high : float or None
        Ends of the 95 % interval.

    Raises
    ------
    ValueError
        The value is not finite, or lies outside its interval.
    """

    value: float
    standard_error: float | None = None
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if not np.isfinite(self.value):
            raise ValueError(f"an estimate of {self.value} is none")
        if self.low is not None and self.high is not None and not self.low <= self.value <= self.high:
            raise ValueError(f"{self.value} is not within {self.low} to {self.high}")

    @property
    def relative_error(self) -> float | None:
        """Standard error over value."""
        return None if self.standard_error is None else self.standard_error / abs(self.value)


@dataclass(frozen=True)
class FormFit:
    """Critical power (W) and W' (J) by one form."""

    form: str
    cp_w: Estimate
    w_prime_j: Estimate


@dataclass(frozen=True)
class CriticalPowerFit:
    """What the efforts of a rider say.

    Attributes
    ----------
    efforts : tuple of Effort
    answer : FormFit
        The form that fits how the efforts were ridden.
    forms : tuple of FormFit
        All that go through the efforts; the hyperbola may not.
    cautions : tuple of str
        What speaks against the answer, in readable sentences.
    """

    efforts: tuple[Effort, ...]
    answer: FormFit
    forms: tuple[FormFit, ...]
    cautions: tuple[str, ...]

    @property
    def miss_w(self) -> FloatArray:
        """Power of each effort minus that of the answer for its duration (W), (n_efforts,)."""
        cp_w, w_prime_j = self.answer.cp_w.value, self.answer.w_prime_j.value
        return np.array([e.power_w - (cp_w + w_prime_j / e.duration_s) for e in self.efforts])


def fit_critical_power(efforts: Sequence[Effort], given: str = "duration") -> CriticalPowerFit:
    """Critical power and W' of a rider from maximal efforts.

    Parameters
    ----------
    efforts : sequence of Effort
        Each to exhaustion, and each ridden fresh.
    given : str
        What the rider was given: ``duration`` (as far as the legs go in that time), or ``power`` (as long as
        the legs hold it).

    Returns
    -------
    CriticalPowerFit

    Raises
    ------
    ValueError
        Fewer than two efforts, all of one duration, power that does not fall with duration as it must, or an
        answer that no team file may hold.
    """
    if len(efforts) < 2:
        raise ValueError(
            "one effort cannot tell critical power and W' apart; allowed: two or more, better four"
        )
    time = np.array([effort.duration_s for effort in efforts])
    power = np.array([effort.power_w for effort in efforts])
    if np.ptp(time) < 0.01 * time.max():
        raise ValueError(f"all efforts last {time[0]:g} s; allowed: efforts of different durations")
    if np.ptp(power) < 0.001 * power.max():
        raise ValueError(f"all efforts were ridden at {power[0]:g} W; allowed: shorter ones at more power")
    by_power = fit_power_against_inverse_time(time, power)
    if by_power.w_prime_j.value <= 0.0:
        raise ValueError(
            "longer efforts were ridden at more power than shorter ones; allowed: the other way round"
        )
    if by_power.cp_w.value <= 0.0:
        raise ValueError(
            f"critical power comes out as {by_power.cp_w.value:.0f} W; the short efforts are too strong"
        )
    forms = [by_power, fit_work_against_time(time, power)]
    try:
        forms.append(fit_time_against_power(time, power))
    except ValueError:
        if FORM_FOR[given] == TIME_AGAINST_POWER:
            raise
    answer = next(form for form in forms if form.form == FORM_FOR[given])
    for field, estimate in (("cp_w", answer.cp_w), ("w_prime_j", answer.w_prime_j)):
        bounds = RIDER_BOUNDS[field]
        if not bounds.low <= estimate.value <= bounds.high:
            raise ValueError(f"{field} comes out as {estimate.value:.0f}; allowed: {bounds.allowed}")
    fit = CriticalPowerFit(tuple(efforts), answer, tuple(forms), ())
    return replace(fit, cautions=_cautions(fit))


def fit_power_against_inverse_time(time_s: FloatArray, power_w: FloatArray) -> FormFit:
    """Straight line of power against 1/time by least squares: errors of power, equal in watts.

    Parameters
    ----------
    time_s, power_w : ndarray (n_efforts,)
        Duration (s) and mean power (W); at least two, not all of one duration.
    """
    cp_w, w_prime_j = straight_line(1.0 / time_s, power_w)
    return FormFit(POWER_AGAINST_INVERSE_TIME, cp_w, w_prime_j)


def fit_work_against_time(time_s: FloatArray, power_w: FloatArray) -> FormFit:
    """Straight line of work against time by least squares: errors of work, equal in joules.

    Parameters
    ----------
    time_s, power_w : ndarray (n_efforts,)
        Duration (s) and mean power (W); at least two, not all of one duration.
    """
    w_prime_j, cp_w = straight_line(time_s, power_w * time_s)
    return FormFit(WORK_AGAINST_TIME, cp_w, w_prime_j)


def fit_time_against_power(time_s: FloatArray, power_w: FloatArray) -> FormFit:
    """Hyperbola of time against power by nonlinear least squares: errors of time, an equal share of it.

    Parameters
    ----------
    time_s, power_w : ndarray (n_efforts,)
        Duration (s) and mean power (W); at least two.

    Raises
    ------
    ValueError
        No hyperbola goes through the efforts, or W' comes out uncertain by more than a factor of 1,000.

    Notes
    -----
    Least squares in ``ln(time) = ln(w_prime) - ln(power - cp)``. Unknown are ``ln(least power - cp)`` and
    ``ln(w_prime)``, so that every step has a meaning; the interval of W' is symmetric in its logarithm.
    """
    log_time, least = np.log(time_s), float(power_w.min())

    def misses(unknown: FloatArray) -> FloatArray:
        above_cp = power_w - least + np.exp(min(unknown[0], LARGEST_EXPONENT))
        return np.asarray(log_time - unknown[1] + np.log(above_cp), dtype=np.float64)

    above = 0.1 * least
    start = np.array([np.log(above), float(np.mean(log_time + np.log(power_w - least + above)))])
    found = least_squares(misses, start, method="lm", x_scale=1.0, ftol=1e-14, xtol=1e-14, gtol=1e-14)
    if not SMALLEST_ABOVE_CP < np.exp(min(found.x[0], LARGEST_EXPONENT)) / least < LARGEST_ABOVE_CP:
        raise ValueError(
            "no hyperbola of time against power goes through these efforts; are all of them maximal?"
        )
    cp_w = least - float(np.exp(found.x[0]))
    w_prime_j = float(np.exp(found.x[1]))
    degrees = len(time_s) - 2
    if degrees == 0:
        return FormFit(TIME_AGAINST_POWER, Estimate(cp_w), Estimate(w_prime_j))
    slopes = np.column_stack((1.0 / (power_w - cp_w), np.ones(len(time_s))))
    variance = float(np.sum(misses(found.x) ** 2)) / degrees
    cp_error, log_error = np.sqrt(variance * np.diag(np.linalg.inv(slopes.T @ slopes)))
    quantile = float(stdtrit(degrees, 0.5 + 0.5 * COVERED))
    if quantile * log_error > LARGEST_LOG_INTERVAL:
        raise ValueError("the efforts scatter so much that W' may be anything; are all of them maximal?")
    factor = float(np.exp(quantile * log_error))
    return FormFit(
        TIME_AGAINST_POWER,
        _symmetric(cp_w, float(cp_error), quantile),
        Estimate(w_prime_j, w_prime_j * float(log_error), w_prime_j / factor, w_prime_j * factor),
    )


def straight_line(x: FloatArray, y: FloatArray) -> tuple[Estimate, Estimate]:
    """Intercept and slope by least squares, with the 95 % intervals of Student's distribution.

    Parameters
    ----------
    x, y : ndarray (n_points,)
        At least two points, not all at one ``x``.
    """
    n_points = len(x)
    from_mean = x - x.mean()
    square_sum = float(from_mean @ from_mean)
    slope = float(from_mean @ y) / square_sum
    intercept = float(y.mean() - slope * x.mean())
    degrees = n_points - 2
    if degrees == 0:
        return Estimate(intercept), Estimate(slope)
    misses = y - intercept - slope * x
    variance = float(misses @ misses) / degrees
    quantile = float(stdtrit(degrees, 0.5 + 0.5 * COVERED))
    slope_error = float(np.sqrt(variance / square_sum))
    intercept_error = float(np.sqrt(variance * (1.0 / n_points + x.mean() ** 2 / square_sum)))
    return _symmetric(intercept, intercept_error, quantile), _symmetric(slope, slope_error, quantile)


def from_threshold_power(threshold_w: float) -> FormFit:
    """A guess where only the power that a rider holds for an hour is known.

    Parameters
    ----------
    threshold_w : float
        Highest mean power over one hour (W).

    Notes
    -----
    Critical power is the hour's power over the share of critical power that lasts for an hour
    (:func:`ttt_opt.physiology.sustainable_share`, 0.952), so that a plan for an hour comes back to the figure
    that was given. Standard error 5 %: our assumption, a little more than the 4.5 % of a field test of
    critical power itself (Karsten et al. 2015, abstract). W' says nothing about itself in an hour's power:
    18 kJ with a standard deviation of 5 kJ is our rounding of what groups of trained men had, 16.0 ± 3.8 kJ
    (Vanhatalo et al. 2007, from memory), 17.2 kJ (Townsend et al. 2017, transcribed at second hand) and
    22.9 ± 7.4 kJ (Chidnok et al. 2012, abstract). Both intervals are 1.96 standard errors.
    """
    cp_w = threshold_w / float(sustainable_share(HOUR_S))
    return FormFit(
        "threshold power",
        _symmetric(cp_w, THRESHOLD_CP_ERROR * cp_w, NORMAL_QUANTILE),
        _symmetric(POPULATION_W_PRIME_J, POPULATION_W_PRIME_ERROR_J, NORMAL_QUANTILE),
    )


def _symmetric(value: float, standard_error: float, quantile: float) -> Estimate:
    half = quantile * standard_error
    return Estimate(value, standard_error, value - half, value + half)


def _cautions(fit: CriticalPowerFit) -> tuple[str, ...]:
    """What speaks against an answer; the bounds without a source in the module's text are our own."""
    efforts, answer = fit.efforts, fit.answer
    found = []
    if len(efforts) < 3:
        found.append("Two efforts always fit: nothing shows how sure the answer is. Ride two more.")
    elif len(efforts) == 3:
        found.append("Three efforts leave one to spare: the intervals are wide. A fourth narrows them most.")
    for effort in efforts:
        if not SHORTEST_VALID_S <= effort.duration_s <= LONGEST_VALID_S:
            found.append(
                f"The effort of {effort.duration_s:.0f} s lies outside 2 to 15 min, where the curve holds "
                f"(Drake et al.)."
            )
    longest, shortest = (f(effort.duration_s for effort in efforts) for f in (max, min))
    if longest < LONG_EFFORT_S:
        found.append(
            f"No effort is as long as {LONG_EFFORT_S / 60:.0f} min: critical power is overstated and W' understated "
            f"(J Sci Med Sport 2018)."
        )
    if longest < SMALLEST_SPREAD * shortest:
        found.append(
            f"The longest effort is only {longest / shortest:.1f} times the shortest: at {SMALLEST_SPREAD:g} times "
            f"and more, critical power and W' are told apart better."
        )
    for effort, miss_w in zip(efforts, fit.miss_w, strict=True):
        if abs(miss_w) > LARGEST_MISS * effort.power_w:
            found.append(
                f"The effort of {effort.duration_s:.0f} s misses the curve by {miss_w:+.0f} W: one of the efforts "
                f"was not maximal, or not ridden fresh."
            )
    for what, estimate, largest in (
        ("Critical power", answer.cp_w, SURE_CP),
        ("W'", answer.w_prime_j, SURE_W_PRIME),
    ):
        if estimate.relative_error is not None and estimate.relative_error > largest:
            found.append(
                f"{what} is uncertain by {100 * estimate.relative_error:.1f} % (standard error); a good test stays "
                f"within {100 * largest:.0f} %."
            )
    return tuple(found)
