"""Recordings of rides that the simulation rode: what bicycle computers would have written, noise and all.

One generator, :func:`samples`, for a rider alone (:func:`recorded`) and for a team (:func:`team_recordings`).
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from ride_examples import make_course, make_race, schedule_at, straight_boundaries, wavy_elevation

from ttt_opt.changeover import BICYCLE_LENGTH_M, manoeuvre
from ttt_opt.course import Course
from ttt_opt.plan import Plan
from ttt_opt.race import Race, Weather
from ttt_opt.ride import Ride, ride
from ttt_opt.schedule import ScheduledPull
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

METRES_PER_DEGREE = 111_195.0
"""Of latitude, nearly."""
LENGTH_M = 36_000.0
SOLO = Rider(
    "Solo", mass_kg=72.0, bicycle_mass_kg=8.0, cp_w=300.0, w_prime_j=20000.0, cda_m2=0.25, peak_power_w=700.0
)
BEFORE_S, AFTER_S = 25.0, 30.0
"""A recorder runs so long before the start and after the finish of a team (s)."""
START = datetime.datetime(2030, 5, 12, 12, 30, tzinfo=datetime.UTC)


@dataclass(frozen=True)
class Noise:
    """Standard deviations of what a recorder adds.

    Power as a share, from second to second; speed (m/s) white; elevation (m) of a drifting barometer, alike for
    a minute, rounded to 0.2 m; place (m, north and east each) of a receiver: a share of its variance is white, the
    rest alike for so many seconds.
    """

    power: float = 0.01
    speed_mps: float = 0.1
    elevation_m: float = 0.7
    place_m: float = 1.5
    white_share: float = 0.0
    place_alike_s: float = 30.0


NO_NOISE = Noise(0.0, 0.0, 0.0, 0.0)
TEAM_NOISE = Noise(place_m=3.0, white_share=0.1, place_alike_s=60.0)
"""3 m as receivers are: most of it drifts over a minute, 1 m is from second to second."""


@dataclass(frozen=True)
class Recorder:
    """How one rider's ride is recorded.

    Attributes
    ----------
    clock_s : float
        What the clock shows more than the true time since the start (s).
    phase_s : float
        Samples are taken so long after whole seconds (s).
    smart : bool
        Samples are 1 to 7 s apart instead of 1 s.
    dropouts : int
        So many stretches of 10 to 40 s each without power, without places, and without any samples.
    """

    clock_s: float = 0.0
    phase_s: float = 0.0
    smart: bool = False
    dropouts: int = 0


@dataclass(frozen=True)
class Motion:
    """What a rider truly did, as functions of time since the start (s)."""

    along_m: Callable[[FloatArray], FloatArray]
    speed_mps: Callable[[FloatArray], FloatArray]
    work_j: Callable[[FloatArray], FloatArray]
    north_m: Callable[[FloatArray], FloatArray]
    """Of the place at a distance along the course."""
    east_m: Callable[[FloatArray], FloatArray]
    elevation_m: Callable[[FloatArray], FloatArray]
    latitude_deg: float
    longitude_deg: float


def samples(
    motion: Motion,
    from_s: float,
    until_s: float,
    random: np.random.Generator,
    noise: Noise,
    recorder: Recorder = Recorder(),
) -> pd.DataFrame:
    """A recording: one row a sample, power as the mean since the sample before."""
    time = np.arange(np.ceil(from_s), np.floor(until_s) + 1.0) + recorder.phase_s
    if recorder.smart:
        time = time[np.unique(np.minimum(np.cumsum(random.integers(1, 8, len(time))), len(time) - 1))]
    along, n_samples = motion.along_m(time), len(time)
    work = motion.work_j(time)
    power = np.append(0.0, np.diff(work) / np.diff(time))
    north, east = (at(along) + _off(random, time, noise) for at in (motion.north_m, motion.east_m))
    elevation = motion.elevation_m(along) + noise.elevation_m * alike(random, time, 60.0)
    speed = motion.speed_mps(time)
    degree_m = METRES_PER_DEGREE * np.cos(np.radians(motion.latitude_deg))
    frame = pd.DataFrame(
        {
            "seconds": time + recorder.clock_s,
            "watts": np.maximum(power * (1.0 + noise.power * random.normal(size=n_samples)), 0.0),
            "speed_mps": np.maximum(speed + noise.speed_mps * random.normal(size=n_samples), 0.0),
            "distance_m": np.maximum.accumulate(along - along[0]),
            "elevation_m": np.round(elevation / 0.2) * 0.2 if noise.elevation_m else elevation,
            "latitude": motion.latitude_deg + north / METRES_PER_DEGREE,
            "longitude": motion.longitude_deg + east / degree_m,
        }
    )
    for columns in (["watts"], ["latitude", "longitude"], None):
        for _ in range(recorder.dropouts):
            begin = random.uniform(frame["seconds"].iloc[0] + 60.0, frame["seconds"].iloc[-1] - 60.0)
            lost = frame["seconds"].between(begin, begin + random.uniform(10.0, 40.0))
            if columns is None:
                frame = frame[~lost].reset_index(drop=True)
            else:
                frame.loc[lost, columns] = np.nan
    return frame


def recorded(
    seed: int = 0,
    *,
    crr: float = 0.004,
    power_w: tuple[float, float] = (150.0, 350.0),
    hilly: bool = True,
    wind_mps: float = 0.0,
    headings_deg: tuple[float, ...] = (0.0, 180.0),
    noise: Noise = Noise(),
    recorder: Recorder = Recorder(),
) -> pd.DataFrame:
    """A rider alone, 36 km in equal parts of one direction each; wind from 20°.

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
    steps = np.diff(distance, prepend=0.0)
    north, east = (np.cumsum(steps * part(np.radians(heading))) for part in (np.cos, np.sin))
    motion = Motion(
        along_m=lambda t: _at(t, ridden, ridden.distance_m, 0.0),
        speed_mps=lambda t: _at(t, ridden, ridden.speed_mps, 0.0),
        work_j=lambda t: _at(t, ridden, np.cumsum(ridden.power_w[:, 0] * ridden.step_s), 0.0),
        north_m=lambda d: np.interp(d, distance, north),
        east_m=lambda d: np.interp(d, distance, east),
        elevation_m=lambda d: np.interp(d, distance, course.elevation_m),
        latitude_deg=54.4,
        longitude_deg=4.6,
    )
    return samples(motion, 0.0, ridden.time_s[-1], random, noise, recorder)


