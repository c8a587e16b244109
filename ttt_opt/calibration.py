"""What a ride says of drag areas, shelter in the line and wind: a regression on the balance of forces on the road.

Over a stretch of some seconds in one place of the line, what the legs gave beyond rolling, climbing and kinetic energy
went into the air::

    drag area of the rider * (1 - saving of the place * what cross wind leaves of it) * pressure of the air

The pressure depends on a steady wind, two unknowns more. All are found together by least squares, held by priors: the
team file, the plan's drafting and its weather are right to within what is usual. So where the ride says nothing, they
stay, and the standard error tells.

References
----------
Martin et al. 1998, Journal of Applied Biomechanics 14(3), 276-291: the forces. From memory: Liang & Zeger 1986,
Biometrika 73, 13-22: standard errors for rows that are alike within groups (here: the riders at one moment).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from ttt_opt.leaders_ridden import Leaders
from ttt_opt.line_ridden import LineRidden
from ttt_opt.physics import rider_height_wind
from ttt_opt.race import Weather
from ttt_opt.road_balance import Balance
from ttt_opt.team import Rider

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

CELL_S = 20
"""The ride is cut into parts of so many seconds (s)."""
SHORTEST_PART_S = 6
AFTER_CHANGE_S = 4
BACK_ON_WHEEL_S = 4
"""A rider who was moving back counts again so long after he should be on the last wheel (s)."""
COASTING_W = 30.0
LARGEST_ACCELERATION_MPS2 = 0.3
SLOWEST_MPS = 5.0
FEWEST_PARTS = 20
AREA_PRIOR, SAVING_PRIOR, WIND_PRIOR_MPS = 0.15, 0.2, 3.0
"""Standard deviations of what is expected: drag area as a share, saving, wind in each direction at 10 m."""
POWER_ERROR, LEAST_ERROR_N = 0.015, 1.0
ROBUST_FROM = 3.0
"""Rows that miss by more of their errors count less and less."""
LARGEST_AREA_ERROR, GIVEN_WIND_MPS = 0.025, 0.2
"""Where the ride would leave drag areas less sure than this share, as on a course that goes one way, wind and drag
cannot be told apart: the wind is then taken as the plan has it, to within so many m/s."""
TOLD_SHARE = 0.7
"""A figure is found, rather than expected, where its standard error is below this share of the prior's."""


@dataclass(frozen=True)
class Found:
    """A figure from the ride beside the one expected.

    Attributes
    ----------
    value, standard_error, expected : float
    told : bool
        The ride says more of it than was known before.
    """

    value: float
    standard_error: float
    expected: float
    told: bool


@dataclass(frozen=True)
class Calibration:
    """What the ride says for the next race.

    Attributes
    ----------
    cda_m2 : tuple of Found
        Drag area in front, per rider (m2).
    shares : tuple of Found
        Share of the solo drag by place, from the second on; of all wheels together where places are not known.
    wind_north_mps, wind_east_mps : Found
        Where the wind comes from: parts from north and from east at 10 m (m/s).
    wind_speed_mps, wind_from_deg : float
        The same as speed and direction.
    drag_ratio : Found
        Air density times drag area over what the plan has, mean of the riders.
    seconds : float
        Time that counted, all riders together (s).
    scatter : float
        What is not explained, as a share of the force of the air.
    wind_given : bool
        Wind and drag cannot be told apart on this ride; the wind is that of the plan.
    """

    cda_m2: tuple[Found, ...]
    shares: tuple[Found, ...]
    wind_north_mps: Found
    wind_east_mps: Found
    wind_speed_mps: float
    wind_from_deg: float
    drag_ratio: Found
    seconds: float
    scatter: float
    wind_given: bool


@dataclass(frozen=True)
class _Parts:
    """Parts of the ride in one place each, as means."""

    rider: IntArray
    place: IntArray
    cell: IntArray
    seconds: FloatArray
    force_n: FloatArray
    wheel_n: FloatArray
    speed_mps: FloatArray
    heading_rad: FloatArray
    air_density: FloatArray


