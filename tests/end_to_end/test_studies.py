"""What the studies find, checked against full plans, closed forms and published elasticities."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import straight_road_gpx
from study_examples import four_riders, small, without_wind

from ttt_opt.course import Course, read_course
from ttt_opt.lineups import possible_teams, rank_teams, roster_races
from ttt_opt.many_rides import Spread
from ttt_opt.plan import Plan, make_plan
from ttt_opt.race import Limits, Race
from ttt_opt.race_changes import scaled, with_rider, with_team_of
from ttt_opt.ride import ride
from ttt_opt.rotation_problem import segments_of
from ttt_opt.search_control import Settings
from ttt_opt.sensitivity import inputs_of, study_sensitivity
from ttt_opt.study_case import PlanCase, SamePullsCase, key_of, outcome_of, schedule_from
from ttt_opt.study_pool import Workers
from ttt_opt.study_store import Store
from ttt_opt.team import Rider, Team
from ttt_opt.team_sizes import crossing, mean_rider, study_sizes
from ttt_opt.weakened_rider import leave_after, study_weakened_rider, two_go_on

LIMIT = Settings(time_limit_s=60.0)
ENDS_BY_ITSELF = Settings(time_limit_s=600.0, gap=0.004)
"""Before its time is over, on slow machines too, so that the same search comes to the same plan."""
TWO = Workers(processes=2)


def silent(_text: str) -> None:
    pass


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> tuple[Race, Course]:
    """Four riders over three flat kilometres, of whom the third counts."""
    return small(four_riders(tmp_path_factory.mktemp("four"), "[rules]\nteam_size = 4\ncounting_rider = 3\n"))


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """One store for all, as in one study's folder: what one test has planned another one finds."""
    yield Store(tmp_path_factory.mktemp("store"))


def test_a_case_is_the_plan(small_plan: Plan) -> None:
    """One process inside a case gives what ``make_plan`` gives on all cores."""
    outcome = PlanCase(small_plan.race, small_plan.course, LIMIT).solve()
    expected = outcome_of(small_plan)
    del outcome["solve_seconds"], expected["solve_seconds"]
    assert outcome == expected


@pytest.mark.slow
def test_ranking_is_that_of_full_plans(four: tuple[Race, Course], store: Store) -> None:
    """Brute force: every team of three planned on its own, by ``make_plan``."""
    race, course = four
    (ranking,) = rank_teams([(course, roster_races(race, 3))], LIMIT, store, TWO, silent)
    by_force = {}
    for names in possible_teams(race, 3):
        plan = make_plan(with_team_of(race, names), LIMIT)
        by_force[names] = plan.finish_time_s if plan.check.passed else math.inf
    assert len(by_force) == 4
    expected = sorted(by_force, key=lambda names: (by_force[names], names))
    assert [team.names for team in ranking.ranked] == expected[: len(ranking.ranked)]
    for team in ranking.ranked:
        assert team.time_s == by_force[team.names]
    for team in ranking.cut_off:
        assert by_force[team.names] >= team.bound_s > ranking.best.time_s
    assert ranking.best.time_s == min(by_force.values())
    assert ranking.proven_s <= ranking.best.time_s


def test_weak_teams_are_cut_off_without_a_search(four: tuple[Race, Course], tmp_path: Path) -> None:
    """Whoever has a rider of two thirds of the power is not even planned."""
    race, course = four
    weak = with_rider(race, "Dan", lambda rider: scaled(rider, 0.65, 0.65))
    store = Store(tmp_path)
    (ranking,) = rank_teams([(course, roster_races(weak, 3))], LIMIT, store, Workers(processes=1), silent)
    assert [team.names for team in ranking.ranked] == [("Zoë", "Ben", "Cas")]
    assert {team.names for team in ranking.cut_off} == {
        names for names in itertools.combinations(("Zoë", "Ben", "Cas", "Dan"), 3) if "Dan" in names
    }
    assert all(team.outcome is None for team in ranking.cut_off)
    assert all(store.kept(key_of(PlanCase(team.race, course, LIMIT))) is None for team in ranking.cut_off)


