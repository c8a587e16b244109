"""Constants for the next search say of changeovers and of the road what the ride of the last plan showed."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from numpy.typing import NDArray
from ride_examples import make_course, make_race

from ttt_opt.as_ridden import Ridden
from ttt_opt.course import Course
from ttt_opt.plan import ride_and_check
from ttt_opt.race import Race
from ttt_opt.rotation_fit import FittedPlan, as_ridden, assume
from ttt_opt.rotation_optimum import _calibrate
from ttt_opt.rotation_plan import planned_of, schedule_of, w_prime_along
from ttt_opt.rotation_problem import Road, road_of, rotation_data, segments_of
from ttt_opt.search_control import SearchClock, Settings
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

ORDER = (0, 1, 2)
TEAM = Team(
    "Example",
    (
        Rider("Arne", 80.0, 360.0, 22_000.0, 0.25),
        Rider("Bela", 68.0, 330.0, 18_000.0, 0.23),
        Rider("Carl", 62.0, 290.0, 16_000.0, 0.21),
    ),
)


@pytest.fixture(scope="module")
def race() -> Race:
    return make_race(TEAM)


@pytest.fixture(scope="module")
def course() -> Course:
    """2 km level, then a bank of 500 m at 6 % and down again at once, four times."""
    x = np.linspace(0.0, 6_000.0, 601)
    return make_course(6_000.0, np.where(x < 2_000.0, 0.0, 30.0 * np.abs((x / 500.0 + 1.0) % 2.0 - 1.0)))


@pytest.fixture(scope="module")
def road(course: Course, race: Race) -> Road:
    return road_of(segments_of(course, race), race, 0.0)


@pytest.fixture(scope="module")
def fitted(course: Course, road: Road, race: Race) -> FittedPlan:
    """The first plan of a search, and its ride."""
    ride_schedule = partial(ride_and_check, race, course, road)
    clock = SearchClock(Settings(time_limit_s=60.0))
    plan = _calibrate(road, race, ORDER, ride_schedule, clock, lambda _what, _best, _bound: None)
    return as_ridden(road, race, plan, ride_schedule)


def swings_off(fitted: FittedPlan, rider: int) -> NDArray[np.bool_]:
    """Segments at whose start a rider goes back: another leads than before."""
    data = fitted.order.compiled.data
    arcs = [data.arcs[a] for a in fitted.order.best.path]
    leader = np.concatenate([np.full(arc.end - arc.first, data.lines[arc.line][0]) for arc in arcs])
    return np.append(False, (leader[1:] != leader[:-1]) & (leader[:-1] == rider))


@pytest.mark.parametrize(("more_j", "told_j"), [(0.0, 0.0), (250.0, 250.0), (-200.0, -200.0), (5_000.0, 1_000.0)])
def test_what_changeovers_took_is_told_of_the_rider_who_changes(
    more_j: float, told_j: float, road: Road, race: Race, fitted: FittedPlan
) -> None:
    """A ride as planned, but each changeover of Bela took so much more; one ride is believed up to 1 kJ."""
    race = replace(race, recovery="constant", recovery_share=0.4)
    order = fitted.order
    back = swings_off(fitted, 1)
    assert back.sum() >= 3
    as_planned, more = ridden_as_planned(road, fitted), np.zeros((road.n_segments, 3))
    more[back, 1] = more_j
    with_more = replace(
        as_planned, w_prime_j=as_planned.w_prime_j - np.vstack([np.zeros(3), np.cumsum(more, axis=0)])
    )
    before = assume(road, race, order, as_planned).also_changeover_j
    after = assume(road, race, order, with_more).also_changeover_j
    assert after[[0, 2]] == pytest.approx(before[[0, 2]], abs=1e-6)
    if abs(told_j) < 1_000.0:
        assert after[1] - before[1] == pytest.approx(told_j, abs=1e-6)
    else:
        assert after[1] - order.assumptions.also_changeover_j[1] == told_j


def test_the_next_model_has_them(road: Road, race: Race, fitted: FittedPlan) -> None:
    """In every line that the rider leads, and nowhere below zero."""
    assumed = replace(fitted.order.assumptions, also_changeover_j=np.zeros(3), kept_pulls=())
    plain = rotation_data(road, race, ORDER, assumed)
    more = rotation_data(road, race, ORDER, replace(assumed, also_changeover_j=np.array([0.0, 300.0, -1e5])))
    by_leader = {line[0]: q for q, line in enumerate(plain.lines)}
    assert np.array_equal(more.changeover_use_j[:, by_leader[0]], plain.changeover_use_j[:, by_leader[0]])
    assert more.changeover_use_j[:, by_leader[1]] == pytest.approx(plain.changeover_use_j[:, by_leader[1]] + 300.0)
    assert (more.changeover_use_j[:, by_leader[2]] == 0.0).all()


def test_who_arrives_empty_refills_downhill_and_not_uphill(road: Road, race: Race, fitted: FittedPlan) -> None:
    """On a bank of 6 % all ride above critical power, so nothing refills however empty they are; on the way down all
    coast, and exp(-CP t / W') of what was spent stays where nobody pedals (differential form, Skiba et al. 2015)."""
    kept = assume(road, race, fitted.order, fitted.ridden).spent_kept
    grade = road.segments.grade
    late = np.arange(road.n_segments) > road.n_segments // 2
    down, up = late & (grade < -0.045), late & (grade > 0.045)
    assert down.sum() >= 2
    assert up.sum() >= 2
    assert np.median(kept[up]) > 0.99
    assert np.median(kept[down]) < 0.97
    time_s = fitted.ridden.time_s[down][:, None]
    cp_w, w_prime_j = fitted.order.compiled.data.cp_w, fitted.order.compiled.data.w_prime_j
    assert (kept[down] >= np.exp(-cp_w * time_s / w_prime_j) - 1e-9).all()


def ridden_as_planned(road: Road, fitted: FittedPlan) -> Ridden:
    """A ride with the times, work and W' of the model."""
    planned = planned_of(road, fitted.order)
    w_prime = w_prime_along(fitted.order.compiled.data, fitted.order.best)
    return Ridden(planned.time_s, planned.work_j, w_prime, np.minimum(w_prime[:-1], w_prime[1:]))


def test_dips_are_what_the_ride_shows_within_segments(
    course: Course, road: Road, race: Race, fitted: FittedPlan
) -> None:
    """Lowest W' of all steps of the ride in a segment, one after the other, against that at its ends."""
    order = fitted.order
    ride, _ = ride_and_check(
        race, course, road, schedule_of(road, order), w_prime_along(order.compiled.data, order.best)
    )
    ridden = fitted.ridden
    ends_s, middle_s = ride.boundary_time_s, ride.time_s - 0.5 * ride.step_s
    for s in range(road.n_segments):
        within = ride.w_prime_j[(middle_s > ends_s[s]) & (middle_s <= ends_s[s + 1])]
        lower_end = np.minimum(ride.boundary_w_prime_j[s], ride.boundary_w_prime_j[s + 1])
        assert ridden.dip_j[s] == pytest.approx(np.maximum(lower_end - within.min(axis=0), 0.0), abs=1e-9)
    assert (ridden.dip_j > 50.0).any()
    assert ridden.lowest_j == pytest.approx(ride.w_prime_j.min(axis=0))


def test_dips_are_left_above_the_reserve_where_they_are(road: Road, race: Race, fitted: FittedPlan) -> None:
    """In the next constants, at both ends of the segment; who has left has none."""
    dip_j = assume(road, race, fitted.order, fitted.ridden).dip_j
    assert np.array_equal(dip_j, fitted.ridden.dip_j)
    left = fitted.ridden.w_prime_j.copy()
    left[5:, 2] = np.nan
    least = fitted.ridden.least_j.copy()
    least[5:, 2] = np.nan
    gone = replace(fitted.ridden, w_prime_j=left, least_j=least)
    assert np.array_equal(gone.dip_j[:4], fitted.ridden.dip_j[:4])
    assert (gone.dip_j[4:, 2] == 0.0).all()
    deep = replace(fitted.ridden, least_j=fitted.ridden.least_j - 1e5)
    most_j = 0.25 * (np.array([rider.w_prime_j for rider in race.team.riders]) - race.limits.w_prime_reserve_j)
    assert assume(road, race, fitted.order, deep).dip_j == pytest.approx(np.tile(most_j, (road.n_segments, 1)))
