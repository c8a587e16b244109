"""The plan as text: what a coach must find in it, its width, and names that mean harm."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest
from plan_examples import renamed

from ttt_opt.cautions import cautions
from ttt_opt.plan import Plan, with_quick_bound
from ttt_opt.plan_document import document_text, plan_document
from ttt_opt.plan_reading import read_plan
from ttt_opt.plan_text import STOPPED_WORDS, SWING_OFF_WORDS, plan_text
from ttt_opt.race import Weather
from ttt_opt.team_bound import team_bound
from ttt_opt.terminal_names import is_unsafe
from ttt_opt.text_table import WIDTH, clock, display_width


def block(text: str, title: str) -> list[str]:
    """Lines below the first title that begins so."""
    lines = text.splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(title) and set(lines[n + 1]) == {"─"})
    below = lines[start + 2 :]
    end = below.index("") if "" in below else len(below)
    return below[:end]


def with_pull(plan: Plan, **changes: object) -> Plan:
    first = replace(plan.pulls[0], **changes)  # type: ignore[arg-type]
    return replace(plan, pulls=(first, *plan.pulls[1:]))


def test_headline(small_plan: Plan) -> None:
    lines = plan_text(small_plan).splitlines()
    kmh = 3.6 * small_plan.course.length_m / small_plan.finish_time_s
    assert lines[0] == "Small race · Invented three"
    assert "start 2031-06-01 10:00" in lines[1]
    assert f"Finish time  {clock(small_plan.finish_time_s)}   ({kmh:.1f} km/h)" in lines
    bound = " ".join(lines[4:8])
    assert f"no plan of this model can be faster than {clock(small_plan.optimum.best_possible_s)}" in bound
    assert f"({100 * small_plan.optimum.gap:.2f} %)" in bound


def test_verdict(small_plan: Plan) -> None:
    good = replace(small_plan, check=replace(small_plan.check, passed=True))
    assert "Ride check   passed: " in plan_text(good)
    checks = tuple(replace(check, met=number > 1) for number, check in enumerate(small_plan.check.checks))
    bad = replace(
        small_plan, check=replace(small_plan.check, checks=checks, passed=False, difference_s=-3.21)
    )
    text = plan_text(bad)
    assert "Ride check   FAILED: " in text
    assert "3.2 s faster than planned" in text
    assert f"2 of {len(checks)} checks are not met" in " ".join(text.split())
    assert "The ride check failed: do not ride this plan" in text


def test_no_bound(small_plan: Plan) -> None:
    text = plan_text(
        replace(
            small_plan,
            optimum=replace(small_plan.optimum, best_possible_s=-math.inf, stopped_because="interrupted"),
        )
    )
    assert "Bound        none was proven" in text
    assert "it was interrupted" in text
    assert "inf" not in text


def test_search_without_a_bound_gets_the_quick_one(small_plan: Plan, tmp_path: Path) -> None:
    unbounded = replace(small_plan, optimum=replace(small_plan.optimum, best_possible_s=-math.inf))
    bounded = with_quick_bound(unbounded)
    assert bounded.optimum.best_possible_s == team_bound(small_plan.road, small_plan.race)
    assert bounded.optimum.best_possible_s <= small_plan.optimum.best_possible_s
    text = " ".join(plan_text(bounded).split())
    assert "no plan of this team can be faster than" in text
    assert "The bound is a quick one" in text
    file = tmp_path / "plan.json"
    file.write_text(document_text(plan_document(bounded)), encoding="utf-8")
    read = read_plan(file)
    assert read.optimum.quick_bound and read.optimum.best_possible_s == bounded.optimum.best_possible_s


def test_own_bound_stays_and_an_interrupted_search_gets_none(small_plan: Plan) -> None:
    assert with_quick_bound(small_plan) is small_plan
    interrupted = replace(small_plan.optimum, best_possible_s=-math.inf, stopped_because="interrupted")
    assert with_quick_bound(replace(small_plan, optimum=interrupted)).optimum.best_possible_s == -math.inf


def test_bound_of_some_orders_only(small_plan: Plan) -> None:
    text = plan_text(
        replace(small_plan, optimum=replace(small_plan.optimum, n_orders=1, n_orders_possible=5040))
    )
    assert "no plan of this model in this line order" in " ".join(text.split())
    assert "one line order of 5,040 possible" in " ".join(text.split())


def test_pulls_table(small_plan: Plan) -> None:
    heading, *rows = block(plan_text(small_plan), "Detailed plan: pulls")
    assert " ".join(heading.split()) == "No. Rider km from to Clock s W W/kg % CP km/h Terrain Swing off"
    assert len(rows) == len(small_plan.pulls)
    for number, (row, pull) in enumerate(zip(rows, small_plan.pulls, strict=True), start=1):
        cells = row.split()
        assert cells[:2] == [str(number), pull.rider]
        assert cells[2:4] == [f"{pull.start_m / 1000:.2f}", f"{pull.end_m / 1000:.2f}"]
        assert cells[6] == f"{pull.front_power_w:.0f}"
        assert cells[8] == f"{100 * pull.front_power_share_of_cp:.0f}"
        assert row.endswith(SWING_OFF_WORDS[pull.swing_off])
    assert "to the left" in rows[0]  # the road runs north, the wind comes from the west


@pytest.mark.parametrize(("side", "words"), SWING_OFF_WORDS.items())
def test_swing_off_in_words(side: str, words: str, small_plan: Plan) -> None:
    rows = block(plan_text(with_pull(small_plan, swing_off=side)), "Detailed plan: pulls")
    assert rows[1].endswith(words)


def test_riders_table(small_plan: Plan) -> None:
    first = replace(small_plan.riders[0], leaves_at_m=2345.0, n_pulls=0)
    text = plan_text(replace(small_plan, riders=(first, *small_plan.riders[1:])))
    _, _, zoe, ben, _ = block(text, "Riders")
    assert zoe.split()[:2] == ["Zoë", "0"]
    assert zoe.endswith(" 2.3")
    assert ben.endswith("–")
    summary = small_plan.riders[1]
    full = small_plan.race.team.riders[1].w_prime_j
    assert f"{summary.w_prime_min_j / 1000:.1f} {100 * summary.w_prime_min_j / full:4.0f} " in ben
    assert f" {100 * summary.front_share:.0f}% " in ben


def test_limits_say_value_limit_and_met(small_plan: Plan) -> None:
    checks = tuple(
        replace(check, met=False, detail="Ben at 1.00 km") if check.name.startswith("Peak power") else check
        for check in small_plan.check.checks
    )
    lines = block(plan_text(replace(small_plan, check=replace(small_plan.check, checks=checks))), "Limits")
    peak = next(n for n, line in enumerate(lines) if "Peak power" in line)
    assert lines[peak].startswith("NO ")
    assert lines[peak + 1].strip() == "worst: Ben at 1.00 km"
    reserve = next(line for line in lines if "W' reserve, Ben" in line)
    check = next(c for c in checks if c.name.startswith("W' reserve, Ben"))
    assert re.search(rf"{check.value / 1000:.2f} kJ +3\.00 kJ +±0\.50 kJ$", reserve)


def test_sits_on_and_repairs_are_told(small_plan: Plan) -> None:
    text = plan_text(
        replace(
            small_plan,
            riders=(*small_plan.riders[:2], replace(small_plan.riders[2], sits_on_from_m=0.0)),
            course=replace(small_plan.course, repairs=("Something was repaired.",)),
        )
    )
    assert "Cas sits on from the start, on the last wheels." in text
    assert block(text, "Course file") == ["- Something was repaired."]
    assert "ride the course once before the race" in text


def test_rider_who_sits_on_from_a_point_is_told(small_plan: Plan) -> None:
    riders = (*small_plan.riders[:2], replace(small_plan.riders[2], sits_on_from_m=2345.0))
    pulls = (replace(small_plan.pulls[0], sits_on=True, swing_off="left"), *small_plan.pulls[1:])
    text = plan_text(replace(small_plan, riders=riders, pulls=pulls))
    assert "Cas pulls until km 2.3 and sits on from there, on the last wheels" in " ".join(text.split())
    row = next(line for line in block(text, "Detailed plan: pulls") if line.split()[0] == "1")
    assert row.endswith("to the left, sits on")


@pytest.mark.parametrize("reason", STOPPED_WORDS)
def test_why_the_search_stopped(reason: str, small_plan: Plan) -> None:
    text = plan_text(replace(small_plan, optimum=replace(small_plan.optimum, stopped_because=reason)))
    assert STOPPED_WORDS[reason] in " ".join(text.split())


HOSTILE = (
    ("\x1b[2J\x1b[31mred", "a\u202eb\u2066", "line\nbreak\r\x07"),
    ("W" * 80, "漢" * 80, "é" * 80),
    ("👩‍👩‍👧‍👦" * 10, "=1+1", "{0} %s \\n"),
)


@pytest.mark.parametrize("names", HOSTILE)
def test_hostile_names(names: tuple[str, ...], small_plan: Plan) -> None:
    text = plan_text(renamed(small_plan, names))
    assert not any(is_unsafe(character) for line in text.split("\n") for character in line)
    assert text.count("\n") < 150
    assert max(display_width(line) for line in text.splitlines()) <= WIDTH


def test_width_of_a_long_race(small_plan: Plan) -> None:
    """Times of hours, distances of hundreds of kilometres and the longest words still fit."""
    pull = replace(
        small_plan.pulls[0],
        start_m=123_450.0,
        end_m=223_450.0,
        start_s=36_000.0,
        duration_s=3600.0,
        front_power_w=1234.0,
        front_power_w_per_kg=12.34,
        front_power_share_of_cp=2.34,
        terrain="descent",
        swing_off="leave",
    )
    rider = replace(
        small_plan.riders[0],
        n_pulls=123,
        front_s=36_000.0,
        mean_pull_s=3600.0,
        peak_power_w=1234.0,
        w_prime_min_j=-12_345.0,
        leaves_at_m=123_456.0,
    )
    long = replace(small_plan, pulls=(pull,), riders=(rider, *small_plan.riders[1:]))
    text = plan_text(renamed(long, ("W" * 80, "M" * 80, "Q" * 80)))
    assert max(display_width(line) for line in text.splitlines()) <= WIDTH


def test_cautions_name_road_and_health(small_plan: Plan) -> None:
    told = " ".join(cautions(small_plan))
    for word in ("Road law", "rules of the event", "Wheels 0.50 m apart", "fever", "chest pain", "doctor"):
        assert word in told
    for word in ("Heat", "Cold", "Wet", "Cross wind", "repaired"):
        assert word not in told


@pytest.mark.parametrize(
    ("weather", "word"),
    [
        (Weather(temperature_c=28.0), "Heat (28 °C)"),
        (Weather(temperature_c=-1.0), "Cold (-1 °C)"),
        (Weather(wet=True), "Wet road"),
    ],
)
def test_cautions_of_weather(weather: Weather, word: str, small_plan: Plan) -> None:
    assert word in " ".join(cautions(replace(small_plan, race=replace(small_plan.race, weather=weather))))


def test_caution_of_cross_wind(small_plan: Plan) -> None:
    windy = replace(
        small_plan, road=replace(small_plan.road, crosswind_mps=small_plan.road.crosswind_mps - 6.0)
    )
    assert "Cross wind of up to" in " ".join(cautions(windy))