def test_who_may_start(four: tuple[Race, Course]) -> None:
    race, _ = four
    assert len(possible_teams(race, 3)) == 4
    assert possible_teams(race, 3, fixed=["Dan"], unavailable=["Zoë"]) == [("Ben", "Cas", "Dan")]
    sitting = with_rider(race, "Ben", lambda rider: replace(rider, pulls=False))
    sitting = with_rider(sitting, "Dan", lambda rider: replace(rider, pulls=False))
    assert possible_teams(sitting, 3) == [("Zoë", "Ben", "Cas"), ("Zoë", "Cas", "Dan")]  # two who pull at least
    (only, *_) = roster_races(replace(race, start_order=("Cas", "Dan", "Zoë", "Ben")), 3, fixed=["Cas", "Zoë", "Dan"])
    assert only.start_order == ("Cas", "Dan", "Zoë")
    assert only.rules.team_size == 3


@pytest.mark.slow
def test_a_stronger_fourth_never_makes_the_four_slower(four: tuple[Race, Course]) -> None:
    """Within the gap of the plans (that asked for, where no bound holds), with the same seed."""
    race, course = four
    everybody = replace(race, rules=replace(race.rules, counting_rider=0))
    times, gaps = [], []
    for share in (0.9, 1.0, 1.1):
        stronger = with_rider(everybody, "Dan", lambda rider, share=share: scaled(rider, share, share))
        outcome = PlanCase(stronger, course, LIMIT).solve()
        assert outcome["passed"]
        times.append(outcome["finish_time_s"])
        bound_s = outcome["best_possible_s"] or (1.0 - LIMIT.gap) * outcome["finish_time_s"]
        gaps.append(outcome["finish_time_s"] - bound_s)
    for (before, after), gap in zip(itertools.pairwise(times), gaps[1:], strict=True):
        assert after <= before + gap
    assert times[-1] < times[0] - 1.0


@pytest.mark.slow
def test_zero_reduction_is_the_healthy_plan(four: tuple[Race, Course], store: Store) -> None:
    race, course = four
    day = study_weakened_rider(race, course, "Dan", [0.0, 0.25], ENDS_BY_ITSELF, store, TWO, silent)
    nothing, much = day.rows
    assert nothing.replanned == day.healthy
    healthy = PlanCase(race, course, ENDS_BY_ITSELF).solve()
    assert day.healthy["finish_time_s"] == healthy["finish_time_s"]
    number = [rider.name for rider in race.team.riders].index("Dan")
    assert nothing.old_plan.breaks_at_m is None and nothing.old_plan.below_reserve_at_m is None
    assert nothing.old_plan.finish_time_s == healthy["ridden_s"]
    assert nothing.old_plan.lowest_j == healthy["riders"][number]["w_prime_min_j"]
    # a quarter weaker, the old plan breaks where a ride of it says so
    weak = with_rider(race, "Dan", lambda rider: scaled(rider, 0.75, 0.75))
    ridden = ride(course, weak.team, weak, schedule_from(healthy["schedule"]))
    broken = [note for note in ridden.notes if note.startswith("Dan has used up W'")]
    assert much.old_plan.breaks_at_m is not None and f"{much.old_plan.breaks_at_m / 1000:.2f} km" in broken[0]
    # without him nothing depends on how weak he is
    assert day.without is not None and day.without["passed"]
    assert {rider["name"] for rider in day.without["riders"]} == {"Zoë", "Ben", "Cas"}
    for row in day.rows:
        assert row.sitting_on is not None and all(pull["rider"] != "Dan" for pull in row.sitting_on["pulls"])
        assert row.sitting_on_later is not None
        from_m = row.sitting_on_later["riders"][number]["sits_on_from_m"]
        later = [pull for pull in row.sitting_on_later["pulls"] if from_m is not None and pull["start_m"] >= from_m]
        assert all(pull["rider"] != "Dan" for pull in later)
        slowest_s = min(row.sitting_on["finish_time_s"], row.replanned.get("finish_time_s", math.inf))
        assert row.sitting_on_later["finish_time_s"] < 1.005 * slowest_s  # it may do as either
        longest = max(pull["duration_s"] for pull in row.short_pulls["pulls"][:-1] if pull["rider"] == "Dan")
        assert longest <= 22.0
        assert row.leaving
        for at_m, outcome in row.leaving:
            if outcome["state"] == "planned":
                assert outcome["riders"][number]["leaves_at_m"] == pytest.approx(at_m, abs=15.0)