def calibrate(
    line: LineRidden,
    balance: Balance,
    leaders: Leaders,
    riders: Sequence[Rider],
    shares: FloatArray,
    weather: Weather,
) -> Calibration | None:
    """Drag areas, shares by place and wind from a ride.

    Parameters
    ----------
    line : LineRidden
    balance : Balance
        With the plan's weather.
    leaders : Leaders
    riders : sequence of Rider
        One for each column, as the team file has them.
    shares : ndarray (n_places,)
        Share of the solo drag by place as expected, leader first; of one place, where places are not known at all.
    weather : Weather
        As the plan has it.

    Returns
    -------
    Calibration or None
        ``None`` where too little of the ride can be used.
    """
    parts = _parts(line, balance, leaders, len(shares))
    if len(parts.rider) < FEWEST_PARTS:
        return None
    n_riders, n_savings = len(riders), len(shares) - 1
    area0 = np.array([rider.cda_m2 for rider in riders])
    from_rad = np.radians(weather.wind_from_deg)
    wind0 = weather.wind_speed_mps * np.array([np.cos(from_rad), np.sin(from_rad)])
    expected = np.concatenate([np.zeros(n_riders), 1.0 - shares[1:], wind0])
    prior = np.concatenate(
        [np.full(n_riders, AREA_PRIOR), np.full(n_savings, SAVING_PRIOR), np.full(2, WIND_PRIOR_MPS)]
    )
    values, covariance, rest_n = _solved(parts, area0, float(shares[0]), weather.shelter, expected, prior)
    wind_given = float(np.sqrt(covariance[:n_riders, :n_riders].mean())) > LARGEST_AREA_ERROR
    if wind_given:
        prior[-2:] = GIVEN_WIND_MPS
        values, covariance, rest_n = _solved(parts, area0, float(shares[0]), weather.shelter, expected, prior)
    errors = np.sqrt(np.diag(covariance))
    told = errors < TOLD_SHARE * prior
    told[-2:] &= not wind_given
    ratio = np.exp(values[:n_riders])
    areas = tuple(
        Found(float(area0[i] * ratio[i]), float(area0[i] * ratio[i] * errors[i]), float(area0[i]), bool(told[i]))
        for i in range(n_riders)
    )
    found_shares = tuple(
        Found(float(1.0 - values[k]), float(errors[k]), float(shares[k - n_riders + 1]), bool(told[k]))
        for k in range(n_riders, n_riders + n_savings)
    )
    north, east = (
        Found(float(values[k]), float(errors[k]), float(expected[k]), bool(told[k])) for k in (-2, -1)
    )
    mean_error = float(np.sqrt(covariance[:n_riders, :n_riders].mean()))
    return Calibration(
        cda_m2=areas,
        shares=found_shares,
        wind_north_mps=north,
        wind_east_mps=east,
        wind_speed_mps=float(np.hypot(north.value, east.value)),
        wind_from_deg=float(np.degrees(np.arctan2(east.value, north.value))) % 360.0,
        drag_ratio=Found(float(np.exp(values[:n_riders].mean())), mean_error, 1.0, bool(told[:n_riders].any())),
        seconds=float(parts.seconds.sum()),
        scatter=float(np.sqrt(np.mean(rest_n**2)) / np.mean(parts.force_n)),
        wind_given=wind_given,
    )


