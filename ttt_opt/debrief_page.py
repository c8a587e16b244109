"""The debrief as a page with plots: ``debrief.html``."""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from ttt_opt.briefing import STYLE
from ttt_opt.charts import (
    Axes,
    area,
    axes_around,
    block,
    curve,
    distances_below,
    drawing,
    label,
    level,
    stairs,
    values_beside,
)
from ttt_opt.debrief import Debrief
from ttt_opt.debrief_tables import race_lines, team_lines
from ttt_opt.debrief_text import (
    calibration_rows,
    calibration_words,
    conclusions,
    gap_sentences,
    pull_rows,
    rider_rows,
    seconds_cell,
    stretch_rows,
    told_s,
    totals,
)
from ttt_opt.html_text import Html, element, joined, list_of, name_of, page, table_of
from ttt_opt.palette import rider_colour
from ttt_opt.plan_charts import curves
from ttt_opt.ride_compared import passing_times
from ttt_opt.team_marks import chip, team_marks
from ttt_opt.text_table import clock

FloatArray = NDArray[np.float64]

MOST_POINTS = 300
STRIPS_OF_M = 6500.0
"""Who led is shown in strips of about so many metres: marks must fit on a phone."""
SHORTEST_MARK = {"planned": 0.08, "ridden": 0.035}
"""Pulls shorter than this share of a strip bear no mark; the table names them."""
OWN_STYLE = """
.bands.planned { height: 18px; margin-bottom: 2px; }
.bands.ridden { height: 34px; }
.planned-line { stroke: var(--soft); stroke-dasharray: 4 3; }
.copy { font: .8em/1.5 ui-monospace, monospace; overflow-wrap: anywhere; background: var(--panel); padding: 8px 10px;
  border-radius: 6px; }
#stretches td, #stretches th { padding-left: 3px; padding-right: 3px; }
#stretches td.words { white-space: nowrap; overflow-wrap: normal; }
#riders-ridden td:first-child { min-width: 4em; }
@media screen and (max-width: 640px) { td { white-space: normal; } }
"""


def debrief_html(debrief: Debrief) -> str:
    """A debrief as one page, readable on a phone, printable on A4, without network or script."""
    plan = debrief.plan
    sections = [
        _section("In short", *(element("p", sentence) for sentence in conclusions(debrief))),
        _section("Time lost along the road", _time_lost(debrief)),
        _section("Time by stretches", _stretches(debrief)),
    ]
    if debrief.pulls:
        sections.append(_section("Who led: planned above, ridden below", _who_led(debrief)))
    sections.append(_section("Speed and front power", _speed_and_power(debrief)))
    sections.append(_section("Riders", _riders(debrief)))
    sections.append(_section("Each rider's race", _races(debrief)))
    if debrief.pulls:
        sections.append(_section("Pulls as ridden", _pulls(debrief)))
    if debrief.gaps:
        sections.append(_section("Gaps", list_of(gap_sentences(debrief))))
    sections.append(_section("For the next race", _calibration(debrief)))
    if debrief.notes:
        sections.append(_section("Notes", list_of(debrief.notes)))
    return page(
        f"{plan.race.name} · {plan.race.team.name}: debrief",
        STYLE + OWN_STYLE,
        element(
            "header",
            element("h1", name_of(plan.race.name), ": debrief"),
            element("p", name_of(plan.race.team.name)),
            _headline(debrief),
        ),
        element("main", *sections),
    )


def _section(title: str, *content: str) -> Html:
    return element("section", element("h2", title), *content)


def _headline(debrief: Debrief) -> Html:
    figures = [
        ("ridden", "Ridden in", clock(debrief.line.finish_s) if debrief.lost_s is not None else "not whole"),
        ("planned", "Planned", clock(debrief.plan.finish_time_s)),
        ("lost", "Difference", "–" if debrief.lost_s is None else f"{debrief.lost_s:+.0f} s"),
    ]
    causes = totals(debrief)
    if causes is not None:
        names = ("By front power", "By air", "By stops", "Rest")
        figures += [
            (f"cause-{number}", name, f"{seconds_cell(value)} s")
            for number, (name, value) in enumerate(zip(names, causes.values(), strict=True))
        ]
    boxes = [element("div", element("dt", what), element("dd", value, id=key)) for key, what, value in figures]
    return element("dl", *boxes, class_="figures")


