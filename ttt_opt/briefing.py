"""The briefing page that the team takes to the start: ``briefing.html``."""

from __future__ import annotations

import math
from collections.abc import Iterable

from ttt_opt.advice import CALLS, NO_FALL_BACK, TAKE_UP_FALL_BACK, WARM_UP, before_start, equipment, what_if
from ttt_opt.cautions import cautions
from ttt_opt.course_notes import bends, slopes, wind_stretches, wind_words
from ttt_opt.html_text import Html, element, joined, list_of, name_of, page, table_of
from ttt_opt.palette import BAND_INK, DARK, LIGHT, variables
from ttt_opt.pattern_page import fall_back_patterns, patterns
from ttt_opt.plan import Plan
from ttt_opt.plan_charts import leaders, riders_races, whole_course
from ttt_opt.plan_document import limits_of
from ttt_opt.plan_text import amount, bound, other_start, sits_on_words, verdict
from ttt_opt.ride_check import Check
from ttt_opt.rider_cards import side_after
from ttt_opt.team_marks import chip
from ttt_opt.text_table import clock, short_clock

START_ROUTINE_S = 180.0
"""So much of the race the start routine covers (s)."""

STYLE = f"""
:root {{ color-scheme: light dark; {variables(LIGHT)} }}
@media screen and (prefers-color-scheme: dark) {{ :root {{ {variables(DARK)} }} }}
* {{ box-sizing: border-box; }}
body {{ margin: 0 auto; padding: 12px; max-width: 1080px; background: var(--page); color: var(--ink);
  font: 16px/1.45 system-ui, sans-serif; overflow-wrap: anywhere; }}
h1 {{ font-size: 1.5em; line-height: 1.2; margin: .2em 0; }}
h2 {{ font-size: 1.15em; margin: 1.6em 0 .5em; border-bottom: 2px solid var(--axis); break-after: avoid; }}
h3 {{ font-size: 1em; margin: 1em 0 .3em; break-after: avoid; }}
p, ul, dl {{ margin: .4em 0; }}
ul {{ padding-left: 1.2em; }}
.soft, .told, .unit, .of-chart {{ color: var(--soft); font-size: .85em; }}
.figures {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(125px, 1fr)); gap: 8px; }}
.figures > div {{ background: var(--panel); padding: 8px 10px; border-radius: 6px; }}
.figures dt {{ color: var(--soft); font-size: .85em; }}
.figures dd {{ margin: 0; font-size: 1.35em; font-weight: 700; font-variant-numeric: tabular-nums; }}
.good {{ color: var(--good); }}
.bad {{ color: var(--bad); font-weight: 700; }}
.chip {{ display: inline-block; min-width: 1.6em; padding: 0 .35em; text-align: center; border-radius: 4px;
  border: 1px solid var(--axis); color: {BAND_INK}; font-weight: 700; print-color-adjust: exact; }}
.order {{ display: flex; flex-wrap: wrap; gap: 4px 16px; list-style: none; padding: 0; }}
table {{ border-collapse: collapse; width: 100%; font-size: .85em; font-variant-numeric: tabular-nums; }}
th, td {{ padding: 2px 4px; text-align: right; vertical-align: top; border-bottom: 1px solid var(--land); }}
td {{ white-space: nowrap; overflow-wrap: normal; }}
th {{ color: var(--soft); font-weight: 600; vertical-align: bottom; overflow-wrap: normal; }}
th.words, td.words {{ text-align: left; padding-left: 10px; white-space: normal; }}
td.words {{ overflow-wrap: anywhere; }}
#pulls td:nth-child(2) {{ min-width: 4em; }} #pulls td:last-child {{ white-space: nowrap; }}
td bdi {{ display: -webkit-box; -webkit-box-orient: vertical; -webkit-line-clamp: 2; overflow: hidden; }}
thead {{ display: table-header-group; }}
tr, figure, .strip, .case, table:not(#pulls) {{ break-inside: avoid; }}
figure {{ margin: 0; }}
.plot {{ position: relative; margin: 0 10px 4px 34px; }}
.plot svg {{ display: block; width: 100%; height: 100%; overflow: visible; }}
.low {{ height: 64px; }} .high {{ height: 110px; }} .bands {{ height: 40px; margin-bottom: 22px; }}
.label {{ position: absolute; font-size: 11px; line-height: 1; white-space: nowrap; color: var(--soft); }}
.beside {{ right: 100%; padding-right: 5px; transform: translateY(-50%); }}
.below {{ top: 100%; padding-top: 4px; transform: translateX(-50%); }}
.mark {{ transform: translate(-50%, -50%); color: {BAND_INK}; font-weight: 700; font-size: 12px; }}
.of-chart {{ margin: 8px 0 6px; }} .unit {{ text-align: center; margin-top: 14px; }}
polyline {{ fill: none; vector-effect: non-scaling-stroke; stroke-width: 1.5px; stroke: var(--ink); }}
polygon, rect {{ vector-effect: non-scaling-stroke; }}
.land {{ fill: var(--land); }} .road {{ stroke: var(--ink); }}
.brake {{ stroke: var(--bad); stroke-dasharray: 3 3; }}
.first {{ stroke: var(--first); }} .second {{ stroke: var(--second); }}
.first-area {{ fill: var(--first); fill-opacity: .25; }} .second-area {{ fill: var(--second); fill-opacity: .25; }}
.axis {{ stroke: var(--axis); stroke-width: 1px; }}
.limit {{ stroke: var(--soft); stroke-dasharray: 5 4; stroke-width: 1px; }}
.band {{ stroke: {BAND_INK}; stroke-width: 1px; }} .own {{ fill-opacity: .45; }}
.riders {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(min(400px, 100%), 1fr)); gap: 16px 24px; }}
.told {{ margin-top: 22px; }}
.stretches {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(min(330px, 100%), 1fr)); gap: 4px 24px; }}
.stretch {{ break-inside: avoid; }} .stretch td bdi {{ display: inline; }}
.who {{ display: flex; gap: .35em; }} .who .chip {{ flex: none; }} .who bdi {{ min-width: 2.8em; }}
.case {{ margin: .6em 0; }}
@media screen and (max-width: 640px) {{ .wide {{ display: none; }} th, td {{ padding: 2px 3px; }}
  th.words, td.words {{ padding-left: 6px; }} .many .per-kg {{ display: block; font-size: .85em; }} }}
@media (min-width: 641px) {{ .narrow-only {{ display: none; }} }}
@page {{ size: A4; margin: 12mm; }}
@media print {{ body {{ font-size: 10pt; padding: 0; max-width: none; }} .narrow-only {{ display: none; }}
  .riders {{ grid-template-columns: 1fr 1fr; }} }}
"""


