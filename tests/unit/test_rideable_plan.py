"""The rideable plan of a small race: patterns that riders can keep in mind, ridden, and what they cost."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from ttt_opt.allowance import Allowance
from ttt_opt.chain_search import improved, merits
from ttt_opt.fall_backs import has_result_without_one, race_with_wind_turned, race_without
from ttt_opt.pattern_plan import RideablePlan, side_of
from ttt_opt.pattern_text import cost, rideable_text
from ttt_opt.plan import Plan
from ttt_opt.plan_document import limits_of
from ttt_opt.rideable_plan import CURED_BEFORE_M, MOST_CURES, RiddenPlan, place_of, repaired, situation_of
from ttt_opt.stretch_search import Chain, Stretch, ride_chain, scaled

MOST_SLOWER = 0.005
"""What the rideable plan may be slower than the detailed one (share of the time)."""


@pytest.fixture(scope="module")
def rideable(small_plan: Plan) -> RideablePlan:
    assert small_plan.rideable is not None
    return small_plan.rideable


def test_few_stretches_in_steps_that_riders_count(rideable: RideablePlan, small_plan: Plan) -> None:
    assert 1 <= len(rideable.stretches) <= 8
    ends = [0.0, *(stretch.end_m for stretch in rideable.stretches)]
    assert [stretch.start_m for stretch in rideable.stretches] == ends[:-1]
    assert ends[-1] == small_plan.course.length_m
    for stretch in rideable.stretches:
        assert sorted(stretch.line) == sorted(rider.name for rider in small_plan.race.team.riders)
        assert [rider.rider for rider in stretch.riders] == list(stretch.line)
        for rider in stretch.riders:
            assert rider.pull_s % 5 == 0
            assert all(watts % 5 == 0 for watts in rider.front_power_w.values())
    assert rideable.stretches[0].line == small_plan.start_order


def test_ride_check_is_passed_and_the_cost_is_small(rideable: RideablePlan, small_plan: Plan) -> None:
    assert rideable.check.passed, [check.name for check in rideable.check.failed]
    names = [check.name for check in rideable.check.checks]
    assert names == [check.name for check in small_plan.check.checks]  # the same checks, the same limits
    limits = {check.name: (check.limit, check.tolerance) for check in limits_of(small_plan.check.checks)}
    assert {check.name: (check.limit, check.tolerance) for check in limits_of(rideable.check.checks)} == limits
    assert rideable.finish_time_s < (1.0 + MOST_SLOWER) * small_plan.check.finish_time_s


def test_line_order_goes_on_from_stretch_to_stretch(rideable: RideablePlan) -> None:
    """The rider who is next when a stretch ends leads the following one: a cyclic rotation."""
    pulls = rideable.ridden.schedule.pulls
    for before, after in itertools.pairwise(pulls):
        assert after.line == (*before.line[1:], before.line[0])
    boundary_m = rideable.ridden.schedule.boundary_m
    starts = {round(float(boundary_m[pull.first_segment]), 3) for pull in pulls}
    assert {round(stretch.start_m, 3) for stretch in rideable.stretches} <= starts


def test_text_says_what_it_costs(rideable: RideablePlan, small_plan: Plan) -> None:
    slower_s = rideable.finish_time_s - small_plan.check.finish_time_s
    assert f"{abs(slower_s):.1f} s" in cost(small_plan, rideable)
    assert ("slower" if slower_s > 0.0 else "faster") in cost(small_plan, rideable)
    text = "\n".join(rideable_text(small_plan))
    for stretch in rideable.stretches:
        for rider in stretch.riders:
            assert f"{rider.pull_s} s {next(iter(rider.front_power_w.values()))}" in text
    assert "There is none" in "\n".join(rideable_text(replace(small_plan, rideable=None)))


def test_a_fall_back_for_every_rider_and_for_the_wind(small_plan: Plan) -> None:
    without = [fall_back.without for fall_back in small_plan.fall_backs]
    assert without == [*(rider.name for rider in small_plan.race.team.riders), None]
    for fall_back in small_plan.fall_backs[:-1]:
        assert not fall_back.has_result  # the last of three counts
        assert fall_back.plan is not None
        for stretch in fall_back.plan.stretches:
            assert fall_back.without not in stretch.line
            assert len(stretch.line) == 2
        reserves = [check for check in fall_back.plan.check.checks if check.name.startswith("W' reserve")]
        assert len(reserves) == 2
        assert all(check.met for check in reserves)


def test_wind_from_the_other_side_turns_the_side_to_swing_off(small_plan: Plan, rideable: RideablePlan) -> None:
    other = small_plan.fall_backs[-1].plan
    assert other is not None
    assert {stretch.swing_off for stretch in rideable.stretches} == {"left"}  # the road runs north, the wind is west
    assert {stretch.swing_off for stretch in other.stretches} == {"right"}
    assert side_of(0.2) == side_of(-0.2) == "either"
    turned = race_with_wind_turned(small_plan.race).weather
    assert turned.wind_from_deg == (small_plan.race.weather.wind_from_deg + 180.0) % 360.0


def test_what_the_rules_say_of_a_missing_rider(small_plan: Plan) -> None:
    race = small_plan.race
    for counting, result in ((0, False), (3, False), (2, True), (1, True)):
        assert has_result_without_one(replace(race, rules=replace(race.rules, counting_rider=counting))) is result
    smaller = race_without(race, "Ben")
    assert smaller is not None
    assert [rider.name for rider in smaller.team.riders] == ["Zoë", "Cas"]
    riders = tuple(replace(rider, pulls=rider.name != "Cas") for rider in race.team.riders)
    assert race_without(replace(race, team=replace(race.team, riders=riders)), "Ben") is None


def test_places_are_read_from_checks_as_they_are_told(small_plan: Plan) -> None:
    """Every check that names a place names one on the course; cures are looked for around it."""
    places = [place_of(check) for check in small_plan.check.checks]
    known = [place for place in places if place is not None]
    assert len(known) >= 5
    assert all(0.0 <= place <= small_plan.course.length_m + 10.0 for place in known)


def test_a_missed_limit_is_cured_where_a_neighbour_keeps_it(small_plan: Plan, rideable: RideablePlan) -> None:
    """The first rides of neighbours miss a limit as before; the third keeps it, and is taken."""
    plan, ridden = small_plan, rideable.ridden
    schedule, order = plan.optimum.schedule, ridden.line
    situation = situation_of(
        plan.course, plan.road, plan.race, order, (), (0,), schedule.speed_mps, schedule.finish_time_s
    )
    missed = replace(ridden.check.checks[-1], met=False, detail="Ben at 1.00 km")
    missing = replace(ridden, check=replace(ridden.check, passed=False, checks=(missed,)))
    rides: list[tuple[Stretch, ...]] = []

    def ride_it(chain: Chain, near: RiddenPlan | None = None) -> RiddenPlan:
        if near is not None:
            rides.append(chain.stretches)
        return replace(ridden if len(rides) == 3 else missing, chain=chain)

    found = repaired(situation, missing, ride_it)
    assert found.check.passed
    assert len(rides) == 3
    assert found.stretches == rides[-1]
    assert len(set(rides)) == 3

    rides.clear()

    def never(chain: Chain, near: RiddenPlan | None = None) -> RiddenPlan:
        rides.append(chain.stretches)
        return missing

    hopeless = repaired(situation, missing, never)
    assert not hopeless.check.passed  # and says so
    assert 3 < len(rides) <= MOST_CURES
    assert repaired(situation, ridden, ride_it) is ridden

    rides.clear()
    assert repaired(situation, missing, never, Allowance(0.0, lambda: 1.0, 0.0)) is missing  # no time is left
    assert not rides


def test_a_chain_search_prices_what_is_missed(small_plan: Plan, rideable: RideablePlan) -> None:
    """W' that nobody has costs more than the time it saves; a chain is never made slower."""
    plan, ridden = small_plan, rideable.ridden
    schedule = plan.optimum.schedule
    situation = situation_of(
        plan.course, plan.road, plan.race, ridden.line, (), (0,), schedule.speed_mps, schedule.finish_time_s
    )
    chain = ride_chain(situation, ridden.stretches)
    harder = tuple(scaled(stretch, 1.1) for stretch in ridden.stretches)
    assert ride_chain(situation, harder).time_s < chain.time_s
    price_s = merits(situation, chain, 0, [chain.stretches, harder])
    assert price_s[1] > price_s[0] >= chain.time_s - 1e-6
    better = improved(situation, chain, rounds=1, reach=1)
    assert merits(situation, chain, 0, [better.stretches])[0] <= price_s[0] + 1e-6