def _places(debrief: Debrief) -> FloatArray:
    length_m = debrief.plan.course.length_m
    return np.linspace(0.0, length_m, min(MOST_POINTS, math.ceil(length_m / 20.0)) + 1)


def _time_lost(debrief: Debrief) -> Html:
    plan, schedule = debrief.plan, debrief.plan.optimum.schedule
    places = _places(debrief)
    planned = np.interp(places, schedule.boundary_m, np.append(0.0, np.cumsum(schedule.duration_s)))
    lost = passing_times(debrief.line, places) - planned
    known = np.isfinite(lost)
    if known.sum() < 2:
        return element("p", "Not recorded.")
    elevation = np.interp(places, plan.course.distance_m, plan.course.elevation_m)
    relief = axes_around(0.0, plan.course.length_m, [elevation.min(), max(elevation.max(), elevation.min() + 40.0)])
    axes = axes_around(0.0, plan.course.length_m, [0.0, *lost[known]])
    title = "Seconds behind the plan (above the line: slower)"
    return element(
        "figure",
        element("p", "Profile (m)", class_="of-chart"),
        drawing(
            "low",
            "Profile of the course",
            [area(relief, places, elevation, "land", relief.low), curve(relief, places, elevation, "road")],
            [values_beside(relief, 2)],
        ),
        element("p", title, class_="of-chart"),
        drawing(
            "high",
            f"{title}; at the end {told_s(float(lost[known][-1]))}",
            [level(axes, 0.0, "axis"), curve(axes, places[known], lost[known], "first")],
            [values_beside(axes), distances_below(axes)],
        ),
        element("p", "km", class_="unit"),
        class_="chart",
    )


def _stretches(debrief: Debrief) -> Html:
    watts = "front W" if debrief.leaders is not None else "own W"
    headings = [
        "km from", "to", "Terrain", "planned", "ridden", "lost s", "by power", "by air", "by stops", "rest",
        f"{watts}, planned", f"{watts}, ridden",
    ]  # fmt: skip
    return joined(
        [
            element(
                "p",
                "By power: leaders rode less, or more, than planned. By air: wind, drag and density differ from the "
                "plan. Stops: slower than 3 m/s. Rest: braking, bends, what is not explained.",
                class_="soft",
            ),
            element(
                "p",
                "Wider screens and paper also show where stretches end, times and powers.",
                class_="soft narrow-only",
            ),
            table_of(headings, stretch_rows(debrief), words=(2,), wide=(1, 3, 4, 10, 11), id_="stretches"),
        ]
    )


def _who_led(debrief: Debrief) -> Html:
    team, length_m = debrief.plan.race.team, debrief.plan.course.length_m
    marks = team_marks(team)
    number = {rider.name: index for index, rider in enumerate(team.riders)}
    cuts = np.linspace(0.0, length_m, max(1, math.ceil(length_m / STRIPS_OF_M)) + 1)
    strips = []
    for start_m, end_m in itertools.pairwise(cuts.tolist()):
        axes = Axes(start_m, end_m, 0.0, 1.0)
        rows = []
        planned = [(pull.rider, pull.start_m, pull.end_m) for pull in debrief.plan.pulls]
        ridden = [(pull.rider, pull.start_m, pull.end_m) for pull in debrief.pulls]
        for kind, pulls in (("planned", planned), ("ridden", ridden)):
            blocks, labels = [], []
            for turn, (rider, from_m, to_m) in enumerate(pulls):
                first, last = max(from_m, start_m), min(to_m, end_m)
                if first >= last or rider is None:
                    continue
                blocks.append(block(axes, first, last, fill=rider_colour(number[rider]), class_="band"))
                if last - first >= SHORTEST_MARK[kind] * (end_m - start_m):
                    top = 0.5 if kind == "planned" else 0.28 + 0.44 * (turn % 2)
                    labels.append(label(marks[rider], "mark", left=axes.x(0.5 * (first + last)), top=top))
            told = f"Who led as {kind} from km {start_m / 1000:.1f} to {end_m / 1000:.1f}"
            below = [distances_below(axes)] if kind == "ridden" else []
            rows.append(drawing(f"bands {kind}", told, blocks, [*labels, *below]))
        strips.append(element("div", *rows, class_="strip"))
    legend = [element("li", chip(team, rider.name), " ", name_of(rider.name)) for rider in team.riders]
    parts = [element("ul", *legend, class_="order"), element("div", *strips, class_="strips")]
    return joined([*parts, element("p", "km", class_="unit")])


