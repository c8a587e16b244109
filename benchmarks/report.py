"""Write tables and plots of results into benchmarks/README.md: ``python benchmarks/report.py RESULTS.json...``.

Runs of ``run.py``, with ``--growth`` or without, and of ``track_judge.py`` may be given together, also several with
different time limits: for each instance the run that was made last counts.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from instances import REGISTRY
from results import GAPS, ROOT, Row, read_results
from track_judge import LIBRARY
from ttt_opt.charts import Axes, axes_around, curve, round_values
from ttt_opt.html_text import Html, element
from ttt_opt.palette import LIGHT, RIDER_COLOURS
from ttt_opt.writing import write_results

FULL, SHORT = ROOT / "benchmarks" / "README.md", ROOT / "README.md"
BEGIN, END = "<!-- results: written by benchmarks/report.py -->", "<!-- end of results -->"
NAMES = {
    "places by HiGHS": "places, HiGHS",
    "network by HiGHS": "network, HiGHS",
    "network by SCIP": "network, SCIP",
    "coach: equal pulls, one pace": "coach: equal pulls",
    "coach: pulls by threshold, one W/kg": "coach: by threshold",
    "coach: strongest pulls longest": "coach: strongest longest",
}
"""Short names of methods in the tables."""
NEAR_THE_ANSWER = 0.002
"""Share of the finish time within which a plan counts as near the answer of the same search."""
PANEL_WIDTH, PANEL_HEIGHT, MARGIN = 420, 240, 56


def middle(values: Iterable[float | None]) -> float | None:
    """Median of what is there, ``None`` if less than half is."""
    given = list(values)
    there = [value for value in given if value is not None]
    return median(there) if len(there) * 2 >= max(len(given), 1) and there else None


def by(rows: Sequence[Row], key: Callable[[Row], str]) -> dict[str, list[Row]]:
    """Rows by a key, in their order."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(key(row), []).append(row)
    return found


def clock(seconds: float) -> str:
    """Minutes and seconds."""
    minutes, rest = divmod(round(seconds, 1), 60)
    return f"{minutes:.0f}:{rest:04.1f}"


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table in Markdown."""
    lines = [list(headings), ["---"] * len(headings), *rows]
    return [f"| {' | '.join(cells)} |" for cells in lines]


def percent(share: float | None) -> str:
    """A share in percent."""
    return "–" if share is None else f"{100 * share:.2f} %"


def measured(about: dict[str, Any]) -> str:
    """Where and with what a run was made."""
    versions = ", ".join(f"{name} {number}" for name, number in about["versions"].items() if number)
    note = about["settings"].get("note")
    return (
        f"{about['date'][:10]}, commit {about['commit']}{' with changes' if about['changed_since'] else ''}, "
        f"{about['machine']}, {about['cores']} cores, {about['memory_gb']:g} GB, Python {about['python']}; {versions}"
        f"{f'; {note}' if note else ''}; load before the run {about['load_before']:g}."
    )


def against_ours(rows: list[Row], ours_s: float | None) -> str:
    """Seconds that a method's ride takes more than ours, with marks."""
    time_s = middle(row.finish_time_s for row in rows)
    if time_s is None or ours_s is None:
        return "no plan"
    mark = "†" if all(row.missed for row in rows if row.finish_time_s is not None) else ""
    return f"{time_s - ours_s:+.1f}{mark}"


def finish_times(rows: list[Row]) -> list[str]:
    """Seconds behind ours, by instance and method."""
    methods = [method for method in by(rows, lambda row: row.method) if method != "ours"]
    lines = []
    for name, found in by(rows, lambda row: row.instance).items():
        methods_here = by(found, lambda row: row.method)
        ours = methods_here.get("ours", [])
        ours_s = middle(row.finish_time_s for row in ours)
        mark = "†" if ours and all(row.missed for row in ours) else ""
        lines.append(
            [
                name,
                f"{found[0].n_riders}",
                f"{found[0].length_km:g}",
                f"{found[0].n_segments}",
                f"{found[0].time_limit_s:g}",
                "no plan" if ours_s is None else clock(ours_s) + mark,
                *(against_ours(methods_here[m], ours_s) if m in methods_here else "not run" for m in methods),
            ]
        )
    return table(
        ["instance", "riders", "km", "segments", "limit s", "ours", *(NAMES.get(m, m) for m in methods)], lines
    )