def team_recordings(
    plan: Plan,
    seed: int = 0,
    *,
    noise: Noise = TEAM_NOISE,
    recorders: dict[str, Recorder] | None = None,
    ridden: Ride | None = None,
) -> dict[str, pd.DataFrame]:
    """One recording for each rider of a plan's ride, or of another ride of the same race, by name."""
    ridden = plan.ride if ridden is None else ridden
    riders = plan.race.team.riders
    return {
        rider.name: samples(
            _in_line(plan.course, plan.race, ridden, number),
            -BEFORE_S,
            ridden.time_s[-1] + AFTER_S,
            np.random.default_rng([seed, number]),
            noise,
            (recorders or {}).get(rider.name, Recorder()),
        )
        for number, rider in enumerate(riders)
    }


def _in_line(course: Course, race: Race, ridden: Ride, rider: int) -> Motion:
    """Motion of one rider of the line: behind its front by his places, and on his way back in between."""
    behind = places_behind(ridden, rider, race.wheel_gap_m) * (BICYCLE_LENGTH_M + race.wheel_gap_m)
    power = np.nan_to_num(ridden.power_w[:, rider])
    finish_s, last_mps = ridden.time_s[-1], ridden.speed_mps[-1]
    drift = np.gradient(behind, np.append(0.0, ridden.time_s)[1:])
    degree_m = METRES_PER_DEGREE * np.cos(np.radians(course.latitude_deg.mean()))
    latitude, longitude = float(course.latitude_deg[0]), float(course.longitude_deg[0])
    north = (course.latitude_deg - latitude) * METRES_PER_DEGREE
    east = (course.longitude_deg - longitude) * degree_m
    first, last = np.radians(course.heading_deg[[0, -1]])

    def beyond(values: FloatArray, at_start: float, at_end: float) -> Callable[[FloatArray], FloatArray]:
        """Along the course, and straight on before and behind it."""

        def place(along: FloatArray) -> FloatArray:
            before, after = np.minimum(along, 0.0), np.maximum(along - course.length_m, 0.0)
            return np.interp(along, course.distance_m, values) + before * at_start + after * at_end

        return place

    def rolled_on(t: FloatArray) -> FloatArray:
        """Behind the finish the riders roll out (m)."""
        over = np.clip(t - finish_s, 0.0, last_mps / 0.3)
        return np.asarray(last_mps * over - 0.15 * over**2)

    return Motion(
        along_m=lambda t: _at(t, ridden, ridden.distance_m, 0.0) - _at(t, ridden, behind, behind[0]) + rolled_on(t),
        speed_mps=lambda t: np.where(
            t > finish_s,
            np.maximum(last_mps - 0.3 * (t - finish_s), 0.0),
            _at(t, ridden, ridden.speed_mps, 0.0) - np.where(t > 0.0, _at(t, ridden, drift, 0.0), 0.0),
        ),
        work_j=lambda t: _at(t, ridden, np.cumsum(power * ridden.step_s), 0.0),
        north_m=beyond(north, float(np.cos(first)), float(np.cos(last))),
        east_m=beyond(east, float(np.sin(first)), float(np.sin(last))),
        elevation_m=lambda d: np.interp(d, course.distance_m, course.elevation_m),
        latitude_deg=latitude,
        longitude_deg=longitude,
    )