def _speed_and_power(debrief: Debrief) -> Html:
    places = _places(debrief)
    passed = passing_times(debrief.line, places)
    middle = 0.5 * (places[1:] + places[:-1])
    seconds = np.diff(passed)
    known = np.isfinite(seconds) & (seconds > 0.0)
    as_planned = curves(debrief.plan)
    ridden = 3.6 * np.diff(places)[known] / seconds[known]
    axes = axes_around(0.0, places[-1], [0.0, *as_planned.speed_kmh, *ridden])
    led = [pull for pull in debrief.pulls if pull.power_w is not None]
    title = "Speed (km/h): line as ridden, dashed as planned"
    parts = [
        element("p", title, class_="of-chart"),
        drawing(
            "high",
            title,
            [
                curve(axes, as_planned.middle_m, as_planned.speed_kmh, "planned-line"),
                curve(axes, middle[known], ridden, "first"),
            ],
            [values_beside(axes), *([] if led else [distances_below(axes)])],
        ),
    ]
    schedule = debrief.plan.optimum.schedule
    watts = [pull.power_w or 0.0 for pull in led]
    power = axes_around(0.0, places[-1], [0.0, *schedule.front_power_w, *watts])
    title = "Front power (W): line as ridden, pull by pull, dashed as planned"
    shapes = [stairs(power, schedule.boundary_m, schedule.front_power_w, "planned-line")]
    shapes += [
        curve(power, np.array([pull.start_m, pull.end_m]), np.array([value, value]), "second")
        for pull, value in zip(led, watts, strict=True)
    ]
    if led:
        parts += [
            element("p", title, class_="of-chart"),
            drawing("high", title, shapes, [values_beside(power), distances_below(power)]),
        ]
    else:
        unknown = "Front power is not known: it is not told who led."
        return element("figure", *parts, element("p", "km", class_="unit"), element("p", unknown, class_="soft"))
    return element("figure", *parts, element("p", "km", class_="unit"), class_="chart")


def _riders(debrief: Debrief) -> Html:
    headings = [
        "Rider", "Pulls", "In front", "Front W", "Mean W", "Peak W (5 s)", "W′ lowest kJ", "W′ at finish kJ",
        "Heart rate",
    ]  # fmt: skip
    rows = [[name_of(row[0]), *row[1:]] for row in rider_rows(debrief)]
    return joined(
        [
            element("p", "As ridden; in brackets as planned.", class_="soft"),
            element(
                "p",
                "Wider screens and paper also show pulls, mean and peak power, heart rate.",
                class_="soft narrow-only",
            ),
            table_of(headings, rows, words=(0,), wide=(1, 4, 5, 8), id_="riders-ridden"),
        ]
    )