def test_leaving_keeps_the_line_in_order(small_plan: Plan) -> None:
    """Whoever leaves after whichever pull: the others go on in the same order, from there to the finish."""
    schedule = small_plan.optimum.schedule
    for place in range(len(schedule.pulls) - 1):
        cut = leave_after(schedule, place)
        leaver = schedule.pulls[place].leader
        assert cut.pulls[:place] == schedule.pulls[:place]
        assert cut.pulls[place].leader_leaves and cut.pulls[place].end_segment == schedule.pulls[place].end_segment
        for before, after in itertools.pairwise(cut.pulls[place:]):
            rest = before.line[1:]
            assert after.line == (rest if before.leader_leaves else (*rest, before.leader))
        assert all(leaver not in pull.line for pull in cut.pulls[place + 1 :])
        assert cut.pulls[-1].end_segment == schedule.pulls[-1].end_segment


def test_leaving_never_leaves_one_to_pull_for_who_sits_on_later(small_plan: Plan) -> None:
    """One of three stops pulling in the middle; if another leaves before, only one would go on."""
    schedule = small_plan.optimum.schedule
    middle = len(schedule.pulls) // 2
    stopper, *others = schedule.pulls[middle].line
    pulls = list(schedule.pulls)
    for number in range(middle + 1, len(pulls)):
        first = (number - middle - 1) % 2
        pulls[number] = replace(pulls[number], line=(others[first], others[1 - first], stopper), n_sitting=1)
    sits_on = replace(schedule, pulls=tuple(pulls))
    assert two_go_on(sits_on)
    for place, pull in enumerate(pulls[:-1]):
        cut = leave_after(sits_on, place)
        assert all(set(after.sitting) <= {stopper} for after in cut.pulls)
        assert two_go_on(cut) == (pull.leader == stopper or place >= middle)


EQUAL = Rider("A", mass_kg=72.0, cp_w=310.0, w_prime_j=12000.0, cda_m2=0.24)


@pytest.mark.slow
def test_elasticities_of_an_all_equal_team(tmp_path: Path, store: Store) -> None:
    """Drag is most of the power at speed, and its power grows with the cube of speed (power equation of Martin et al.
    1998): so one percent of drag area or of air density is a third of a percent of time, and one of distance is one of
    time. Rolling takes a little off the first, and W', spread over a longer time, adds a little to the second.
    """
    path = tmp_path / "course.gpx"
    course = {}
    for length_m in (6000.0, 6300.0):
        path.write_text(straight_road_gpx(length_m), encoding="utf-8")
        course[length_m] = read_course(path)
    team = Team("Equal", tuple(replace(EQUAL, name=name) for name in ("Ada", "Bo", "Cy")))
    race = Race("Equal", team, path, limits=Limits(sustainable_share_of_cp=1.0))
    found = study_sensitivity(
        race, course[6000.0], LIMIT, store, TWO, silent, n_anew=0, n_rides=0, spread=Spread(), robust=False
    )
    by_name = {effect.of.name: effect for effect in found.effects}
    drag = by_name["drag area, all riders"]
    assert drag.elasticity == pytest.approx(1 / 3, abs=0.06)
    cooler, warmer = by_name["temperature (air density)"].differences_s
    assert warmer < 0.0 < cooler
    density = math.log((308.15 - 7.0) / (288.15 - 7.0))  # 28 against 8 °C at one pressure: ideal gas
    time = math.log((found.same["finish_time_s"] + cooler) / (found.same["finish_time_s"] + warmer))
    assert time / density == pytest.approx(1 / 3, abs=0.06)
    assert 0.0 < by_name["rolling resistance"].elasticity < 0.2  # type: ignore[operator]  # it has one
    assert 0.0 < by_name["mass, all riders"].elasticity < 0.25  # type: ignore[operator]  # it has one
    for name in ("Ada", "Bo", "Cy"):  # a third of the team's power each, and power is the cube of speed
        assert by_name[f"critical power, {name}"].elasticity == pytest.approx(-1 / 9, abs=0.06)
    longer = PlanCase(race, course[6300.0], LIMIT).solve()
    ratio = course[6300.0].length_m / course[6000.0].length_m
    elasticity = math.log(longer["finish_time_s"] / found.plan["finish_time_s"]) / math.log(ratio)
    assert elasticity == pytest.approx(1.0, abs=0.1)


