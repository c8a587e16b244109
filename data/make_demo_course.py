"""Make the two invented courses of the demo data: ``python data/make_demo_course.py [FOLDER]``.

The roads lie on islands that do not exist, in the open North Sea, so that nobody mistakes them for real
ones. Each is a chain of straights and circular arcs; riders keep to the right of the centre line and go round
a cone at the turn. Heights are straight grades joined by parabolic vertical curves, as road builders lay them
out. The same run always gives the same bytes.
"""

from __future__ import annotations

import math
import sys
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

LANE_OFFSET_M = 4.0
"""Distance of the riders' line from the centre line; also the radius of the turn-around."""

VERTICAL_CURVE_M = 150.0
"""Length of the parabola that joins two grades."""

POINT_SPACING_M = 32.0
SMALLEST_SPACING_M = 3.0
SPACING_PER_RADIUS = 0.3
"""In bends points are this share of the radius apart, so that a chord hides little of the arc."""

EQUATOR_RADIUS_M = 6378137.0
ECCENTRICITY_SQUARED = 0.00669437999014
"""WGS84."""


@dataclass(frozen=True)
class Corner:
    """A corner of a road's centre line.

    Attributes
    ----------
    east_m, north_m : float
        Where the straights on both sides would meet, from the start (m).
    radius_m : float
        Radius of the arc that rounds the corner (m); no matter at the ends of a road.
    """

    east_m: float
    north_m: float
    radius_m: float = math.inf


@dataclass(frozen=True)
class Point:
    """A point of the riders' line: place and height (m)."""

    east_m: float
    north_m: float
    elevation_m: float


Heights = list[tuple[float, float]]
"""Heights (m) at distances along the unrounded centre line (m)."""

START = Corner(0.0, 0.0)
DYKE_BEND = Corner(-2700.0, 500.0, 60.0)
SHORE_FORK = Corner(-3900.0, 2000.0, 40.0)
WINDMILL = Corner(-6000.0, 2300.0, 80.0)
FOOT_OF_HILL = Corner(-7200.0, 1740.0, 18.0)
ON_THE_CLIMB = Corner(-7500.0, 3100.0, 45.0)
ON_THE_DESCENT = Corner(-6000.0, 4000.0, 35.0)
LIGHTHOUSE_FORK = Corner(-5600.0, 5300.0, 30.0)
LIGHTHOUSE_FORK_BACK = Corner(-5600.0, 5300.0, 14.0)
HAMLET = Corner(-4900.0, 5900.0, 50.0)
TURN = Corner(-4300.0, 6700.0)
SHORE_NORTH = Corner(-4300.0, 4700.0, 25.0)
SHORE_SOUTH = Corner(-4500.0, 3300.0, 70.0)

OUT = [
    START,
    DYKE_BEND,
    SHORE_FORK,
    WINDMILL,
    FOOT_OF_HILL,
    ON_THE_CLIMB,
    ON_THE_DESCENT,
    LIGHTHOUSE_FORK,
    HAMLET,
    TURN,
]
BACK = [TURN, HAMLET, LIGHTHOUSE_FORK_BACK, SHORE_NORTH, SHORE_SOUTH, SHORE_FORK, DYKE_BEND, START]

DYKE_HEIGHTS: Heights = [(0.0, 3.0), (1500.0, 2.0), (2750.0, 4.0), (3700.0, 2.5), (4667.0, 3.0)]
INLAND_HEIGHTS: Heights = [(4667.0, 3.0), (6400.0, 2.0), (8000.0, 6.0), (8250.0, 7.0)]
HILL_HEIGHTS: Heights = [
    (8250.0, 7.0),
    (8900.0, 38.0),
    (9700.0, 87.0),
    (10450.0, 126.0),
    (10600.0, 127.0),
    (11500.0, 68.0),
    (12350.0, 23.0),
    (12480.0, 18.0),
    (12614.0, 18.0),
]
LIGHTHOUSE_HEIGHTS: Heights = [
    (12614.0, 18.0),
    (12760.0, 18.0),
    (13100.0, 31.0),
    (13500.0, 22.0),
    (14050.0, 37.0),
    (14536.0, 28.0),
]
SHORE_HEIGHTS: Heights = [
    (0.0, 18.0),
    (150.0, 18.0),
    (650.0, 8.0),
    (1200.0, 20.0),
    (1900.0, 10.0),
    (2600.0, 16.0),
    (3400.0, 6.0),
    (4278.0, 3.0),
]