def gaps(rows: list[Row]) -> list[str]:
    """How far plans are proven, how soon, and with how much memory, by instance."""
    solvers = [m for m, found in by(rows, lambda row: row.method).items() if any(r.gap is not None for r in found)]
    lines = []
    for name, found in by(rows, lambda row: row.instance).items():
        methods = by(found, lambda row: row.method)
        ours = methods.get("ours", [])
        soon = [middle(row.until_good_s.get(f"{gap:g}") for row in ours) for gap in GAPS]
        first, cpu = middle(row.first_plan_s for row in ours), middle(row.cpu_s for row in ours)
        lines.append(
            [
                name,
                *(percent(middle(r.gap for r in methods[m])) if m in methods else "not run" for m in solvers),
                "–" if first is None else f"{first:.1f}",
                *("–" if seconds is None else f"{seconds:.0f}" for seconds in soon),
                f"{max((row.peak_memory_mb for row in ours), default=0.0):.0f}",
                "–" if cpu is None else f"{cpu:.0f}",
            ]
        )
    headings = ["instance", *(f"gap, {NAMES.get(m, m)}" for m in solvers), "first plan s"]
    return table([*headings, *(f"to {100 * gap:g} % s" for gap in GAPS), "memory MB", "CPU s"], lines)


def reference(instances: Runs) -> list[str]:
    """What a user waits for, and what plans without an optimiser lose: the short table."""
    lines = []
    for name, found in by(instances.rows, lambda row: row.instance).items():
        ours = [row for row in found if row.method == "ours" and row.trace]
        if not ours:
            continue
        ours_s = middle(row.finish_time_s for row in ours)
        coaches = [row for row in found if row.method.startswith("coach") and row.finish_time_s is not None]
        lost = [row.finish_time_s - ours_s for row in coaches if row.finish_time_s is not None and ours_s is not None]
        mark = "†" if any(row.missed for row in coaches) else ""
        profile = REGISTRY[name].shape.profile + (" in wind" if REGISTRY[name].wind_speed_mps else "")
        limit_s, gap = f"{ours[0].time_limit_s:g} s", middle(row.gap for row in ours)
        proven = f"{percent(gap)} in {limit_s}" if gap is not None else f"none in {limit_s}"
        if all(row.missed for row in ours):
            proven, lost = f"no plan keeps all limits in {limit_s}", []
        lines.append(
            [
                f"{found[0].n_riders} riders, {found[0].length_km:.0f} km {profile}",
                f"{middle(row.first_plan_s for row in ours) or 0.0:.0f} s",
                f"{median(near_the_answer_s(row) for row in ours):.0f} s",
                proven,
                f"{min(lost):.0f} to {max(lost):.0f} s{mark}" if lost else "–",
            ]
        )
    near = f"within {100 * NEAR_THE_ANSWER:g} % of the answer"
    days = ", ".join(sorted({about["date"][:10] for about in instances.about}))
    cores = ", ".join(sorted({str(about["cores"]) for about in instances.about}))
    notes = "; ".join(sorted({note for about in instances.about if (note := about["settings"].get("note"))}))
    return [
        *table(["team and course", "first plan", near, "proven gap", "plans without an optimiser lose"], lines),
        "",
        f"Measured {days} on {cores} cores{f' ({notes})' if notes else ''}.",
        "† such a plan also misses limits. All of it: [benchmarks](benchmarks/README.md).",
    ]


def judged_table(rows: list[dict[str, Any]]) -> list[str]:
    """Median and best times of the outside judge."""
    lines = []
    for race in ("men", "women"):
        for budget in sorted({row["budget"] for row in rows}):
            cells = [race, f"{budget}"]
            for method in ("ours", *LIBRARY):
                found = [
                    row["time_s"]
                    for row in rows
                    if (row["race"], row["budget"], row["method"]) == (race, budget, method)
                ]
                times = "not run" if not found else f"{median(found):.2f} ({min(found):.2f}; {len(found)})"
                cells.append(times)
            lines.append(cells)
    return table(["race", "evaluations", "ours", *LIBRARY], lines)


