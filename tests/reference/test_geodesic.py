"""Lengths and headings against geographiclib, an implementation of geodesics independent of the one used.

Source of the algorithm: Karney, C. F. F. (2013), Algorithms for geodesics, Journal of Geodesy 87.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from ttt_opt.course import read_course

EARTH = Geodesic.WGS84


def loop(latitude: float, longitude: float, size_m: float, n_points: int) -> list[tuple[float, float]]:
    points = []
    for i in range(n_points):
        line = EARTH.Direct(latitude, longitude, 300.0 * i / (n_points - 1), size_m)
        points.append((line["lat2"], line["lon2"]))
    return points


def write(folder: Path, points: list[tuple[float, float]]) -> Path:
    inner = "\n".join(f'<trkpt lat="{lat:.9f}" lon="{lon:.9f}"/>' for lat, lon in points)
    file = folder / "loop.gpx"
    file.write_text(f"<gpx><trk><trkseg>{inner}</trkseg></trk></gpx>")
    return file


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(0.0, 0.5), (50.9, 5.8), (-37.8, 144.9), (69.6, 18.9), (20.0, 179.99), (-45.0, -179.99)],
)
@pytest.mark.parametrize("size_m", [2000.0, 8000.0])
def test_length_of_a_loop(tmp_path: Path, latitude: float, longitude: float, size_m: float) -> None:
    points = loop(latitude, longitude, size_m, 400)
    expected = sum(EARTH.Inverse(*here, *there)["s12"] for here, there in itertools.pairwise(points))
    course = read_course(write(tmp_path, points), flat=True)
    assert course.length_m == pytest.approx(expected, abs=0.01)


def test_headings_of_a_loop(tmp_path: Path) -> None:
    course = read_course(write(tmp_path, loop(50.9, 5.8, 8000.0, 800)), flat=True)
    samples = list(zip(course.latitude_deg.tolist(), course.longitude_deg.tolist(), strict=True))
    expected = np.array([EARTH.Inverse(*here, *there)["azi1"] for here, there in itertools.pairwise(samples)])
    off = (course.heading_deg[:-1] - expected + 180.0) % 360.0 - 180.0
    assert np.abs(off[3:-3]).max() < 0.5
    steps = [EARTH.Inverse(*here, *there)["s12"] for here, there in itertools.pairwise(samples)]
    assert np.allclose(steps, course.distance_m[1], rtol=1e-3)
