"""The rideable plan in words: what a pattern asks, how it is ridden, and what the fall-backs are."""

from __future__ import annotations

from ttt_opt.fall_backs import FallBack
from ttt_opt.pattern_plan import RideablePlan, StretchPattern, StretchRider
from ttt_opt.pattern_ride import (
    EASE_BEFORE_BEND_M,
    OUT_OF_BEND,
    SHARE_OF_PEAK,
    STEEP_ENDS_GRADE,
    STEEP_GRADE,
    UPHILL_GRADE,
)
from ttt_opt.plan import Plan
from ttt_opt.race import Race
from ttt_opt.text_table import clock, fitted, sentences, table, titled, wrapped

MOST_COLUMNS, LONGEST_HEADING = 4, 9
"""Riders that a table on a terminal has room for, and letters of their names."""
NONE_FOUND = (
    "There is none: no patterns keep the limits, the search was interrupted, or the course is very long. Ride the "
    "detailed plan, loosen what binds, or let the search end."
)
RULES = (
    "Every stretch begins with a change of leader at its landmark, whatever the clock says; who is next leads, "
    "also where the order is another than planned.",
    "In front: the seconds of the pattern, then swing off; riders count, or look at the lap time. Come to the front "
    "at the speed of the line, and take your own watts after a few seconds.",
    "Downhill everyone has the same short pull. Who has done half of the pull uphill or on the flat does half of the "
    "downhill pull.",
    "Nobody changes in a bend or while braking for it: who leads into it leads out of it; who would then be in front "
    "too long swings off before. Before a bend to brake for, nobody pedals over the last "
    f"{EASE_BEFORE_BEND_M:.0f} m; out of it the leader holds {100 * (OUT_OF_BEND - 1):.0f} % more watts until the line "
    f"is up to speed, but no more than {100 * SHARE_OF_PEAK:.0f} % of peak power.",
    "Who would come to the front less than a shortest pull before a landmark does not: the leader stays until the "
    "landmark.",
    f"Uphill is where it rises by more than {100 * UPHILL_GRADE:.1f} %, steep where it rises by more than "
    f"{100 * STEEP_GRADE:.0f} %, until it is less than {100 * STEEP_ENDS_GRADE:.0f} %, downhill where it falls by "
    "more than 2.5 %.",
)
"""How patterns are ridden, as the simulation rides them."""


def cost(plan: Plan, rideable: RideablePlan) -> str:
    """What the rideable plan costs against the detailed one, as part of a sentence."""
    slower_s = rideable.finish_time_s - plan.check.finish_time_s
    share = 100.0 * slower_s / plan.check.finish_time_s
    which = "slower" if slower_s > 0.0 else "faster"
    check = f"its ride check is {'passed' if rideable.check.passed else 'NOT passed'}"
    difference = f"{abs(slower_s):.1f} s ({abs(share):.2f} %) {which} than the detailed plan"
    return f"{clock(rideable.finish_time_s)}, {difference}; {check}"


def watts_of(rider: StretchRider) -> str:
    """Front power of a rider in a stretch, by slope."""
    parts = [f"{slope} {watts}" for slope, watts in rider.front_power_w.items()]
    return f"{next(iter(rider.front_power_w.values()))} W" if len(parts) == 1 else f"{', '.join(parts)} W"


def place_of(stretch: StretchPattern) -> str:
    """Where a stretch begins: km, and the landmark where that says more."""
    km = f"km {stretch.start_m / 1000:.2f}"
    return km if stretch.landmark.startswith("km ") else f"{km}, {stretch.landmark}"


def speeds_of(stretch: StretchPattern, between: str = " to ") -> str:
    """Lowest and highest speed (km/h), one figure where they are told alike."""
    low, high = f"{stretch.lowest_kmh:.0f}", f"{stretch.highest_kmh:.0f}"
    return low if low == high else f"{low}{between}{high}"


def off_to(stretch: StretchPattern) -> str:
    """On which side to swing off."""
    return "off to either side" if stretch.swing_off == "either" else f"off to the {stretch.swing_off}"