FLAT_ROAD = [
    Corner(0.0, 0.0),
    Corner(6500.0, 500.0, 600.0),
    Corner(13200.0, 300.0, 800.0),
    Corner(19985.0, 1000.0),
]


def demo_course() -> str:
    """The hilly demo course: out to a turn-around, back partly by another road; GPX text."""
    out_heights = DYKE_HEIGHTS[:-1] + INLAND_HEIGHTS[:-1] + HILL_HEIGHTS[:-1] + LIGHTHOUSE_HEIGHTS
    turn_m = out_heights[-1][0]
    fork_m, fork_back_m = LIGHTHOUSE_HEIGHTS[0][0], turn_m - LIGHTHOUSE_HEIGHTS[0][0]
    shore_end_m = fork_back_m + SHORE_HEIGHTS[-1][0]
    back_heights = (
        [
            (turn_m - distance, height)
            for distance, height in reversed(LIGHTHOUSE_HEIGHTS)
            if distance > fork_m
        ]
        + [(fork_back_m + distance, height) for distance, height in SHORE_HEIGHTS[:-1]]
        + [
            (shore_end_m + DYKE_HEIGHTS[-1][0] - distance, height)
            for distance, height in reversed(DYKE_HEIGHTS)
        ]
    )
    points = _ridden(OUT, out_heights)
    points += _turn_around(OUT[-2], OUT[-1], points[-1].elevation_m) + _ridden(BACK, back_heights)
    return _gpx("Made-up island: out to the lighthouse and back (invented course)", points, 55.2, 4.6)


def flat_course() -> str:
    """Twenty kilometres at 2 m above the sea, nearly straight; GPX text."""
    points = _ridden(FLAT_ROAD, [(0.0, 2.0), (30000.0, 2.0)])
    return _gpx("Made-up island: twenty flat kilometres (invented course)", points, 54.4, 4.6)


def _ridden(corners: list[Corner], heights: Heights) -> list[Point]:
    """Points of the riders' line along a road, to the right of its centre line."""
    points: list[Point] = []
    along_m = 0.0
    tangent_m = 0.0  # what the arc at the corner behind has taken of this straight
    for index in range(len(corners) - 1):
        here, there = corners[index], corners[index + 1]
        east, north, length_m = _direction(here, there)
        last = index == len(corners) - 2
        turn = 0.0 if last else _turn(corners[index : index + 3])
        next_tangent_m = 0.0 if last else there.radius_m * math.tan(abs(turn) / 2.0)
        if tangent_m + next_tangent_m > length_m:
            raise ValueError("the arcs at both ends of a straight overlap")
        straight_m = length_m - tangent_m - next_tangent_m
        n_straight = max(1, round(straight_m / POINT_SPACING_M))
        for step in range(n_straight if not last else n_straight + 1):
            at_m = tangent_m + straight_m * step / n_straight
            place = (here.east_m + at_m * east, here.north_m + at_m * north)
            points.append(_beside(place, (east, north), _height(heights, along_m + at_m)))
        if not last:
            points += _arc(there, (east, north), turn, heights, along_m + length_m, next_tangent_m)
        along_m += length_m
        tangent_m = next_tangent_m
    return points


def _arc(
    corner: Corner,
    direction: tuple[float, float],
    turn: float,
    heights: Heights,
    at_corner_m: float,
    tangent_m: float,
) -> list[Point]:
    """Points on the arc that rounds a corner, without its end; ``turn`` is positive to the left (rad)."""
    side = math.copysign(1.0, turn)
    left = (-direction[1], direction[0])
    centre_east = corner.east_m - tangent_m * direction[0] + side * corner.radius_m * left[0]
    centre_north = corner.north_m - tangent_m * direction[1] + side * corner.radius_m * left[1]
    spacing_m = min(POINT_SPACING_M, max(SMALLEST_SPACING_M, SPACING_PER_RADIUS * corner.radius_m))
    n_steps = max(2, round(corner.radius_m * abs(turn) / spacing_m))
    points = []
    for step in range(n_steps):
        angle = turn * step / n_steps
        ahead = _rotated(direction, angle)
        place = (
            centre_east + side * corner.radius_m * ahead[1],
            centre_north - side * corner.radius_m * ahead[0],
        )
        at_m = at_corner_m + tangent_m * (2.0 * step / n_steps - 1.0)
        points.append(_beside(place, ahead, _height(heights, at_m)))
    return points


