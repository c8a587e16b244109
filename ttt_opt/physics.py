"""Road-cycling physics: air, wind, road load, change of kinetic energy, bends and braking.

Every function takes floats or broadcastable arrays and returns an array of the broadcast shape (a numpy
scalar for scalar input). Units are SI; angles are degrees; a wind direction is where the wind comes from.

References
----------
Martin, Milliken, Cobb, McFadden & Coggan 1998, "Validation of a mathematical model for road cycling
power", Journal of Applied Biomechanics 14(3), 276-291: power equation and its constants (worked example
of the appendix, transcribed at second hand). Picard, Davis, Gläser & Fujii 2008, "Revised formula for the
density of moist air (CIPM-2007)", Metrologia 45, 149-155.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
FloatLike = float | FloatArray

GRAVITY_MPS2 = 9.80665
WHEEL_ROTATION_DRAG_AREA_M2 = 0.0044
DRIVETRAIN_EFFICIENCY = 0.976
WHEEL_INERTIA_KGM2 = 0.14
WHEEL_RADIUS_M = 0.311

LAPSE_RATE_K_PER_M = 0.0065
ZERO_CELSIUS_K = 273.15
BAROMETRIC_EXPONENT = 5.25588
"""Gravity times molar mass of air over gas constant times lapse rate (standard atmosphere, ISO 2533)."""

FORECAST_HEIGHT_M = 10.0
RIDER_HEIGHT_M = 1.0
ROUGHNESS_LENGTH_M = 0.03

LATERAL_ACCELERATION_DRY_MPS2 = 3.5
LATERAL_ACCELERATION_WET_MPS2 = 2.0
BRAKING_DRY_MPS2 = 2.0
BRAKING_WET_MPS2 = 1.2

_MAX_DOUBLINGS = 40
_BISECTIONS = 60


def air_density(temperature_c: FloatLike, pressure_pa: FloatLike, humidity: FloatLike) -> FloatArray:
    """Density of moist air by CIPM-2007 (kg/m3).

    Parameters
    ----------
    temperature_c : float or ndarray
        Air temperature (°C).
    pressure_pa : float or ndarray
        Static pressure (Pa), above zero; not reduced to sea level.
    humidity : float or ndarray
        Relative humidity, 0 to 1.

    Raises
    ------
    ValueError
        If a humidity lies outside 0 to 1 or a pressure is not above zero.

    Notes
    -----
    The formula is certified for 15 to 27 °C and 600 to 1100 hPa; at the temperatures at which people race
    it stays within 0.01 % of reference moist air. The share of CO2 is fixed at 400 parts per million.

    References
    ----------
    Picard et al. 2008, equations 1 and A1.1 to A1.4 (coefficients transcribed at second hand).
    """
    t_c = np.asarray(temperature_c, dtype=np.float64)
    p = np.asarray(pressure_pa, dtype=np.float64)
    h = np.asarray(humidity, dtype=np.float64)
    if np.any((h < 0.0) | (h > 1.0)):
        raise ValueError("humidity must lie between 0 and 1")
    if np.any(p <= 0.0):
        raise ValueError("pressure_pa must be above 0")
    t_k = t_c + ZERO_CELSIUS_K
    saturation_pa = np.exp(1.2378847e-5 * t_k**2 - 1.9121316e-2 * t_k + 33.93711047 - 6.3431645e3 / t_k)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t_c**2
    vapour = h * enhancement * saturation_pa / p
    compressibility = (
        1.0
        - (p / t_k)
        * (
            1.58123e-6
            - 2.9331e-8 * t_c
            + 1.1043e-10 * t_c**2
            + (5.707e-6 - 2.051e-8 * t_c) * vapour
            + (1.9898e-4 - 2.376e-6 * t_c) * vapour**2
        )
        + (p / t_k) ** 2 * (1.83e-11 - 0.765e-8 * vapour**2)
    )
    molar_dry, molar_water, gas_constant = 28.96546e-3, 18.01528e-3, 8.314472
    density: FloatArray = (
        p
        * molar_dry
        / (compressibility * gas_constant * t_k)
        * (1.0 - vapour * (1.0 - molar_water / molar_dry))
    )
    return density


def pressure_at(pressure_pa: FloatLike, rise_m: FloatLike, temperature_c: FloatLike) -> FloatArray:
    """Pressure at a height above (or below) the point where it is known (Pa).

    Parameters
    ----------
    pressure_pa : float or ndarray
        Pressure at the start of the course (Pa), not reduced to sea level.
    rise_m : float or ndarray
        Height above the start (m); negative below it.
    temperature_c : float or ndarray
        Air temperature at the start (°C).

    Raises
    ------
    ValueError
        If the rise is so large (above 11 km) that the troposphere's formula does not hold.

    Notes
    -----
    Barometric formula with the standard lapse rate of 6.5 K/km between start and point. With 15 °C and
    101 325 Pa it is the standard atmosphere.
    """
    rise = np.asarray(rise_m, dtype=np.float64)
    if np.any(np.abs(rise) > 11_000.0):
        raise ValueError("rise_m must lie within 11 000 m of the start")
    base_k = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
    pressure: FloatArray = pressure_pa * (1.0 - LAPSE_RATE_K_PER_M * rise / base_k) ** BAROMETRIC_EXPONENT
    return pressure


def air_density_at(
    temperature_c: FloatLike, pressure_pa: FloatLike, humidity: FloatLike, rise_m: FloatLike
) -> FloatArray:
    """Air density at a height above the start of the course (kg/m3).

    Pressure falls by :func:`pressure_at`, temperature by the standard 6.5 K/km, and relative humidity
    stays that of the start. Leaving out the fall of temperature would overstate the gain in thin air by a
    fifth.

    Parameters
    ----------
    temperature_c, pressure_pa, humidity : float or ndarray
        At the start of the course (°C, Pa, 0 to 1).
    rise_m : float or ndarray
        Height above the start (m).
    """
    local_c = np.asarray(temperature_c, dtype=np.float64) - LAPSE_RATE_K_PER_M * np.asarray(rise_m)
    return air_density(local_c, pressure_at(pressure_pa, rise_m, temperature_c), humidity)


def rider_height_wind(wind_speed_10m_mps: FloatLike, shelter: FloatLike) -> FloatArray:
    """Wind speed that reaches a rider, from the forecast's 10 m figure (m/s).

    Parameters
    ----------
    wind_speed_10m_mps : float or ndarray
        Wind speed at 10 m above open ground (m/s).
    shelter : float or ndarray
        Share of the wind at rider height that hedges and houses let through.

    Notes
    -----
    Logarithmic profile over open grassland, roughness length 0.03 m (Davenport class "open" of the World
    Meteorological Organization's guide No. 8, from memory), to 1 m above the road: 0.604 of the 10 m
    figure. Over the course of an hour the true share varies with the land between about 0.5 and 0.75,
    which ``shelter`` absorbs.
    """
    profile = np.log(RIDER_HEIGHT_M / ROUGHNESS_LENGTH_M) / np.log(FORECAST_HEIGHT_M / ROUGHNESS_LENGTH_M)
    wind: FloatArray = np.asarray(wind_speed_10m_mps, dtype=np.float64) * profile * shelter
    return wind


def wind_components(
    wind_speed_mps: FloatLike, wind_from_deg: FloatLike, heading_deg: FloatLike
) -> tuple[FloatArray, FloatArray]:
    """Head wind and cross wind on a road (m/s).

    Parameters
    ----------
    wind_speed_mps : float or ndarray
        Wind speed at rider height (m/s).
    wind_from_deg : float or ndarray
        Where the wind comes from (degrees clockwise from north).
    heading_deg : float or ndarray
        Riding direction (degrees clockwise from north).

    Returns
    -------
    headwind_mps : ndarray
        Above 0 against the rider, below 0 a tail wind.
    crosswind_mps : ndarray
        Above 0 from the rider's right.
    """
    angle = np.radians(np.asarray(wind_from_deg, dtype=np.float64) - heading_deg)
    headwind: FloatArray = wind_speed_mps * np.cos(angle)
    crosswind: FloatArray = wind_speed_mps * np.sin(angle)
    return headwind, crosswind


def yaw_angle(speed_mps: FloatLike, headwind_mps: FloatLike, crosswind_mps: FloatLike) -> FloatArray:
    """Angle between the riding direction and the wind that the rider feels (degrees, right positive).

    0 for no cross wind, ±180 where a tail wind is faster than the rider. Still air at standstill gives 0.
    """
    along = np.asarray(speed_mps, dtype=np.float64) + headwind_mps
    angle: FloatArray = np.degrees(np.arctan2(crosswind_mps, along))
    return angle


def aero_force(
    speed_mps: FloatLike, headwind_mps: FloatLike, drag_area_m2: FloatLike, air_density: FloatLike
) -> FloatArray:
    """Air resistance along the road (N); below zero where a tail wind faster than the rider pushes."""
    along = np.asarray(speed_mps, dtype=np.float64) + headwind_mps
    force: FloatArray = 0.5 * air_density * drag_area_m2 * along * np.abs(along)
    return force


def _resistance(
    speed: FloatArray,
    mass_kg: FloatLike,
    total_drag_area_m2: FloatLike,
    grade: FloatLike,
    headwind_mps: FloatLike,
    air_density: FloatLike,
    crr: FloatLike,
) -> FloatArray:
    """Sum of the resistances at steady speed (N); rises strictly with speed."""
    slope = np.arctan(np.asarray(grade, dtype=np.float64))
    weight = np.asarray(mass_kg, dtype=np.float64) * GRAVITY_MPS2
    bearings = (91.0 + 8.7 * speed) * 1e-3
    force: FloatArray = (
        aero_force(speed, headwind_mps, total_drag_area_m2, air_density)
        + weight * (crr * np.cos(slope) + np.sin(slope))
        + bearings
    )
    return force


def crank_power(wheel_power_w: FloatLike, efficiency: FloatLike = DRIVETRAIN_EFFICIENCY) -> FloatArray:
    """Power at the crank for a power at the wheel (W); a negative one (braking) is returned as it is."""
    wheel = np.asarray(wheel_power_w, dtype=np.float64)
    return wheel / np.where(wheel > 0.0, efficiency, 1.0)


def road_load_power(
    speed_mps: FloatLike,
    *,
    mass_kg: FloatLike,
    drag_area_m2: FloatLike,
    grade: FloatLike,
    headwind_mps: FloatLike,
    air_density: FloatLike,
    crr: FloatLike,
    wheel_drag_area_m2: FloatLike = WHEEL_ROTATION_DRAG_AREA_M2,
    efficiency: FloatLike = DRIVETRAIN_EFFICIENCY,
) -> FloatArray:
    """Power at the crank that holds a steady speed (W).

    Parameters
    ----------
    speed_mps : float or ndarray
        Ground speed (m/s), 0 or above.
    mass_kg : float or ndarray
        Rider with bicycle (kg).
    drag_area_m2 : float or ndarray
        Drag area of the rider times his share of the solo drag (m2).
    grade : float or ndarray
        Rise over run.
    headwind_mps : float or ndarray
        Head wind at rider height (m/s), below 0 for a tail wind.
    air_density : float or ndarray
        kg/m3.
    crr : float or ndarray
        Coefficient of rolling resistance.
    wheel_drag_area_m2 : float or ndarray
        Drag area of the wheels' rotation (m2), which shelter does not reduce.
    efficiency : float or ndarray
        Power at the wheel over power at the crank.

    Returns
    -------
    ndarray
        Power (W). Below zero, where the road or the wind drives the rider faster than that speed, it is
        the braking power at the wheel, not divided by the efficiency.

    Notes
    -----
    0 W at standstill whatever the wind: force, not power, holds a bicycle there.

    References
    ----------
    Martin et al. 1998, without the kinetic-energy term, for which see :func:`acceleration_power`.
    """
    speed = np.asarray(speed_mps, dtype=np.float64)
    total_drag_area = np.asarray(drag_area_m2, dtype=np.float64) + wheel_drag_area_m2
    force = _resistance(speed, mass_kg, total_drag_area, grade, headwind_mps, air_density, crr)
    return crank_power(speed * force, efficiency)


def kinetic_mass(mass_kg: FloatLike) -> FloatArray:
    """Mass that resists acceleration (kg): total mass plus the wheels' inertia over radius squared."""
    mass: FloatArray = np.asarray(mass_kg, dtype=np.float64) + WHEEL_INERTIA_KGM2 / WHEEL_RADIUS_M**2
    return mass


def acceleration_power(mass_kg: FloatLike, speed_mps: FloatLike, acceleration_mps2: FloatLike) -> FloatArray:
    """Power at the crank that changes the kinetic energy (W), at the wheel when below zero.

    Notes
    -----
    Where road load and acceleration have different signs, add them at the wheel and convert the sum with
    :func:`crank_power`.
    """
    return crank_power(kinetic_mass(mass_kg) * speed_mps * acceleration_mps2)


def cornering_speed(radius_m: FloatLike, wet: bool) -> FloatArray:
    """Highest speed through a bend on a time-trial bicycle in the line (m/s); infinite on a straight.

    Notes
    -----
    Lateral acceleration 3.5 m/s2 dry (about 20 degrees of lean), 2.0 m/s2 wet: common practice, no
    source; conservative, because a line of riders on aerobars takes a bend together and nobody sees past
    the rider ahead.
    """
    lateral = LATERAL_ACCELERATION_WET_MPS2 if wet else LATERAL_ACCELERATION_DRY_MPS2
    speed: FloatArray = np.sqrt(lateral * np.asarray(radius_m, dtype=np.float64))
    return speed


def braking_deceleration(wet: bool) -> float:
    """Deceleration a line of riders can share (m/s2): 2.0 dry, 1.2 wet; common practice, no source."""
    return BRAKING_WET_MPS2 if wet else BRAKING_DRY_MPS2


def speed_at_power(
    power_w: FloatLike,
    *,
    mass_kg: FloatLike,
    drag_area_m2: FloatLike,
    grade: FloatLike,
    headwind_mps: FloatLike,
    air_density: FloatLike,
    crr: FloatLike,
    wheel_drag_area_m2: FloatLike = WHEEL_ROTATION_DRAG_AREA_M2,
    efficiency: FloatLike = DRIVETRAIN_EFFICIENCY,
) -> FloatArray:
    """Steady ground speed at a power at the crank (m/s), the inverse of :func:`road_load_power`.

    Parameters
    ----------
    power_w : float or ndarray
        Power at the crank (W), 0 or above.
    mass_kg, drag_area_m2, grade, headwind_mps, air_density, crr, wheel_drag_area_m2, efficiency : float
    or ndarray
        As for :func:`road_load_power`.

    Returns
    -------
    ndarray
        Speed (m/s), to about 1e-12 of its size. At 0 W the coasting speed: 0 where nothing drives the rider.

    Raises
    ------
    ValueError
        If a power is negative or any quantity is not finite: braking has two speeds or none.

    Notes
    -----
    The sum of the resistances rises strictly with speed, so their power does as well from the coasting
    speed on, and exactly one speed of that branch uses a given power. It is found by bisection.
    """
    inputs = (
        power_w, mass_kg, drag_area_m2, grade, headwind_mps, air_density, crr, wheel_drag_area_m2, efficiency,
    )  # fmt: skip
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in inputs))
    if not all(np.all(np.isfinite(array)) for array in arrays):
        raise ValueError("speed_at_power needs finite values")
    power, mass, rider_area, slope, wind, density, rolling, wheel_area, share = arrays
    if np.any(power < 0.0):
        raise ValueError("power_w must be 0 or above: braking does not fix a speed")
    wheel_power = power * share

    def too_slow(speed: FloatArray) -> NDArray[np.bool_]:
        force = _resistance(speed, mass, rider_area + wheel_area, slope, wind, density, rolling)
        slow: NDArray[np.bool_] = (force < 0.0) | (speed * force < wheel_power)
        return slow

    lower = np.zeros_like(wheel_power)
    upper = np.full_like(wheel_power, 32.0)
    for _ in range(_MAX_DOUBLINGS):
        slow = too_slow(upper)
        if not np.any(slow):
            break
        upper = np.where(slow, 2.0 * upper, upper)
    else:
        raise ValueError("no steady speed: mass, drag area and density must be positive")
    for _ in range(_BISECTIONS):
        middle = 0.5 * (lower + upper)
        slow = too_slow(middle)
        lower = np.where(slow, middle, lower)
        upper = np.where(slow, upper, middle)
    speed: FloatArray = lower[()]
    return speed
