"""Cases: their keys, and what is kept of plans."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ttt_opt.plan import Plan
from ttt_opt.race_changes import scaled, with_rider, with_riders, with_team_of, with_wind
from ttt_opt.search_control import Settings
from ttt_opt.study_case import BoundCase, PlanCase, SamePullsCase, key_of, no_plan, outcome_of, schedule_from


@pytest.fixture(scope="module")
def case(small_plan: Plan) -> PlanCase:
    return PlanCase(small_plan.race, small_plan.course, Settings(time_limit_s=60.0))


def test_the_key_is_that_of_the_inputs(case: PlanCase) -> None:
    moved = replace(case, race=replace(case.race, course_file=Path("/elsewhere/course.gpx")))
    assert key_of(moved) == key_of(case)
    assert key_of(replace(case, settings=replace(case.settings, processes=2))) == key_of(case)


def test_every_input_changes_the_key(case: PlanCase) -> None:
    race, course = case.race, case.course
    others = [
        replace(case, race=with_wind(race, 4.1)),
        replace(case, race=with_rider(race, "Ben", lambda rider: scaled(rider, cp=1.001))),
        replace(case, race=replace(race, rules=replace(race.rules, counting_rider=2))),
        replace(case, race=replace(race, limits=replace(race.limits, surge_w=26.0))),
        replace(case, settings=replace(case.settings, seed=1)),
        replace(case, settings=replace(case.settings, time_limit_s=61.0)),
        replace(case, course=replace(course, elevation_m=course.elevation_m + 0.1)),
        BoundCase(race, course),
    ]
    keys = [key_of(other) for other in [case, *others]]
    assert len(set(keys)) == len(keys)


def test_an_outcome_is_json_and_its_schedule_comes_back(small_plan: Plan) -> None:
    outcome = json.loads(json.dumps(outcome_of(small_plan), allow_nan=False))
    schedule, back = small_plan.optimum.schedule, schedule_from(outcome["schedule"])
    assert back.pulls == schedule.pulls
    for name in ("boundary_m", "speed_mps", "exit_speed_mps", "front_power_w", "lost_s"):
        np.testing.assert_array_equal(getattr(back, name), getattr(schedule, name))
    assert outcome["finish_time_s"] == small_plan.finish_time_s


def test_a_race_without_a_plan_has_an_outcome_too(case: PlanCase) -> None:
    """A reserve that is all of W' but 1 J leaves nothing for the start."""
    limits = replace(case.race.limits, w_prime_reserve_j=16999.0)
    outcome = replace(case, race=replace(case.race, limits=limits)).solve()
    assert outcome == no_plan(outcome["why"])
    assert "no schedule keeps all limits" in outcome["why"]


def test_changed_races(small_plan: Plan) -> None:
    race = small_plan.race
    two = with_team_of(replace(race, rules=replace(race.rules, counting_rider=3)), {"Ben", "Zoë"})
    assert [rider.name for rider in two.team.riders] == ["Zoë", "Ben"]  # the order of the team file
    assert two.rules.counting_rider == 0 and two.rules.team_size == 2
    half = with_riders(race, lambda rider: scaled(rider, 0.5, 0.5))
    assert [rider.cp_w for rider in half.team.riders] == [rider.cp_w / 2 for rider in race.team.riders]
    assert [rider.peak_w for rider in half.team.riders] == [rider.peak_w for rider in race.team.riders]
    assert scaled(race.team.riders[0]) is race.team.riders[0]
    assert with_wind(race, 3.0, -30.0).weather.wind_from_deg == 330.0


def test_same_pulls_with_the_same_inputs_give_the_same_plan(small_plan: Plan) -> None:
    """Fitting again ends where the search ended, within what neighbouring fits differ by."""
    race, schedule = small_plan.race, small_plan.optimum.schedule
    outcome = SamePullsCase(race, race, small_plan.course, schedule).solve()
    assert outcome["passed"]
    assert outcome["finish_time_s"] == pytest.approx(small_plan.finish_time_s, rel=0.001)
    pulls = schedule_from(outcome["schedule"]).pulls
    assert pulls == schedule.pulls
