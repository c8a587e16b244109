"""The course as riders meet it: distance, smoothed elevation, heading and bends, from a GPX file."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod
from scipy.linalg import cho_solve_banded, cholesky_banded, solveh_banded
from scipy.ndimage import median_filter

from ttt_opt.errors import InputError
from ttt_opt.gpx import RawTrack, count_of, read_track
from ttt_opt.terminal_names import printable

FloatArray = NDArray[np.float64]

STEP_M = 10.0
SHORTEST_COURSE_M, LONGEST_COURSE_M = 500.0, 300_000.0
COARSEST_SPACING_M = 500.0
JOIN_WITHIN_M = 500.0
JUMP_M = 300.0
JUMP_SPACINGS = 10.0
LONGEST_BRIDGE_M = 5_000.0
LARGEST_BRIDGED_SHARE = 0.25
STRAY_POINTS = 5
THINNING_M = 2.0
LONGEST_ELEVATION_GAP_M = 1_000.0
UNKNOWN_IF_ZERO_OVER_M = 2_000.0
SMOOTHING_WAVELENGTH_M = 300.0
CLIMB_DEAD_BAND_M = 2.0
STEEPEST_GRADE = 0.25
ELEVATION_ERROR_M = 10.0
ELEVATION_ERROR_GRADE = 0.35
PATH_TOLERANCE_M = 3.0
TIGHTEST_RADIUS_M = 5.0
WIDEST_BEND_RADIUS_M = 300.0
ROUNDS = 100
ROUND_WEIGHT = 0.01
MOST_ARC_POINTS = 8
ARC_NEIGHBOUR_SHARE = 0.25
LARGEST_SHARE_OF_ARC = 0.6
ARC_OVER_SCATTER = 14.0
SMALLEST_ARC_M = 0.1
LINE_FREEDOM_M = 0.2

_WGS84 = Geod(ellps="WGS84")


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
        lon, lat = self.longitude_deg, self.latitude_deg
        if len(self) == 2:  # pyproj takes arrays of one for numbers, of which numpy 2.0 warns
            azimuth, _, length = _WGS84.inv(lon[0], lat[0], lon[1], lat[1])
        else:
            azimuth, _, length = _WGS84.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
        return np.radians(np.atleast_1d(azimuth)), np.atleast_1d(np.asarray(length, dtype=np.float64))

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
        notes.append(
            f"{count_of(null_island, 'point')} at latitude 0, longitude 0 (no satellite fix) left out."
        )
    if repeated:
        notes.append(f"{count_of(repeated, 'repeated point')} left out.")
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


def _jumps(file: str, path: _Path, notes: list[str]) -> _Path:
    """Leave out stray first and last points, report the jumps that a straight line bridges."""
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
            f"Left out the first {count_of(start, 'point')}, {length[start - 1]:.0f} m off the rest."
        )
    if end < len(path):
        notes.append(
            f"Left out the last {count_of(len(path) - end, 'point')}, {length[end - 1]:.0f} m off the rest."
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
    share = float(length[bridged].sum()) / float(length.sum())
    if share > LARGEST_BRIDGED_SHARE:
        raise InputError(
            file,
            "",
            f"{100.0 * share:.0f} % of the way are jumps between far-off points; at most "
            f"{100.0 * LARGEST_BRIDGED_SHARE:.0f} % can be bridged, record or plan the course again",
        )
    followed = length[length <= limit]
    typical = float(np.sum(followed**2) / np.sum(followed))
    if typical > COARSEST_SPACING_M:
        raise InputError(
            file,
            "",
            f"the points lie {typical:.0f} m apart along most of the way; at most {COARSEST_SPACING_M:g} m "
            "is usable",
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
        notes.append(
            f"Missing elevation of {count_of(int((~known).sum()), 'point')} filled along straight lines."
        )
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
                f"{count_of(int(wild.sum()), 'elevation')} up to {worst:.0f} m off the neighbours replaced."
            )
            elevation = np.interp(distance, distance[~wild], elevation[~wild])
    rise = np.diff(elevation)
    steps = np.flatnonzero(np.abs(rise) > np.maximum(ELEVATION_ERROR_M, ELEVATION_ERROR_GRADE * length))
    if len(steps):
        notes.append(
            f"{count_of(len(steps), 'elevation step')} that no road has taken out, the largest "
            f"{np.abs(rise[steps]).max():.0f} m at {_km(distance[steps[np.argmax(np.abs(rise[steps]))]])}."
        )
        rise[steps] = 0.0
        elevation = elevation[0] + np.concatenate(([0.0], np.cumsum(rise)))
    return elevation


def _second_difference_bands(n_samples: int, weight: float) -> FloatArray:
    """Upper bands of the unit matrix plus a multiple of the squared second-difference operator."""
    bands = np.zeros((3, n_samples))
    for offset, coefficient in enumerate((1.0, -2.0, 1.0)):
        bands[2, offset : n_samples - 2 + offset] += weight * coefficient**2
    bands[1, 1:-1] -= 2.0 * weight
    bands[1, 2:] -= 2.0 * weight
    bands[0, 2:] = weight
    bands[2] += 1.0
    return bands


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
    weight = (2.0 * math.sin(math.pi * step_m / SMOOTHING_WAVELENGTH_M)) ** -4
    bands = _second_difference_bands(len(elevation_m), weight)
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


def smoothest_line(x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smoothest line that stays within 3 m of a path.

    Parameters
    ----------
    x_m, y_m : ndarray (n_points,)
        Points of the path at equal distances along it (m).

    Returns
    -------
    x_m, y_m : ndarray (n_points,)
        Points of the line with the least sum of squared second differences, each within 3 m of its own.

    Notes
    -----
    The tolerance stands for two things at once: the error of a satellite fix, and the width of road on which
    riders straighten a corner. It leaves bends of 90 degrees as they
    are (radius 40 m: 41 m), widens those of smaller turn (see :func:`arc_radius`) and gives a corner that
    is one point of a planned course a radius by its angle alone: 30 degrees 138 m, 45 degrees 60 m, 60
    degrees 33 m, 90 degrees 12 m, 120 degrees 5 m. The 3 m are our choice. A convex problem, solved by 100
    rounds of the alternating direction method of multipliers with one banded factorisation.

    References
    ----------
    Boyd, S. et al. (2011), Distributed optimization and statistical learning via the alternating direction
    method of multipliers, Foundations and Trends in Machine Learning 3, section 5.
    """
    path = np.column_stack([x_m, y_m])
    factor = cholesky_banded(_second_difference_bands(len(path), 1.0 / ROUND_WEIGHT) * ROUND_WEIGHT)
    near, price = path.copy(), np.zeros_like(path)
    line = path
    for _ in range(ROUNDS):
        line = cho_solve_banded((factor, False), ROUND_WEIGHT * (near - price))
        away = line + price - path
        reach = np.hypot(away[:, 0], away[:, 1])[:, None]
        near = path + away * np.minimum(1.0, PATH_TOLERANCE_M / np.maximum(reach, 1e-9))
        price += line - near
    return line[:, 0], line[:, 1]


