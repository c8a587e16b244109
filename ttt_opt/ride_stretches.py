"""The stretches of a recorded ride on which drag can be measured, and the forces on each.

Over a stretch of some 30 s the work at the wheel is spent on air, rolling, bearings, climbing and kinetic
energy (Martin et al. 1998, :mod:`ttt_opt.physics`). Stretches rather than single samples, because differences
of speed and elevation from one second to the next are mostly noise, while over a stretch only those at its two
ends count.

What counts and what does not (bounds are common practice, no source)
---------------------------------------------------------------------
- The power of a sample is the mean since the one before. Speed is averaged over 5 s, elevation smoothed as
  that of a course is (wavelength 300 m).
- Left out, with 2 s on either side: power or speed not recorded, or more than 5 s without a sample; riding
  slower than 4 m/s; coasting, power below 20 W, since brakes leave no trace; braking and jumps, speed that
  falls by more than 0.5 m/s2 beyond what a rise explains, or grows by more beyond what a descent does;
  cornering, more than 1.0 m/s2 across.
- What remains is cut into stretches of 30 s or a little more; shorter remainders are left out.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

from ttt_opt.course import STEP_M, smooth_elevation
from ttt_opt.physics import (
    DRIVETRAIN_EFFICIENCY,
    GRAVITY_MPS2,
    aero_force,
    kinetic_mass,
    rider_height_wind,
    road_load_power,
)
from ttt_opt.race import Weather
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.ride import road_conditions
from ttt_opt.team import Rider

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ASSUMED_RIDER_KG = 75.0

SPEED_SMOOTHING_S = 5.0
SLOWEST_MPS = 4.0
COASTING_W = 20.0
LARGEST_CHANGE_MPS2 = 0.5
LARGEST_ACROSS_MPS2 = 1.0
HEADING_OVER_S = 6.0
LONGEST_GAP_S = 5.0
LONGEST_STEP_M = 1000.0
"""What lies between two samples counts as no longer: a gap in the recording is no road whose profile matters."""
LONGEST_RIDE_M = 2e6
GUARD_S = 2.0
STRETCH_S = 30.0

_WGS84 = Geod(ellps="WGS84")


@dataclass(frozen=True)
class Assumptions:
    """What the recording does not tell.

    Attributes
    ----------
    mass_kg : float
        Rider, clothing, bicycle and bottles (kg); by default 75 kg and the bicycle of a team file.
    weather : Weather
        During the ride, pressure at its start; the wind is that of a forecast, at 10 m.
    air_density : float or None
        (kg/m3); ``None``: from the weather.
    crr : float
        Coefficient of rolling resistance where the ride cannot tell it.
    efficiency : float
        Power at the wheel over power measured: 0.976 for a meter in the cranks, 1 for one in the hub.
    power_scale : float
        True power over power shown.

    Raises
    ------
    ValueError
        A value that is not finite and positive. The text begins with the field.
    """

    mass_kg: float = ASSUMED_RIDER_KG + Rider.bicycle_mass_kg
    weather: Weather = field(default_factory=Weather)
    air_density: float | None = None
    crr: float = 0.004
    efficiency: float = DRIVETRAIN_EFFICIENCY
    power_scale: float = 1.0

    def __post_init__(self) -> None:
        for key in ("mass_kg", "air_density", "crr", "efficiency", "power_scale"):
            value = getattr(self, key)
            if value is not None and not 0.0 < value < math.inf:
                raise ValueError(f"{key}: {value} is not finite and positive")


@dataclass(frozen=True)
class Stretches:
    """The stretches of a ride that count, as means over each.

    Attributes
    ----------
    force_n : ndarray (n_stretches,)
        What air and rolling took (N).
    dynamic_pressure_pa : ndarray (n_stretches,)
        Force of the air on each square metre of drag area (Pa).
    normal_force_n : ndarray (n_stretches,)
        Rolling resistance over its coefficient (N).
    wind_gain : ndarray (n_stretches, 2)
        Change of the dynamic pressure for each m/s of wind from north, and from east, at 10 m (Pa s/m).
    speed_mps, air_density : ndarray (n_stretches,)
        (m/s), (kg/m3).
    used_s : float
        Time on all of them (s).
    left_out_s : dict of str to float
        Time left out, by the first reason that applies (s).
    """

    force_n: FloatArray
    dynamic_pressure_pa: FloatArray
    normal_force_n: FloatArray
    wind_gain: FloatArray
    speed_mps: FloatArray
    air_density: FloatArray
    used_s: float
    left_out_s: dict[str, float]

    def __post_init__(self) -> None:
        for key in ("dynamic_pressure_pa", "normal_force_n", "speed_mps", "air_density"):
            if getattr(self, key).shape != self.force_n.shape:
                raise ValueError(f"{key} must have one value per stretch ({len(self.force_n)})")
        if self.wind_gain.shape != (len(self.force_n), 2):
            raise ValueError(f"wind_gain must have two values per stretch ({len(self.force_n)})")

    def __len__(self) -> int:
        return len(self.force_n)


@dataclass(frozen=True)
class _Motion:
    """A ride smoothed: at its samples, and on the steps between them.

    Attributes
    ----------
    step_s, length_m, grade, heading_deg, rise_m : ndarray (n_samples - 1,)
        Duration (s), length (m), rise over length, direction (degrees) and height above the start (m) of each
        step; 0 where speed was not recorded.
    speed_mps, change_mps2, across_mps2 : ndarray (n_samples,)
        Speed (m/s), how fast it falls or grows beyond what rise or descent explain, and acceleration across
        (m/s2).
    """

    step_s: FloatArray
    length_m: FloatArray
    grade: FloatArray
    heading_deg: FloatArray
    rise_m: FloatArray
    speed_mps: FloatArray
    change_mps2: FloatArray
    across_mps2: FloatArray


def cut_into_stretches(ride: RecordedRide, assumptions: Assumptions) -> Stretches:
    """The stretches of a ride that count, with the forces on each.

    Parameters
    ----------
    ride : RecordedRide
    assumptions : Assumptions

    Raises
    ------
    ValueError
        Wind without places that would tell which way the ride went, or a ride of more than 2,000 km.
    """
    if assumptions.weather.wind_speed_mps > 0.0 and ride.latitude_deg is None:
        raise ValueError("there is a wind, but no latitude and longitude to tell which way the ride went")
    motion = _motion(ride)
    reasons = _left_out(ride, motion)
    used = ~np.any(list(reasons.values()), axis=0)
    bounds = _bounds(motion.step_s, used[1:] & used[:-1])
    air = road_conditions(motion.rise_m, motion.heading_deg, assumptions.weather)
    density = air.air_density
    if assumptions.air_density is not None:
        density = np.full_like(density, assumptions.air_density)

    def work_j(drag_area_m2: float, crr: float) -> FloatArray:
        power_w = road_load_power(
            motion.length_m / motion.step_s,
            mass_kg=assumptions.mass_kg,
            drag_area_m2=drag_area_m2,
            grade=motion.grade,
            headwind_mps=air.headwind_mps,
            air_density=density,
            crr=crr,
            efficiency=1.0,
        )
        return np.asarray(power_w * motion.step_s, dtype=np.float64)

    known_j = work_j(0.0, 0.0)
    kinetic_j = 0.5 * float(kinetic_mass(assumptions.mass_kg)) * np.diff(motion.speed_mps**2)
    shown_w = np.nan_to_num(ride.power_w[1:])
    wheel_j = shown_w * assumptions.power_scale * assumptions.efficiency * motion.step_s

    speed_mps, wind_mps = motion.length_m / motion.step_s, air.headwind_mps
    per_wind = aero_force(speed_mps, wind_mps + 0.5, 1.0, density) - aero_force(
        speed_mps, wind_mps - 0.5, 1.0, density
    )
    per_wind *= motion.length_m * rider_height_wind(1.0, assumptions.weather.shelter)
    heading = np.radians(motion.heading_deg)

    def over(values: FloatArray) -> FloatArray:
        return np.array([float(values[start:end].sum()) for start, end in bounds])

    length_m, duration_s = over(motion.length_m), over(motion.step_s)
    return Stretches(
        force_n=over(wheel_j - known_j - kinetic_j) / length_m,
        dynamic_pressure_pa=over(work_j(1.0, 0.0) - known_j) / length_m,
        normal_force_n=over(work_j(0.0, 1.0) - known_j) / length_m,
        wind_gain=np.column_stack((over(per_wind * np.cos(heading)), over(per_wind * np.sin(heading))))
        / length_m[:, np.newaxis],
        speed_mps=length_m / duration_s,
        air_density=over(density * motion.step_s) / duration_s,
        used_s=float(duration_s.sum()),
        left_out_s=_left_out_s(motion.step_s, reasons, float(duration_s.sum())),
    )


def _motion(ride: RecordedRide) -> _Motion:
    time = ride.time_s
    step_s = np.diff(time)
    speed = _running_mean(time, _filled(time, ride.speed_mps), SPEED_SMOOTHING_S)
    length_m = np.minimum(0.5 * (speed[1:] + speed[:-1]) * step_s, LONGEST_STEP_M)
    distance_m = np.append(0.0, np.cumsum(length_m))
    if distance_m[-1] > LONGEST_RIDE_M:
        raise ValueError(
            f"the ride is {distance_m[-1] / 1000:.0f} km long; allowed: {LONGEST_RIDE_M / 1000:.0f} km"
        )
    elevation_m = _elevation(ride, distance_m)
    rise_m = np.diff(elevation_m)
    grade = np.divide(rise_m, length_m, out=np.zeros_like(rise_m), where=length_m > 0.0)
    heading_deg, turning_per_s = _heading(ride)
    pull_mps2 = GRAVITY_MPS2 * np.sin(np.arctan(np.interp(time, 0.5 * (time[1:] + time[:-1]), grade)))
    acceleration = np.gradient(speed, time)
    return _Motion(
        step_s=step_s,
        length_m=length_m,
        grade=grade,
        heading_deg=heading_deg[1:],
        rise_m=0.5 * (elevation_m[1:] + elevation_m[:-1]) - elevation_m[0],
        speed_mps=speed,
        change_mps2=np.maximum(
            -acceleration - np.maximum(pull_mps2, 0.0), acceleration + np.minimum(pull_mps2, 0.0)
        ),
        across_mps2=np.abs(turning_per_s) * speed,
    )


def _filled(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Values with those that were not recorded interpolated; 0 where none were."""
    known = np.isfinite(values)
    return np.interp(time_s, time_s[known], values[known]) if known.any() else np.zeros_like(values)