def briefing_html(plan: Plan) -> str:
    """A plan as a page for the team: readable on a phone, printable on A4, without network or script.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One HTML document with its style and drawings inside. The same plan gives the same text, however long the
        search took.
    """
    title = f"{plan.race.name} · {plan.race.team.name}"
    return page(
        title,
        STYLE,
        element(
            "header",
            element("h1", name_of(plan.race.name)),
            element("p", name_of(plan.race.team.name), f" · {_course_in_short(plan)}"),
            _headline(plan),
        ),
        element(
            "main",
            _section("The plan to ride", patterns(plan)),
            _section("Start order", _start_order(plan)),
            _section(
                "The detailed plan: who leads where",
                element(
                    "p",
                    "Letters are the riders' marks, as above; dashed: bends to brake for; km from the start.",
                    class_="soft",
                ),
                leaders(plan),
            ),
            _section("Course, wind, speed and power", whole_course(plan)),
            _section("Each rider's race, as ridden in the ride check", riders_races(plan)),
            _section("Pulls of the detailed plan", _pulls(plan)),
            _section("The first three minutes", _start_routine(plan)),
            _section("Warm-up", _warm_up(plan)),
            _section("Calls", _calls()),
            _section("What if", _what_if(plan)),
            _section("Course and equipment", _course_notes(plan), element("h3", "Equipment"), list_of(equipment(plan))),
            _section("Limits", _checks(limits_of(plan.check.checks), "limits")),
            _section("Ride check: do plan and ride agree?", _agreement(plan)),
            _section("Before you ride", list_of(cautions(plan))),
        ),
    )


def _section(title: str, *content: str) -> Html:
    return element("section", element("h2", title), *content)


def _course_in_short(plan: Plan) -> str:
    start = plan.race.start_time
    when = f", start {start.replace('T', ' ').removesuffix(':00')}" if start else ""
    return f"{plan.course.length_m / 1000:.2f} km, {plan.course.total_climb_m:.0f} m of climbing{when}"


