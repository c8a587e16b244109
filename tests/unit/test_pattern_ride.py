"""Patterns ridden side by side: the rules they follow, and agreement with the ride of the ride check."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from ride_examples import make_course, make_race, make_team, wavy_elevation

from ttt_opt.pattern_ride import (
    CLIMB,
    DESCENT,
    EASING,
    STEEP,
    STEEP_GRADE,
    PatternRoad,
    kinds_of,
    ride_patterns,
    traps_m,
)
from ttt_opt.physics import speed_at_power
from ttt_opt.race import Race, Weather
from ttt_opt.rideable_plan import ridden_plan, situation_of
from ttt_opt.rotation_problem import Road, pull_bounds, road_of, segments_of
from ttt_opt.stretch_search import Situation, Stretch, patterns_of, ride_chain

LENGTH_M = 9000.0
PACE_MPS = 11.5
WATTS = (
    (360, 330, 340, 320),
    (380, 345, 355, 330),
    (400, 360, 365, 340),
    (220, 200, 210, 190),
    (450, 450, 450, 450),
    (0, 0, 0, 0),
)


def with_bends() -> np.ndarray:
    """Radii: one tight bend at 3 km and one at 6.5 km."""
    place = np.linspace(0.0, LENGTH_M, round(LENGTH_M / 10.0) + 1)
    radius = np.full_like(place, np.inf)
    for bend_m in (3000.0, 6500.0):
        radius[np.abs(place - bend_m) < 25.0] = 12.0
    return radius


@pytest.fixture(scope="module")
def race() -> Race:
    return make_race(make_team(), weather=Weather(wind_speed_mps=5.0, wind_from_deg=60.0), drafting_per_kg=0.003)


@pytest.fixture(scope="module")
def situation(race: Race) -> Situation:
    course = make_course(LENGTH_M, wavy_elevation(LENGTH_M), bend_radius=with_bends())
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    found = situation_of(course, road, race, (2, 0, 3, 1), (), (0,), np.full(road.n_segments, PACE_MPS), 800.0)
    assert {CLIMB, DESCENT, EASING} <= set(found.road.kind.tolist())
    assert found.road.closed.max() == 2
    return found


def stretch(begin: int, end: int, first: int = 0, seconds: tuple[int, ...] = (40, 30, 25, 35)) -> Stretch:
    return Stretch(begin, end, first, seconds, 15, WATTS)


def whole(situation: Situation) -> list[Stretch]:
    last = len(situation.road.node_m) - 1
    third, rest = last // 3, 2 * last // 3
    return [stretch(0, third), stretch(third, rest, seconds=(60, 20, 20, 45)), stretch(rest, last)]


def test_agrees_with_the_ride_of_the_ride_check(situation: Situation, race: Race) -> None:
    """Two simulations of the same riders: pieces of the road here, steps of time with every manoeuvre there."""
    course = make_course(LENGTH_M, wavy_elevation(LENGTH_M), bend_radius=with_bends())
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    chain = ride_chain(situation, whole(situation))
    plan = ridden_plan(course, road, situation, chain, np.full(road.n_segments, PACE_MPS))
    assert chain.time_s == pytest.approx(plan.ride.finish_time_s, rel=1.5e-3)  # out of bends pieces of 10 m are coarse
    full = [rider.w_prime_j for rider in race.team.riders]
    for place, rider in enumerate(situation.line.riders):
        spent_j = full[rider] - plan.ride.w_prime_j[-1, rider]
        assert chain.spent_j[-1, place] == pytest.approx(spent_j, abs=500.0)
        most_j = full[rider] - float(plan.ride.w_prime_j[:, rider].min())
        assert chain.most_spent_j[place] == pytest.approx(most_j, abs=500.0)
    assert plan.schedule.finish_time_s == pytest.approx(plan.ride.finish_time_s, abs=0.1)


def test_riders_pull_for_their_seconds_in_cyclic_order(situation: Situation) -> None:
    chain = ride_chain(situation, whole(situation))
    road, leaders = situation.road, [leader for changes in chain.changes for _, leader in changes]
    assert all(after == (before + 1) % 4 for before, after in itertools.pairwise(leaders))
    for changes in chain.changes:
        for node, _ in changes[1:]:
            assert road.closed[node] < 2, "somebody changes in a bend"


def test_pull_on_open_flat_road_lasts_its_seconds(race: Race) -> None:
    """On a flat straight road, from one change to the next, to the piece of road in which it falls (30 m, 3 s)."""
    course = make_course(6000.0)
    road = road_of(segments_of(course, race), race, 0.0)
    situation = situation_of(course, road, race, (0, 1, 2, 3), (), (0,), np.full(road.n_segments, PACE_MPS), 520.0)
    last = len(situation.road.node_m) - 1
    chain = ride_chain(situation, [stretch(0, last)])
    plan = ridden_plan(course, road, situation, chain, np.full(road.n_segments, PACE_MPS))
    duration_s = plan.schedule.duration_s
    for pull in plan.schedule.pulls[:-2]:  # the last ones may be cut or prolonged by the finish
        lasted = float(duration_s[pull.first_segment : pull.end_segment].sum())
        assert lasted == pytest.approx((40, 30, 25, 35)[pull.leader], abs=2.0)


def test_nobody_comes_to_the_front_right_before_a_landmark(race: Race) -> None:
    """Wherever the landmark is, the last pull before it is not shorter than allowed; else the one before goes on."""
    course = make_course(6000.0)
    road = road_of(segments_of(course, race), race, 0.0)
    flat = situation_of(course, road, race, (0, 1, 2, 3), (), (0,), np.full(road.n_segments, PACE_MPS), 520.0)
    rows = [stretch(60, end) for end in range(80, len(flat.road.node_m) - 1)]
    ridden = ride_patterns(flat.road, race, flat.line, patterns_of(rows, flat.entry_mps, flat.spent_j))
    assert ridden.amiss_s.max() <= 2.0
    assert len(set(ridden.next_leader.tolist())) == 4


def test_w_prime_spent_is_affine_in_what_was_spent_before(situation: Situation) -> None:
    """What makes the model linear: exactly so in the differential form of recovery."""
    last = len(situation.road.node_m) - 1
    rows = [stretch(last // 4, last // 2)] * 3
    patterns = patterns_of(rows, np.full(last + 1, PACE_MPS), situation.spent_j)
    patterns.spent_j[:] = np.array([0.0, 4000.0, 8000.0])[:, None]
    ridden = ride_patterns(situation.road, situation.race, situation.line, patterns)
    np.testing.assert_allclose(ridden.kept[0], ridden.kept[2])
    np.testing.assert_allclose(ridden.spent_j[1], ridden.spent_j[0] + 4000.0 * ridden.kept[0], rtol=1e-9)
    np.testing.assert_allclose(ridden.spent_j[2], ridden.spent_j[0] + 8000.0 * ridden.kept[0], rtol=1e-9)
    assert (ridden.kept < 1.0).all()


def test_side_by_side_is_as_one_by_one(situation: Situation) -> None:
    last = len(situation.road.node_m) - 1
    half = last // 2
    rows = [stretch(0, half), stretch(40, 120, first=2), stretch(half, last, first=1, seconds=(20, 20, 60, 60))]
    together = ride_patterns(
        situation.road, situation.race, situation.line, patterns_of(rows, situation.entry_mps, situation.spent_j)
    )
    for number, row in enumerate(rows):
        alone = ride_patterns(
            situation.road, situation.race, situation.line, patterns_of([row], situation.entry_mps, situation.spent_j)
        )
        assert alone.time_s[0] == pytest.approx(together.time_s[number], rel=1e-12)
        np.testing.assert_allclose(alone.spent_j[0], together.spent_j[number], rtol=1e-12)
        assert alone.next_leader[0] == together.next_leader[number]


def test_harder_is_faster_and_spends_more(situation: Situation) -> None:
    last = len(situation.road.node_m) - 1
    easy = stretch(0, last)
    hard = Stretch(0, last, 0, easy.seconds, 15, tuple(tuple(w + 20 for w in row) for row in WATTS[:4]) + WATTS[4:])
    rows = patterns_of([easy, hard], situation.entry_mps, situation.spent_j)
    ridden = ride_patterns(situation.road, situation.race, situation.line, rows)
    assert ridden.time_s[1] < ridden.time_s[0] - 1.0
    assert (ridden.most_spent_j[1] > ridden.most_spent_j[0]).all()


def up_a_bank(grade: float, race: Race) -> Situation:
    """Flat for 1,000 m, then a bank of 600 m, then flat again."""
    place = np.linspace(0.0, 3000.0, 301)
    course = make_course(3000.0, grade * np.clip(place - 1000.0, 0.0, 600.0))
    road = road_of(segments_of(course, race), race, 0.0)
    return situation_of(course, road, race, (0, 1, 2, 3), (), (0,), np.full(road.n_segments, PACE_MPS), 300.0)


def test_watts_are_those_of_the_slope(race: Race) -> None:
    """On a bank of 10 % the watts for steep road count, not those for uphill; on one of 4 % the other way round."""
    for grade, used, unused in ((0.10, STEEP, CLIMB), (0.04, CLIMB, STEEP)):
        bank = up_a_bank(grade, race)
        steady = slice(bank.road.node_at(1100.0), bank.road.node_at(1500.0))
        assert set(bank.road.kind[steady].tolist()) == {used}
        times = {}
        for kind in (used, unused):
            table = [list(row) for row in WATTS]
            table[kind] = [w + 20 for w in table[kind]]
            row = Stretch(steady.start, steady.stop, 0, (40, 30, 25, 35), 15, tuple(tuple(row) for row in table))
            times[kind] = ride_chain(bank, [row]).time_s
        assert times[used] < times[unused] - 0.5


def test_watts_do_not_flicker_on_an_even_climb(race: Race) -> None:
    """8 % on average, now a little more, now a little less, for 1,500 m; then 4 %: steep begins once and ends once."""
    place = np.linspace(0.0, 4000.0, 401)
    grade = np.where(place < 1000.0, 0.0, np.where(place < 2500.0, STEEP_GRADE + 0.004 * np.sin(place / 90.0), 0.04))
    course = make_course(4000.0, np.append(0.0, np.cumsum(grade[:-1] * np.diff(place))))
    road = road_of(segments_of(course, race), race, 0.0)
    kind = kinds_of(road.segments)
    assert (road.segments.grade[kind == STEEP] < STEEP_GRADE).any()
    assert np.count_nonzero(np.diff((kind == STEEP).astype(int))) == 2
    assert kind[-1] == CLIMB


def test_speed_on_a_bank_is_that_of_the_power_equation(race: Race) -> None:
    """In pieces of 20 to 30 m, slowly: the ride must neither swing about the steady speed nor miss it."""
    bank = up_a_bank(0.10, race)
    road, line = bank.road, bank.line
    alone = tuple(tuple(300 for _ in row) for row in WATTS)
    end = road.node_at(1500.0)
    steady = [Stretch(road.node_at(1250.0), node, 0, (400, 400, 400, 400), 15, alone) for node in (end - 1, end)]
    ridden = ride_patterns(road, race, line, patterns_of(steady, np.full(len(road.node_m), 3.0), bank.spent_j))
    expected_mps = speed_at_power(
        np.array([300.0]),
        mass_kg=line.mass_kg[0],
        drag_area_m2=line.cda_m2[0],
        grade=road.grade[end - 2 : end - 1],
        headwind_mps=road.headwind_mps[end - 2 : end - 1],
        air_density=road.air_density[end - 2 : end - 1],
        crr=race.crr,
    )
    np.testing.assert_allclose(ridden.exit_mps, expected_mps[0], rtol=0.01)


@pytest.mark.parametrize(("radius_m", "n_traps"), [(4.0, 1), (40.0, 0)])
def test_hairpins_that_take_longer_than_a_pull_downhill_get_a_landmark(
    radius_m: float, n_traps: int, race: Race
) -> None:
    """120 m of hairpins down 4 %: at 3.7 m/s, 3.5 m/s2 across, 32 s, where nobody may lead for more than 20 s."""
    place = np.linspace(0.0, 3000.0, 301)
    hairpins = (place > 1500.0) & (place <= 1620.0)
    course = make_course(
        3000.0,
        -0.04 * np.clip(place - 1000.0, 0.0, 1000.0),
        bend_radius=np.where(hairpins, radius_m, np.inf),
    )
    road = road_of(segments_of(course, race), race, 0.0)
    found = situation_of(course, road, race, (0, 1, 2, 3), (), (0,), np.full(road.n_segments, PACE_MPS), 300.0)
    traps = traps_m(found.road)
    assert len(traps) == n_traps
    assert all(1500.0 < trap < 1620.0 for trap in traps)


def test_road_is_cut_where_its_kind_changes(situation: Situation) -> None:
    road: PatternRoad = situation.road
    assert (np.diff(road.node_m) > 0.0).all()
    assert road.node_m[-1] == LENGTH_M
    bends = np.flatnonzero(road.closed == 2)
    assert road.node_m[bends].min() > 2500.0


def test_bounds_on_pulls_are_those_of_the_race(race: Race) -> None:
    course = make_course(6000.0)
    road: Road = road_of(segments_of(course, race), race, 0.0)
    shortest, longest = pull_bounds(road.segments, race)
    assert (shortest == race.limits.pulls["flat"].shortest_s).all()
    assert (longest == race.limits.pulls["flat"].longest_s).all()
    assert Path(race.course_file).name == "none.gpx"
