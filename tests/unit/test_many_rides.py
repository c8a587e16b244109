"""Many rides of a fixed schedule: the draws, who cracks, and that a day like the forecast is the ride check."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ttt_opt.many_rides import RIDES_A_CASE, RidesCase, Spread, many_rides, race_of_the_day, rides_cases
from ttt_opt.plan import Plan
from ttt_opt.race_changes import scaled, with_rider
from ttt_opt.ride import ride

NONE = Spread(0.0, 0.0, 0.0, 0.0)


def rides_of(plan: Plan, spread: Spread, n_rides: int, first: int = 0) -> RidesCase:
    return RidesCase(plan.race, plan.course, plan.optimum.schedule, spread, 0, first, n_rides)


def test_without_spread_every_ride_is_the_ride_check(small_plan: Plan) -> None:
    outcome = rides_of(small_plan, NONE, 3).solve()
    assert outcome["finish_time_s"] == [small_plan.ride.finish_time_s] * 3
    assert outcome["cracked_at_m"] == [[None] * 3] * 3


def test_draws_depend_on_the_number_alone(small_plan: Plan) -> None:
    together = rides_of(small_plan, Spread(), 6).solve()
    apart = [rides_of(small_plan, Spread(), 2, first).solve() for first in (0, 2, 4)]
    for key, values in together.items():
        assert [value for part in apart for value in part[key]] == values
    assert len(set(together["finish_time_s"])) == 6
    race, course, schedule = small_plan.race, small_plan.course, small_plan.optimum.schedule
    cases = rides_cases(race, course, schedule, Spread(), 0, 2 * RIDES_A_CASE + 1)
    assert [(case.first, case.n_rides) for case in cases] == [(0, 50), (50, 50), (100, 1)]


def test_spreads_are_those_asked_for(small_plan: Plan) -> None:
    """Means and standard deviations of 4,000 draws, each within 5 of its own standard errors."""
    race, spread = small_plan.race, Spread(0.03, 0.2, 0.5, 10.0)
    days = [race_of_the_day(race, spread, np.random.default_rng([0, number])) for number in range(4000)]
    drawn = {
        "form": (np.array([day.team.riders[0].cp_w / race.team.riders[0].cp_w for day in days]), 1.0, 0.03),
        "w prime": (np.array([day.team.riders[2].w_prime_j / race.team.riders[2].w_prime_j for day in days]), 1.0, 0.2),
        "speed": (np.array([day.weather.wind_speed_mps for day in days]), 4.0, 0.5),
        "direction": (np.array([day.weather.wind_from_deg for day in days]), 270.0, 10.0),
    }
    for what, (values, mean, deviation) in drawn.items():
        assert values.mean() == pytest.approx(mean, abs=5 * deviation / np.sqrt(4000)), what
        assert values.std() == pytest.approx(deviation, rel=5 / np.sqrt(2 * 4000)), what
    shares = np.array([[r.cp_w / q.cp_w for r, q in zip(d.team.riders, race.team.riders, strict=True)] for d in days])
    assert np.abs(np.corrcoef(shares.T) - np.eye(3)).max() < 0.08  # riders have good and bad days on their own


def test_who_cracks_and_where_is_that_of_the_ride(small_plan: Plan) -> None:
    weak = with_rider(small_plan.race, "Ben", lambda rider: scaled(rider, cp=0.9, w_prime=0.5))
    outcome = replace(rides_of(small_plan, NONE, 1), race=weak).solve()
    ridden = ride(small_plan.course, weak.team, weak, small_plan.optimum.schedule)
    below = np.flatnonzero(ridden.w_prime_j[:, 1] < 0.0)
    assert outcome["cracked_at_m"][0][1] == ridden.distance_m[below[0]]
    assert any("Ben has used up W'" in note for note in ridden.notes)


def test_rides_come_through_where_enough_riders_do(small_plan: Plan) -> None:
    race, schedule = small_plan.race, small_plan.optimum.schedule
    outcomes = [
        {"finish_time_s": [1.0, 2.0], "cracked_at_m": [[None, None, None], [None, 800.0, None]]},
        {"finish_time_s": [3.0], "cracked_at_m": [[700.0, 800.0, None]]},
    ]
    everybody = many_rides(race, schedule, outcomes)
    assert everybody.intact.tolist() == [True, False, False]
    np.testing.assert_allclose(everybody.crack_share, [1 / 3, 2 / 3, 0.0])
    two = many_rides(replace(race, rules=replace(race.rules, counting_rider=2)), schedule, outcomes)
    assert two.intact.tolist() == [True, True, False]