def _running_mean(time_s: FloatArray, values: FloatArray, over_s: float) -> FloatArray:
    """Mean over a time around each sample, at most as wide as the ends of the ride leave it."""
    integral = np.append(0.0, np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time_s)))
    half = np.minimum(0.5 * over_s, np.minimum(time_s - time_s[0], time_s[-1] - time_s))
    inner = half > 0.0
    mean = values.copy()
    window = np.interp(time_s + half, time_s, integral) - np.interp(time_s - half, time_s, integral)
    mean[inner] = window[inner] / (2.0 * half[inner])
    return mean


def _elevation(ride: RecordedRide, distance_m: FloatArray) -> FloatArray:
    """Elevation smoothed along the road (m); level where it was not recorded."""
    n_steps = int(distance_m[-1] / STEP_M)
    if ride.elevation_m is None or n_steps < 4:
        return np.zeros_like(distance_m)
    along_m = np.linspace(0.0, distance_m[-1], n_steps + 1)
    raw = np.interp(along_m, distance_m, _filled(ride.time_s, ride.elevation_m))
    return np.interp(distance_m, along_m, smooth_elevation(raw, float(along_m[1])))


def _heading(ride: RecordedRide) -> tuple[FloatArray, FloatArray]:
    """Direction of travel (degrees) and how fast it turns (rad/s) at each sample; north where unknown."""
    time = ride.time_s
    if ride.latitude_deg is None or ride.longitude_deg is None:
        return np.zeros_like(time), np.zeros_like(time)
    latitude = _filled(time, ride.latitude_deg)
    known = np.isfinite(ride.longitude_deg)
    longitude = np.interp(time, time[known], np.unwrap(ride.longitude_deg[known], period=360.0))
    before, after = time - 0.5 * HEADING_OVER_S, time + 0.5 * HEADING_OVER_S
    azimuth_deg, _, _ = _WGS84.inv(
        np.interp(before, time, longitude),
        np.interp(before, time, latitude),
        np.interp(after, time, longitude),
        np.interp(after, time, latitude),
    )
    azimuth = np.unwrap(np.radians(azimuth_deg))
    turned = np.interp(after, time, azimuth) - np.interp(before, time, azimuth)
    return np.degrees(azimuth) % 360.0, turned / HEADING_OVER_S


