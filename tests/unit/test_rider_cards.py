"""Cards: each rider's own pulls, as in the plan, on cards of 60 x 90 mm that can be read."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from page_reading import Node, assert_harmless, read_page
from plan_examples import renamed, with_many_pulls, without_patterns
from test_briefing import HOSTILE

from ttt_opt.plan import Plan
from ttt_opt.rider_cards import ROWS_A_CARD, SIDES, STYLE, cards_html
from ttt_opt.team_marks import team_marks
from ttt_opt.terminal_names import is_unsafe


def rows_of(card: Node) -> list[list[str]]:
    return [[cell.text for cell in row.all("td")] for row in card.all("tr") if row.all("td")]


def test_own_patterns_of_each_rider(demo_road_plan_in_eight: Plan) -> None:
    """Two lines a stretch: where, whose wheel and which side; seconds and watts by slope."""
    plan = demo_road_plan_in_eight
    assert plan.rideable is not None
    marks = team_marks(plan.race.team)
    cards = read_page(cards_html(plan)).all("article")
    for card, rider in zip(cards, plan.race.team.riders, strict=True):
        told = [node for node in card.every() if node.attributes.get("class") == "stretch"]
        for node, stretch in zip(told, plan.rideable.stretches, strict=True):
            where, figures = (line.text for line in node.all("p"))
            own = next(one for one in stretch.riders if one.rider == rider.name)
            place = stretch.line.index(rider.name)
            assert where.startswith(f"km {stretch.start_m / 1000:.1f}")
            assert ("lead · " if place == 0 else f"behind {marks[stretch.line[place - 1]]} · ") in where
            assert where.endswith(SIDES[stretch.swing_off])
            assert figures.startswith(f"{own.pull_s} s")
            shown = {int(found) for found in re.findall(r"\d+", re.sub(r"\(.*?\)", "", figures))[1:]}
            assert shown == set(own.front_power_w.values())
    assert f"leads the start at {plan.rideable.start_power_w} W" in cards[0].text


def test_own_pulls_of_each_rider_where_there_is_no_rideable_plan(small_plan: Plan) -> None:
    cards = read_page(cards_html(without_patterns(small_plan))).all("article")
    for card, rider in zip(cards, small_plan.race.team.riders, strict=True):
        assert rider.name in card.all("h1")[0].text
        assert rows_of(card) == [
            [f"{pull.start_m / 1000:.2f}", f"{pull.duration_s:.0f}", f"{pull.front_power_w:.0f}", SIDES[pull.swing_off]]
            for pull in small_plan.pulls
            if pull.rider == rider.name
        ]


def test_many_pulls_go_on_on_further_cards(small_plan: Plan) -> None:
    many = with_many_pulls(without_patterns(small_plan), 3 * (2 * ROWS_A_CARD + 1))
    cards = read_page(cards_html(many)).all("article")
    assert [len(rows_of(card)) for card in cards] == 3 * [ROWS_A_CARD, ROWS_A_CARD, 1]
    assert ["Card 1/3" in cards[0].text, "Card 2/3" in cards[1].text, "Card 3/3" in cards[2].text] == 3 * [True]
    assert [row for card in cards[:3] for row in rows_of(card)] == [
        [f"{pull.start_m / 1000:.2f}", f"{pull.duration_s:.0f}", f"{pull.front_power_w:.0f}", SIDES[pull.swing_off]]
        for pull in many.pulls
        if pull.rider == many.race.team.riders[0].name
    ]


def test_rider_without_pulls_has_a_card(small_plan: Plan) -> None:
    alone = replace(without_patterns(small_plan), pulls=tuple(replace(pull, rider="Zoë") for pull in small_plan.pulls))
    cards = read_page(cards_html(alone)).all("article")
    assert [bool(rows_of(card)) for card in cards if "No pulls" in card.text] == [False, False]


def test_size_of_card_and_letters() -> None:
    assert "size: 60mm 90mm" in STYLE
    assert "width: 60mm; height: 90mm" in STYLE
    sizes = [float(size) for size in re.findall(r"([\d.]+)pt", STYLE)]
    assert min(sizes) >= 6.5
    assert not re.findall(r"font(?:-size)?:[^;]*\d(?:px|em|rem|%)", STYLE)


@pytest.mark.parametrize("names", HOSTILE)
def test_hostile_names(names: tuple[str, ...], small_plan_in_eight: Plan) -> None:
    text = cards_html(renamed(small_plan_in_eight, names))
    page = read_page(text)
    assert_harmless(page)
    assert len(page.all("article")) == 3
    assert not any(is_unsafe(character) for line in text.split("\n") for character in line)


def test_same_plan_same_bytes(small_plan: Plan) -> None:
    assert cards_html(small_plan) == cards_html(small_plan)
