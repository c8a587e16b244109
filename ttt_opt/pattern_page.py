"""The rideable plan and its fall-backs on the briefing page."""

from __future__ import annotations

from ttt_opt.fall_backs import FallBack
from ttt_opt.html_text import Html, element, joined, list_of, name_of, table_of
from ttt_opt.pattern_plan import RideablePlan, StretchPattern, StretchRider
from ttt_opt.pattern_text import NONE_FOUND, RULES, cost, fall_back_title, off_to, place_of, speeds_of
from ttt_opt.plan import Plan
from ttt_opt.team import Team
from ttt_opt.team_marks import chip
from ttt_opt.text_table import clock

SLOPE_SIGNS = {"flat": "", "uphill": "↑", "steep": "⇈", "downhill": "↓"}
"""Signs of slopes where words have no room."""
MANY_SLOPES = 3
"""With so many, a phone has no room for watts and W/kg side by side."""


def patterns(plan: Plan) -> Html:
    """The rideable plan: one block a stretch, and how to ride it."""
    rideable = plan.rideable
    if rideable is None:
        return element("p", NONE_FOUND, class_="bad")
    blocks = [_stretch(plan.race.team, number, one) for number, one in enumerate(rideable.stretches, start=1)]
    return joined(
        [
            element(
                "p",
                f"{len(rideable.stretches)} stretches: {cost(plan, rideable)}.",
                id="rideable-cost",
                class_="soft" if rideable.check.passed else "bad",
            ),
            element(
                "p",
                "At the start ",
                name_of(rideable.stretches[0].line[0]),
                f" accelerates at {rideable.start_power_w} W.",
            ),
            element("div", *blocks, class_="stretches", id="stretches"),
            element("h3", "How a pattern is ridden"),
            list_of(RULES),
        ]
    )


def _stretch(team: Team, number: int, stretch: StretchPattern) -> Html:
    mass_kg = {rider.name: rider.mass_kg for rider in team.riders}
    slopes = list(stretch.riders[0].front_power_w)
    rows = [
        [
            element("span", chip(team, rider.rider), " ", name_of(rider.rider), class_="who"),
            str(rider.pull_s),
            *(
                joined(
                    [
                        f"{rider.front_power_w[slope]} ",
                        element("span", f"({rider.front_power_w[slope] / mass_kg[rider.rider]:.1f})", class_="per-kg"),
                    ]
                )
                for slope in slopes
            ),
        ]
        for rider in stretch.riders
    ]
    figures = table_of(["In line order", "s", *(f"W {slope} (W/kg)" for slope in slopes)], rows, words=(0,))
    downhill = "" if stretch.downhill_s is None else f" Downhill {stretch.downhill_s} s each."
    sitting = [name for name in stretch.line if name not in {rider.rider for rider in stretch.riders}]
    return element(
        "div",
        element("h3", f"{number} · {place_of(stretch)}, to km {stretch.end_m / 1000:.2f}"),
        element(
            "p",
            f"{stretch.road[:1].upper()}{stretch.road[1:]}. {speeds_of(stretch)} km/h, {off_to(stretch)}.{downhill}",
            class_="soft",
        ),
        figures if len(slopes) < MANY_SLOPES else element("div", figures, class_="many"),
        element("p", "On the last wheels: ", joined([name_of(name) for name in sitting])) if sitting else Html(),
        class_="stretch",
    )


def fall_back_patterns(plan: Plan) -> Html:
    """The prepared patterns, one table each."""
    return joined([_fall_back(plan, fall_back) for fall_back in plan.fall_backs])


def _fall_back(plan: Plan, fall_back: FallBack) -> Html:
    other = fall_back.plan
    title = element("h3", fall_back_title(plan.race, fall_back, fall_back.without or ""))
    if other is None:
        none = "No pattern was found, for want of riders who pull in the plan or of reserves: ride home easily."
        return joined([title, element("p", none)])
    told = (
        f"{clock(other.finish_time_s)} over the whole course"
        f"{'' if other.check.passed else '; its ride check is NOT passed, so take it as a hint'}. "
        "Pull in s, watts in front; ↑ uphill, ⇈ steep, ↓ downhill; the leader in bold."
    )
    return joined([title, element("p", told, class_="soft"), _table(plan.race.team, other)])


def _table(team: Team, plan: RideablePlan) -> Html:
    names = [rider.rider for rider in plan.stretches[0].riders]
    rows = []
    for stretch in plan.stretches:
        own = {rider.rider: rider for rider in stretch.riders}
        cells = [_cell(stretch, own[name]) for name in names]
        rows.append([f"{stretch.start_m / 1000:.1f}", *cells, stretch.swing_off])
    return table_of(["km", *(chip(team, name) for name in names), "Off"], rows, words=tuple(range(1, len(names) + 2)))


def _cell(stretch: StretchPattern, rider: StretchRider) -> Html:
    parts = [
        f"{SLOPE_SIGNS[slope]}{watts}{f' ({stretch.downhill_s} s)' if slope == 'downhill' else ''}"
        for slope, watts in rider.front_power_w.items()
    ]
    text = f"{rider.pull_s} s {' '.join(parts)}"
    return element("b" if rider.rider == stretch.line[0] else "span", text)