def _headline(plan: Plan) -> Html:
    optimum, passed = plan.optimum, plan.check.passed
    proven = math.isfinite(optimum.best_possible_s)
    figures = (
        ("rideable-time", "Plan to ride", clock(plan.rideable.finish_time_s) if plan.rideable else "none"),
        ("finish-time", "Detailed plan", clock(plan.finish_time_s)),
        ("mean-speed", "Mean speed", f"{3.6 * plan.course.length_m / plan.finish_time_s:.1f} km/h"),
        ("bound", "Bound: not faster than", clock(optimum.best_possible_s) if proven else "none proven"),
        ("gap", "From the bound, at most", f"{100 * optimum.gap:.2f} %" if proven else "unknown"),
        ("ride-check", "Its ride check", "passed" if passed else "FAILED"),
    )
    boxes = [
        element(
            "div",
            element("dt", what),
            element("dd", value, id=key, **({"class_": "good" if passed else "bad"} if key == "ride-check" else {})),
        )
        for key, what, value in figures
    ]
    repairs = plan.course.repairs
    return joined(
        [
            element("dl", *boxes, class_="figures"),
            element("p", f"Bound: {bound(plan)}.", class_="soft"),
            element("p", f"Ride check {verdict(plan)}.", class_="soft" if passed else "bad"),
            joined([element("p", "The course file was repaired:"), list_of(repairs)]) if repairs else Html(),
        ]
    )


def _start_order(plan: Plan) -> Html:
    order = element(
        "ol",
        *(
            element("li", f"{place} ", chip(plan.race.team, name), " ", name_of(name))
            for place, name in enumerate(plan.start_order, start=1)
        ),
        class_="order",
    )
    sitting = [
        element("p", name_of(summary.name), f" {sits_on_words(plan, summary)}")
        for summary in plan.riders
        if summary.sits_on_from_m is not None
    ]
    if (other := other_start(plan)) is not None:
        words = [element("p", "In the rideable plan: ", Html(", ".join(name_of(name) for name in other)), ".")]
        return joined([order, *words, *sitting])
    return joined([order, *sitting])


def _pulls(plan: Plan) -> Html:
    rows = [
        [
            str(number),
            name_of(pull.rider),
            f"{pull.start_m / 1000:.2f}",
            f"{pull.end_m / 1000:.2f}",
            short_clock(pull.start_s),
            f"{pull.duration_s:.0f}",
            f"{pull.front_power_w:.0f}",
            f"{pull.front_power_w_per_kg:.2f}",
            f"{100 * pull.front_power_share_of_cp:.0f}",
            f"{pull.speed_kmh:.1f}",
            pull.terrain,
            side_after(pull),
        ]
        for number, pull in enumerate(plan.pulls, start=1)
    ]
    headings = ["No.", "Rider", "km from", "to", "Clock", "s", "W", "W/kg", "% CP", "km/h", "Terrain", "Swing off"]
    return joined(
        [
            element("p", "W: mean at the front. Swing off to the side the wind comes from.", class_="soft"),
            element(
                "p",
                "Wider screens and paper also show where a pull ends, W/kg, % CP, km/h, terrain, and tolerances.",
                class_="soft narrow-only",
            ),
            table_of(headings, rows, words=(1, 10, 11), wide=(3, 7, 8, 9, 10), id_="pulls"),
        ]
    )


def _start_routine(plan: Plan) -> Html:
    """What to ride segment by segment until three minutes have gone."""
    schedule, rows, clock_s = plan.optimum.schedule, [], 0.0
    for pull in schedule.pulls:
        for s in range(pull.first_segment, pull.end_segment):
            if clock_s < START_ROUTINE_S:
                rows.append(
                    [
                        short_clock(clock_s),
                        f"{schedule.boundary_m[s] / 1000:.2f}",
                        name_of(plan.race.team.riders[pull.leader].name),
                        f"{schedule.front_power_w[s]:.0f}",
                        f"{3.6 * schedule.exit_speed_mps[s]:.0f}",
                    ]
                )
            clock_s += float(schedule.duration_s[s])
    return joined(
        [
            element(
                "p",
                "Start together, get into line behind the leader, and let the speed rise gradually: who sprints now "
                "pays for it in every later pull. W: mean power at the front from here on; km/h: speed when the next "
                "row begins.",
            ),
            table_of(["Clock", "km", "In front", "W", "km/h"], rows, words=(2,), id_="start-routine"),
        ]
    )