# Plots.


def panel(axes: Axes, left: float, title: str, x_label: str, curves: Sequence[Html]) -> list[Html]:
    """One chart of a picture: axes with figures, and curves in the chart's own coordinates."""
    top, width, height = 40, PANEL_WIDTH, PANEL_HEIGHT
    words: list[Html] = [
        element("text", title, x=f"{left}", y="24", class_="title"),
        element("text", x_label, x=f"{left + width / 2}", y=f"{top + height + 38}", class_="middle"),
    ]
    for value in round_values(axes.low, axes.high, 4):
        y = top + height * axes.y(value)
        words.append(element("line", x1=f"{left}", x2=f"{left + width}", y1=f"{y:.1f}", y2=f"{y:.1f}", class_="grid"))
        words.append(element("text", f"{value:g}", x=f"{left - 6}", y=f"{y + 4:.1f}", class_="end"))
    for value in round_values(axes.start_m, axes.end_m, 5):
        x = left + width * axes.x(value)
        words.append(element("text", f"{value:g}", x=f"{x:.1f}", y=f"{top + height + 18}", class_="middle"))
    inside = element(
        "svg",
        *curves,
        x=f"{left}",
        y=f"{top}",
        width=f"{width}",
        height=f"{height}",
        viewBox="0 0 1000 100",
        preserveAspectRatio="none",
    )
    return [*words, inside]