def line_radius(x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Radius of a line at each of its points, from the turn over two points either side (m).

    Parameters
    ----------
    x_m, y_m : ndarray (n_points,)
        Points about 5 m apart (m).

    Returns
    -------
    ndarray (n_points,)
        At least 5 m (a turn-around on the spot is ridden at that radius: our choice); ``inf`` above 300 m
        and at the first and last two points.
    """
    reach = 2
    radius = np.full(len(x_m), np.inf)
    dx, dy = x_m[reach:] - x_m[:-reach], y_m[reach:] - y_m[:-reach]
    length = np.hypot(dx, dy)
    across = dx[:-reach] * dy[reach:] - dy[:-reach] * dx[reach:]
    along = dx[:-reach] * dx[reach:] + dy[:-reach] * dy[reach:]
    turn = np.abs(np.arctan2(across, along))
    found = (length[:-reach] + length[reach:]) / 2.0 / np.maximum(turn, 1e-9)
    radius[reach:-reach] = np.where(
        found < WIDEST_BEND_RADIUS_M, np.maximum(found, TIGHTEST_RADIUS_M), np.inf
    )
    return radius


def arc_radius(azimuth_rad: FloatArray, length_m: FloatArray, samples_m: FloatArray) -> FloatArray:
    """Radius of the arcs that several points of a path outline, at each sample (m).

    Parameters
    ----------
    azimuth_rad, length_m : ndarray (n_points - 1,)
        Direction (rad) and length (m) of each step from point to point.
    samples_m : ndarray (n_samples,)
        Distances along the path (m), in equal steps.

    Returns
    -------
    ndarray (n_samples,)
        At least 5 m; ``inf`` above 300 m and where no points outline an arc.

    Notes
    -----
    The smoothest line within 3 m turns a bend of 40 degrees with a radius of 56 m into one of 113 m; this
    keeps such a bend as tight as it is. The radius of up to eight neighbouring points that turn to one side
    is their length over their turn. They outline an arc if the points on both sides of them turn that way
    too, by at least a quarter as much, or if they are three or more and none turns by more than 60 % of the
    whole; else they are a corner of a planned course. The turn times half the spacing must exceed 0.1 m and
    14 times the lower quartile of how far the points of the file lie off the straight between their
    neighbours, about 4.5 standard deviations of noise. Riders are given 0.2 m to straighten the bend: from a
    turn of 32 degrees on that adds at most 5 m to the radius, while a kink of 14 degrees is hardly a bend.
    All these figures are our choice.
    """
    half = (length_m[:-1] + length_m[1:]) / 2.0
    turn = (np.diff(azimuth_rad) + math.pi) % (2.0 * math.pi) - math.pi
    radius = np.full(len(samples_m), np.inf)
    if len(turn) < 3:
        return radius
    offset = np.abs(turn) * length_m[:-1] * length_m[1:] / (2.0 * half)
    least = max(ARC_OVER_SCATTER * float(np.quantile(offset, 0.25)), SMALLEST_ARC_M)
    side = np.sign(turn)
    run = np.concatenate(([0], np.cumsum(np.diff(side) != 0.0)))
    run_turn = np.bincount(run, np.abs(turn))[run]
    turned = np.concatenate(([0.0], np.cumsum(np.abs(turn))))
    covered = np.concatenate(([0.0], np.cumsum(half)))
    position = np.cumsum(length_m)[:-1]
    for n_points in range(1, min(MOST_ARC_POINTS, len(turn) - 2) + 1):
        first = np.arange(1, len(turn) - n_points)
        last = first + n_points - 1
        total = turned[last + 1] - turned[first]
        size = covered[last + 1] - covered[first]
        arc = (run[first] == run[last]) & (total * size / (2.0 * n_points) > least)
        if n_points >= 3:
            sharpest = np.lib.stride_tricks.sliding_window_view(np.abs(turn[1:-1]), n_points).max(axis=1)
            arc &= sharpest <= LARGEST_SHARE_OF_ARC * total
        else:
            beside = np.minimum(np.abs(turn[first - 1]), np.abs(turn[last + 1]))
            arc &= (run[first - 1] == run[last + 1]) & (beside >= ARC_NEIGHBOUR_SHARE * total / n_points)
        first, last, total, size = first[arc], last[arc], total[arc], size[arc]
        bow = 1.0 - np.cos(np.minimum(run_turn[first], math.pi) / 2.0)
        found = size / total + LINE_FREEDOM_M * (1.0 - bow) / bow
        begin = position[first] - length_m[first] / 2.0
        end = position[last] + length_m[last + 1] / 2.0
        step = samples_m[1]
        for value, low, high in zip(
            found.tolist(), np.round(begin / step).tolist(), np.round(end / step).tolist(), strict=True
        ):
            if value < WIDEST_BEND_RADIUS_M:
                touched = slice(int(low), int(high) + 1)
                radius[touched] = np.minimum(radius[touched], max(value, TIGHTEST_RADIUS_M))
    return radius


def _line_of_travel(path: _Path, samples: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heading (degrees) and radius of bend (m) at each sample, from the smoothest line near the path."""
    azimuth, length = path.steps()
    distance = np.concatenate(([0.0], np.cumsum(length)))
    east = np.concatenate(([0.0], np.cumsum(length * np.sin(azimuth))))
    north = np.concatenate(([0.0], np.cumsum(length * np.cos(azimuth))))
    half_steps = np.linspace(0.0, samples[-1], 2 * len(samples) - 1)
    x, y = smoothest_line(np.interp(half_steps, distance, east), np.interp(half_steps, distance, north))
    radius = line_radius(x, y)
    at_samples = radius[::2].copy()
    at_samples[:-1] = np.minimum(at_samples[:-1], radius[1::2])
    at_samples[1:] = np.minimum(at_samples[1:], radius[1::2])
    heading = np.degrees(np.arctan2(np.diff(x[::2]), np.diff(y[::2]))) % 360.0
    at_samples = np.minimum(at_samples, arc_radius(azimuth, length, samples))
    return np.append(heading, heading[-1]), at_samples


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
    :func:`smoothest_line` and :func:`arc_radius`; the tighter counts. Times in the file are not used.
    """
    file = printable(str(path))
    track = read_track(path)
    notes = list(track.notes)
    track_path = _join(_pieces(track, notes), notes)
    if len(track_path) < 2:
        raise InputError(file, "", "all points of the track are at one place; a course must lead somewhere")
    track_path = _jumps(file, track_path, notes)
    distance = track_path.distance()
    length = float(distance[-1])
    if not SHORTEST_COURSE_M <= length <= LONGEST_COURSE_M:
        raise InputError(
            file,
            "",
            f"the course is {length:.0f} m long; allowed is {SHORTEST_COURSE_M:.0f} to "
            f"{LONGEST_COURSE_M:.0f} m",
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
    heading, radius = _line_of_travel(track_path, samples)
    return Course(
        name=track.name,
        distance_m=samples,
        elevation_m=elevation,
        latitude_deg=latitude,
        longitude_deg=longitude,
        heading_deg=heading,
        bend_radius_m=radius,
        repairs=tuple(notes),
        total_climb_m=climb(elevation),
    )
