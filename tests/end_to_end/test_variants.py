"""Races unlike the demo: short and hilly courses, small and large teams, wind, wet roads, riders far apart.

Every plan must ride as planned: the ride check is a second simulation, which shares no coefficients with the search.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from conftest import METRES_PER_DEGREE

from ttt_opt.plan import Plan, make_plan, with_patterns
from ttt_opt.plan_document import document_text, plan_document
from ttt_opt.plan_reading import read_plan
from ttt_opt.plan_text import plan_text, sits_on_words
from ttt_opt.race import Limits, Race, Rules, Weather
from ttt_opt.search_control import Settings
from ttt_opt.team import Rider, Team

pytestmark = pytest.mark.slow

LEVEL = ((4000.0, 0.0),)
CALM, ALL_COUNT, USUAL = Weather(), Rules(), Limits()
STRONG = Rider("Ann", mass_kg=75.0, bicycle_mass_kg=8.5, cp_w=340.0, w_prime_j=20000.0, cda_m2=0.24)
MIDDLE = replace(STRONG, name="Bob", mass_kg=68.0, cp_w=310.0, w_prime_j=18000.0, cda_m2=0.225)
LIGHT = replace(STRONG, name="Cleo", mass_kg=60.0, cp_w=285.0, w_prime_j=15000.0, cda_m2=0.205)
WEAK = replace(STRONG, name="Dan", mass_kg=70.0, cp_w=200.0, w_prime_j=15000.0, cda_m2=0.235)
FOUR = (STRONG, MIDDLE, LIGHT, replace(MIDDLE, name="Eve", cp_w=295.0))


def write_course(path: Path, stretches: tuple[tuple[float, float], ...], corner_every_m: float = math.inf) -> Path:
    """A course from (length in m, grade), northwards, with a corner of 90 degrees every so often (right, then left)."""
    step, latitude, longitude, height = 10.0, 54.0, 4.6, 20.0
    points, done = [(latitude, longitude, height)], 0.0
    for grade in itertools.chain.from_iterable([grade] * round(length / step) for length, grade in stretches):
        east = math.isfinite(corner_every_m) and int(done // corner_every_m) % 2 == 1
        latitude += 0.0 if east else step / METRES_PER_DEGREE
        longitude += step / METRES_PER_DEGREE / math.cos(math.radians(latitude)) if east else 0.0
        height, done = height + grade * step, done + step
        points.append((latitude, longitude, height))
    body = "".join(f'<trkpt lat="{a:.7f}" lon="{b:.7f}"><ele>{c:.2f}</ele></trkpt>' for a, b, c in points)
    path.write_text(
        '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><trkseg>{body}</trkseg></trk></gpx>",
        encoding="utf-8",
    )
    return path


@dataclass(frozen=True)
class Variant:
    """One race: course, riders and what else differs from the standard."""

    stretches: tuple[tuple[float, float], ...] = LEVEL
    riders: tuple[Rider, ...] = FOUR
    corner_every_m: float = math.inf
    weather: Weather = CALM
    rules: Rules = ALL_COUNT
    limits: Limits = USUAL
    start_order: tuple[str, ...] = ()

    def race(self, folder: Path) -> Race:
        course = write_course(folder / "course.gpx", self.stretches, self.corner_every_m)
        return Race(
            name="Variant",
            team=Team("Invented", self.riders),
            course_file=course,
            weather=self.weather,
            rules=self.rules,
            limits=self.limits,
            start_order=self.start_order,
        )


def wind(speed_mps: float, from_deg: float) -> Weather:
    return Weather(wind_speed_mps=speed_mps, wind_from_deg=from_deg, shelter=1.0)


MAY_SIT_ON = replace(WEAK, may_sit_on=True)
VARIANTS = {
    "one kilometre": Variant(((1000.0, 0.0),)),
    "starts uphill": Variant(((800.0, 0.05), (2500.0, 0.0))),
    "ends downhill": Variant(((2500.0, 0.0), (1200.0, -0.05))),
    "long climb": Variant(((500.0, 0.0), (3500.0, 0.06))),
    "steep bank behind a descent": Variant(((1000.0, 0.0), (800.0, -0.05), (300.0, 0.1), (1500.0, 0.0))),
    "corners close together": Variant(((4000.0, 0.0),), corner_every_m=170.0),
    "equal riders": Variant(riders=tuple(replace(MIDDLE, name=name) for name in ("Ann", "Bob", "Cleo", "Dan"))),
    "two riders": Variant(riders=(STRONG, MIDDLE)),
    "third may leave": Variant(riders=(STRONG, MIDDLE, WEAK), rules=Rules(counting_rider=2)),
    "one sits on": Variant(riders=(STRONG, MIDDLE, LIGHT, replace(WEAK, pulls=False))),
    "one may sit on": Variant(riders=(STRONG, MIDDLE, LIGHT, MAY_SIT_ON)),
    "one may sit on, third may leave": Variant(riders=(STRONG, MIDDLE, MAY_SIT_ON), rules=Rules(counting_rider=2)),
    "one may sit on, another does": Variant(riders=(STRONG, MIDDLE, replace(LIGHT, pulls=False), MAY_SIT_ON)),
    "start order, one may sit on": Variant(
        riders=(STRONG, MIDDLE, LIGHT, MAY_SIT_ON),
        start_order=(MAY_SIT_ON.name, STRONG.name, LIGHT.name, MIDDLE.name),
    ),
    "start order": Variant(start_order=("Cleo", "Eve", "Ann", "Bob")),
    "five riders": Variant(riders=(*FOUR, replace(STRONG, name="Finn", cp_w=325.0))),
    "strong tail wind": Variant(weather=wind(12.0, 180.0)),
    "strong head wind": Variant(weather=wind(12.0, 0.0)),
    "strong cross wind": Variant(weather=wind(12.0, 270.0)),
    "wet corners": Variant(corner_every_m=700.0, weather=Weather(wet=True)),
    "one much weaker": Variant(riders=(STRONG, MIDDLE, LIGHT, WEAK)),
    "top speed on a descent": Variant(
        ((2000.0, 0.0), (1200.0, -0.06), (1500.0, 0.0)), limits=Limits(top_speed_kmh=60.0)
    ),
    "top speed on the level": Variant(((4000.0, 0.0),), limits=Limits(top_speed_kmh=42.0)),
    "reserve of nearly all W'": Variant(limits=Limits(w_prime_reserve_j=14000.0)),
}


@pytest.mark.parametrize("name", VARIANTS)
def test_plan_rides_as_planned(tmp_path: Path, name: str) -> None:
    race = VARIANTS[name].race(tmp_path)
    plan = make_plan(race, Settings(time_limit_s=30.0))
    assert [check.name for check in plan.check.checks if not check.met] == []
    check_team(plan)


def test_rider_who_holds_up_the_line_sits_on_in_every_paper(tmp_path: Path) -> None:
    """Detailed plan, stretches, text, page and the plan read back agree on who is on the last wheels."""
    race = VARIANTS["one may sit on"].race(tmp_path)
    plan = with_patterns(make_plan(race, Settings(time_limit_s=30.0)), seconds=60.0)
    weak = plan.riders[3]
    assert weak.name == MAY_SIT_ON.name and weak.sits_on_from_m is not None
    throughout = make_plan(replace(race, team=race.team.pulling_throughout()), Settings(time_limit_s=30.0))
    assert plan.finish_time_s < throughout.finish_time_s - 1.0
    last = [pull.end_m for pull in plan.pulls if pull.rider == weak.name]
    assert last[-1:] == ([weak.sits_on_from_m] if weak.sits_on_from_m else [])
    assert plan.rideable is not None and plan.rideable.check.passed
    early = weak.sits_on_from_m < 0.5 * plan.course.length_m
    assert all((weak.name in {rider.rider for rider in stretch.riders}) != early for stretch in plan.rideable.stretches)
    assert f"{weak.name} {sits_on_words(plan, weak)}" in " ".join(plan_text(plan).split())
    path = tmp_path / "plan.json"
    path.write_text(document_text(plan_document(plan)), encoding="utf-8")
    again = read_plan(path)
    assert again.riders == plan.riders
    assert again.check == plan.check
    assert again.rideable is not None
    assert again.rideable.check.passed
    assert again.rideable.stretches == plan.rideable.stretches


def check_team(plan: Plan) -> None:
    """What any plan must hold, whatever the race."""
    race, schedule = plan.race, plan.optimum.schedule
    names = [rider.name for rider in race.team.riders]
    assert sorted(plan.start_order) == sorted(names)
    assert {pull.rider for pull in plan.pulls} <= {rider.name for rider in race.team.riders if rider.pulls}
    if race.start_order:
        assert plan.start_order == race.start_order
    assert np.isfinite(schedule.speed_mps).all()
    if math.isfinite(plan.optimum.best_possible_s):
        assert plan.optimum.best_possible_s <= plan.finish_time_s
