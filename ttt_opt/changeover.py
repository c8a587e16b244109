"""Swinging off: the way from the front of the line to the last wheel, and what it costs.

The leader leaves the line, lets his speed sink below the line's, drifts back along it in the wind and
comes back up to the line's speed on the last wheel. Measured from the road, the rider who takes over is
one bicycle and one gap further back: the front of the line loses that distance with every changeover
(:func:`time_lost`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.physics import crank_power, kinetic_mass, road_load_power

FloatArray = NDArray[np.float64]
FloatLike = float | FloatArray

BICYCLE_LENGTH_M = 1.7
DRIFT_SPEED_MPS = 1.0
RAMP_S = 2.0
_STEPS_PER_RAMP = 20


@dataclass(frozen=True)
class Manoeuvre:
    """A rider's way from the front to the last wheel, relative to the line.

    Attributes
    ----------
    n_riders : int
        Riders in the line, the one who swings off included.
    wheel_gap_m : float
        Gap between wheels (m).
    drift_speed_mps : float
        Speed below that of the line between the two ramps (m/s).
    ramp_s : float
        Time in which that difference builds up, and again in which it vanishes, at constant acceleration (s).

    Raises
    ------
    ValueError
        If there is nobody to take over, or the line is too short for the two ramps.

    Notes
    -----
    1 m/s and 2 s are common practice, no source.
    """

    n_riders: int
    wheel_gap_m: float
    drift_speed_mps: float = DRIFT_SPEED_MPS
    ramp_s: float = RAMP_S

    def __post_init__(self) -> None:
        if self.n_riders < 2:
            raise ValueError(f"n_riders {self.n_riders}: swinging off needs a line of at least 2")
        if not (self.wheel_gap_m >= 0.0 and self.drift_speed_mps > 0.0 and self.ramp_s > 0.0):
            raise ValueError("wheel_gap_m must be 0 or above, drift_speed_mps and ramp_s above 0")
        if self.distance_m < self.drift_speed_mps * self.ramp_s:
            raise ValueError("the two ramps are longer than the way to the last wheel")

    @property
    def distance_m(self) -> float:
        """Way back relative to the line (m): past the other riders and on to the last wheel."""
        return self.n_riders * (BICYCLE_LENGTH_M + self.wheel_gap_m)

    @property
    def duration_s(self) -> float:
        """From swinging off to being on the last wheel (s)."""
        return self.distance_m / self.drift_speed_mps + self.ramp_s

    def relative_speed(self, time_s: FloatLike) -> FloatArray:
        """Speed below that of the line (m/s) at times since swinging off (s); 0 before and after."""
        corners_s = [0.0, self.ramp_s, self.duration_s - self.ramp_s, self.duration_s]
        speeds = [0.0, self.drift_speed_mps, self.drift_speed_mps, 0.0]
        return np.asarray(np.interp(time_s, corners_s, speeds), dtype=np.float64)[()]

    def relative_acceleration(self, time_s: FloatLike) -> FloatArray:
        """Rate of change of :meth:`relative_speed` (m/s2): above 0 while the rider falls behind faster."""
        time = np.asarray(time_s, dtype=np.float64)
        rate = self.drift_speed_mps / self.ramp_s
        slowing = (time >= 0.0) & (time < self.ramp_s)
        catching_up = (time >= self.duration_s - self.ramp_s) & (time < self.duration_s)
        acceleration: FloatArray = rate * (slowing.astype(np.float64) - catching_up.astype(np.float64))
        return acceleration


def manoeuvre(n_riders: int, wheel_gap_m: float) -> Manoeuvre:
    """The swing-off of a line of that length, with the usual drift speed and ramps."""
    return Manoeuvre(n_riders, wheel_gap_m)


def time_lost(line_speed_mps: FloatLike, wheel_gap_m: float) -> FloatArray:
    """Time the line loses with one changeover (s), because the new leader starts one place further back.

    Over a full turn of n riders everybody has drifted back n places once, so whoever's time counts, each
    changeover costs a bicycle length and a gap: 0.15 s at 54 km/h.
    """
    lost: FloatArray = (BICYCLE_LENGTH_M + wheel_gap_m) / np.asarray(line_speed_mps, dtype=np.float64)
    return lost


def changeover_work(
    line_speed_mps: FloatLike,
    *,
    mass_kg: FloatLike,
    cda_m2: FloatLike,
    last_wheel_share: FloatLike,
    grade: FloatLike,
    headwind_mps: FloatLike,
    air_density: FloatLike,
    crr: FloatLike,
    n_riders: int,
    wheel_gap_m: float,
) -> FloatArray:
    """Work at the crank that swinging off costs, above sitting on the last wheel over the same road (J).

    Parameters
    ----------
    line_speed_mps : float or ndarray
        Speed of the line (m/s), above the drift speed of 1 m/s.
    mass_kg, cda_m2 : float or ndarray
        Rider with bicycle (kg); drag area alone (m2).
    last_wheel_share : float or ndarray
        Share of the solo drag on the last wheel.
    grade, headwind_mps, air_density, crr : float or ndarray
        As for :func:`ttt_opt.physics.road_load_power`.
    n_riders : int
        Riders in the line, the one who swings off included.
    wheel_gap_m : float
        Gap between wheels (m).

    Returns
    -------
    ndarray
        Shape of the broadcast inputs (J).

    Raises
    ------
    ValueError
        If a speed is not above the drift speed.

    Notes
    -----
    The rider is taken to be unsheltered until he is on the last wheel. He may stop pedalling, not pedal
    backwards: power below zero counts as 0, moment by moment. The comparison is per distance, not per
    time, because a plan charges every rider the whole road: a rider who drifts back covers ``distance_m``
    less road in the same time, and per time a climb would seem to pay for each changeover. The time that
    goes with it is :func:`time_lost`.
    """
    inputs = (line_speed_mps, mass_kg, cda_m2, last_wheel_share, grade, headwind_mps, air_density, crr)
    speed, mass, cda, share, slope, wind, density, rolling = (
        np.asarray(value, dtype=np.float64)[..., np.newaxis] for value in inputs
    )
    way = manoeuvre(n_riders, wheel_gap_m)
    if not np.all(speed > way.drift_speed_mps):
        raise ValueError(f"line_speed_mps must be above the drift speed of {way.drift_speed_mps} m/s")
    ramp = np.linspace(0.0, way.ramp_s, _STEPS_PER_RAMP + 1)
    edges = np.concatenate([ramp, way.duration_s - ramp[::-1]])  # the steady part between them is one step
    middle = 0.5 * (edges[1:] + edges[:-1])
    own_speed = speed - way.relative_speed(middle)
    at_wheel = road_load_power(
        own_speed, mass_kg=mass, drag_area_m2=cda, grade=slope, headwind_mps=wind, air_density=density,
        crr=rolling, efficiency=1.0,
    ) - kinetic_mass(mass) * own_speed * way.relative_acceleration(middle)  # fmt: skip
    drifting = np.sum(np.maximum(crank_power(at_wheel), 0.0) * np.diff(edges), axis=-1)
    on_wheel = road_load_power(
        speed, mass_kg=mass, drag_area_m2=cda * share, grade=slope, headwind_mps=wind,
        air_density=density, crr=rolling,
    )  # fmt: skip
    same_road_s = way.duration_s - way.distance_m / speed
    extra: FloatArray = drifting - (np.maximum(on_wheel, 0.0) * same_road_s)[..., 0]
    return extra
