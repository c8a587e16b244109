"""Invented courses for the benchmarks: roads of straights and arcs in the open North Sea, heights of straight grades.

Every course is a pure function of its shape: the same shape and seed give the same bytes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

FloatArray = NDArray[np.float64]

SPACING_M = 20.0
SPACING_IN_ARCS_RAD = 0.12
ROUNDED_OVER_M = 150.0
"""Points along the road (m; in narrow arcs by the angle between them); length over which one grade becomes the next."""
START_LATITUDE_DEG, START_LONGITUDE_DEG = 55.2, 4.6
SHORTEST_STRAIGHT_M, LONGEST_STRAIGHT_M = 700.0, 2600.0
LEAST_TURN_DEG, MOST_TURN_DEG = 8.0, 55.0
LEAST_RADIUS_M, MOST_RADIUS_M = 45.0, 250.0
TURN_AROUND_RADIUS_M = 6.0


@dataclass(frozen=True)
class Shape:
    """What a course looks like.

    Attributes
    ----------
    profile : str
        ``flat``, ``rolling`` or ``mountain``.
    length_km : float
    seed : int
        Of the bends and heights.
    heading_deg : float
        Main direction of travel (degrees clockwise from north).
    there_and_back : bool
        Half of the way out, round a cone, and back on the other side of the road.
    """

    profile: str
    length_km: float
    seed: int
    heading_deg: float = 250.0
    there_and_back: bool = False

    def __post_init__(self) -> None:
        if self.profile not in GRADES:
            raise ValueError(f"profile: {self.profile!r} is not one of {', '.join(GRADES)}")
        if not self.length_km > 1.0:
            raise ValueError(f"length_km: {self.length_km} is not above 1")


@dataclass(frozen=True)
class _Bend:
    """Straight road (m), then an arc (degrees, right positive; radius in m)."""

    straight_m: float
    turn_deg: float
    radius_m: float

    @property
    def length_m(self) -> float:
        """Straight and arc (m)."""
        return self.straight_m + math.radians(abs(self.turn_deg)) * self.radius_m


def _bends(shape: Shape, length_m: float) -> list[_Bend]:
    """Bends that wind about the main direction, to a length that the last straight fills."""
    draw = np.random.default_rng(shape.seed)
    bends: list[_Bend] = []
    off_deg, left_m = 0.0, length_m
    while True:
        straight_m = float(draw.uniform(SHORTEST_STRAIGHT_M, LONGEST_STRAIGHT_M))
        size_deg = float(draw.uniform(LEAST_TURN_DEG, MOST_TURN_DEG))
        radius_m = float(draw.uniform(LEAST_RADIUS_M, MOST_RADIUS_M))
        turn_deg = -math.copysign(size_deg, off_deg) if off_deg else size_deg
        bend = _Bend(straight_m, turn_deg, radius_m)
        if left_m - bend.length_m < SHORTEST_STRAIGHT_M:
            return [*bends, _Bend(left_m, 0.0, radius_m)]
        bends.append(bend)
        left_m -= bend.length_m
        off_deg += turn_deg


def _there_and_back(shape: Shape) -> list[_Bend]:
    """The same bends back, the other way round, behind a half circle."""
    around_m = math.pi * TURN_AROUND_RADIUS_M
    out = _bends(shape, 0.5 * (1000.0 * shape.length_km - around_m))
    straights = [bend.straight_m for bend in out]
    back = [
        _Bend(straight_m, -bend.turn_deg, bend.radius_m)
        for straight_m, bend in zip(reversed(straights[1:]), reversed(out[:-1]), strict=True)
    ]
    return [*out[:-1], _Bend(straights[-1], 180.0, TURN_AROUND_RADIUS_M), *back, _Bend(straights[0], 0.0, 1.0)]


def _places(bends: list[_Bend], heading_deg: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distance along the road, metres east and metres north of points along it."""
    heading, east, north, at_m = math.radians(heading_deg), 0.0, 0.0, 0.0
    points = [(0.0, 0.0, 0.0)]

    def go(step_m: float, turn: float) -> None:
        nonlocal heading, east, north, at_m
        chord_m = step_m if turn == 0.0 else 2.0 * step_m / abs(turn) * math.sin(0.5 * abs(turn))
        east += chord_m * math.sin(heading + 0.5 * turn)
        north += chord_m * math.cos(heading + 0.5 * turn)
        heading += turn
        at_m += step_m
        points.append((at_m, east, north))

    for bend in bends:
        n_straight = max(1, round(bend.straight_m / SPACING_M))
        for _ in range(n_straight):
            go(bend.straight_m / n_straight, 0.0)
        turn = math.radians(bend.turn_deg)
        if turn:
            arc_m = abs(turn) * bend.radius_m
            n_arc = max(3, round(abs(turn) / SPACING_IN_ARCS_RAD), round(arc_m / SPACING_M))
            for _ in range(n_arc):
                go(arc_m / n_arc, turn / n_arc)
    distance, easting, northing = np.array(points).T
    return distance, easting, northing