def _solved(
    parts: _Parts, area0: FloatArray, front_share: float, shelter: float, expected: FloatArray, prior: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unknowns, their covariance, and the forces that they leave unexplained (N).

    The unknowns are the logarithm of each drag area over that of the team file, the savings by place from the second
    on, and the wind from north and from east.
    """
    n_riders = len(area0)
    error = np.hypot(POWER_ERROR * parts.wheel_n, LEAST_ERROR_N) * np.sqrt(CELL_S / parts.seconds)

    def rest_n(unknowns: FloatArray) -> FloatArray:
        area = area0[parts.rider] * np.exp(unknowns[parts.rider])
        saving = np.append(0.0, unknowns[n_riders:-2])[parts.place]
        pressure = _pressure_with_shelter(parts, unknowns[-2:], shelter, saving)
        return np.asarray(parts.force_n - front_share * area * pressure, dtype=np.float64)

    def misses(unknowns: FloatArray) -> FloatArray:
        return np.concatenate([rest_n(unknowns) / error, (unknowns - expected) / prior])

    solved = least_squares(misses, expected, loss="soft_l1", f_scale=ROBUST_FROM, x_scale=prior)
    values = np.asarray(solved.x, dtype=np.float64)
    return values, _covariance(misses, values, parts.cell, len(parts.rider)), rest_n(values)


def _pressure_with_shelter(parts: _Parts, wind_mps: FloatArray, shelter: float, saving: FloatArray) -> FloatArray:
    """Force of the air per square metre of drag area (Pa), less what the place in the line saves."""
    reaching = float(rider_height_wind(1.0, shelter)) * wind_mps
    cos, sin = np.cos(parts.heading_rad), np.sin(parts.heading_rad)
    along = parts.speed_mps + reaching[0] * cos + reaching[1] * sin
    across = reaching[1] * cos - reaching[0] * sin
    square = np.maximum(along**2 + across**2, 1e-9)
    kept = np.where(along > 0.0, np.maximum((along**2 - across**2) / square, 0.0), 0.0)  # cos(2 yaw)
    pressure: FloatArray = 0.5 * parts.air_density * along * np.abs(along) * (1.0 - saving * kept)
    return pressure


def _parts(line: LineRidden, balance: Balance, leaders: Leaders, n_places: int) -> _Parts:
    """Cut the ride into parts of a rider in one place within one cell of time."""
    steady = np.abs(line.acceleration_mps2) < LARGEST_ACCELERATION_MPS2
    steady &= line.racing & (line.speed_mps > SLOWEST_MPS)
    steady = ~_widened(~steady, 2)
    changed = np.append(False, np.diff(leaders.leader) != 0)
    steady &= ~_widened(changed, AFTER_CHANGE_S)
    power = np.nan_to_num(line.power_w)
    cell = np.arange(len(steady)) // CELL_S
    columns: list[tuple[int, int, int, float, float, float, float, float, float]] = []
    for rider in range(line.power_w.shape[1]):
        pedalling = ~_widened(power[:, rider] < COASTING_W, 1)
        used = steady & balance.known[:, rider] & pedalling & ~_widened(leaders.moving_back[:, rider], BACK_ON_WHEEL_S)
        place = np.zeros(len(used), dtype=np.int64)
        if n_places > 1:
            place = leaders.place[:, rider]
            used &= (place >= 0) & (place < n_places)
        key = np.where(used, cell * (n_places + 1) + place, -1)
        edges = np.append(np.flatnonzero(np.diff(key, prepend=-2)), len(key))
        for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            if key[begin] < 0 or end - begin < SHORTEST_PART_S:
                continue
            rows = slice(begin, end)
            # a mean of squares is not the square of a mean: correct the force for the spread of speed in the part
            speed = float(balance.speed_mps[rows].mean())
            spread = float(np.mean(balance.speed_mps[rows] ** 2)) / speed**2
            force = float((balance.wheel_n[rows, rider] - balance.other_n[rows, rider]).mean())
            columns.append(
                (
                    rider,
                    int(place[begin]),
                    int(cell[begin]),
                    float(end - begin),
                    force / spread,
                    float(balance.wheel_n[rows, rider].mean()),
                    speed,
                    float(balance.heading_rad[rows].mean()),
                    float(balance.air_density[rows].mean()),
                )
            )
    table = np.array(columns, dtype=np.float64).reshape(-1, 9)
    whole = table[:, :3].astype(np.int64)
    return _Parts(whole[:, 0], whole[:, 1], whole[:, 2], *table[:, 3:].T)


def _widened(mask: BoolArray, by: int) -> BoolArray:
    """A mask that holds also for so many seconds before and after."""
    held = np.convolve(mask.astype(np.int64), np.ones(2 * by + 1, dtype=np.int64), mode="same")
    return np.asarray(held > 0)


def _covariance(
    misses: Callable[[FloatArray], FloatArray], values: FloatArray, cell: IntArray, n_rows: int
) -> FloatArray:
    """Covariance of the unknowns, for rows that are alike within a cell of time and its neighbour."""
    step = 1e-4
    columns = [
        (misses(values + step * unit) - misses(values - step * unit)) / (2.0 * step) for unit in np.eye(len(values))
    ]
    jacobian = np.column_stack(columns)
    rest = misses(values)
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    weight = 1.0 / np.sqrt(1.0 + (rest[:n_rows] / ROBUST_FROM) ** 2)  # of soft_l1
    scores = jacobian[:n_rows] * (rest[:n_rows] * weight)[:, np.newaxis]
    group = cell // 3
    summed = np.zeros((int(group.max()) + 1, len(values)))
    np.add.at(summed, group, scores)
    middle = summed.T @ summed + jacobian[n_rows:].T @ jacobian[n_rows:]
    return np.asarray(inverse @ middle @ inverse, dtype=np.float64)
