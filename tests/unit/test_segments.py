"""Segments: that they cover the course, fit its shape, and that the cuts are the best ones."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from ttt_opt.course import Course
from ttt_opt.physics import cornering_speed
from ttt_opt.race import Limits, PullBounds
from ttt_opt.segments import Segments, _best_cuts, carried_speed, cut_segments, terrain_of

FloatArray = NDArray[np.float64]


def reference_speed(grade: FloatArray) -> FloatArray:
    """Plain stand-in: 45 km/h on the flat, slower uphill, faster downhill."""
    return np.clip(12.5 * np.exp(-8.0 * grade), 4.0, 20.0)


def course_of(
    grades: list[tuple[float, float]],
    bends: tuple[tuple[float, float, float], ...] = (),
    headings: tuple[tuple[float, float], ...] = ((0.0, 0.0),),
) -> Course:
    """Course from (length in m, grade), bends (from, to, radius in m) and headings (from m, degrees)."""
    grade = np.concatenate([np.full(round(length / 10.0), value) for length, value in grades])
    distance = 10.0 * np.arange(len(grade) + 1, dtype=np.float64)
    radius = np.full(len(distance), np.inf)
    for first, last, value in bends:
        radius[(distance >= first) & (distance <= last)] = value
    heading = np.zeros(len(distance))
    for start, value in headings:
        heading[distance >= start] = value
    return Course(
        name="made here",
        distance_m=distance,
        elevation_m=100.0 + np.concatenate(([0.0], np.cumsum(10.0 * grade))),
        latitude_deg=np.full(len(distance), 50.0),
        longitude_deg=np.full(len(distance), 6.0),
        heading_deg=heading,
        bend_radius_m=radius,
        repairs=(),
        total_climb_m=0.0,
    )


PULLS = Limits().pulls


def cut(
    course: Course,
    *,
    wet: bool = False,
    seconds: float | None = None,
    pulls: Mapping[str, PullBounds] = PULLS,
) -> Segments:
    return cut_segments(course, wet=wet, reference_speed=reference_speed, pulls=pulls, seconds=seconds)


def riding_time(segments: Segments, course: Course, *, wet: bool = False) -> FloatArray:
    """Time in each segment (s) at the lower of reference speed and bend's cap; no acceleration."""
    cap = cornering_speed(course.bend_radius_m, wet)
    speed = np.minimum(carried_speed(course, reference_speed), np.minimum(cap[:-1], cap[1:]))
    clock = np.concatenate(([0.0], np.cumsum(np.diff(course.distance_m) / speed)))
    return np.diff(np.interp(segments.boundary_m, course.distance_m, clock))


def longest_allowed(segments: Segments, pulls: Mapping[str, PullBounds]) -> FloatArray:
    return np.array([0.9 * (pulls[kind].longest_s - pulls[kind].shortest_s) for kind in segments.terrain])


def check_cover(segments: Segments, course: Course) -> None:
    assert segments.start_m[0] == 0.0
    assert segments.end_m[-1] == course.length_m
    assert (segments.start_m[1:] == segments.end_m[:-1]).all()
    assert segments.length_m.min() >= 20.0
    assert segments.length_m.max() <= 400.0
    rise = (segments.grade * segments.length_m).sum()
    assert rise == pytest.approx(course.elevation_m[-1] - course.elevation_m[0], abs=1e-9)


def test_level_road() -> None:
    course = course_of([(5000.0, 0.0)])
    segments = cut(course)
    check_cover(segments, course)
    assert segments.length_m[:2].tolist() == [50.0, 100.0]
    assert segments.accelerating.tolist() == [True, True] + [False] * (len(segments.length_m) - 2)
    duration = segments.length_m[2:] / 12.5
    assert duration == pytest.approx(15.0, abs=1.0)
    assert set(segments.terrain) == {"flat"}
    assert not segments.bend.any()
    assert np.isinf(segments.speed_cap_mps).all()
    assert (segments.grade == 0.0).all()
    assert (segments.elevation_m == 100.0).all()