def places_behind(ridden: Ride, rider: int, wheel_gap_m: float) -> FloatArray:
    """Places behind the front of the line at the end of each step, whole but for the way back and the closing up."""
    time = ridden.time_s
    place = np.maximum(ridden.place[:, rider], 0).astype(np.float64)
    result = place.copy()
    changes = np.flatnonzero(np.diff(place) != 0.0) + 1
    for change in changes.tolist():
        since = time - time[change - 1]
        if place[change] > place[change - 1]:
            way = manoeuvre(int(place[change]) + 1, wheel_gap_m)
            now = (since >= 0.0) & (since < way.duration_s)
            done = np.array([_driven(way.relative_speed, t) for t in since[now]]) / way.distance_m
            result[now] = np.minimum(done * (place[change] + 1.0), place[change])
        else:  # the front of the line is measured from the old leader until he has left it: close up within 2 s
            now = (since >= 0.0) & (since < 2.0)
            result[now] = place[change] + (place[change - 1] - place[change]) * (1.0 - since[now] / 2.0)
    return result


def _driven(relative_speed: Callable[[FloatArray], FloatArray], t: float) -> float:
    times = np.linspace(0.0, t, 50)
    return float(np.trapezoid(relative_speed(times), times))


def _at(t: FloatArray, ridden: Ride, values: FloatArray, first: float) -> FloatArray:
    return np.interp(t, np.append(0.0, ridden.time_s), np.append(first, values))


def _off(random: np.random.Generator, time: FloatArray, noise: Noise) -> FloatArray:
    """How far a receiver is off in one direction (m)."""
    off = np.sqrt(1.0 - noise.white_share) * alike(random, time, noise.place_alike_s)
    if noise.white_share:
        off += np.sqrt(noise.white_share) * random.normal(size=len(time))
    return noise.place_m * off


def alike(random: np.random.Generator, time_s: FloatArray, for_s: float) -> FloatArray:
    """Noise of standard deviation 1 that is alike for so many seconds."""
    kept = np.exp(-np.diff(time_s, prepend=time_s[0]) / for_s)
    values = random.normal(size=len(time_s))
    for n in range(1, len(values)):
        values[n] = kept[n] * values[n - 1] + np.sqrt(1.0 - kept[n] ** 2) * values[n]
    return values


def write(frame: pd.DataFrame, path: Path) -> Path:
    frame.to_csv(path, index=False, float_format="%.7f")
    return path


NAME_SPACES = (
    ("<extensions><power>{power}</power><hr>{heart}</hr></extensions>", ""),
    ("<extensions><a:Watts>{power}</a:Watts><a:more><a:hr>{heart}</a:hr></a:more></extensions>", ' xmlns:a="urn:a"'),
    ("<extensions><b:Ext><b:PowerInWatts>{power}</b:PowerInWatts><b:HeartRate>{heart}</b:HeartRate></b:Ext></extensions>",
     ' xmlns:b="http://example.org/b/v1"'),
)  # fmt: skip
"""Extensions as they occur: in no name space, in one, nested; all invented."""


def write_gpx(frame: pd.DataFrame, path: Path, kind: int = 0, start: datetime.datetime = START) -> Path:
    """A recording as GPX 1.1 in which seconds count from a moment."""
    extension, declared = NAME_SPACES[kind % len(NAME_SPACES)]
    points = []
    for row in frame.itertuples():
        if not np.isfinite(row.latitude):
            continue
        moment = (start + datetime.timedelta(seconds=float(row.seconds))).isoformat(timespec="milliseconds")
        told = extension.format(power="" if np.isnan(row.watts) else f"{row.watts:.0f}", heart=150)
        points.append(
            f'<trkpt lat="{row.latitude:.7f}" lon="{row.longitude:.7f}"><ele>{row.elevation_m:.1f}</ele>'
            f"<time>{moment.replace('+00:00', 'Z')}</time>{told}</trkpt>"
        )
    path.write_text(
        f'<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="test" '
        f'xmlns="http://www.topografix.com/GPX/1/1"{declared}><trk><name>Ride</name><trkseg>\n'
        + "\n".join(points)
        + "\n</trkseg></trk></gpx>\n",
        encoding="utf-8",
    )
    return path