def test_cures_begin_with_who_leads_where_a_limit_is_missed(small_plan: Plan, rideable: RideablePlan) -> None:
    """Of the neighbours of a stretch those that change the pulls of the riders around the place come first."""
    plan, ridden = small_plan, rideable.ridden
    schedule = plan.optimum.schedule
    situation = situation_of(
        plan.course, plan.road, plan.race, ridden.line, (), (0,), schedule.speed_mps, schedule.finish_time_s
    )
    boundary_m = ridden.schedule.boundary_m
    ends_m = {
        (boundary_m[pull.first_segment], boundary_m[pull.end_segment]): ridden.line.index(pull.leader)
        for pull in ridden.schedule.pulls
    }
    place_m, leaders = min(
        (
            (place_m, {i for (a, b), i in ends_m.items() if a - CURED_BEFORE_M <= place_m <= b + CURED_BEFORE_M})
            for place_m in np.arange(100.0, plan.course.length_m - 100.0, 50.0)
        ),
        key=lambda found: len(found[1]),
    )
    assert len(leaders) < len(ridden.line)
    place_km = place_m / 1000.0
    missed = replace(ridden.check.checks[-1], met=False, detail=f"{place_km:.2f} km")
    missing = replace(ridden, check=replace(ridden.check, passed=False, checks=(missed,)))
    rides: list[tuple[Stretch, ...]] = []

    def ride_it(chain: Chain, near: RiddenPlan | None = None) -> RiddenPlan:
        rides.append(chain.stretches)
        return missing

    repaired(situation, missing, ride_it)
    theirs: list[bool] = []
    for stretches in rides:
        changed: set[int] = set()
        for before, after in zip(ridden.stretches, stretches, strict=True):
            rows = [(before.seconds, after.seconds), *zip(before.watts, after.watts, strict=True)]
            changed |= {i for old, new in rows for i in range(len(old)) if old[i] != new[i]}
        theirs.append(bool(changed & leaders))
    assert theirs[0]
    assert theirs == sorted(theirs, reverse=True)