def _turn_around(before: Corner, turn: Corner, height_m: float) -> list[Point]:
    """Points on the half circle to the left round the cone, without its two ends."""
    east, north, _ = _direction(before, turn)
    n_steps = max(4, round(math.pi * LANE_OFFSET_M / SMALLEST_SPACING_M))
    return [
        _beside((turn.east_m, turn.north_m), _rotated((east, north), math.pi * step / n_steps), height_m)
        for step in range(1, n_steps)
    ]


def _beside(place: tuple[float, float], direction: tuple[float, float], height_m: float) -> Point:
    """The riders' line beside a point of the centre line, on its right."""
    return Point(place[0] + LANE_OFFSET_M * direction[1], place[1] - LANE_OFFSET_M * direction[0], height_m)


def _direction(here: Corner, there: Corner) -> tuple[float, float, float]:
    """Unit vector from one corner to the next, and their distance (m)."""
    east, north = there.east_m - here.east_m, there.north_m - here.north_m
    length_m = math.hypot(east, north)
    return east / length_m, north / length_m, length_m


def _turn(corners: list[Corner]) -> float:
    """Change of direction at the middle one of three corners (rad), positive to the left."""
    east, north, _ = _direction(corners[0], corners[1])
    east_after, north_after, _ = _direction(corners[1], corners[2])
    return math.atan2(east * north_after - north * east_after, east * east_after + north * north_after)


def _rotated(direction: tuple[float, float], angle: float) -> tuple[float, float]:
    cosine, sine = math.cos(angle), math.sin(angle)
    return direction[0] * cosine - direction[1] * sine, direction[0] * sine + direction[1] * cosine


def _height(heights: Heights, at_m: float) -> float:
    """Height with vertical curves (m): the mean of the straight grades over one curve length around a point.

    The moving mean of two straight grades is the parabola that touches both.
    """
    half_m = VERTICAL_CURVE_M / 2.0
    return (_area(heights, at_m + half_m) - _area(heights, at_m - half_m)) / VERTICAL_CURVE_M


def _area(heights: Heights, at_m: float) -> float:
    """Integral of the straight grades from 0 to a distance (m2); level beyond both ends."""
    if at_m <= 0.0:
        return heights[0][1] * at_m
    total = 0.0
    index = min(bisect_right([distance for distance, _ in heights], at_m), len(heights)) - 1
    for (start_m, low), (end_m, high) in pairwise(heights[: index + 1]):
        total += 0.5 * (low + high) * (end_m - start_m)
    start_m, low = heights[index]
    rest_m = at_m - start_m
    if index == len(heights) - 1:
        return total + low * rest_m
    end_m, high = heights[index + 1]
    return total + rest_m * (low + 0.5 * (high - low) * rest_m / (end_m - start_m))


def _gpx(name: str, points: list[Point], latitude_deg: float, longitude_deg: float) -> str:
    """GPX 1.1 text of a track whose first centre-line point lies at the given place.

    Metres become degrees with the radii of curvature at that latitude; over these ten kilometres lengths are
    off by less than 0.1 %.
    """
    sine = math.sin(math.radians(latitude_deg))
    shape = 1.0 - ECCENTRICITY_SQUARED * sine * sine
    metre_per_degree_north = math.radians(EQUATOR_RADIUS_M * (1.0 - ECCENTRICITY_SQUARED) / shape**1.5)
    metre_per_degree_east = math.radians(
        EQUATOR_RADIUS_M / math.sqrt(shape) * math.cos(math.radians(latitude_deg))
    )
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="make_demo_course.py" xmlns="http://www.topografix.com/GPX/1/1">',
        f"  <metadata><name>{name}</name></metadata>",
        "  <trk>",
        f"    <name>{name}</name>",
        "    <trkseg>",
        *(
            f'      <trkpt lat="{latitude_deg + point.north_m / metre_per_degree_north:.7f}" '
            f'lon="{longitude_deg + point.east_m / metre_per_degree_east:.7f}">'
            f"<ele>{point.elevation_m:.2f}</ele></trkpt>"
            for point in points
        ),
        "    </trkseg>",
        "  </trk>",
        "</gpx>",
        "",
    ]
    return "\n".join(lines)


def write_courses(folder: Path) -> None:
    """Write both courses below a folder (its sub-folders ``demo`` and ``flat-three``)."""
    for name, text in (("demo", demo_course()), ("flat-three", flat_course())):
        target = folder / name / "course.gpx"
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(text.encode("utf-8"))


if __name__ == "__main__":
    write_courses(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