def picture(told: str, panels: Sequence[Sequence[Html]], legend: Sequence[tuple[str, str]]) -> str:
    """Charts side by side with a legend below: (class of the curve, its name)."""
    width = len(panels) * (PANEL_WIDTH + MARGIN) + MARGIN
    columns = max(1, width // 300)
    bottom = 40 + PANEL_HEIGHT + 60
    height = bottom + 20 * math.ceil(len(legend) / columns)
    colours = [*(LIGHT[name] for name in ("first", "second", "good", "bad")), *RIDER_COLOURS]
    kinds = "".join(f".c{number}{{stroke:{colour}}}" for number, colour in enumerate(colours))
    style = (
        f"text{{font:12px sans-serif;fill:{LIGHT['ink']}}}.title{{font-weight:bold;font-size:14px}}"
        ".middle{text-anchor:middle}.end{text-anchor:end}"
        f".grid{{stroke:{LIGHT['land']}}}polyline,.key{{fill:none;stroke-width:2;vector-effect:non-scaling-stroke}}{kinds}"
    )
    keys = []
    for number, (kind, name) in enumerate(legend):
        x, y = MARGIN + 300 * (number % columns), bottom + 20 * (number // columns)
        keys.append(element("line", x1=f"{x}", x2=f"{x + 24}", y1=f"{y}", y2=f"{y}", class_=f"key {kind}"))
        keys.append(element("text", name, x=f"{x + 30}", y=f"{y + 4}"))
    return (
        element(
            "svg",
            element("title", told),
            element("style", Html(style)),
            element("rect", width="100%", height="100%", fill=LIGHT["page"]),
            *(shape for shapes in panels for shape in shapes),
            *keys,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {width} {height}",
            role="img",
        )
        + "\n"
    )


def gap_over_time(rows: list[Row]) -> str:
    """How the plan of our search comes down to its final bound, first seed of each instance."""
    ours = [row for row in rows if row.method == "ours" and row.seed == 0 and row.bound_s is not None]
    most, lines = 5.0, []
    end_s = max((row.seconds for row in ours), default=1.0)
    axes = Axes(0.0, end_s, 0.0, most)
    for number, row in enumerate(ours):
        assert row.bound_s is not None
        when: list[float] = []
        gap_percent: list[float] = []
        for seconds, _, best_s, _ in row.trace:
            if best_s is not None:
                value = min(max(100.0 * (best_s - row.bound_s) / best_s, 0.0), most)
                when += [seconds, seconds] if gap_percent else [seconds]
                gap_percent += [gap_percent[-1], value] if gap_percent else [value]
        lines.append(curve(axes, np.array(when), np.array(gap_percent), f"c{number % 10}"))
    shapes = panel(axes, MARGIN, "Plans of our search against their bound (%)", "seconds", lines)
    legend = [(f"c{number % 10}", row.instance) for number, row in enumerate(ours)]
    return picture("Gap to the final bound against time, by instance", [shapes], legend)


def near_the_answer_s(row: Row) -> float:
    """Seconds until the plan is near the answer of the same search."""
    answer_s = row.trace[-1][2]
    assert answer_s is not None
    near = (1.0 + NEAR_THE_ANSWER) * answer_s
    return next(float(seconds) for seconds, _, best_s, _ in row.trace if best_s is not None and best_s <= near)


def growth(rows: list[Row]) -> str:
    """Time to the first plan and to a plan near the answer, against segments and against riders."""
    panels: list[list[Html]] = []
    for title, name, what in (
        ("Seconds, three riders, longer courses", "longer-", "segments"),
        ("Seconds, 20 km, more riders", "steady-", "riders"),
    ):

        def place(row: Row, what: str = what) -> int:
            return row.n_segments if what == "segments" else row.n_riders

        found = sorted((row for row in rows if row.instance.startswith(name) and row.trace), key=place)
        if len({place(row) for row in found}) < 2:
            continue  # one point is no curve
        x = np.array([float(place(row)) for row in found])
        first = np.array([row.first_plan_s or 0.0 for row in found])
        near = np.array([near_the_answer_s(row) for row in found])
        axes = axes_around(float(x.min()), float(x.max()), [0.0, *first, *near])
        lines = [curve(axes, x, first, "c0"), curve(axes, x, near, "c1")]
        left = MARGIN + len(panels) * (PANEL_WIDTH + MARGIN)
        panels.append(panel(axes, left, title, what, lines))
    legend = [("c0", "first plan"), ("c1", f"within {100 * NEAR_THE_ANSWER:g} % of the answer")]
    return picture("Time against segments and riders", panels, legend)


def growth_table(rows: list[Row]) -> list[str]:
    """What was measured for growth."""
    lines = [
        [
            row.instance,
            f"{row.n_riders}",
            f"{row.n_segments}",
            "–" if row.first_plan_s is None else f"{row.first_plan_s:.1f}",
            f"{near_the_answer_s(row):.0f}" if row.trace else "–",
            percent(row.gap),
            f"{row.peak_memory_mb:.0f}",
        ]
        for row in rows
    ]
    near = f"within {100 * NEAR_THE_ANSWER:g} % of the answer s"
    return table(["instance", "riders", "segments", "first plan s", near, "gap", "memory MB"], lines)


FOOTNOTES = """
- Finish times are those of the ride simulation. *Ours* is the time itself; the others are seconds behind it. † the ride
  misses at least one limit, so that no team could ride the plan as it stands and its time does not compare.
- Where several seeds were run, figures are medians. Coaches' plans know no chance.
- *places by HiGHS*: the compact programme of riders in places (`position_model.py`). *network by HiGHS*, *network by
  SCIP*: the model of `models/ttt_models/rotation.md`, whole. All three get the constants that fit our plan's ride and
  its cyclic order, but no start; their pulls are then fitted to their ride as ours are. Their gaps are those of one
  order; ours covers all orders that are searched. Their time limit includes building the model, but for SCIP that of
  writing and reading the file.
- *evolution*: nevergrad with the ride as judge, given our cyclic order, a good first guess and penalties for limits.
- *coach*: pulls of 30 s at one pace; of 30 s on average in proportion to critical power, at one W/kg; of 60 s for the
  strongest and 20 s for the others; line order of the team file, everybody stays. On descents leaders ease. The pace is
  the fastest at which no rider falls below his reserve, beyond his peak power or beyond the limit on a wheel; other
  limits that such a plan misses are part of it.
- *to x % s*: seconds until the plan that our search tells of is that close to the bound with which it ends; on the way
  it tells of plans of its model, which the ride may slow down.
- CPU s is the processor time that our search got, on all cores: where it is far below the cores times the time limit,
  other work had the rest.
- Memory is an upper bound: the largest of the process, and for each core that of its largest child.
""".strip()


@dataclass(frozen=True)
class Runs:
    """Runs of one kind: what is said about each that counts, and their rows."""

    about: list[dict[str, Any]]
    rows: list[Any]

    @property
    def measured(self) -> list[str]:
        """One line for each run, with a line between."""
        lines = []
        for about in self.about:
            settings = about["settings"]
            how = f"{settings['time_limit_s']:g} s each, " if "time_limit_s" in settings else ""
            lines += [f"{how}{settings['seeds']} seed(s). {measured(about)}", ""]
        return lines


def newest(runs: Sequence[tuple[dict[str, Any], list[Any]]], key: Callable[[Any], object]) -> Runs:
    """Of all runs the rows that count: where two runs have rows of the same key, those of the later run."""
    ordered = sorted(runs, key=lambda run: str(run[0]["date"]))
    last = {key(row): number for number, (_, rows) in enumerate(ordered) for row in rows}
    kept = [[row for row in rows if last[key(row)] == number] for number, (_, rows) in enumerate(ordered)]
    return Runs(
        [about for (about, _), rows in zip(ordered, kept, strict=True) if rows], [row for rows in kept for row in rows]
    )


def in_registry(row: Row) -> int:
    """Place of a row's instance in the registry."""
    return list(REGISTRY).index(row.instance)


def section(instances: Runs, growing: Runs, track: Runs) -> list[str]:
    """The text between the markers."""
    lines: list[str] = []
    if instances.rows:
        lines += ["## Instances and peers", "", *instances.measured]
        lines += [*finish_times(instances.rows), "", *gaps(instances.rows)]
        lines += ["", "![Gap against time](results/gap-over-time.svg)", "", FOOTNOTES, ""]
    if growing.rows:
        lines += ["## Growth", "", *growing.measured, *growth_table(growing.rows), ""]
        lines += ["![Growth with segments and riders](results/growth.svg)", ""]
    if track.rows:
        lines += ["## Outside judge", "", *track.measured, "Seconds: median (best; number of seeds).", ""]
        lines += judged_table(track.rows)
    return lines


def main(files: Sequence[str]) -> None:
    """Read the runs, write the tables and pictures."""
    races: list[tuple[dict[str, Any], list[Any]]] = []
    growing: list[tuple[dict[str, Any], list[Any]]] = []
    track: list[tuple[dict[str, Any], list[Any]]] = []
    for file in map(Path, files):
        document = json.loads(file.read_text(encoding="utf-8"))
        if "budgets" in document["about"]["settings"]:
            track.append((document["about"], document["rows"]))
            continue
        about, rows = read_results(file)
        of_growth = any("growth" in REGISTRY[row.instance].purpose for row in rows)
        (growing if of_growth else races).append((about, rows))
    instances, growths = newest(races, lambda row: row.instance), newest(growing, lambda row: row.instance)
    instances.rows.sort(key=in_registry)
    growths.rows.sort(key=in_registry)
    judged = newest(track, lambda row: (row["race"], row["method"], row["budget"], row["seed"]))
    pictures = {}
    if instances.rows:
        pictures["gap-over-time.svg"] = gap_over_time(instances.rows)
    if growths.rows:
        pictures["growth.svg"] = growth(growths.rows)
    write_results(ROOT / "benchmarks" / "results", pictures)
    replace_results(FULL, section(instances, growths, judged))
    if instances.rows:
        replace_results(SHORT, reference(instances))


def replace_results(file: Path, lines: Sequence[str]) -> None:
    """Put lines between the two marks of a page."""
    before, _, rest = file.read_text(encoding="utf-8").partition(BEGIN)
    _, found, after = rest.partition(END)
    if not found:
        sys.exit(f"{file.name} has no lines {BEGIN} and {END}")
    write_results(file.parent, {file.name: "\n".join([before + BEGIN, "", *lines, "", END + after])})


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("usage: python benchmarks/report.py RESULTS.json...")
    main(sys.argv[1:])