@pytest.mark.parametrize("seconds", [8.0, 15.0, 25.0])
def test_wished_duration(seconds: float) -> None:
    segments = cut(course_of([(8000.0, 0.0)]), seconds=seconds)
    assert segments.length_m[2:] / 12.5 == pytest.approx(seconds, rel=0.11)


def test_climb_and_descent_are_cut_finer() -> None:
    course = course_of([(2000.0, 0.0), (2000.0, 0.07), (2000.0, -0.07), (2000.0, 0.0)])
    segments = cut(course)
    check_cover(segments, course)
    kinds = [kind for kind, _ in itertools.groupby(segments.terrain)]
    assert kinds == ["flat", "climb", "descent", "flat"]
    terrain = np.array(segments.terrain)
    duration = segments.length_m / reference_speed(segments.grade)
    assert np.median(duration[terrain == "climb"]) == pytest.approx(15.0, abs=1.5)
    assert np.median(duration[terrain == "descent"]) == pytest.approx(8.0, abs=1.0)
    for boundary in (2000.0, 4000.0, 6000.0):
        assert boundary in segments.end_m


# --- durations that fit the pulls --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "pulls",
    [
        PULLS,
        {**PULLS, "descent": PullBounds(5.0, 25.0)},
        {"flat": PullBounds(20.0, 32.0), "climb": PullBounds(15.0, 40.0), "descent": PullBounds(10.0, 18.0)},
    ],
)
@pytest.mark.parametrize("seconds", [None, 40.0])
def test_no_segment_is_longer_than_the_range_of_pulls(
    pulls: Mapping[str, PullBounds], seconds: float | None
) -> None:
    # With segments no longer than longest - shortest, one of the sums of whole segments falls between both.
    rng = np.random.default_rng(11)
    grades = [(10.0 * int(rng.integers(10, 90)), float(rng.uniform(-0.07, 0.07))) for _ in range(40)]
    length = sum(part for part, _ in grades)
    bends = tuple((at, at + 20.0, float(rng.uniform(15.0, 60.0))) for at in np.arange(400.0, length, 330.0))
    course = course_of(grades, bends=bends)
    segments = cut(course, pulls=pulls, seconds=seconds)
    check_cover(segments, course)
    assert set(segments.terrain) == {"flat", "climb", "descent"}
    assert segments.bend.sum() > 20
    over = riding_time(segments, course) > longest_allowed(segments, pulls)
    assert (segments.length_m[over] < 40.0).all()  # 40 m and more can be cut into two of the shortest length
    assert over.mean() < 0.02


def test_momentum_carries_over_the_foot_of_a_climb_and_fades() -> None:
    """Energy balance by hand: m v dv/ds = m g (G(v) - grade), G the grade on which v is steady (first principles)."""
    course = course_of([(2000.0, 0.0), (1500.0, 0.08), (1500.0, 0.0)])
    steady = reference_speed(course.grade)
    speed = carried_speed(course, reference_speed)
    foot = int(np.flatnonzero(course.grade > 0.04)[0])
    assert speed[50] == pytest.approx(12.5, rel=1e-3)
    assert speed[foot + 4] > 1.4 * steady[foot + 4]
    assert speed[foot + 120] == pytest.approx(steady[foot + 120], rel=0.02)
    top = int(np.flatnonzero(course.grade > 0.04)[-1])
    assert speed[top + 5] < 0.9 * steady[top + 5]


def test_wish_follows_narrow_pulls() -> None:
    course = course_of([(6000.0, 0.0)])
    segments = cut(course, pulls={**PULLS, "flat": PullBounds(20.0, 30.0)})
    assert segments.length_m[4:] / 12.5 == pytest.approx(8.0, abs=1.0)


def test_pulls_of_one_duration_leave_the_shortest_segments() -> None:
    segments = cut(course_of([(3000.0, 0.0)]), pulls={**PULLS, "flat": PullBounds(20.0, 20.0)})
    assert (segments.length_m < 40.0).all()