def _left_out(ride: RecordedRide, motion: _Motion) -> dict[str, BoolArray]:
    """Samples that do not count, by reason, in the order in which reasons are told."""
    time = ride.time_s
    slow = motion.speed_mps < SLOWEST_MPS
    gap = motion.step_s > LONGEST_GAP_S
    missing = ~np.isfinite(ride.power_w) | ~np.isfinite(ride.speed_mps)
    missing |= np.append(gap, False) | np.append(False, gap)
    reasons = {
        "not recorded": missing,
        "slower than 14 km/h": slow,
        "coasting": np.nan_to_num(ride.power_w) < COASTING_W,
        "braking or jumping": motion.change_mps2 > LARGEST_CHANGE_MPS2,
        "cornering": (motion.across_mps2 > LARGEST_ACROSS_MPS2) & ~slow,
    }
    return {reason: _widened(time, mask, GUARD_S) for reason, mask in reasons.items()}


def _widened(time_s: FloatArray, mask: BoolArray, by_s: float) -> BoolArray:
    """A mask that holds also for so long before and after."""
    if not mask.any():
        return mask
    there = time_s[mask]
    following = np.minimum(np.searchsorted(there, time_s), len(there) - 1)
    nearest = np.minimum(
        np.abs(there[following] - time_s), np.abs(time_s - there[np.maximum(following - 1, 0)])
    )
    return np.asarray(nearest <= by_s)


