"""Courses made here, with a known shape: what reading them must give, and what it must repair or refuse."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pyproj import Geod

from ttt_opt.course import Course, climb, line_radius, read_course, smooth_elevation, smoothest_line
from ttt_opt.errors import InputError

FloatArray = NDArray[np.float64]
WGS84 = Geod(ellps="WGS84")
DEMO_COURSE = read_course(Path(__file__).resolve().parents[2] / "data" / "demo" / "course.gpx")


def road(
    legs: Sequence[tuple[float, float]], spacing_m: float = 20.0, start: tuple[float, float] = (50.0, 6.0)
) -> FloatArray:
    """Latitudes and longitudes every so many metres along legs of (heading in degrees, length in m)."""
    points = [start]
    for heading, length in legs:
        n_steps = max(1, round(length / spacing_m))
        latitude, longitude = points[-1]
        for step in range(1, n_steps + 1):
            lon, lat, _ = WGS84.fwd(longitude, latitude, heading, length * step / n_steps)
            points.append((lat, lon))
    return np.array(points)


def along(points: FloatArray) -> FloatArray:
    steps = WGS84.inv(points[:-1, 1], points[:-1, 0], points[1:, 1], points[1:, 0])[2]
    return np.concatenate(([0.0], np.cumsum(steps)))


def write(
    folder: Path, segments: Sequence[FloatArray], elevations: Sequence[Sequence[float] | FloatArray | None]
) -> Path:
    text = ["<gpx><trk><name>made here</name>"]
    for points, elevation in zip(segments, elevations, strict=True):
        text.append("<trkseg>")
        for index, (latitude, longitude) in enumerate(points):
            height = math.nan if elevation is None else float(elevation[index])
            inner = "" if math.isnan(height) else f"<ele>{height:.2f}</ele>"
            text.append(f'<trkpt lat="{latitude:.8f}" lon="{longitude:.8f}">{inner}</trkpt>')
        text.append("</trkseg>")
    file = folder / "course.gpx"
    file.write_text("\n".join([*text, "</trk></gpx>"]))
    return file


def one(folder: Path, points: FloatArray, elevation: Sequence[float] | FloatArray | None) -> Path:
    return write(folder, [points], [elevation])


STRAIGHT = road([(90.0, 5000.0)])
LEVEL = np.full(len(STRAIGHT), 100.0)


def test_straight_level_road(tmp_path: Path) -> None:
    course = read_course(one(tmp_path, STRAIGHT, LEVEL))
    assert course.name == "made here"
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert np.allclose(np.diff(course.distance_m), course.distance_m[1])
    assert 10.0 <= course.distance_m[1] < 10.1
    assert np.allclose(course.elevation_m, 100.0)
    assert course.total_climb_m == 0.0
    assert np.allclose(course.heading_deg, 90.0, atol=0.1)
    assert np.isinf(course.bend_radius_m).all()
    assert course.repairs == ()


@pytest.mark.parametrize("heading", [0.0, 45.0, 133.0, 270.0, 359.9])
@pytest.mark.parametrize("start", [(0.0, 0.001), (-33.0, 151.0), (69.0, -20.0), (10.0, 179.98), (10.0, -179.98)])
def test_heading_and_position_anywhere(tmp_path: Path, heading: float, start: tuple[float, float]) -> None:
    points = road([(heading, 4000.0)], start=start)
    course = read_course(one(tmp_path, points, np.full(len(points), 5.0)))
    off = (course.heading_deg - heading + 180.0) % 360.0 - 180.0
    assert np.abs(off).max() < 0.2  # a geodesic turns by less than this over 4 km
    assert course.length_m == pytest.approx(4000.0, abs=0.1)
    assert course.latitude_deg[-1] == pytest.approx(points[-1, 0], abs=1e-7)
    assert (course.longitude_deg[-1] - points[-1, 1] + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-7)
    assert (np.abs(course.longitude_deg) <= 180.0).all()


# --- elevation ---------------------------------------------------------------------------------------------


def test_steady_climb_keeps_its_grade(tmp_path: Path) -> None:
    course = read_course(one(tmp_path, STRAIGHT, 100.0 + 0.06 * along(STRAIGHT)))
    assert np.allclose(course.grade, 0.06, atol=2e-4)
    assert course.total_climb_m == pytest.approx(300.0, abs=0.1)


@pytest.mark.parametrize(("wavelength_m", "kept"), [(100.0, 0.012), (300.0, 0.5), (1000.0, 0.992)])
def test_what_smoothing_keeps_of_undulations(wavelength_m: float, kept: float) -> None:
    # Closed form of the filter: 1 / (1 + (sin(pi h / wavelength) / sin(pi h / 300 m))^4).
    x = np.arange(0.0, 20_000.0, 10.0)
    wave = np.sin(2.0 * math.pi * x / wavelength_m)
    smooth = smooth_elevation(wave, 10.0)
    inner = slice(500, 1500)
    closed = 1.0 / (1.0 + (math.sin(math.pi * 10.0 / wavelength_m) / math.sin(math.pi * 10.0 / 300.0)) ** 4)
    assert closed == pytest.approx(kept, abs=0.001)
    assert np.allclose(smooth[inner], closed * wave[inner], atol=1e-4)


@pytest.mark.parametrize("noise_m", [0.5, 1.0, 2.0])
def test_noise_does_not_climb(tmp_path: Path, noise_m: float) -> None:
    rng = np.random.default_rng(7)
    points = road([(90.0, 20_000.0)])
    true = 100.0 + 30.0 * np.sin(2.0 * math.pi * along(points) / 5000.0)
    noisy = true + rng.normal(0.0, noise_m, len(points))
    course = read_course(one(tmp_path, points, noisy))
    # The road climbs 4 times 60 m; the raw sum of rises is 1.4 to 5 times that.
    assert np.maximum(np.diff(noisy), 0.0).sum() > 1.4 * 240.0
    assert course.total_climb_m == pytest.approx(240.0, rel=0.1)


def test_elevation_in_whole_metres_gives_no_stairs(tmp_path: Path) -> None:
    course = read_course(one(tmp_path, STRAIGHT, np.round(100.0 + 0.02 * along(STRAIGHT))))
    assert course.grade[30:-30] == pytest.approx(0.02, abs=0.002)


@pytest.mark.parametrize(
    ("profile", "total"),
    [
        ([0.0, 10.0, 0.0, 10.0], 20.0),
        ([0.0, 1.5, 0.0, 1.5, 0.0], 0.0),
        ([5.0, 4.0, 14.0, 13.0, 20.0, 3.0], 16.0),
        ([10.0, 0.0], 0.0),
        ([0.0, 1.0, 2.0, 3.0], 3.0),
    ],
)
def test_climb_by_hand(profile: list[float], total: float) -> None:
    assert climb(np.array(profile)) == total


def test_single_wild_elevation_is_replaced(tmp_path: Path) -> None:
    wild = LEVEL.copy()
    wild[100], wild[0] = 20.0, 150.0
    course = read_course(one(tmp_path, STRAIGHT, wild))
    assert np.allclose(course.elevation_m, 100.0)
    assert course.repairs == ("2 elevations up to 80 m off the neighbours replaced.",)


def test_elevation_step_that_no_road_has_is_taken_out(tmp_path: Path) -> None:
    course = read_course(one(tmp_path, STRAIGHT, np.where(np.arange(len(STRAIGHT)) < 125, 100.0, 160.0)))
    assert np.allclose(course.elevation_m, 100.0)
    assert course.repairs == ("1 elevation step that no road has taken out, the largest 60 m at km 2.48.",)


def test_steep_but_real_hill_stays(tmp_path: Path) -> None:
    rise = np.interp(along(STRAIGHT), [0.0, 2000.0, 2800.0, 5000.0], [0.0, 0.0, 144.0, 144.0])
    course = read_course(one(tmp_path, STRAIGHT, rise))
    assert course.repairs == ()
    assert course.grade.max() == pytest.approx(0.18, abs=0.01)
    assert course.elevation_m[-1] == pytest.approx(144.0, abs=0.5)


def test_grades_beyond_25_percent_are_cut(tmp_path: Path) -> None:
    rise = np.interp(along(STRAIGHT), [0.0, 2000.0, 3000.0, 5000.0], [0.0, 0.0, 320.0, 320.0])
    course = read_course(one(tmp_path, STRAIGHT, rise))
    assert np.abs(course.grade).max() == pytest.approx(0.25)
    assert "were cut to 25 %" in course.repairs[0]


def test_short_gap_in_elevation_is_filled(tmp_path: Path) -> None:
    gappy = 100.0 + 0.03 * along(STRAIGHT)
    gappy[100:140] = np.nan
    course = read_course(one(tmp_path, STRAIGHT, gappy))
    assert np.allclose(course.grade, 0.03, atol=1e-3)
    assert course.repairs[-1] == "Missing elevation of 40 points filled along straight lines."


@pytest.mark.parametrize(
    ("missing", "where"), [(slice(100, 160), "km 1.98 to km 3.20"), (slice(60), "km 0.00 to km 1.20")]
)
def test_long_gap_in_elevation_is_refused(tmp_path: Path, missing: slice, where: str) -> None:
    gappy = LEVEL.copy()
    gappy[missing] = np.nan
    with pytest.raises(InputError, match=f"elevation: is missing from {where}, and at most 1000 m"):
        read_course(one(tmp_path, STRAIGHT, gappy))


@pytest.mark.parametrize("zero", [0.0, -0.0])
def test_all_zero_means_unknown(tmp_path: Path, zero: float) -> None:
    file = one(tmp_path, STRAIGHT, np.full(len(STRAIGHT), zero))
    with pytest.raises(InputError, match=r"elevation: is 0 at every point.*flat = true"):
        read_course(file)
    assert read_course(file, flat=True).total_climb_m == 0.0


def test_no_elevation_needs_flat(tmp_path: Path) -> None:
    file = one(tmp_path, STRAIGHT, None)
    with pytest.raises(InputError, match=r"elevation: the course has none.*flat = true"):
        read_course(file)
    course = read_course(file, flat=True)
    assert (course.grade == 0.0).all()
    assert course.repairs == ("The course is treated as level, as asked.",)


# --- points ------------------------------------------------------------------------------------------------


def test_repeated_points_change_nothing(tmp_path: Path) -> None:
    repeats = np.repeat(np.arange(len(STRAIGHT)), np.where(np.arange(len(STRAIGHT)) % 9 == 0, 5, 1))
    plain = read_course(one(tmp_path, STRAIGHT, LEVEL))
    course = read_course(one(tmp_path, STRAIGHT[repeats], LEVEL[repeats]))
    assert course.length_m == pytest.approx(plain.length_m, abs=1e-6)
    assert np.isinf(course.bend_radius_m).all()
    assert course.repairs == (f"{len(repeats) - len(STRAIGHT)} repeated points left out.",)


def test_jump_is_bridged_and_reported(tmp_path: Path) -> None:
    keep = np.r_[0:100, 150 : len(STRAIGHT)]
    course = read_course(one(tmp_path, STRAIGHT[keep], LEVEL[keep]))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert course.repairs == ("At km 1.98 the track jumps by 1020 m; a straight line bridges it.",)


def test_jumps_over_much_of_the_way_are_refused(tmp_path: Path) -> None:
    keep = np.r_[0:100, 190 : len(STRAIGHT)]
    with pytest.raises(InputError, match="36 % of the way are jumps"):
        read_course(one(tmp_path, STRAIGHT[keep], LEVEL[keep]))


def test_stray_first_point_is_left_out(tmp_path: Path) -> None:
    stray = np.concatenate(([STRAIGHT[0] + [0.02, 0.0]], STRAIGHT))
    course = read_course(one(tmp_path, stray, np.append(LEVEL, 100.0)))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert course.repairs == ("Left out the first 1 point, 2225 m off the rest.",)


def test_stray_last_point_is_left_out(tmp_path: Path) -> None:
    stray = np.concatenate((STRAIGHT, [STRAIGHT[-1] + [0.02, 0.0]]))
    course = read_course(one(tmp_path, stray, np.append(LEVEL, 100.0)))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert "Left out the last 1 point," in course.repairs[0]


def test_points_without_a_fix_are_left_out(tmp_path: Path) -> None:
    with_zeros = np.insert(STRAIGHT, 100, [0.0, 0.0], axis=0)
    course = read_course(one(tmp_path, with_zeros, np.append(LEVEL, 100.0)))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert course.repairs == ("1 point at latitude 0, longitude 0 (no satellite fix) left out.",)


def test_segments_whose_ends_meet_are_joined(tmp_path: Path) -> None:
    course = read_course(write(tmp_path, [STRAIGHT[:100], STRAIGHT[110:]], [LEVEL[:100], LEVEL[110:]]))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert course.repairs == (
        "The track consists of 2 pieces; they were joined in the order of the file, "
        "the widest gap (220 m) by a straight line.",
    )


def test_segments_in_backward_order_are_joined_the_other_way(tmp_path: Path) -> None:
    parts = [STRAIGHT[200:], STRAIGHT[100:200], STRAIGHT[:100]]
    course = read_course(write(tmp_path, parts, [np.full(len(part), 100.0) for part in parts]))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert course.heading_deg[0] == pytest.approx(90.0, abs=0.1)
    assert "last piece first" in course.repairs[0]


def test_tracks_far_apart_leave_the_longest(tmp_path: Path) -> None:
    other = road([(0.0, 2000.0)], start=(51.0, 7.0))
    course = read_course(write(tmp_path, [other, STRAIGHT], [np.full(len(other), 5.0), LEVEL]))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert course.repairs == (
        "The file falls apart into 2 stretches more than 500 m apart; the longest (5.00 km) is the course, "
        "the others (2.00 km in all) are left out.",
    )


def test_absurd_jump_inside_a_segment_counts_as_a_break(tmp_path: Path) -> None:
    other = road([(0.0, 2000.0)], start=(51.0, 7.0))
    course = read_course(one(tmp_path, np.concatenate((STRAIGHT, other)), np.full(len(STRAIGHT) + len(other), 5.0)))
    assert course.length_m == pytest.approx(5000.0, abs=0.1)
    assert "falls apart into 2 stretches" in course.repairs[0]


@pytest.mark.parametrize(
    ("legs", "spacing", "problem"),
    [
        ([(90.0, 400.0)], 20.0, "the course is 400 m long; allowed is 500 to 300000 m"),
        ([(90.0, 301_000.0)], 100.0, "m long; allowed is 500 to 300000 m"),
        ([(90.0, 20_000.0)], 800.0, "the points lie 800 m apart along most of the way"),
    ],
)
def test_courses_that_cannot_be_used(
    tmp_path: Path, legs: list[tuple[float, float]], spacing: float, problem: str
) -> None:
    points = road(legs, spacing)
    with pytest.raises(InputError, match=problem):
        read_course(one(tmp_path, points, np.full(len(points), 5.0)))


def test_one_place_only(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="at one place"):
        read_course(one(tmp_path, np.repeat(STRAIGHT[:1], 9, axis=0), LEVEL[:9]))


# --- bends -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("turn_deg", "radius_m"),
    [(30.0, 138.0), (45.0, 60.0), (60.0, 33.0), (90.0, 12.0), (120.0, 5.0), (170.0, 5.0)],
)
@pytest.mark.parametrize("spacing_m", [12.0, 30.0, 100.0])
def test_corner_of_a_planned_course(tmp_path: Path, turn_deg: float, radius_m: float, spacing_m: float) -> None:
    # The figures of smoothest_line's notes; whatever the spacing of the points. Our choice, no source.
    points = road([(20.0, 1000.0), (20.0 + turn_deg, 1000.0)], spacing_m)
    course = read_course(one(tmp_path, points, np.full(len(points), 5.0)))
    assert course.bend_radius_m.min() == pytest.approx(radius_m, rel=0.12)
    where = course.distance_m[np.isfinite(course.bend_radius_m)]
    assert np.abs(where - 1000.0).max() < 60.0


@pytest.mark.parametrize("radius_m", [30.0, 60.0, 120.0, 250.0])
@pytest.mark.parametrize("spacing_m", [5.0, 12.0])
def test_real_bend_keeps_its_radius(tmp_path: Path, radius_m: float, spacing_m: float) -> None:
    step_deg = math.degrees(spacing_m / radius_m)
    arc = [(20.0 + step_deg * (i + 0.5), spacing_m) for i in range(round(90.0 / step_deg))]
    points = road([(20.0, 800.0), *arc, (110.0, 800.0)], spacing_m)
    course = read_course(one(tmp_path, points, np.full(len(points), 5.0)))
    assert course.bend_radius_m.min() == pytest.approx(radius_m, rel=0.12)


@pytest.mark.parametrize("turn_deg", [13.0, 32.0, 42.0, 60.0, 100.0])
@pytest.mark.parametrize("radius_m", [20.0, 39.0, 56.0, 84.0, 150.0])
@pytest.mark.parametrize("spacing_over_radius", [0.15, 0.3])
def test_short_bend_is_not_taken_for_a_wider_one(
    tmp_path: Path, turn_deg: float, radius_m: float, spacing_over_radius: float
) -> None:
    # A radius a fifth too large lets riders into the bend 10 % too fast. The 0.2 m that riders may straighten
    # a kink by are our choice (notes of arc_radius); they add 0.2 m / (1 / cos(turn / 2) - 1), by geometry.
    n_steps = max(2, round(math.radians(turn_deg) / spacing_over_radius))
    step_deg, step_m = turn_deg / n_steps, radius_m * math.radians(turn_deg) / n_steps
    arc = [(20.0 + step_deg * (i + 0.5), step_m) for i in range(n_steps)]
    points = road([(20.0, 800.0), *arc, (20.0 + turn_deg, 800.0)], 60.0)
    course = read_course(one(tmp_path, points, np.full(len(points), 5.0)))
    widened = radius_m + 0.2 / (1.0 / math.cos(math.radians(turn_deg) / 2.0) - 1.0)
    assert course.bend_radius_m.min() == pytest.approx(widened, rel=0.12)
    assert course.bend_radius_m.min() < 1.2 * radius_m or turn_deg < 30.0 or radius_m < 39.0
    middle = 800.0 + radius_m * math.radians(turn_deg) / 2.0
    assert abs(course.distance_m[np.argmin(course.bend_radius_m)] - middle) < 30.0 + radius_m


@pytest.mark.parametrize(
    ("near_m", "radius_m"),
    # Centre-line radii of data/make_demo_course.py, 4 m less where the road turns right (riders keep right),
    # 4 m more where it turns left; all bends that turn by 30 degrees and more. Distances along their line.
    [
        (2731.0, 56.0),  # DYKE_BEND
        (4661.0, 44.0),  # SHORE_FORK
        (6771.0, 84.0),  # WINDMILL
        (8102.0, 14.0),  # FOOT_OF_HILL
        (9472.0, 41.0),  # ON_THE_CLIMB
        (11212.0, 39.0),  # ON_THE_DESCENT
        (12572.0, 26.0),  # LIGHTHOUSE_FORK
        (16423.0, 18.0),  # LIGHTHOUSE_FORK_BACK
        (17833.0, 21.0),  # SHORE_NORTH
        (19244.0, 74.0),  # SHORE_SOUTH
        (22594.0, 64.0),  # DYKE_BEND, on the way back
    ],
)
def test_bends_of_the_demo_course(near_m: float, radius_m: float) -> None:
    course = DEMO_COURSE
    found = course.bend_radius_m[np.abs(course.distance_m - near_m) < 30.0].min()
    assert 0.85 * radius_m < found < 1.2 * radius_m


def test_long_wide_curve_is_no_bend(tmp_path: Path) -> None:
    points = road([(i * 20.0 / 500.0 * 57.3, 20.0) for i in range(150)])
    assert np.isinf(read_course(one(tmp_path, points, np.full(len(points), 5.0))).bend_radius_m).all()


@pytest.mark.parametrize("spacing_m", [10.0, 50.0])
def test_out_and_back_has_one_turn_around(tmp_path: Path, spacing_m: float) -> None:
    points = road([(90.0, 3000.0), (270.0, 3000.0)], spacing_m)
    course = read_course(one(tmp_path, points, np.full(len(points), 5.0)))
    bend = np.flatnonzero(np.isfinite(course.bend_radius_m))
    assert course.length_m == pytest.approx(6000.0, abs=0.1)
    assert np.abs(course.distance_m[bend] - 3000.0).max() < 30.0
    assert course.bend_radius_m.min() == 5.0
    before, after = course.distance_m < 2970.0, course.distance_m > 3030.0
    assert np.allclose(course.heading_deg[before], 90.0, atol=0.5)
    assert np.allclose(course.heading_deg[after], 270.0, atol=0.5)


@pytest.mark.parametrize(("spacing_m", "noise_m"), [(10.0, 1.5), (10.0, 2.5), (30.0, 4.0), (60.0, 6.0)])
def test_noise_makes_no_bends(tmp_path: Path, spacing_m: float, noise_m: float) -> None:
    # Error of a recorder's fixes: a few metres, carried over from one second to the next (from memory).
    rng = np.random.default_rng(3)
    points = road([(90.0, 20_000.0)], spacing_m)
    error = rng.normal(0.0, 1.0, (len(points), 2))
    carried = math.exp(-spacing_m / 60.0)
    for i in range(1, len(error)):
        error[i] = carried * error[i - 1] + math.sqrt(1.0 - carried**2) * error[i]
    points += noise_m * error / [111_200.0, 71_500.0]
    course = read_course(one(tmp_path, points, np.full(len(points), 5.0)))
    assert (course.bend_radius_m < 45.0).sum() == 0  # 45 m: about 45 km/h at 3.5 m/s2


def test_smoothest_line_stays_within_three_metres() -> None:
    rng = np.random.default_rng(5)
    x, y = np.arange(0.0, 3000.0, 5.0), np.cumsum(rng.normal(0.0, 1.5, 600))
    line_x, line_y = smoothest_line(x, y)
    assert np.hypot(line_x - x, line_y - y).max() < 3.1
    assert (np.diff(line_x, 2) ** 2 + np.diff(line_y, 2) ** 2).sum() < 0.05 * (np.diff(y, 2) ** 2).sum()


def test_radius_of_a_circle() -> None:
    angle = np.arange(0.0, 3.0, 0.05)
    radius = line_radius(100.0 * np.sin(angle), 100.0 * np.cos(angle))
    assert np.isinf(radius[[0, 1, -2, -1]]).all()
    assert np.allclose(radius[2:-2], 100.0, rtol=0.01)


# --- the data class ----------------------------------------------------------------------------------------


def plain(**changes: FloatArray) -> Course:
    values: dict[str, FloatArray] = {
        "distance_m": np.arange(0.0, 50.0, 10.0),
        **{key: np.ones(5) for key in ("elevation_m", "latitude_deg", "longitude_deg", "heading_deg", "bend_radius_m")},
        **changes,
    }
    return Course(name="x", repairs=(), total_climb_m=0.0, **values)


@pytest.mark.parametrize(
    ("key", "value", "problem"),
    [
        ("elevation_m", np.ones(4), "one value per sample"),
        ("distance_m", np.array([0.0, 10.0, 20.0, 30.0, 45.0]), "equal steps"),
        ("distance_m", np.arange(5.0, 55.0, 10.0), "from 0"),
        ("distance_m", np.arange(0.0, -50.0, -10.0), "must rise"),
        ("elevation_m", np.array([1.0, 1.0, np.nan, 1.0, 1.0]), "must be finite"),
        ("bend_radius_m", np.zeros(5), "bend_radius_m positive"),
    ],
)
def test_course_checks_itself(key: str, value: FloatArray, problem: str) -> None:
    with pytest.raises(ValueError, match=problem):
        plain(**{key: value})


def test_length_and_grade() -> None:
    course = plain(elevation_m=np.array([0.0, 1.0, 1.0, 0.0, 0.0]))
    assert course.length_m == 40.0
    assert course.grade.tolist() == [0.1, 0.0, -0.1, 0.0]


def test_piece_of_two_points_is_measured_like_any_other(tmp_path: Path) -> None:
    """Its one step is an array of one, which some versions of the libraries take for a number and warn of."""
    points = road([(0.0, 1_000.0)])
    pieces = [points[:2], points[2:]]
    course = read_course(write(tmp_path, pieces, [np.full(len(piece), 5.0) for piece in pieces]))
    assert course.length_m == pytest.approx(1_000.0, abs=1.0)