def test_segments_grow_with_the_square_root_of_the_riding_time() -> None:
    short, long = (cut(course_of([(length, 0.0)])) for length in (30_000.0, 135_000.0))
    assert np.median(short.length_m) / 12.5 == pytest.approx(15.0, abs=0.8)
    assert np.median(long.length_m) / 12.5 == pytest.approx(30.0, abs=1.6)  # three hours: four times 45 min
    assert len(long.length_m) < 400


@pytest.mark.parametrize("grades", [(0.01, -0.015), (0.0, 0.02), (0.04, 0.09)])
def test_change_of_grade_ends_a_segment(grades: tuple[float, float]) -> None:
    course = course_of([(1530.0, grades[0]), (1530.0, grades[1])])
    segments = cut(course)
    check_cover(segments, course)
    assert 1530.0 in segments.end_m
    assert np.isclose(segments.grade[:, None], grades).any(axis=1).all()


def test_change_of_heading_ends_a_segment() -> None:
    course = course_of([(3060.0, 0.0)], headings=((0.0, 350.0), (1530.0, 40.0)))
    segments = cut(course)
    assert 1530.0 in segments.end_m
    assert segments.heading_deg[segments.end_m <= 1530.0] == pytest.approx(350.0)
    assert segments.heading_deg[segments.start_m >= 1530.0] == pytest.approx(40.0)


def test_mean_heading_across_north() -> None:
    course = course_of([(600.0, 0.0)])
    course = replace(course, heading_deg=np.where(np.arange(61) % 2 == 0, 358.0, 4.0))
    assert ((cut(course).heading_deg + 180.0) % 360.0 - 180.0) == pytest.approx(1.0, abs=0.7)


# --- bends -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wet", [False, True])
def test_bend_has_its_own_segment_and_two_to_accelerate(wet: bool) -> None:
    course = course_of([(4000.0, 0.0)], bends=((1990.0, 2010.0, 12.0),))
    segments = cut(course, wet=wet)
    check_cover(segments, course)
    (at,) = np.flatnonzero(segments.bend)
    assert segments.start_m[at] <= 1990.0
    assert segments.end_m[at] >= 2010.0
    assert 20.0 <= segments.length_m[at] <= 40.0
    assert segments.speed_cap_mps[at] == pytest.approx(float(cornering_speed(12.0, wet)))
    assert segments.length_m[at + 1 : at + 3].tolist() == [50.0, 90.0]
    assert np.flatnonzero(segments.accelerating).tolist() == [0, 1, at + 1, at + 2]


def test_single_sample_bend_gets_twenty_metres() -> None:
    segments = cut(course_of([(4000.0, 0.0)], bends=((2000.0, 2000.0, 5.0),)))
    (at,) = np.flatnonzero(segments.bend)
    assert segments.start_m[at] < 2000.0 < segments.end_m[at]
    assert segments.length_m[at] == 20.0


def test_wide_bend_matters_only_where_it_slows_riders() -> None:
    # 40 m: 11.8 m/s dry at 3.5 m/s2, below 0.97 times 12.5 m/s on the flat, above 9.1 m/s on a climb of 4 %;
    # wet at 2.0 m/s2 8.9 m/s. 42.5 m: 12.2 m/s, 0.976 times 12.5 m/s.
    bend = ((1990.0, 2010.0, 40.0),)
    assert cut(course_of([(4000.0, 0.0)], bends=((1990.0, 2010.0, 42.5),))).bend.sum() == 0
    assert cut(course_of([(4000.0, 0.0)], bends=bend)).bend.sum() == 1
    assert cut(course_of([(4000.0, 0.04)], bends=bend)).bend.sum() == 0
    assert cut(course_of([(4000.0, 0.04)], bends=((1990.0, 2010.0, 36.0),)), wet=True).bend.sum() == 1


def test_long_bend_is_divided() -> None:
    course = course_of([(4000.0, 0.0)], bends=((2000.0, 2210.0, 40.0),))
    segments = cut(course)
    assert segments.length_m[segments.bend].tolist() == pytest.approx([70.0, 70.0, 70.0])


