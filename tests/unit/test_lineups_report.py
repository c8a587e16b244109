"""What the report of a study of line-ups concludes, from teams whose times and bounds are given."""

from __future__ import annotations

from typing import Any

from ttt_opt.lineups import Ranking, Team
from ttt_opt.lineups_report import lineups_report, pull_shares, why_none
from ttt_opt.plan import Plan
from ttt_opt.study_case import no_plan, outcome_of


def team(plan: Plan, names: str, bound_s: float, time_s: float | None, best_possible_s: float | None = None) -> Team:
    """A team with a plan of that time; ``None``: not searched."""
    outcome: dict[str, Any] | None = None
    if time_s is not None:
        known = {"finish_time_s": time_s, "best_possible_s": best_possible_s, "passed": True}
        outcome = outcome_of(plan) | known
    return Team(tuple(names.split()), plan.race, bound_s, outcome)


def conclusion(plan: Plan, ranked: list[Team], cut_off: list[Team]) -> str:
    report = lineups_report(plan.race, plan.course, 3, (), (), Ranking(tuple(ranked), tuple(cut_off)))
    return " ".join(report.conclusion)


def test_the_best_team_is_named_with_what_is_proven(small_plan: Plan) -> None:
    """The search of the slow team ended without a bound: its quick one is what is proven of all."""
    best = team(small_plan, "Arne Bela Carl", 190.0, 200.0, 199.0)
    slow = team(small_plan, "Arne Bela Dirk", 195.0, 230.0)
    told = conclusion(small_plan, [best, slow], [])
    assert told.startswith("Start with Arne, Bela and Carl: 0:03:20. No team of this roster can be faster than 0:03:15")
    assert "within 2.50 % of the best there is" in told  # (200 - 195) / 200
    assert told.endswith("Next: Arne, Bela and Dirk, 30.0 s slower.")


def test_a_lead_that_is_less_than_the_gap_is_no_lead(small_plan: Plan) -> None:
    best = team(small_plan, "Arne Bela Carl", 190.0, 200.0, 198.0)
    near = team(small_plan, "Arne Bela Dirk", 190.0, 201.5, 199.0)
    told = conclusion(small_plan, [best, near], [])
    assert "1.5 s slower; that is less than what the plans may be from their best" in told


def test_every_other_team_is_cut_off(small_plan: Plan) -> None:
    best = team(small_plan, "Arne Bela Carl", 190.0, 200.0, 199.0)
    cut = [team(small_plan, "Arne Bela Dirk", 207.0, None), team(small_plan, "Arne Carl Dirk", 211.0, None)]
    assert "Every other team is slower by at least 7.0 s." in conclusion(small_plan, [best], cut)


def test_no_team_has_a_plan(small_plan: Plan) -> None:
    nobody = Team(("Arne", "Bela", "Carl"), small_plan.race, 190.0, no_plan("the reserve is all of W'"))
    told = conclusion(small_plan, [nobody], [])
    assert told == "No team has a plan that keeps all limits and passes its ride check."


def test_why_a_team_has_no_time(small_plan: Plan) -> None:
    assert why_none(None) == "not planned"
    assert why_none(no_plan("too weak")) == "no plan"
    assert why_none(outcome_of(small_plan)) == "fails its ride check"
    assert pull_shares(None) == pull_shares(no_plan("too weak")) == ""


def test_shares_of_the_pulls_are_of_all_pulls(small_plan: Plan) -> None:
    shares = [int(part.rpartition(" ")[2]) for part in pull_shares(outcome_of(small_plan)).split(", ")]
    assert abs(sum(shares) - 100) <= 1
