"""Recordings of rides that the simulation rode: what a bicycle computer would have written, noise and all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from ride_examples import make_course, make_race, schedule_at, straight_boundaries, wavy_elevation

from ttt_opt.race import Weather
from ttt_opt.ride import ride
from ttt_opt.schedule import ScheduledPull
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

METRES_PER_DEGREE = 111_195.0
"""Of latitude, nearly."""
LENGTH_M = 36_000.0
SOLO = Rider(
    "Solo", mass_kg=72.0, bicycle_mass_kg=8.0, cp_w=300.0, w_prime_j=20000.0, cda_m2=0.25, peak_power_w=700.0
)


@dataclass(frozen=True)
class Noise:
    """Standard deviations of what a recorder adds.

    Power as a share, from second to second; speed (m/s) white; elevation (m) of a drifting barometer, alike for
    a minute, rounded to 0.2 m; place (m) of a receiver, alike for half a minute.
    """

    power: float = 0.01
    speed_mps: float = 0.1
    elevation_m: float = 0.7
    place_m: float = 1.5


NO_NOISE = Noise(0.0, 0.0, 0.0, 0.0)


def recorded(
    seed: int = 0,
    *,
    crr: float = 0.004,
    power_w: tuple[float, float] = (150.0, 350.0),
    hilly: bool = True,
    wind_mps: float = 0.0,
    headings_deg: tuple[float, ...] = (0.0, 180.0),
    noise: Noise = Noise(),
) -> pd.DataFrame:
    """A rider alone, 36 km in equal parts of one direction each, as samples of one second; wind from 20°.

    Power changes from one stretch of 400 m to the next, between the two bounds.
    """
    random = np.random.default_rng(seed)
    distance = np.linspace(0.0, LENGTH_M, round(LENGTH_M / 10.0) + 1)
    side_m = LENGTH_M / len(headings_deg)
    heading = np.array([headings_deg[min(int(at / side_m), len(headings_deg) - 1)] for at in distance])
    bend = np.where(np.append(False, np.diff(heading) != 0.0), 8.0, np.inf)
    course = make_course(
        LENGTH_M,
        wavy_elevation(LENGTH_M) if hilly else None,
        heading=heading,
        bend_radius=bend,
    )
    team = Team("Alone", (SOLO,))
    race = make_race(team, crr=crr, weather=Weather(wind_speed_mps=wind_mps, wind_from_deg=20.0))
    boundary = straight_boundaries(LENGTH_M, 400.0)
    n_segments = len(boundary) - 1
    power = random.uniform(*power_w, n_segments)
    pull = ScheduledPull((0,), 0, n_segments)
    ridden = ride(course, team, race, schedule_at(boundary, np.full(n_segments, 10.0), power, (pull,)))
    end_s, step_s = ridden.time_s, ridden.step_s
    time = np.arange(0.0, np.floor(end_s[-1]) + 1.0)

    def at(values: FloatArray, first: float) -> FloatArray:
        return np.interp(time, np.append(0.0, end_s), np.append(first, values))

    work = at(np.cumsum(ridden.power_w[:, 0] * step_s), 0.0)
    along = at(ridden.distance_m, 0.0)
    steps = np.diff(distance, prepend=0.0)
    north, east = (
        np.interp(along, distance, np.cumsum(steps * part(np.radians(heading))))
        + noise.place_m * alike(random, time, 30.0)
        for part in (np.cos, np.sin)
    )
    elevation = np.interp(along, distance, course.elevation_m) + noise.elevation_m * alike(random, time, 60.0)
    exact_power = np.append(0.0, np.diff(work))
    speed = at(ridden.speed_mps, 0.0)
    return pd.DataFrame(
        {
            "seconds": time,
            "watts": np.maximum(exact_power * (1.0 + noise.power * random.normal(size=len(time))), 0.0),
            "speed_mps": np.maximum(speed + noise.speed_mps * random.normal(size=len(time)), 0.0),
            "distance_m": along,
            "elevation_m": np.round(elevation / 0.2) * 0.2 if noise.elevation_m else elevation,
            "latitude": 54.4 + north / METRES_PER_DEGREE,
            "longitude": 4.6 + east / METRES_PER_DEGREE / np.cos(np.radians(54.4)),
        }
    )


def alike(random: np.random.Generator, time_s: FloatArray, for_s: float) -> FloatArray:
    """Noise of standard deviation 1 that is alike for so many seconds."""
    kept = np.exp(-1.0 / for_s)
    values = random.normal(size=len(time_s))
    for n in range(1, len(values)):
        values[n] = kept * values[n - 1] + np.sqrt(1.0 - kept**2) * values[n]
    return values


def write(frame: pd.DataFrame, path: Path) -> Path:
    frame.to_csv(path, index=False, float_format="%.7f")
    return path