def test_neighbouring_bends_merge_and_the_cap_is_between_mean_and_tightest() -> None:
    # From 40 m radius to 15 m, braking at 2.0 m/s2 as late as possible, then 10 m at the speed of the tightest place.
    course = course_of([(4000.0, 0.0)], bends=((2000.0, 2010.0, 40.0), (2030.0, 2040.0, 15.0)))
    segments = cut(course)
    check_cover(segments, course)
    assert segments.bend.sum() == 1
    assert segments.start_m[segments.bend] == 1990.0  # the first bend is widened to 20 m
    wide, tight = 3.5 * 40.0, 3.5 * 15.0
    squares = [wide + 40.0, wide, tight + 80.0, tight + 40.0, tight, tight]  # (m/s)2, at every 10 m
    mean = 50.0 / sum(20.0 / (math.sqrt(a) + math.sqrt(b)) for a, b in itertools.pairwise(squares))
    assert segments.speed_cap_mps[segments.bend] == pytest.approx(0.5 * (mean + math.sqrt(tight)))


def test_riders_accelerate_between_two_tight_places_of_one_bend() -> None:
    tight = ((2000.0, 2000.0, 8.0), (2010.0, 2070.0, 35.0), (2080.0, 2080.0, 12.0))
    segments = cut(course_of([(4000.0, 0.0)], bends=tight))
    first, second = np.flatnonzero(segments.bend)
    between = first + 1
    assert second == first + 2
    assert segments.accelerating[between]
    assert segments.length_m[between] >= 30.0
    assert segments.speed_cap_mps[first] < segments.speed_cap_mps[between] <= math.sqrt(3.5 * 35.0)


@pytest.mark.parametrize(("gap_m", "n_accelerating"), [(70.0, 1), (150.0, 1), (160.0, 2), (190.0, 2)])
def test_bend_soon_after_another_shortens_the_acceleration(gap_m: float, n_accelerating: int) -> None:
    second = 2020.0 + gap_m
    course = course_of([(4000.0, 0.0)], bends=((2000.0, 2020.0, 12.0), (second, second + 20.0, 12.0)))
    segments = cut(course)
    check_cover(segments, course)
    before, after = np.flatnonzero(segments.bend)
    assert segments.accelerating[before + 1 : after].all()
    assert after - before - 1 == n_accelerating


def test_one_acceleration_out_of_a_mild_bend() -> None:
    # 30 m: 10.2 m/s, 0.82 times 12.5 m/s.
    segments = cut(course_of([(4000.0, 0.0)], bends=((1990.0, 2010.0, 30.0),)))
    (at,) = np.flatnonzero(segments.bend)
    assert np.flatnonzero(segments.accelerating).tolist() == [0, 1, at + 1]
    assert segments.length_m[at + 1] == 90.0


@pytest.mark.parametrize("at", [0.0, 10.0, 30.0, 60.0, 3960.0, 3990.0, 4000.0])
def test_bend_at_start_or_finish(at: float) -> None:
    course = course_of([(4000.0, 0.0)], bends=((at, at, 8.0),))
    segments = cut(course)
    check_cover(segments, course)
    from_standstill = at < 20.0
    assert segments.bend.sum() == (0 if from_standstill else 1)
    assert segments.accelerating[0]
    assert np.isfinite(segments.speed_cap_mps[0]) == (at == 10.0)  # a bend at 0 m lies behind them


# --- terrain -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("grades", "expected"),
    [
        ([(1000.0, 0.0), (100.0, 0.06), (1000.0, 0.0)], {0}),  # too short: 100 m
        ([(1000.0, 0.0), (400.0, 0.02), (1000.0, 0.0)], {0}),  # not steep enough
        ([(1000.0, 0.0), (400.0, 0.05), (1000.0, 0.0)], {0, 1}),
        ([(1000.0, 0.0), (400.0, -0.05), (1000.0, 0.0)], {0, -1}),
        ([(500.0, 0.05), (80.0, 0.005), (500.0, 0.05)], {1}),  # a short easing does not end a climb
    ],
)
def test_terrain(grades: list[tuple[float, float]], expected: set[int]) -> None:
    assert set(terrain_of(course_of(grades)).tolist()) == expected