def _warm_up(plan: Plan) -> Html:
    start = plan.race.start_time
    steps = [
        [
            str(number),
            before_start(step.before_start_min, start),
            f"{step.minutes:g}",
            step.what,
            f"{100 * step.from_share:.0f}–{100 * step.to_share:.0f}",
        ]
        for number, step in enumerate(WARM_UP, start=1)
    ]
    alike: dict[tuple[float, float], list[str]] = {}
    for number, step in enumerate(WARM_UP, start=1):
        alike.setdefault((step.from_share, step.to_share), []).append(str(number))
    watts = [
        [name_of(rider.name), *(f"{low * rider.cp_w:.0f}–{high * rider.cp_w:.0f}" for low, high in alike)]
        for rider in plan.race.team.riders
    ]
    ends_min = WARM_UP[-1].before_start_min - WARM_UP[-1].minutes
    numbers = [", ".join(steps_alike) for steps_alike in alike.values()]
    return joined(
        [
            element(
                "p",
                f"Common practice, no source: {sum(step.minutes for step in WARM_UP):g} minutes that end "
                f"{ends_min:g} minutes before the start, "
                f"at {before_start(ends_min, start)}; then dry clothes, a drink, and to the start.",
            ),
            table_of(["Step", "From", "min", "What", "% CP"], steps, words=(3,)),
            element("h3", "Watts of each rider, by step"),
            table_of(["Rider", *numbers], watts, words=(0,), id_="warm-up"),
        ]
    )


def _calls() -> Html:
    return joined(
        [
            element("p", "Short words, agreed before the race and used in training; each is passed on down the line."),
            table_of(["Call", "Who says it, and what it means"], CALLS, words=(0, 1)),
        ]
    )


def _what_if(plan: Plan) -> Html:
    cases = [element("p", element("b", f"{case}. "), advice, class_="case") for case, advice in what_if(plan)]
    if not plan.fall_backs:
        return joined([element("p", element("b", NO_FALL_BACK)), *cases])
    return joined(
        [
            *cases,
            element("p", TAKE_UP_FALL_BACK),
            element("div", fall_back_patterns(plan), id="fall-backs"),
        ]
    )


def _course_notes(plan: Plan) -> Html:
    winds = [
        [f"{part.start_m / 1000:.1f}", f"{part.end_m / 1000:.1f}", wind_words(part)]
        for part in wind_stretches(plan.road)
    ]
    hills = [
        [
            slope.terrain,
            f"{slope.start_m / 1000:.2f}",
            f"{slope.end_m / 1000:.2f}",
            f"{slope.rise_m:+.0f}",
            f"{100 * slope.grade:+.1f}",
        ]
        for slope in slopes(plan.road)
    ]
    turns = [
        [
            f"{bend.start_m / 1000:.2f}",
            f"{'turn-around' if bend.turns_round else 'bend'} to the {bend.side}",
            f"{abs(bend.turn_deg):.0f}°",
            f"{3.6 * bend.speed_mps:.0f}",
        ]
        for bend in bends(plan.course, plan.road)
    ]
    return joined(
        [
            element("h3", "Wind on the road, at rider height"),
            table_of(["km from", "to", "Wind"], winds, words=(2,), id_="wind"),
            element("h3", "Climbs and descents"),
            table_of(["", "km from", "to", "Rise m", "Mean %"], hills, words=(0,), id_="slopes")
            if hills
            else element("p", "None: nowhere steeper than 2.5 % for long."),
            element("h3", "Bends to brake for"),
            table_of(["km", "What", "Turns by", "At most km/h"], turns, words=(1,), id_="bends")
            if turns
            else element("p", "None that riders have to brake for."),
        ]
    )


def _agreement(plan: Plan) -> Html:
    limits = limits_of(plan.check.checks)
    others = [check for check in plan.check.checks if check not in limits]
    return joined([_checks(others, "agreement"), list_of(plan.check.notes) if plan.check.notes else Html()])


def _checks(checks: Iterable[Check], id_: str) -> Html:
    rows = [
        [
            element("span", "ok" if check.met else "NO", class_="good" if check.met else "bad"),
            check.name if check.met or not check.detail else f"{check.name}; worst: {check.detail}",
            amount(check.value, check.unit),
            amount(check.limit, check.unit),
            f"±{amount(check.tolerance, check.unit)}" if check.tolerance else "",
        ]
        for check in checks
    ]
    return table_of(["Met", "What", "Found", "Limit", "Within"], rows, words=(0, 1), wide=(4,), id_=id_)