def rideable_text(plan: Plan) -> list[str]:
    """The rideable plan for a terminal."""
    rideable = plan.rideable
    if rideable is None:
        return titled("Rideable plan", wrapped(NONE_FOUND))
    lines = wrapped(f"{len(rideable.stretches)} stretches: {cost(plan, rideable)}.")
    leader = fitted(rideable.stretches[0].line[0], 30)
    lines += wrapped(f"At the start {leader} accelerates at {rideable.start_power_w} W.")
    if len(rideable.stretches[0].riders) <= MOST_COLUMNS:
        lines += ["", *_as_table(rideable)]
    else:
        for number, stretch in enumerate(rideable.stretches, start=1):
            lines += _as_sentences(number, stretch)
    failed = [f"Not met: {check.name}: {check.detail}" for check in rideable.check.failed]
    title = "Rideable plan (each pull in seconds, watts in front; > leads first)"
    return titled(title, [*lines, *sentences(failed)])


def _as_table(rideable: RideablePlan) -> list[str]:
    """One row a stretch and slope, one column a rider."""
    names = [rider.rider for rider in rideable.stretches[0].riders]
    short = [fitted(name, LONGEST_HEADING) for name in names]
    headings = ["No.", "km", "<Begins at", "<Slope", *short, "km/h", "<Off to"]
    rows = []
    for number, stretch in enumerate(rideable.stretches, start=1):
        own = {rider.rider: rider for rider in stretch.riders}
        for row, slope in enumerate(stretch.riders[0].front_power_w):
            first = row == 0
            timed = slope == next((s for s in stretch.riders[0].front_power_w if s != "downhill"), slope)
            cells = [_cell(own[name], slope, stretch, first=first, timed=timed) for name in names]
            head = [str(number), f"{stretch.start_m / 1000:.2f}", stretch.landmark] if first else ["", "", ""]
            tail = [speeds_of(stretch, "-"), stretch.swing_off] if first else ["", ""]
            rows.append([*head, slope, *cells, *tail])
    return table(headings, rows, flexible=2)


def _cell(rider: StretchRider, slope: str, stretch: StretchPattern, *, first: bool, timed: bool) -> str:
    """Watts on a slope, with the seconds where they have not been told yet."""
    lead = ">" if first and rider.rider == stretch.line[0] else ""
    seconds = stretch.downhill_s if slope == "downhill" else rider.pull_s
    shown = f"{seconds} s " if timed or slope == "downhill" else ""
    return f"{lead}{shown}{rider.front_power_w[slope]}"


def _as_sentences(number: int, stretch: StretchPattern) -> list[str]:
    """One stretch of a large team."""
    head = f"{place_of(stretch)}: {stretch.road}; {speeds_of(stretch)} km/h, {off_to(stretch)}"
    pulls = "; ".join(f"{fitted(rider.rider, 30)} {rider.pull_s} s {watts_of(rider)}" for rider in stretch.riders)
    lines = [*wrapped(head, f"{number}  ", "   "), *wrapped(pulls, "     ", "     ")]
    if stretch.downhill_s is not None:
        lines.append(f"     downhill {stretch.downhill_s} s each")
    return lines


def fall_back_title(race: Race, fall_back: FallBack, name: str) -> str:
    """What has happened, and what that means under the rules, given the missing rider's name as it can be shown."""
    if fall_back.without is None:
        return "Wind from the opposite side"
    if fall_back.has_result:
        return f"Without {name}: the others' time still counts"
    counting = race.rules.counting_rider
    whose = f"rider {counting}" if counting else "the last rider"
    return f"Without {name}: the time of {whose} counts, so the team has no result; to get home"


def fall_back_text(plan: Plan) -> list[str]:
    """The fall-backs for a terminal, one row each; their patterns are in the briefing."""
    rows = []
    for fall_back in plan.fall_backs:
        other = fall_back.plan
        what = "wind from the opposite side" if fall_back.without is None else f"without {fall_back.without}"
        counts = "counts" if fall_back.has_result else "no result, to get home"
        checked = "" if other is None else f"ride check {'passed' if other.check.passed else 'NOT passed'}"
        rows.append([what, counts, "no pattern" if other is None else clock(other.finish_time_s), checked])
    if not rows:
        return []
    lines = table(["<What if", "<Under the rules", "Time", ""], rows, flexible=0)
    return titled("Fall-backs (their patterns are in briefing.html and plan.json)", lines)
