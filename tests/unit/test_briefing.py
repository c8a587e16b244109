"""The briefing page: every figure is that of the plan, and nothing from outside can break it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from page_reading import Node, assert_harmless, read_page, table
from plan_examples import renamed, with_many_pulls, without_patterns

from ttt_opt.advice import NO_FALL_BACK, WARM_UP
from ttt_opt.briefing import START_ROUTINE_S, briefing_html
from ttt_opt.cautions import cautions
from ttt_opt.fall_backs import has_result_without_one
from ttt_opt.plan import Plan
from ttt_opt.plan_document import document_text, plan_document
from ttt_opt.plan_reading import read_plan
from ttt_opt.rider_cards import SIDES
from ttt_opt.terminal_names import is_unsafe
from ttt_opt.text_table import clock, short_clock

THREE = ("Ada", "Ben", "Cas")
HOSTILE = (
    ("<script>alert(1)</script>", "</style><b onclick=x>", '" onmouseover="x'),
    ("👩‍👩‍👧‍👦" * 10, "=1+1", "&lt;&amp;'"),
    ("\u202eevil\u2066", "שלום", "]]><!--"),
    ("W" * 80, "漢" * 80, "é" * 80),
)


def test_pulls_are_those_of_the_document(small_plan: Plan, small_document: dict[str, Any]) -> None:
    headings, rows = table(read_page(briefing_html(small_plan)), "pulls")
    assert headings[:4] == ["No.", "Rider", "km from", "to"]
    assert len(rows) == len(small_document["pulls"])
    for number, (row, pull) in enumerate(zip(rows, small_document["pulls"], strict=True), start=1):
        assert row == [
            str(number),
            pull["rider"],
            f"{pull['start_m'] / 1000:.2f}",
            f"{pull['end_m'] / 1000:.2f}",
            short_clock(pull["start_s"]),
            f"{pull['duration_s']:.0f}",
            f"{pull['front_power_w']:.0f}",
            f"{pull['front_power_w_per_kg']:.2f}",
            f"{100 * pull['front_power_share_of_cp']:.0f}",
            f"{pull['speed_kmh']:.1f}",
            pull["terrain"],
            SIDES[pull["swing_off"]],
        ]


def test_headline_is_that_of_the_document(small_plan: Plan, small_document: dict[str, Any]) -> None:
    page = read_page(briefing_html(small_plan))
    finish_s = small_document["finish_time_s"]
    assert page.named("finish-time").text == clock(finish_s)
    assert page.named("mean-speed").text == f"{3.6 * small_document['course']['length_m'] / finish_s:.1f} km/h"
    assert page.named("bound").text == clock(small_document["best_possible_s"])
    assert page.named("gap").text == f"{100 * small_document['gap']:.2f} %"
    passed = small_document["ride_check"]["passed"]
    assert page.named("ride-check").text == ("passed" if passed else "FAILED")
    assert page.all("h1")[0].text == "Small race"
    assert "start 2031-06-01 10:00" in page.all("header")[0].text


def test_checks_are_those_of_the_document(small_plan: Plan, small_document: dict[str, Any]) -> None:
    page = read_page(briefing_html(small_plan))
    rows = [row for name in ("limits", "agreement") for row in table(page, name)[1]]
    checks = small_document["ride_check"]["checks"]
    assert sorted(row[1].split("; worst: ")[0] for row in rows) == sorted(check["name"] for check in checks)
    met = {check["name"]: check["met"] for check in checks}
    for row in rows:
        assert row[0] == ("ok" if met[row[1].split("; worst: ")[0]] else "NO")
    assert len(table(page, "limits")[1]) == len(small_document["limits"])
    told = page.text
    for sentence in cautions(small_plan):
        assert sentence in told


def test_riders_are_those_of_the_document(small_plan: Plan, small_document: dict[str, Any]) -> None:
    figures = [node for node in read_page(briefing_html(small_plan)).all("figure") if node.all("figcaption")]
    for figure, rider in zip(figures, small_document["riders"], strict=True):
        assert rider["name"] in figure.text
        for words in (
            f"{rider['n_pulls']} pulls",
            f"at {rider['mean_front_power_w']:.0f} W",
            f"Mean {rider['mean_power_w']:.0f} W, peak over 5 s {rider['peak_power_w']:.0f} W",
            f"{rider['w_prime_end_j'] / 1000:.1f} kJ at the end",
        ):
            assert words in figure.text
        own = [pull for pull in small_document["pulls"] if pull["rider"] == rider["name"]]
        assert len(figure.all("rect")) == 2 * len(own)  # behind power and behind W'


def test_start_routine_is_that_of_the_first_segments(small_plan: Plan, small_document: dict[str, Any]) -> None:
    _, rows = table(read_page(briefing_html(small_plan)), "start-routine")
    for row, segment in zip(rows, small_document["segments"], strict=False):
        assert row[1:4] == [
            f"{segment['start_m'] / 1000:.2f}",
            segment["leader"],
            f"{segment['front_power_w']:.0f}",
        ]
    seconds = small_plan.optimum.schedule.duration_s.cumsum()
    assert seconds[len(rows) - 2] < START_ROUTINE_S <= seconds[len(rows) - 1]


def test_warm_up_in_watts_of_each_rider(small_plan: Plan) -> None:
    page = read_page(briefing_html(small_plan))
    headings, rows = table(page, "warm-up")
    assert sorted(step for heading in headings[1:] for step in heading.split(", ")) == [
        str(number) for number in range(1, len(WARM_UP) + 1)
    ]
    for row, rider in zip(rows, small_plan.race.team.riders, strict=True):
        for heading, watts in zip(headings[1:], row[1:], strict=True):
            for number in heading.split(", "):
                step = WARM_UP[int(number) - 1]
                assert watts == f"{step.from_share * rider.cp_w:.0f}–{step.to_share * rider.cp_w:.0f}"
    assert "09:50" in page.text  # the race starts at 10:00


def test_who_leads_is_said_by_marks_and_not_by_colour_alone(small_plan: Plan) -> None:
    page = read_page(briefing_html(small_plan))
    bands = [node for node in page.every() if node.attributes.get("class") == "band"]
    marks = [node.text for node in page.every() if node.attributes.get("class") == "label mark"]
    assert len(bands) == len(marks) == len(small_plan.pulls)
    assert marks == [pull.rider[0] for pull in small_plan.pulls]


@pytest.fixture(scope="module")
def eight(demo_road_plan_in_eight: Plan) -> Plan:
    return demo_road_plan_in_eight


def assert_patterns(page: Node, document: dict[str, Any]) -> None:
    """Every figure of the stretches is that of the document."""
    rideable = document["rideable"]
    assert clock(rideable["finish_time_s"]) in page.named("rideable-cost").text
    assert f"{abs(rideable['slower_s']):.1f} s ({abs(100 * rideable['slower_share']):.2f} %)" in page.named(
        "rideable-cost"
    ).text
    assert page.named("rideable-time").text == clock(rideable["finish_time_s"])
    blocks = [node for node in page.named("stretches").every() if node.attributes.get("class") == "stretch"]
    for block, stretch in zip(blocks, rideable["stretches"], strict=True):
        assert f"km {stretch['start_m'] / 1000:.2f}" in block.text
        speeds = dict.fromkeys(f"{stretch[end]:.0f}" for end in ("lowest_kmh", "highest_kmh"))
        assert f" {' to '.join(speeds)} km/h" in block.text
        assert (f"Downhill {stretch['downhill_s']} s each." in block.text) == (stretch["downhill_s"] is not None)
        assert ("either side" if stretch["swing_off"] == "either" else f"to the {stretch['swing_off']}") in block.text
        slopes = [heading.text.split()[1] for heading in block.all("th")[2:]]
        rows = [[cell.text for cell in row.all("td")] for row in block.all("tbody")[0].all("tr")]
        for row, rider in zip(rows, stretch["riders"], strict=True):
            watts, per_kg = rider["front_power_w"], rider["front_power_w_per_kg"]
            assert set(slopes) == {slope for slope, w in watts.items() if w is not None}
            assert row[0].endswith(rider["rider"])
            assert row[1:] == [str(rider["pull_s"]), *(f"{watts[s]} ({per_kg[s]:.1f})" for s in slopes)]


def test_patterns_come_first_and_are_those_of_the_document(
    small_plan: Plan, small_document: dict[str, Any], eight: Plan
) -> None:
    page = read_page(briefing_html(small_plan))
    assert page.all("h2")[0].text == "The plan to ride"
    assert_patterns(page, small_document)
    assert_patterns(read_page(briefing_html(eight)), json.loads(document_text(plan_document(eight))))


def test_fall_backs_are_those_of_the_document(eight: Plan) -> None:
    document = json.loads(document_text(plan_document(eight)))
    page = read_page(briefing_html(eight)).named("fall-backs")
    titles = [node.text for node in page.all("h3")]
    assert titles[-1] == "Wind from the opposite side"
    tables = page.all("tbody")
    with_plan = [one for one in document["fall_backs"] if one["plan"] is not None]
    for title, one, body in zip(titles, with_plan, tables, strict=False):
        assert title.startswith(f"Without {one['without']}: the time of the last rider counts, so the team has no")
        for row, stretch in zip(body.all("tr"), one["plan"]["stretches"], strict=True):
            cells = row.all("td")
            assert cells[0].text == f"{stretch['start_m'] / 1000:.1f}"
            bold = [node.text for node in row.all("b")]
            leader = next(rider for rider in stretch["riders"] if rider["rider"] == stretch["line"][0])
            assert len(bold) == 1
            assert bold[0].startswith(f"{leader['pull_s']} s ")
    assert "No pattern was found" in page.text


def test_rules_count_for_what_a_fall_back_is_worth(eight: Plan) -> None:
    rules = replace(eight.race.rules, counting_rider=3)
    three = replace(eight, race=replace(eight.race, rules=rules))
    assert has_result_without_one(three.race)
    assert not has_result_without_one(eight.race)


def test_no_bound_and_failed_check(small_plan: Plan) -> None:
    checks = tuple(replace(check, met=False, detail="at 1 km") for check in small_plan.check.checks)
    bad = replace(
        small_plan,
        optimum=replace(small_plan.optimum, best_possible_s=-math.inf),
        check=replace(small_plan.check, checks=checks, passed=False, notes=("Ben loses the wheel.",)),
    )
    page = read_page(briefing_html(bad))
    assert page.named("bound").text == "none proven"
    assert page.named("gap").text == "unknown"
    assert page.named("ride-check").text == "FAILED"
    for words in ("do not ride this plan as it stands", "worst: at 1 km", "Ben loses the wheel."):
        assert words in page.text
    assert "inf" not in page.text.replace("information", "")
    assert "nan" not in page.text


def test_without_a_start_time(small_plan: Plan) -> None:
    page = read_page(briefing_html(replace(small_plan, race=replace(small_plan.race, start_time=None))))
    assert f"−{WARM_UP[0].before_start_min:g} min" in page.text


def test_rider_who_leaves_and_rider_who_sits_on(small_plan: Plan) -> None:
    ride = small_plan.ride
    power, store = ride.power_w.copy(), ride.w_prime_j.copy()
    gone = ride.distance_m > 2000.0
    power[gone, 2], store[gone, 2] = math.nan, math.nan
    leaving = replace(
        small_plan,
        ride=replace(ride, power_w=power, w_prime_j=store, left_at_m=(None, None, 2000.0)),
        riders=(
            *small_plan.riders[:2],
            replace(small_plan.riders[2], leaves_at_m=2000.0, sits_on_from_m=0.0, n_pulls=0),
        ),
    )
    text = briefing_html(leaving)
    page = read_page(text)
    assert "Leaves the line at km 2.0." in page.text
    assert "Does not lead." in page.text
    assert "Cas sits on from the start, on the last wheels." in page.text
    assert "nan" not in text


def test_no_fall_back_plan_is_claimed(small_plan: Plan) -> None:
    assert NO_FALL_BACK in read_page(briefing_html(without_patterns(small_plan))).text
    assert NO_FALL_BACK not in read_page(briefing_html(small_plan)).text


@pytest.mark.parametrize("names", HOSTILE)
def test_hostile_names(names: tuple[str, ...], small_plan_in_eight: Plan) -> None:
    hostile = renamed(small_plan_in_eight, names)
    text = briefing_html(hostile)
    page = read_page(text)
    assert_harmless(page)
    assert not any(is_unsafe(character) for line in text.split("\n") for character in line)
    harmless = briefing_html(renamed(small_plan_in_eight, THREE))
    plain = [element.tag for element in read_page(harmless).every()]
    assert [element.tag for element in page.every()] == plain


def test_nothing_runs_and_nothing_is_fetched(small_plan: Plan) -> None:
    page = read_page(briefing_html(small_plan))
    assert_harmless(page)
    policy = [node for node in page.all("meta") if node.attributes.get("http-equiv") == "Content-Security-Policy"]
    assert policy[0].attributes["content"].startswith("default-src 'none'")


def test_same_plan_same_bytes(small_plan: Plan, small_plan_file: Path) -> None:
    text = briefing_html(small_plan)
    assert briefing_html(small_plan) == text
    assert briefing_html(read_plan(small_plan_file)) == text
    slower = replace(small_plan, optimum=replace(small_plan.optimum, solve_seconds=1e4, build_seconds=1e3))
    assert briefing_html(slower) == text


def test_size(small_plan_in_eight: Plan) -> None:
    """With as many pulls as 300 km take, at 45 s each, and the longest names."""
    long = with_many_pulls(renamed(small_plan_in_eight, ("漢" * 80, "é" * 80, "&" * 80)), 600)
    assert len(briefing_html(long).encode("utf-8")) < 1_000_000
