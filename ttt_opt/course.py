"""The course as riders meet it: distance, smoothed elevation, heading and bends, from a GPX file."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod
from scipy.linalg import solveh_banded
from scipy.ndimage import gaussian_filter1d, median_filter

from ttt_opt.errors import InputError
from ttt_opt.gpx import RawTrack, read_track

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

STEP_M = 10.0
SHORTEST_COURSE_M, LONGEST_COURSE_M = 500.0, 300_000.0
COARSEST_SPACING_M = 500.0
JOIN_WITHIN_M = 500.0
JUMP_M = 300.0
JUMP_SPACINGS = 10.0
LONGEST_BRIDGE_M = 5_000.0
STRAY_POINTS = 5
THINNING_M = 2.0
LONGEST_ELEVATION_GAP_M = 1_000.0
UNKNOWN_IF_ZERO_OVER_M = 2_000.0
SMOOTHING_WAVELENGTH_M = 300.0
CLIMB_DEAD_BAND_M = 2.0
STEEPEST_GRADE = 0.25
ELEVATION_ERROR_M = 10.0
ELEVATION_ERROR_GRADE = 0.35
PATH_TOLERANCE_M = 5.0
TIGHTEST_RADIUS_M = 5.0
WIDEST_BEND_RADIUS_M = 300.0

_WGS84 = Geod(ellps="WGS84")
_SIMPLIFY_BLOCK_M = 5_000.0


@dataclass(frozen=True)
class Course:
    """A course, sampled at equal distances.

    Attributes
    ----------
    name : str
    distance_m : ndarray (n_samples,)
        From 0 to the length of the course, in equal steps of about 10 m.
    elevation_m : ndarray (n_samples,)
        Smoothed elevation (m); no step is steeper than 25 %.
    latitude_deg, longitude_deg : ndarray (n_samples,)
        WGS84 (degrees).
    heading_deg : ndarray (n_samples,)
        Direction of travel, clockwise from north (degrees, 0 to 360).
    bend_radius_m : ndarray (n_samples,)
        Radius of the bend the sample lies in (m), ``inf`` where the road is as good as straight.
    repairs : tuple of str
        What was repaired or assumed, in readable sentences.
    total_climb_m : float
        Sum of all rises of at least 2 m in the smoothed profile (m).
    """

    name: str
    distance_m: FloatArray
    elevation_m: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    heading_deg: FloatArray
    bend_radius_m: FloatArray
    repairs: tuple[str, ...]
    total_climb_m: float

    def __post_init__(self) -> None:
        n_samples = len(self.distance_m)
        for key in ("elevation_m", "latitude_deg", "longitude_deg", "heading_deg", "bend_radius_m"):
            if getattr(self, key).shape != (n_samples,):
                raise ValueError(f"{key} must have one value per sample ({n_samples})")
        steps = np.diff(self.distance_m)
        if n_samples < 2 or self.distance_m[0] != 0.0 or not np.allclose(steps, steps[0]) or steps[0] <= 0.0:
            raise ValueError("distance_m must rise from 0 in equal steps")
        if not np.isfinite(self.elevation_m).all() or not (self.bend_radius_m > 0.0).all():
            raise ValueError("elevation_m must be finite and bend_radius_m positive")

    @property
    def length_m(self) -> float:
        """Length of the course (m)."""
        return float(self.distance_m[-1])

    @property
    def grade(self) -> FloatArray:
        """Rise over run of each interval between samples, (n_samples - 1,)."""
        return np.diff(self.elevation_m) / np.diff(self.distance_m)


@dataclass(frozen=True)
class _Path:
    """Points in riding order; distances between neighbours are at least about 2 m."""

    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation_m: FloatArray

    def __len__(self) -> int:
        return len(self.latitude_deg)

    def __getitem__(self, chosen: slice | NDArray[np.bool_]) -> _Path:
        return _Path(self.latitude_deg[chosen], self.longitude_deg[chosen], self.elevation_m[chosen])

    def steps(self) -> tuple[FloatArray, FloatArray]:
        """Azimuth (rad) and length (m) of each step on the WGS84 ellipsoid."""
        azimuth, _, length = _WGS84.inv(
            self.longitude_deg[:-1], self.latitude_deg[:-1], self.longitude_deg[1:], self.latitude_deg[1:]
        )
        return np.radians(azimuth), np.asarray(length, dtype=np.float64)

    def distance(self) -> FloatArray:
        """Distance of each point along the path (m)."""
        return np.concatenate(([0.0], np.cumsum(self.steps()[1])))


def _km(distance_m: float) -> str:
    return f"km {distance_m / 1000.0:.2f}"


def _gap(before: _Path, after: _Path) -> float:
    """Distance from the end of one path to the start of the next (m)."""
    return float(
        _WGS84.inv(
            before.longitude_deg[-1], before.latitude_deg[-1], after.longitude_deg[0], after.latitude_deg[0]
        )[2]
    )


def _concatenate(pieces: list[_Path]) -> _Path:
    return _Path(
        np.concatenate([piece.latitude_deg for piece in pieces]),
        np.concatenate([piece.longitude_deg for piece in pieces]),
        np.concatenate([piece.elevation_m for piece in pieces]),
    )


def _pieces(track: RawTrack, notes: list[str]) -> list[_Path]:
    """The segments of the track, cut where neighbours lie absurdly far apart, without repeated points."""
    whole = _Path(track.latitude_deg, track.longitude_deg, track.elevation_m)
    bounds = [*track.segment_starts, len(whole)]
    null_island = repeated = 0
    pieces = []
    for start, end in itertools.pairwise(bounds):
        piece = whole[start:end]
        no_fix = (piece.latitude_deg == 0.0) & (piece.longitude_deg == 0.0)
        if no_fix.any():
            null_island += int(no_fix.sum())
            piece = piece[~no_fix]
        if len(piece) < 2:
            pieces.append(piece)
            continue
        length = piece.steps()[1]
        repeated += int((length < 0.1).sum())
        bucket = np.floor(np.concatenate(([0.0], np.cumsum(length))) / THINNING_M)
        keep = np.concatenate(([True], np.diff(bucket) > 0.0))
        piece = piece[keep]
        breaks = np.flatnonzero(piece.steps()[1] > LONGEST_BRIDGE_M) + 1
        edges = [0, *breaks.tolist(), len(piece)]
        pieces.extend(piece[a:b] for a, b in itertools.pairwise(edges))
    if null_island:
        notes.append(f"{null_island} points at latitude 0, longitude 0 (no satellite fix) were left out.")
    if repeated:
        notes.append(f"{repeated} repeated points were left out.")
    return [piece for piece in pieces if len(piece) > 0]


def _join(pieces: list[_Path], notes: list[str]) -> _Path:
    """Join pieces whose ends meet, in file order or backwards, and take the longest run."""

    def gaps(order: list[_Path]) -> list[float]:
        return [_gap(a, b) for a, b in itertools.pairwise(order)]

    def cost(order: list[_Path]) -> tuple[int, float]:
        found = gaps(order)
        return sum(gap > JOIN_WITHIN_M for gap in found), sum(found)

    if len(pieces) == 1:
        return pieces[0]
    order = pieces
    how = "in the order of the file"
    if cost(pieces[::-1]) < cost(pieces):
        order = pieces[::-1]
        how = "last piece first, because their ends meet that way"
    runs = [[order[0]]]
    for piece, gap in zip(order[1:], gaps(order), strict=True):
        if gap <= JOIN_WITHIN_M:
            runs[-1].append(piece)
        else:
            runs.append([piece])
    joined = [_concatenate(run) for run in runs]
    lengths = [path.distance()[-1] for path in joined]
    longest = int(np.argmax(lengths))
    run = runs[longest]
    if len(run) > 1:
        widest = max(gaps(run))
        notes.append(
            f"The track consists of {len(run)} pieces; they were joined {how}, "
            f"the widest gap ({widest:.0f} m) by a straight line."
        )
    if len(runs) > 1:
        rest = sum(lengths) - lengths[longest]
        notes.append(
            f"The file falls apart into {len(runs)} stretches more than {JOIN_WITHIN_M:g} m apart; the "
            f"longest ({lengths[longest] / 1000.0:.2f} km) is the course, the others "
            f"({rest / 1000.0:.2f} km in all) are left out."
        )
    return joined[longest]


def _jumps(path: _Path, notes: list[str]) -> _Path:
    """Leave out stray first and last points, and report the jumps that a straight line bridges."""
    length = path.steps()[1]
    limit = max(JUMP_M, JUMP_SPACINGS * float(np.median(length)))
    jumps = np.flatnonzero(length > limit)
    start = max((int(i) + 1 for i in jumps if i < STRAY_POINTS and i < len(length) // 10), default=0)
    end = min(
        (int(i) + 1 for i in jumps if i >= len(length) - STRAY_POINTS and i > 9 * len(length) // 10),
        default=len(path),
    )
    if start > 0:
        notes.append(
            f"The first {start} points lie {length[start - 1]:.0f} m off the rest and were left out."
        )
    if end < len(path):
        notes.append(
            f"The last {len(path) - end} points lie {length[end - 1]:.0f} m off the rest and were left out."
        )
    path, length = path[start:end], length[start : end - 1]
    distance = np.concatenate(([0.0], np.cumsum(length)))
    bridged = np.flatnonzero(length > limit)
    if len(bridged) > 3:
        notes.append(
            f"At {len(bridged)} places the track jumps by {length[bridged].min():.0f} to "
            f"{length[bridged].max():.0f} m; straight lines bridge them."
        )
    else:
        notes.extend(
            f"At {_km(distance[i])} the track jumps by {length[i]:.0f} m; a straight line bridges it."
            for i in bridged
        )
    return path


def _known_elevation(file: str, distance: FloatArray, elevation: FloatArray, notes: list[str]) -> FloatArray:
    """Elevation of every point, short gaps filled along a straight line."""
    known = np.isfinite(elevation)
    remedy = "add elevation to the file, or set flat = true to treat the course as level"
    if not known.any():
        raise InputError(file, "elevation", f"the course has none; {remedy}")
    if (elevation[known] == 0.0).all() and distance[-1] > UNKNOWN_IF_ZERO_OVER_M:
        raise InputError(file, "elevation", f"is 0 at every point, which means unknown; {remedy}")
    edges = np.concatenate(([0.0], distance[known], [distance[-1]]))
    widest = int(np.argmax(np.diff(edges)))
    if not known.all():
        if edges[widest + 1] - edges[widest] > LONGEST_ELEVATION_GAP_M:
            raise InputError(
                file,
                "elevation",
                f"is missing from {_km(edges[widest])} to {_km(edges[widest + 1])}, and at most "
                f"{LONGEST_ELEVATION_GAP_M:g} m can be filled; {remedy}",
            )
        notes.append(f"Missing elevation of {int((~known).sum())} points was filled along straight lines.")
    return np.interp(distance, distance[known], elevation[known])


def _believable_elevation(distance: FloatArray, elevation: FloatArray, notes: list[str]) -> FloatArray:
    """Elevation without single wild points and without steps that no road has."""
    length = np.diff(distance)
    reach = np.maximum(np.append(length, length[-1]), np.insert(length, 0, length[0]))
    limit = np.maximum(ELEVATION_ERROR_M, ELEVATION_ERROR_GRADE * reach)
    if len(elevation) >= 5:
        usual = median_filter(elevation, size=5, mode="mirror")
        wild = np.abs(elevation - usual) > limit
        if wild.any():
            worst = float(np.abs(elevation - usual)[wild].max())
            notes.append(
                f"{int(wild.sum())} elevations up to {worst:.0f} m off their neighbours were replaced."
            )
            elevation = np.interp(distance, distance[~wild], elevation[~wild])
    rise = np.diff(elevation)
    steps = np.flatnonzero(np.abs(rise) > np.maximum(ELEVATION_ERROR_M, ELEVATION_ERROR_GRADE * length))
    if len(steps):
        notes.append(
            f"Elevation steps at {len(steps)} places, the largest {np.abs(rise[steps]).max():.0f} m at "
            f"{_km(distance[steps[np.argmax(np.abs(rise[steps]))]])}, are no road and were taken out."
        )
        rise[steps] = 0.0
        elevation = elevation[0] + np.concatenate(([0.0], np.cumsum(rise)))
    return elevation


def smooth_elevation(elevation_m: FloatArray, step_m: float) -> FloatArray:
    """Smoothed elevation by penalised least squares.

    Parameters
    ----------
    elevation_m : ndarray (n_samples,)
        Elevation at equal distances (m).
    step_m : float
        Distance between samples (m).

    Returns
    -------
    ndarray (n_samples,)
        Minimiser of the squared deviations plus a multiple of the squared second differences (m).

    Notes
    -----
    The multiple is chosen so that undulations of 300 m wavelength keep half their height; those of 1 km keep
    99 %, those of 100 m 1 %. A constant grade passes unchanged.

    References
    ----------
    Whittaker, E. T. (1923), On a new method of graduation, Proceedings of the Edinburgh Mathematical
    Society 41.
    """
    n_samples = len(elevation_m)
    weight = (2.0 * math.sin(math.pi * step_m / SMOOTHING_WAVELENGTH_M)) ** -4
    bands = np.zeros((3, n_samples))
    for offset, coefficient in enumerate((1.0, -2.0, 1.0)):
        window = slice(offset, n_samples - 2 + offset)
        bands[2, window] += weight * coefficient**2
    bands[1, 1:-1] += -2.0 * weight
    bands[1, 2:] += -2.0 * weight
    bands[0, 2:] += weight
    bands[2] += 1.0
    return np.asarray(solveh_banded(bands, elevation_m), dtype=np.float64)


def climb(elevation_m: FloatArray, dead_band_m: float = CLIMB_DEAD_BAND_M) -> float:
    """Sum of the rises of a profile that exceed a dead band (m); smaller undulations do not count."""
    lowest = highest = float(elevation_m[0])
    total = 0.0
    rising = False
    for value in elevation_m.tolist():
        if rising:
            if value > highest:
                highest = value
            elif value < highest - dead_band_m:
                total += highest - lowest
                rising, lowest = False, value
        elif value < lowest:
            lowest = value
        elif value > lowest + dead_band_m:
            rising, highest = True, value
    return total + (highest - lowest if rising else 0.0)


def _away(x: FloatArray, y: FloatArray, first: int, last: int) -> FloatArray:
    """Distance of the points between two others from the straight line that joins these (m)."""
    dx, dy = x[last] - x[first], y[last] - y[first]
    px, py = x[first + 1 : last] - x[first], y[first + 1 : last] - y[first]
    squared = dx * dx + dy * dy
    share = np.clip((px * dx + py * dy) / squared, 0.0, 1.0) if squared > 0.0 else np.zeros_like(px)
    return np.asarray(np.hypot(px - share * dx, py - share * dy), dtype=np.float64)


def _corners_between(x: FloatArray, y: FloatArray, first: int, last: int) -> list[int]:
    """Inner vertices of the simplest line within the tolerance, by repeatedly adding the farthest point."""
    found = []
    open_ranges = [(first, last)]
    while open_ranges:
        a, b = open_ranges.pop()
        if b - a < 2:
            continue
        away = _away(x, y, a, b)
        farthest = int(np.argmax(away))
        if away[farthest] > PATH_TOLERANCE_M:
            middle = a + 1 + farthest
            found.append(middle)
            open_ranges += [(a, middle), (middle, b)]
    return sorted(found)


def _corners(x: FloatArray, y: FloatArray, distance: FloatArray) -> IntArray:
    """Vertices of a line that stays within the tolerance of the path, block by block for bounded effort."""
    n_blocks = max(1, math.ceil(distance[-1] / _SIMPLIFY_BLOCK_M))
    seams = np.unique(
        np.concatenate(
            ([0], np.searchsorted(distance, np.arange(1, n_blocks) * _SIMPLIFY_BLOCK_M), [len(x) - 1])
        )
    )
    corners = [0]
    for a, b in zip(seams[:-1].tolist(), seams[1:].tolist(), strict=True):
        inner = _corners_between(x, y, a, b)
        if a > 0:  # the seam itself is a corner only if the path bends there
            after = inner[0] if inner else b
            corners += _corners_between(x, y, corners[-1], after)
        corners += inner
    corners.append(len(x) - 1)
    return np.unique(corners)


def corner_radius(turn_rad: float | FloatArray, shorter_leg_m: float | FloatArray) -> FloatArray:
    """Radius at which riders take a corner of which only the angle and the roads to and from it are known.

    Parameters
    ----------
    turn_rad : float or ndarray
        Change of heading at the corner (rad), 0 to pi.
    shorter_leg_m : float or ndarray
        Shorter of the two straights that meet in the corner (m).

    Returns
    -------
    ndarray
        Radius (m), at least 5 m.

    Notes
    -----
    The arc may leave the corner point by at most 5 m (what a road's width and the error of a satellite fix
    allow), and may use at most half of each straight, the rest belongs to the next corner. So a corner of 90
    degrees between long straights gets 12 m, of 60 degrees 32 m, of 45 degrees 61 m; a turn-around gets the
    tightest radius of 5 m. Where the path follows a wider bend, its vertices come so close that the second
    rule gives that bend's own radius. The 5 m are our assumption.
    """
    half = np.minimum(np.asarray(turn_rad, dtype=np.float64), math.pi - 1e-9) / 2.0
    with np.errstate(divide="ignore"):
        within_road = PATH_TOLERANCE_M / (1.0 / np.cos(half) - 1.0)
        within_legs = np.asarray(shorter_leg_m, dtype=np.float64) / 2.0 / np.tan(half)
    return np.maximum(np.minimum(within_road, within_legs), TIGHTEST_RADIUS_M)


def _bend_radius(path: _Path, samples: FloatArray) -> FloatArray:
    """Radius of the bend at each sample (m), ``inf`` outside bends."""
    azimuth, length = path.steps()
    distance = np.concatenate(([0.0], np.cumsum(length)))
    x = np.concatenate(([0.0], np.cumsum(length * np.sin(azimuth))))
    y = np.concatenate(([0.0], np.cumsum(length * np.cos(azimuth))))
    corners = _corners(x, y, distance)
    radius = np.full(len(samples), np.inf)
    if len(corners) < 3:
        return radius
    leg = np.hypot(np.diff(x[corners]), np.diff(y[corners]))
    course = np.arctan2(np.diff(x[corners]), np.diff(y[corners]))
    turn = np.abs((np.diff(course) + math.pi) % (2.0 * math.pi) - math.pi)
    shorter = np.minimum(leg[:-1], leg[1:])
    found = corner_radius(turn, shorter)
    half_arc = np.minimum(found * turn / 2.0, np.maximum(shorter / 2.0, TIGHTEST_RADIUS_M))
    step = samples[1] - samples[0]
    for at, bend, reach in zip(distance[corners[1:-1]], found, half_arc, strict=True):
        if bend < WIDEST_BEND_RADIUS_M:
            first, last = round((at - reach) / step), round((at + reach) / step)
            window = slice(max(first, 0), min(last, len(samples) - 1) + 1)
            radius[window] = np.minimum(radius[window], bend)
    return radius


def _heading(latitude: FloatArray, longitude: FloatArray) -> FloatArray:
    """Direction of travel at each sample (degrees), averaged over about 50 m of road."""
    azimuth = _Path(latitude, longitude, latitude).steps()[0]
    sine = gaussian_filter1d(np.sin(azimuth), 2.0, mode="nearest")
    cosine = gaussian_filter1d(np.cos(azimuth), 2.0, mode="nearest")
    unclear = np.hypot(sine, cosine) < 0.3  # at a turn-around the average says nothing
    smooth = np.where(unclear, azimuth, np.arctan2(sine, cosine))
    return np.asarray(np.degrees(np.append(smooth, smooth[-1])) % 360.0, dtype=np.float64)


def read_course(path: Path, *, flat: bool = False) -> Course:
    """Read a course from a GPX file, repairing what real files get wrong.

    Parameters
    ----------
    path : Path
        GPX file.
    flat : bool
        Treat the course as level, whatever the file says about elevation.

    Returns
    -------
    Course

    Raises
    ------
    InputError
        The file is no usable GPX (see :func:`ttt_opt.gpx.read_track`), is shorter than 500 m or longer than
        300 km, is too coarse (points more than 500 m apart for most of the way) or lacks elevation.

    Notes
    -----
    Distances are geodesics on the WGS84 ellipsoid. Track segments are joined in file order, or backwards if
    their ends meet better so, over gaps of up to 500 m; otherwise the longest joined run is the course. Jumps
    of more than 300 m (and ten times the usual spacing) are bridged by straight lines up to 5 km. Elevation:
    single points off by more than 10 m (or 35 % of the distance to their neighbours) are replaced, larger
    steps taken out, gaps up to 1 km filled, then smoothed, see :func:`smooth_elevation`. Bends: see
    :func:`corner_radius`. Times in the file are not used.
    """
    file = str(path)
    track = read_track(path)
    notes = list(track.notes)
    track_path = _join(_pieces(track, notes), notes)
    if len(track_path) < 2:
        raise InputError(file, "", "all points of the track are at one place; a course must lead somewhere")
    track_path = _jumps(track_path, notes)
    distance = track_path.distance()
    length = float(distance[-1])
    if not SHORTEST_COURSE_M <= length <= LONGEST_COURSE_M:
        raise InputError(
            file,
            "",
            f"the course is {length:.0f} m long; allowed is {SHORTEST_COURSE_M:.0f} to "
            f"{LONGEST_COURSE_M:.0f} m",
        )
    spacing = np.diff(distance)
    typical = float(np.sum(spacing**2) / length)
    if typical > COARSEST_SPACING_M:
        raise InputError(
            file,
            "",
            f"the points lie {typical:.0f} m apart along most of the way; at most {COARSEST_SPACING_M:g} m "
            "is usable",
        )
    samples = np.linspace(0.0, length, int(length / STEP_M) + 1)
    step = float(samples[1])
    if flat:
        elevation = np.zeros(len(samples))
        notes.append("The course is treated as level, as asked.")
    else:
        known = _known_elevation(file, distance, track_path.elevation_m, notes)
        believable = _believable_elevation(distance, known, notes)
        smooth = smooth_elevation(np.interp(samples, distance, believable), step)
        grade = np.diff(smooth) / step
        steep = int((np.abs(grade) > STEEPEST_GRADE).sum())
        if steep:
            notes.append(
                f"Grades up to {100.0 * np.abs(grade).max():.0f} % along {steep * step:.0f} m were cut to "
                f"{100.0 * STEEPEST_GRADE:.0f} %."
            )
        rises = np.clip(grade, -STEEPEST_GRADE, STEEPEST_GRADE) * step
        elevation = smooth[0] + np.concatenate(([0.0], np.cumsum(rises)))
    longitude_unwrapped = np.unwrap(track_path.longitude_deg, period=360.0)
    latitude = np.interp(samples, distance, track_path.latitude_deg)
    longitude = (np.interp(samples, distance, longitude_unwrapped) + 180.0) % 360.0 - 180.0
    return Course(
        name=track.name,
        distance_m=samples,
        elevation_m=elevation,
        latitude_deg=latitude,
        longitude_deg=longitude,
        heading_deg=_heading(latitude, longitude),
        bend_radius_m=_bend_radius(track_path, samples),
        repairs=tuple(notes),
        total_climb_m=climb(elevation),
    )