def test_every_input_of_the_list_is_changed(small_plan: Plan) -> None:
    race = small_plan.race
    names = [item.name for item in inputs_of(race)]
    assert len(set(names)) == len(names)
    for wanted in ("wind speed", "wind direction", "temperature (air density)", "heat: critical power", "wheel gap",
                   "drag area, all riders", "rolling resistance", "mass, all riders", "surge limit",
                   "drafting table", "size of the rider ahead", "critical power, Ben", "W', Cas"):  # fmt: skip
        assert wanted in names
    assert all(side.race != race for item in inputs_of(race) for side in item.sides)
    assert "wind direction" not in [item.name for item in inputs_of(without_wind(race))]


def test_a_change_of_wind_is_felt_with_the_same_pulls(small_plan: Plan) -> None:
    race, schedule = small_plan.race, small_plan.optimum.schedule
    times = []
    for direction in (0.0, 180.0):  # the road runs north: head wind, tail wind
        changed = replace(race, weather=replace(race.weather, wind_from_deg=direction))
        outcome = SamePullsCase(changed, race, small_plan.course, schedule).solve()
        times.append(outcome["finish_time_s"])
        assert schedule_from(outcome["schedule"]).pulls == schedule.pulls
    assert times[0] > 1.05 * small_plan.finish_time_s > 1.05 * 1.05 * times[1]
    assert len(segments_of(small_plan.course, race).start_m) == len(schedule.speed_mps)


@pytest.mark.slow
def test_sizes_causes_add_up(four: tuple[Race, Course], store: Store) -> None:
    race, course = four
    found = study_sizes([(race, course)], (4, 3), [0.0], [0], LIMIT, store, TWO, silent)
    assert [(each.setting.wind_mps, each.setting.counting_rider) for each in found.comparisons] == [(0.0, 0), (4.0, 0)]
    for each in found.comparisons:
        assert len(each.larger.best.names) == 4 and len(each.smaller.best.names) == 3
        assert each.difference_s == each.larger.best.time_s - each.smaller.best.time_s
    (cause,) = found.causes
    own = found.comparisons[1]
    assert cause.shelter_s + cause.w_prime_s + cause.strength_s == pytest.approx(own.difference_s)
    assert cause.shelter_s < 0.0  # one more wheel behind an equal rider can only help
    (strength,) = found.strengths
    assert strength.differences_s[0] > strength.differences_s[-1]  # the weaker the fourth, the slower the four
    at_own = strength.differences_s[strength.shares.index(1.0)]
    assert at_own == own.difference_s


def test_crossing_zero() -> None:
    assert crossing([0.0, 4.0, 8.0], [-2.0, -1.0, 1.0]) == 6.0
    assert crossing([0.0, 4.0, 8.0], [-2.0, math.nan, 2.0]) == 4.0
    assert crossing([0.0, 4.0], [1.0, 2.0]) is None
    assert crossing([0.0, 4.0], [0.0, 2.0]) == 0.0


def test_the_mean_rider(small_plan: Plan) -> None:
    riders = small_plan.race.team.riders
    mean = mean_rider(riders, riders[0])
    assert mean.cp_w == pytest.approx((316 + 287 + 360) / 3)
    assert mean.w_prime_j == pytest.approx((20000 + 17000 + 19000) / 3)
    assert mean.name == "Zoë"