def _races(debrief: Debrief) -> Html:
    """Power and W' of every rider over the course, as ridden and as planned, all on the same scales."""
    plan, line, places = debrief.plan, debrief.line, _places(debrief)
    middle, as_planned = 0.5 * (places[1:] + places[:-1]), curves(plan)
    rows = np.flatnonzero(line.racing)
    bins = np.digitize(line.line_m[rows], places) - 1
    means = []
    for column in range(len(debrief.columns)):
        power, left = line.power_w[rows, column], debrief.w_prime_j[rows, column]
        means.append((_binned(power, bins, len(middle)), _binned(left, bins, len(middle)) / 1000.0))
    highest = [float(np.nanmax(power)) for power, _ in means if np.isfinite(power).any()]
    power_axes = axes_around(0.0, places[-1], [0.0, *as_planned.power_w[np.isfinite(as_planned.power_w)], *highest])
    stores = [left[np.isfinite(left)] for _, left in means]
    full = max(rider.w_prime_j for rider in plan.race.team.riders) / 1000.0
    store_axes = axes_around(0.0, places[-1], [0.0, full, *(value for left in stores for value in left)])
    panels = []
    for column, rider_number in enumerate(debrief.columns):
        rider = plan.race.team.riders[rider_number]
        power, left = means[column]
        of_power, of_store = [], []
        for pull in debrief.pulls:
            if pull.rider == rider.name:
                colour = rider_colour(rider_number)
                of_power.append(block(power_axes, pull.start_m, pull.end_m, fill=colour, class_="own"))
                of_store.append(block(store_axes, pull.start_m, pull.end_m, fill=colour, class_="own"))
        planned_j = as_planned.w_prime_j[:, rider_number]
        there = np.isfinite(planned_j)
        of_power += [level(power_axes, rider.cp_w, "limit"), *_where_known(power_axes, middle, power)]
        of_store += [
            level(store_axes, plan.race.limits.w_prime_reserve_j / 1000.0, "limit"),
            curve(store_axes, as_planned.middle_m[there], planned_j[there] / 1000.0, "planned-line"),
            *_where_known(store_axes, middle, left),
        ]
        panels.append(
            element(
                "figure",
                element("figcaption", chip(plan.race.team, rider.name), " ", element("b", name_of(rider.name))),
                element("p", "Power (W), dashed: critical power; blocks: in front", class_="of-chart"),
                drawing("low", f"Power over the course, {rider.name}", of_power, [values_beside(power_axes, 2)]),
                element(
                    "p", "W′ left (kJ): line as ridden, grey dashes as planned, level: the reserve", class_="of-chart"
                ),
                drawing(
                    "low",
                    f"W′ over the course, {rider.name}",
                    of_store,
                    [values_beside(store_axes, 2), distances_below(store_axes, 4)],
                ),
                element("p", "km", class_="unit"),
                class_="chart rider",
            )
        )
    return element("div", *panels, class_="riders")


def _binned(values: FloatArray, bins: NDArray[np.intp], n_bins: int) -> FloatArray:
    """Means of known values by bin; nan for bins without one."""
    used = np.isfinite(values) & (bins >= 0) & (bins < n_bins)
    total = np.bincount(bins[used], values[used], n_bins)
    count = np.bincount(bins[used], minlength=n_bins)
    mean: FloatArray = np.divide(total, count, out=np.full(n_bins, np.nan), where=count > 0)
    return mean


def _where_known(axes: Axes, places: FloatArray, values: FloatArray) -> list[Html]:
    """A curve in as many parts as its values are known in."""
    known = np.isfinite(values)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8))).reshape(-1, 2)
    return [curve(axes, places[a:b], values[a:b], "ink") for a, b in edges.tolist() if b - a > 1]


def _pulls(debrief: Debrief) -> Html:
    rows = [
        [row[0], name_of(row[1]), *row[2:9], element("span", row[9], class_="bad") if row[9] else ""]
        for row in pull_rows(debrief)
    ]
    headings = ["No.", "Rider", "km from", "Clock", "s", "W", "% CP", "km/h", "Surge W", ""]
    limit = debrief.plan.race.limits.surge_w
    return joined(
        [
            element(
                "p",
                f"Surge: rise of front power over 10 s at the change, of the average rider, beyond what the road asks; "
                f"the limit is {limit:g} W.",
                class_="soft",
            ),
            element("p", "Wider screens and paper also show clock, % CP and speed.", class_="soft narrow-only"),
            table_of(headings, rows, words=(1, 9), wide=(3, 6, 7), id_="pulls"),
        ]
    )


def _calibration(debrief: Debrief) -> Html:
    words = [element("p", sentence) for sentence in calibration_words(debrief)]
    if debrief.calibration is None:
        return joined(words)
    rows = calibration_rows(debrief)
    parts: list[str] = [
        table_of(["", "ride", "± s.e.", "plan", ""], rows, words=(0, 4), id_="calibration"),
        *words,
    ]
    for title, fragment in (("race", race_lines(debrief)), ("team", team_lines(debrief))):
        if fragment:
            parts.append(element("p", f"Lines for the {title} file of the next race, in place of its own:"))
            parts.append(element("div", *(element("div", line) for line in fragment), class_="copy"))
    return joined(parts)