def _bounds(step_s: FloatArray, used: BoolArray) -> list[tuple[int, int]]:
    """First and end step of each stretch: runs of used steps cut into equal parts of 30 s and more."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], used, [False])).astype(np.int8)))
    time = np.append(0.0, np.cumsum(step_s))
    bounds: list[tuple[int, int]] = []
    for first, end in edges.reshape(-1, 2).tolist():
        parts = int((time[end] - time[first]) / STRETCH_S + 1e-9)
        if parts:
            cuts = np.searchsorted(time, np.linspace(time[first], time[end], parts + 1) - 1e-9).tolist()
            bounds.extend(itertools.pairwise(cuts))
    return [(start, end) for start, end in bounds if end > start]


def _left_out_s(step_s: FloatArray, reasons: dict[str, BoolArray], used_s: float) -> dict[str, float]:
    """Time left out (s) by the first reason that applies to either end of a step."""
    counted: BoolArray = np.zeros(len(step_s), dtype=bool)
    result = {}
    for reason, mask in reasons.items():
        steps = (mask[1:] | mask[:-1]) & ~counted
        result[reason] = float(step_s[steps].sum())
        counted |= steps
    result["in between, too short"] = max(float(step_s.sum()) - used_s - sum(result.values()), 0.0)
    return result
