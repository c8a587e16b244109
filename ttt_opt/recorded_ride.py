"""A recorded ride with power, read from a CSV file: what the recorder wrote, checked but not smoothed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ttt_opt.csv_input import CsvTable, Quantity, read_csv
from ttt_opt.errors import InputError
from ttt_opt.gpx import HIGHEST_ELEVATION_M, LOWEST_ELEVATION_M, count_of
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

WITHOUT_UNIT = {"speed": "speed_mps or speed_kmh", "distance": "distance_m or distance_km"}
FEWEST_SAMPLES = 10


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
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for key in ("power_w", "speed_mps", "elevation_m", "latitude_deg", "longitude_deg"):
            values = getattr(self, key)
            if values is not None and values.shape != self.time_s.shape:
                raise ValueError(f"{key} must have one value per sample ({len(self.time_s)})")
        if len(self.time_s) < FEWEST_SAMPLES or not (np.diff(self.time_s) > 0.0).all():
            raise ValueError(f"time_s must rise, over {FEWEST_SAMPLES} samples and more")
        if (self.latitude_deg is None) != (self.longitude_deg is None):
            raise ValueError("latitude_deg and longitude_deg belong together")


def read_recorded_ride(path: Path) -> RecordedRide:
    """Read a recorded ride.

    Parameters
    ----------
    path : Path
        CSV file with the columns ``seconds``, ``watts`` and ``speed_mps``, ``speed_kmh``, ``distance_m`` or
        ``distance_km``; where there are any, ``elevation_m``, ``latitude`` and ``longitude``. Other columns are
        not used. Cells may be empty, except those of time.

    Returns
    -------
    RecordedRide

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, a value is wrong, or time or distance runs backwards.

    Notes
    -----
    Of samples with the same time the first is kept. Where there is a speed, the distance is not used.
    """
    table = read_csv(path)
    for heading, better in WITHOUT_UNIT.items():
        if heading in table.header:
            raise InputError(table.file, "header", f"{heading} has no unit; allowed: {better}")
    power = table.require(POWER)
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
        notes.append("Speed was worked out from distance.")
    latitude = _where_recorded(table, LATITUDE, kept)
    longitude = _where_recorded(table, LONGITUDE, kept)
    placed = latitude is not None and longitude is not None
    return RecordedRide(
        time_s=time_s[kept],
        power_w=table.numbers(power, POWER, may_be_empty=True)[kept],
        speed_mps=speed_mps,
        elevation_m=_where_recorded(table, ELEVATION, kept),
        latitude_deg=latitude if placed else None,
        longitude_deg=longitude if placed else None,
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
    values = table.numbers(heading, quantity, may_be_empty=True)[kept]
    return values if np.isfinite(values).sum() >= 2 else None
