"""The forces on each rider of a recorded line, second by second: what the legs gave, and what road and air took.

All riders who are with the line share its speed, its acceleration and the road under it, so that errors of these are
common to all, while the shelter of each is his own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.course import Course
from ttt_opt.drafting import sheltered_share
from ttt_opt.line_ridden import LineRidden
from ttt_opt.physics import (
    DRIVETRAIN_EFFICIENCY,
    aero_force,
    kinetic_mass,
    road_load_power,
    yaw_angle,
)
from ttt_opt.race import Weather
from ttt_opt.ride import road_conditions
from ttt_opt.team import Rider

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SLOWEST_MPS = 3.0
"""Below this speed forces say nothing (m/s)."""
POWER_OVER_S = 3
"""Power is averaged over so many seconds: meters and speed do not agree on the second."""


@dataclass(frozen=True)
class Balance:
    """Forces on each rider, one row a second.

    Attributes
    ----------
    known : ndarray (n_seconds, n_riders) of bool
        Power is recorded, the rider is with the line, and it is not too slow.
    wheel_n : ndarray (n_seconds, n_riders)
        What the legs gave at the wheel (N); 0 where not known.
    other_n : ndarray (n_seconds, n_riders)
        What rolling, bearings, wheel rotation, climbing and acceleration took (N).
    pressure_pa : ndarray (n_seconds,)
        Force of the air on each square metre of drag area (Pa).
    kept : ndarray (n_seconds,)
        Share of the saving in still air that the cross wind leaves.
    speed_mps, headwind_mps, air_density : ndarray (n_seconds,)
    heading_rad : ndarray (n_seconds,)
    mass_kg : ndarray (n_riders,)
        That resists acceleration.
    """

    known: BoolArray
    wheel_n: FloatArray
    other_n: FloatArray
    pressure_pa: FloatArray
    kept: FloatArray
    speed_mps: FloatArray
    headwind_mps: FloatArray
    air_density: FloatArray
    heading_rad: FloatArray
    mass_kg: FloatArray


def balance_of(course: Course, weather: Weather, crr: float, riders: Sequence[Rider], line: LineRidden) -> Balance:
    """The forces on the riders of a line.

    Parameters
    ----------
    course : Course
        Gradient and direction are its own: recorded elevations are noisier.
    weather : Weather
    crr : float
    riders : sequence of Rider
        One for each column of the line.
    line : LineRidden
    """
    at = np.clip(line.line_m, 0.0, course.length_m)
    grade = _sampled(at, course, np.append(course.grade, course.grade[-1]))
    heading = np.interp(at, course.distance_m, np.unwrap(np.radians(course.heading_deg)))
    rise = np.interp(at, course.distance_m, course.elevation_m - course.elevation_m[0])
    air = road_conditions(rise, np.degrees(heading) % 360.0, weather)
    speed = np.maximum(line.speed_mps, SLOWEST_MPS)
    mass = np.array([rider.total_mass_kg for rider in riders])
    resisting = np.asarray(kinetic_mass(mass), dtype=np.float64)
    without_air_w = road_load_power(
        speed[:, np.newaxis],
        mass_kg=mass,
        drag_area_m2=0.0,
        grade=grade[:, np.newaxis],
        headwind_mps=air.headwind_mps[:, np.newaxis],
        air_density=air.air_density[:, np.newaxis],
        crr=crr,
        efficiency=1.0,
    )
    known = np.isfinite(line.power_w) & line.with_line & (line.speed_mps > SLOWEST_MPS)[:, np.newaxis]
    power = _running_mean(line.power_w)
    yaw = yaw_angle(speed, air.headwind_mps, air.crosswind_mps)
    return Balance(
        known=known & np.isfinite(power),
        wheel_n=np.nan_to_num(power) * DRIVETRAIN_EFFICIENCY / speed[:, np.newaxis],
        other_n=without_air_w / speed[:, np.newaxis] + resisting * line.acceleration_mps2[:, np.newaxis],
        pressure_pa=np.asarray(aero_force(speed, air.headwind_mps, 1.0, air.air_density), dtype=np.float64),
        kept=1.0 - np.asarray(sheltered_share(0.0, yaw), dtype=np.float64),
        speed_mps=speed,
        headwind_mps=air.headwind_mps,
        air_density=air.air_density,
        heading_rad=heading,
        mass_kg=resisting,
    )


def _sampled(at_m: FloatArray, course: Course, values: FloatArray) -> FloatArray:
    """Values of the intervals between samples at places."""
    step_m = float(course.distance_m[1])
    return values[np.clip((at_m / step_m).astype(np.intp), 0, len(values) - 1)]


def _running_mean(values: FloatArray) -> FloatArray:
    """Mean over a few seconds around each, of those that are known."""
    half = POWER_OVER_S // 2
    rows = [np.roll(values, shift, axis=0) for shift in range(-half, half + 1)]
    stacked = np.array(rows)
    count = np.isfinite(stacked).sum(axis=0)
    total = np.nansum(stacked, axis=0)
    mean: FloatArray = np.divide(total, count, out=np.full_like(values, np.nan), where=count > 0)
    return mean