def _flat(_draw: np.random.Generator, length_m: float) -> tuple[list[float], list[float]]:
    return [0.0, length_m], [3.0, 3.0]


def _rolling(draw: np.random.Generator, length_m: float) -> tuple[list[float], list[float]]:
    """Rises and falls of 400 to 1,300 m at 0.8 to 4 %."""
    at_m, heights, way = [0.0], [60.0], 1.0
    while at_m[-1] < length_m:
        stretch_m = float(draw.uniform(400.0, 1300.0))
        grade = float(draw.uniform(0.008, 0.04)) * way
        if heights[-1] + grade * stretch_m < 5.0:
            grade = abs(grade)
        at_m.append(at_m[-1] + stretch_m)
        heights.append(heights[-1] + grade * stretch_m)
        way = -math.copysign(1.0, grade)
    return at_m, heights


def _mountain(draw: np.random.Generator, length_m: float) -> tuple[list[float], list[float]]:
    """A valley, a climb of 3 to 7 %, and down again, as often as fits; no climb above 700 m."""
    n_climbs = max(1, round(length_m / 25000.0))
    part_m = length_m / n_climbs
    at_m, heights = [0.0], [40.0]
    for _ in range(n_climbs):
        valley_m = 0.3 * part_m
        at_m.append(at_m[-1] + valley_m)
        heights.append(heights[-1] + 4.0)
        foot_m = heights[-1]
        for way, share in ((1.0, 0.38), (-1.0, 0.32)):
            n_ramps = max(2, round(share * part_m / 1500.0))
            for _ramp in range(n_ramps):
                grade = float(draw.uniform(0.03, 0.07)) * way
                at_m.append(at_m[-1] + share * part_m / n_ramps)
                heights.append(max(heights[-1] + grade * share * part_m / n_ramps, foot_m))
    return at_m, heights


GRADES = {"flat": _flat, "rolling": _rolling, "mountain": _mountain}
"""Heights (m) at places along the road (m), joined by straight grades, by name of the profile."""


def _heights(shape: Shape, distance_m: FloatArray) -> FloatArray:
    """Elevation (m), the mean of the straight grades around each place; back it is that of the way out."""
    draw = np.random.default_rng([shape.seed, 1])
    end_m = float(distance_m[-1])
    along = np.minimum(distance_m, end_m - distance_m) if shape.there_and_back else distance_m
    at_m, heights = GRADES[shape.profile](draw, float(along.max()))
    fine = np.arange(-ROUNDED_OVER_M, float(along.max()) + 2.0 * ROUNDED_OVER_M, 5.0)
    area = np.append(0.0, np.cumsum(5.0 * np.interp(fine, at_m, heights)))[: len(fine)]
    half_m = 0.5 * ROUNDED_OVER_M
    mean = (np.interp(along + half_m, fine, area) - np.interp(along - half_m, fine, area)) / ROUNDED_OVER_M
    return np.asarray(mean, dtype=np.float64)


def course_gpx(shape: Shape, name: str) -> str:
    """GPX 1.1 text of the course."""
    bends = _there_and_back(shape) if shape.there_and_back else _bends(shape, 1000.0 * shape.length_km)
    distance_m, east_m, north_m = _places(bends, shape.heading_deg)
    elevation_m = _heights(shape, distance_m)
    start_longitude, start_latitude = (
        np.full_like(east_m, value) for value in (START_LONGITUDE_DEG, START_LATITUDE_DEG)
    )
    azimuth_deg = np.degrees(np.arctan2(east_m, north_m))
    longitude, latitude, _ = Geod(ellps="WGS84").fwd(
        start_longitude, start_latitude, azimuth_deg, np.hypot(east_m, north_m)
    )
    points = (
        f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{height:.2f}</ele></trkpt>'
        for lat, lon, height in zip(latitude.tolist(), longitude.tolist(), elevation_m.tolist(), strict=True)
    )
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            '<gpx version="1.1" creator="ttt_opt benchmarks" xmlns="http://www.topografix.com/GPX/1/1">',
            f"<trk><name>{name} (invented course)</name><trkseg>",
            *points,
            "</trkseg></trk></gpx>",
            "",
        ]
    )