def test_terrain_of_a_climb_starts_where_it_starts() -> None:
    terrain = terrain_of(course_of([(1000.0, 0.0), (600.0, 0.06), (1000.0, 0.0)]))
    climb = np.flatnonzero(terrain == 1)
    assert (climb[0], climb[-1]) == (100, 159)


# --- the cuts are the best ones ----------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_cuts_against_trying_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, shortest, longest = 12, 2, 6
    limit = rng.uniform(0.4, 1.5)  # longest duration, in wished ones
    share = rng.uniform(0.15, 0.5, n)
    road = rng.normal(0.0, 1.0, (n, 2)).cumsum(axis=0)

    def cost(ends: tuple[int, ...]) -> float:
        total = 0.0
        for a, b in itertools.pairwise((0, *ends)):
            if not shortest <= b - a <= longest:
                return math.inf
            weight = share[a:b]
            mean = (weight[:, None] * road[a:b]).sum(axis=0) / weight.sum()
            total += float((weight[:, None] * (road[a:b] - mean) ** 2).sum() + np.log(weight.sum()) ** 2)
            total += 1000.0 * max(0.0, float(weight.sum()) / limit - 1.0)
        return total

    tried = [(*inner, n) for size in range(n) for inner in itertools.combinations(range(1, n), size)]
    best = min(tried, key=cost)
    weights = np.concatenate(([0.0], np.cumsum(share)))
    sums = np.concatenate((np.zeros((1, 2)), np.cumsum(share[:, None] * road, axis=0)))
    squares = np.concatenate(([0.0], np.cumsum(share * (road**2).sum(axis=1))))
    found = _best_cuts(0, n, weights, sums, squares, weights / limit, shortest, longest)
    assert cost(tuple(found)) == pytest.approx(cost(best))
    assert tuple(found) == best


@pytest.mark.parametrize("seed", range(12))
def test_random_courses_are_covered(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(50, 1500))
    grades = [
        (10.0, float(g)) for g in np.clip(0.08 * np.sin(np.arange(n) / rng.uniform(5, 80)), -0.25, 0.25)
    ]
    bends = tuple(
        (10.0 * i, 10.0 * (i + rng.integers(0, 8)), float(rng.uniform(5, 80)))
        for i in rng.integers(0, n, n // 12)
    )
    course = course_of(grades, bends=bends)
    for wet in (False, True):
        segments = cut(course, wet=wet)
        check_cover(segments, course)
        allowed = np.where(
            np.isfinite(course.bend_radius_m), cornering_speed(course.bend_radius_m, wet), np.inf
        )
        for start, end, cap in zip(segments.start_m, segments.end_m, segments.speed_cap_mps, strict=True):
            inside = allowed[(course.distance_m >= start) & (course.distance_m <= end)]
            assert np.isinf(cap) or inside.min() * (1.0 - 1e-9) <= cap <= inside.max() * (1.0 + 1e-9)


# --- the data class ----------------------------------------------------------------------------------------


def test_segments_check_themselves() -> None:
    segments = cut(course_of([(2000.0, 0.0)], bends=((1000.0, 1010.0, 12.0),)))
    assert segments.boundary_m.tolist() == [0.0, *segments.end_m.tolist()]
    with pytest.raises(ValueError, match="gap or overlap"):
        replace(segments, start_m=segments.start_m + 1.0)
    with pytest.raises(ValueError, match="one value per segment"):
        replace(segments, grade=segments.grade[:-1])
    with pytest.raises(ValueError, match="terrain"):
        replace(segments, terrain=("mud",) * len(segments.terrain))
    with pytest.raises(ValueError, match="finite speed_cap_mps"):
        replace(segments, bend=~segments.bend)
