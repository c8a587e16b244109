"""A recorded ride, read from a CSV or GPX file: what the recorder wrote, checked but not smoothed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

from ttt_opt.csv_input import CsvTable, Quantity, read_csv
from ttt_opt.errors import InputError
from ttt_opt.gpx import HIGHEST_ELEVATION_M, LOWEST_ELEVATION_M, count_of, read_recording
from ttt_opt.smoothing import on_seconds, smoothed
from ttt_opt.terminal_names import printable
from ttt_opt.toml_input import Bounds

FloatArray = NDArray[np.float64]

TIME = Quantity(
    {"seconds": 1.0, "time_s": 1.0, "t_s": 1.0},
    Bounds(0.0, 4e9, "s", "seconds since the start, or since any moment"),
)
POWER = Quantity({"watts": 1.0, "power_w": 1.0}, Bounds(0.0, 3000.0, "W"))
SPEED = Quantity({"speed_mps": 1.0, "speed_kmh": 1.0 / 3.6}, Bounds(0.0, 40.0, "m/s", "up to 144 km/h"))
DISTANCE = Quantity({"distance_m": 1.0, "dist_m": 1.0, "distance_km": 1000.0}, Bounds(0.0, 2e6, "m"))
ELEVATION = Quantity(
    {"elevation_m": 1.0, "altitude_m": 1.0, "alt_m": 1.0, "ele_m": 1.0},
    Bounds(LOWEST_ELEVATION_M, HIGHEST_ELEVATION_M, "m"),
)
LATITUDE = Quantity({"latitude_deg": 1.0, "latitude": 1.0, "lat": 1.0}, Bounds(-90.0, 90.0, "degrees"))
LONGITUDE = Quantity({"longitude_deg": 1.0, "longitude": 1.0, "lon": 1.0}, Bounds(-180.0, 180.0, "degrees"))
HEART_RATE = Quantity(
    {"heart_rate_bpm": 1.0, "heart_rate": 1.0, "hr_bpm": 1.0, "hr": 1.0}, Bounds(0.0, 255.0, "beats per minute")
)

WITHOUT_UNIT = {"speed": "speed_mps or speed_kmh", "distance": "distance_m or distance_km"}
FEWEST_SAMPLES = 10
SPEED_NOTES = ("Speed was worked out from places.", "Speed was worked out from distance.")
LONGEST_RIDE_S = 172_800.0
"""Longest recording whose speed is worked out from places (s)."""
SPEED_PERIOD_S = 20.0
"""Places are smoothed over this period before speed is taken from them (s): real receivers are 3 m off."""
LONGEST_GAP_S = 10.0
"""Places further apart in time say nothing about the speed between them (s)."""
LARGEST_SPEED_MPS = 40.0

_WGS84 = Geod(ellps="WGS84")


@dataclass(frozen=True)
class RecordedRide:
    """A recorded ride, one value a sample; nan where something was not recorded.

    Attributes
    ----------
    time_s : ndarray (n_samples,)
        Rising (s).
    power_w, speed_mps : ndarray (n_samples,)
        Power (W), speed (m/s).
    elevation_m, latitude_deg, longitude_deg : ndarray (n_samples,) or None
        Elevation (m) and place (degrees, WGS84); ``None`` where the ride has none at all.
    heart_rate_bpm : ndarray (n_samples,) or None
        Beats per minute; ``None`` where the ride has none at all.
    utc : bool
        Time counts from 1970-01-01 UTC, so that clocks of different rides agree.
    notes : tuple of str
        What was left out or worked out while reading, in readable sentences.

    Raises
    ------
    ValueError
        Arrays that do not fit together, time that does not rise, or a latitude without a longitude.
    """

    time_s: FloatArray
    power_w: FloatArray
    speed_mps: FloatArray
    elevation_m: FloatArray | None = None
    latitude_deg: FloatArray | None = None
    longitude_deg: FloatArray | None = None
    heart_rate_bpm: FloatArray | None = None
    utc: bool = False
    notes: tuple[str, ...] = ()

    @property
    def has_power(self) -> bool:
        """Power was recorded, and the meter was not dead."""
        return bool(np.isfinite(self.power_w).sum() >= 2 and np.nanmax(self.power_w) > 0.0)

    def __post_init__(self) -> None:
        for key in ("power_w", "speed_mps", "elevation_m", "latitude_deg", "longitude_deg", "heart_rate_bpm"):
            values = getattr(self, key)
            if values is not None and values.shape != self.time_s.shape:
                raise ValueError(f"{key} must have one value per sample ({len(self.time_s)})")
        if len(self.time_s) < FEWEST_SAMPLES or not (np.diff(self.time_s) > 0.0).all():
            raise ValueError(f"time_s must rise, over {FEWEST_SAMPLES} samples and more")
        if (self.latitude_deg is None) != (self.longitude_deg is None):
            raise ValueError("latitude_deg and longitude_deg belong together")


def read_recorded_ride(path: Path, *, needs_power: bool = True) -> RecordedRide:
    """Read a recorded ride.

    Parameters
    ----------
    path : Path
        GPX file with times, and with power and heart rate in extensions (see :func:`ttt_opt.gpx.read_recording`); or
        CSV file with the columns ``seconds``, ``watts`` and ``speed_mps``, ``speed_kmh``, ``distance_m`` or
        ``distance_km``; where there are any, ``elevation_m``, ``latitude``, ``longitude`` and ``heart_rate_bpm``.
        Other columns are not used. Cells may be empty, except those of time.
    needs_power : bool
        Refuse a ride without power.

    Returns
    -------
    RecordedRide

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, a value is wrong, or time or distance runs backwards.

    Notes
    -----
    Of samples with the same time the first is kept. Where there is a speed, neither distance nor places are used for
    it; speed from places is that of the smoothed track.
    """
    return _from_gpx(path, needs_power) if _is_markup(path) else _from_csv(path, needs_power)


def _is_markup(path: Path) -> bool:
    """The file begins as XML does; what cannot be read is for the readers to refuse."""
    try:
        with path.open("rb") as stream:
            start = stream.read(100)
    except OSError:
        return path.suffix.lower() == ".gpx"
    return start.lstrip(b"\xef\xbb\xbf\xfe\xff\x00 \t\r\n").startswith(b"<") or path.suffix.lower() == ".gpx"


def _from_gpx(path: Path, needs_power: bool) -> RecordedRide:
    raw = read_recording(path)
    file = printable(str(path))
    notes = list(raw.notes)
    kept = np.append(True, np.diff(raw.time_s) > 0.0)
    if not kept.all():
        notes.append(f"{count_of(int((~kept).sum()), 'point')} with a time that was there already left out.")
    if kept.sum() < FEWEST_SAMPLES:
        raise InputError(file, "", f"holds {kept.sum()} points with a time; allowed: {FEWEST_SAMPLES} or more")
    time_s, power_w = raw.time_s[kept], raw.power_w[kept]
    if time_s[-1] - time_s[0] > LONGEST_RIDE_S:
        hours = (time_s[-1] - time_s[0]) / 3600.0
        raise InputError(
            file, "", f"lasts {hours:.0f} hours; allowed: {LONGEST_RIDE_S / 3600.0:.0f}; cut the ride out of it"
        )
    if needs_power and np.isfinite(power_w).sum() < 2:
        raise InputError(file, "", "carries no power; export the ride with the power meter's figures")
    speed_mps = raw.speed_mps[kept]
    if np.isfinite(speed_mps).mean() < 0.5:
        speed_mps = speed_of_places(time_s, raw.latitude_deg[kept], raw.longitude_deg[kept])
        notes.append(SPEED_NOTES[0])
    return RecordedRide(
        time_s=time_s,
        power_w=power_w,
        speed_mps=speed_mps,
        elevation_m=_or_none(raw.elevation_m[kept]),
        latitude_deg=raw.latitude_deg[kept],
        longitude_deg=raw.longitude_deg[kept],
        heart_rate_bpm=_or_none(raw.heart_rate_bpm[kept]),
        utc=True,
        notes=tuple(notes),
    )


def speed_of_places(time_s: FloatArray, latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
    """Speed of the smoothed track at its samples (m/s); nan in gaps of more than 10 s, and where it is none.

    Parameters
    ----------
    time_s, latitude_deg, longitude_deg : ndarray (n_samples,)
        Rising times (s), WGS84 (degrees); nan where not recorded.
    """
    seconds = np.arange(time_s[0], time_s[-1] + 1.0)
    longitude = longitude_deg.copy()
    known = np.isfinite(longitude) & np.isfinite(latitude_deg)
    if known.sum() < FEWEST_SAMPLES:
        return np.full(len(time_s), np.nan)
    longitude[known] = np.unwrap(longitude[known], period=360.0)
    places = (latitude_deg, longitude)
    place = np.column_stack([on_seconds(time_s, values, seconds, LONGEST_GAP_S) for values in places])
    recorded = np.isfinite(place).all(axis=1)
    smooth = smoothed(place, SPEED_PERIOD_S)
    step_m = _WGS84.inv(smooth[:-1, 1], smooth[:-1, 0], smooth[1:, 1], smooth[1:, 0])[2]
    speed = np.interp(seconds, seconds[:-1] + 0.5, step_m)
    speed[~recorded | (speed > LARGEST_SPEED_MPS)] = np.nan
    return on_seconds(seconds, speed, time_s, LONGEST_GAP_S)


def _or_none(values: FloatArray) -> FloatArray | None:
    return values if np.isfinite(values).sum() >= 2 else None


def _from_csv(path: Path, needs_power: bool) -> RecordedRide:
    table = read_csv(path)
    for heading, better in WITHOUT_UNIT.items():
        if heading in table.header:
            raise InputError(table.file, "header", f"{heading} has no unit; allowed: {better}")
    power = table.require(POWER) if needs_power else table.find(POWER)
    time_s = _rising(table, table.require(TIME), TIME)
    notes = []
    kept = np.append(True, np.diff(time_s) > 0.0)
    if not kept.all():
        notes.append(f"{count_of(int((~kept).sum()), 'sample')} with a time that was there already left out.")
    if kept.sum() < FEWEST_SAMPLES:
        raise InputError(table.file, "", f"holds {kept.sum()} samples; allowed: {FEWEST_SAMPLES} or more")
    speed = table.find(SPEED)
    if speed is not None:
        speed_mps = table.numbers(speed, SPEED, may_be_empty=True)[kept]
    else:
        if table.find(DISTANCE) is None:
            raise InputError(
                table.file,
                "header",
                f"no column {SPEED.headings}, nor {DISTANCE.headings}; one of them is needed",
            )
        distance_m = _rising(table, table.require(DISTANCE), DISTANCE)[kept]
        speed_mps = np.gradient(distance_m, time_s[kept])
        notes.append(SPEED_NOTES[1])
    latitude = _where_recorded(table, LATITUDE, kept)
    longitude = _where_recorded(table, LONGITUDE, kept)
    placed = latitude is not None and longitude is not None
    return RecordedRide(
        time_s=time_s[kept],
        power_w=np.full(int(kept.sum()), np.nan)
        if power is None
        else table.numbers(power, POWER, may_be_empty=True)[kept],
        speed_mps=speed_mps,
        elevation_m=_where_recorded(table, ELEVATION, kept),
        latitude_deg=latitude if placed else None,
        longitude_deg=longitude if placed else None,
        heart_rate_bpm=_where_recorded(table, HEART_RATE, kept),
        notes=tuple(notes),
    )


def _rising(table: CsvTable, heading: str, quantity: Quantity) -> FloatArray:
    values = table.numbers(heading, quantity)
    back = np.flatnonzero(np.diff(values) < 0.0)
    if len(back):
        row = int(back[0]) + 1
        raise table.error(
            row,
            heading,
            f"{values[row]:.10g} comes after {values[row - 1]:.10g}; allowed: values that never fall",
        )
    return values


def _where_recorded(table: CsvTable, quantity: Quantity, kept: NDArray[np.bool_]) -> FloatArray | None:
    """The column of a quantity, or ``None`` where there are fewer than two values in it."""
    heading = table.find(quantity)
    if heading is None:
        return None
    return _or_none(table.numbers(heading, quantity, may_be_empty=True)[kept])
