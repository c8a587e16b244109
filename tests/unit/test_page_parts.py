"""HTML that escapes by construction, axes of charts, marks of riders, and the advice that goes with a plan."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from ttt_opt.advice import WARM_UP, before_start, equipment, what_if
from ttt_opt.charts import Axes, axes_around, round_values, stairs
from ttt_opt.html_text import Html, element, escaped, joined, table_of
from ttt_opt.plan import Plan
from ttt_opt.race import Rules, Weather
from ttt_opt.team import Rider, Team
from ttt_opt.team_marks import chip, team_marks


def test_texts_are_escaped_once() -> None:
    assert element("p", "a < b & c") == "<p>a &lt; b &amp; c</p>"
    assert element("p", element("b", "<i>")) == "<p><b>&lt;i&gt;</b></p>"
    assert element("p", class_="a", aria_label='"x"') == '<p class="a" aria-label="&quot;x&quot;"></p>'
    assert element("meta", charset="utf-8") == '<meta charset="utf-8">'
    assert escaped(Html("<br>")) == "<br>"
    assert joined(["<", Html("<br>")]) == "&lt;<br>"


def test_direction_and_control_characters_become_visible() -> None:
    assert escaped("a\u202eb\x00\n") == "a\\u202eb\\x00\\x0a"


def test_table_with_columns_of_words_and_columns_for_wide_screens() -> None:
    text = table_of(["a", "b"], [["1", "<"]], words=(1,), wide=(1,), id_="t")
    assert text == (
        '<table id="t"><thead><tr><th scope="col">a</th><th scope="col" class="words wide">b</th></tr></thead>'
        '<tbody><tr><td>1</td><td class="words wide">&lt;</td></tr></tbody></table>'
    )


@pytest.mark.parametrize("width", [0.013, 0.5, 1.0, 2.6, 9.99, 47.0, 300.0, 786.0])
@pytest.mark.parametrize("low", [-7.3, 0.0, 101.0])
def test_axes_hold_their_values_and_have_a_few_round_marks(low: float, width: float) -> None:
    axes = axes_around(0.0, 1000.0, [low, low + width])
    assert axes.low - 1e-9 <= low <= low + width <= axes.high + 1e-9
    marks = round_values(axes.low, axes.high, 3)
    assert 3 <= len(marks) <= 10
    assert all(-1e-9 <= axes.y(mark) <= 1.0 + 1e-9 for mark in marks)


def test_axes_around_one_value() -> None:
    axes = axes_around(0.0, 1.0, [0.0, 0.0])
    assert axes.low <= 0.0 < axes.high


def test_stairs_keep_a_value_from_boundary_to_boundary() -> None:
    axes = Axes(0.0, 10.0, 0.0, 1.0)
    assert stairs(axes, np.array([0.0, 5.0, 10.0]), np.array([1.0, 0.0]), "first") == (
        '<polyline points="0.0,0.0 500.0,0.0 500.0,100.0 1000.0,100.0" class="first"></polyline>'
    )


def team_of(*names: str) -> Team:
    return Team("T", tuple(Rider(name, mass_kg=70, cp_w=300, w_prime_j=2e4, cda_m2=0.25) for name in names))


@pytest.mark.parametrize(
    ("names", "marks"),
    [
        (("Arne", "Bela"), ["A", "B"]),
        (("Arne", "anna", "Bela"), ["A1", "A2", "B"]),
        (("👩‍👩‍👧‍👦", "=1", "漢字"), ["1", "2", "漢"]),
        (("ßa", "ﬁ"), ["S", "F"]),
        (("...", "!!!", "B"), ["1", "2", "B"]),
    ],
)
def test_marks_of_riders(names: tuple[str, ...], marks: list[str]) -> None:
    assert list(team_marks(team_of(*names)).values()) == marks
    assert len(set(marks)) == len(marks)


def test_chip_bears_mark_and_colour() -> None:
    assert chip(team_of("Arne", "Bela"), "Bela") == '<span class="chip" style="background:#56b4e9">B</span>'


def test_warm_up_is_what_the_trade_does() -> None:
    """20 to 30 minutes, gradual, 5 minutes of tempo, two efforts of 2 to 3 minutes at threshold, without a gap."""
    assert 20.0 <= sum(step.minutes for step in WARM_UP) <= 30.0
    for step, following in itertools.pairwise(WARM_UP):
        assert step.before_start_min - step.minutes == following.before_start_min
    assert WARM_UP[0].from_share < WARM_UP[0].to_share < 0.75
    assert [step.minutes for step in WARM_UP if 0.75 <= step.from_share <= step.to_share <= 0.9] == [5.0]
    efforts = [step.minutes for step in WARM_UP if step.from_share >= 0.95]
    assert len(efforts) == 2
    assert all(2.0 <= minutes <= 3.0 for minutes in efforts)
    assert max(step.to_share for step in WARM_UP) <= 1.0


@pytest.mark.parametrize(
    ("start", "told"),
    [
        ("2031-06-01T10:00:00", "09:22"),
        ("2031-06-01T10:00:30", "09:22:30"),
        ("2031-06-01T00:10:00", "23:32"),
        (None, "−38 min"),
    ],
)
def test_timed_back_from_the_start(start: str | None, told: str) -> None:
    assert before_start(38.0, start) == told


def test_what_if_knows_whose_time_counts(small_plan: Plan) -> None:
    advice = " ".join(text for _, text in what_if(small_plan))
    assert "nobody can be left behind" in advice
    emptiest = min(small_plan.riders, key=lambda rider: rider.w_prime_min_j)
    assert f"By this plan {emptiest.name} comes nearest to being spent" in advice
    assert f"{emptiest.w_prime_min_j / 1000:.1f} kJ" in advice
    two = replace(small_plan, race=replace(small_plan.race, rules=Rules(counting_rider=2)))
    assert "The time of rider 2 of 3 counts, so at most 1 can be left behind" in " ".join(t for _, t in what_if(two))


def test_equipment_knows_the_weather(small_plan: Plan) -> None:
    dry = " ".join(equipment(small_plan))
    assert f"{3.6 * small_plan.ride.speed_mps.max():.0f} km/h" in dry
    assert "Wet road" not in dry
    wet = replace(small_plan, race=replace(small_plan.race, weather=Weather(wet=True)))
    windy = replace(wet, road=replace(wet.road, crosswind_mps=wet.road.crosswind_mps - 6.0))
    assert "Wet road" in " ".join(equipment(windy))
    assert "no deep front wheel" in " ".join(equipment(windy))
