"""Cards with each rider's own part of the patterns, for the stem or the forearm: ``cards.html``."""

from __future__ import annotations

from ttt_opt.html_text import Html, element, escaped, joined, name_of, page, table_of
from ttt_opt.palette import BAND_INK, LIGHT, variables
from ttt_opt.pattern_page import SLOPE_SIGNS
from ttt_opt.pattern_plan import RideablePlan, StretchPattern
from ttt_opt.plan import Plan, Pull
from ttt_opt.team_marks import chip, team_marks
from ttt_opt.text_table import clock

WIDTH_MM, HEIGHT_MM = 60, 90
ROWS_A_CARD = 18
"""So many pulls fit on a card."""
SIZES = ("few", "few", "few", "many", "most")
"""How a card shows so many figures in a row."""
TABLE_MM, HIGHEST_ROW_MM = 68.0, 5.5
"""Height that a card leaves for its table, and beyond which rows do not grow."""
SIDES = {"left": "← left", "right": "right →", "either": "either", "finish": "finish", "leave": "out"}
"""Where to go after a pull, as short as a card needs it."""

LAST_WHEELS = "No pulls: stay on the last wheels, and let whoever comes back from the front in ahead of you."

STYLE = f"""
:root {{ color-scheme: light; {variables(LIGHT)} }}
* {{ box-sizing: border-box; }}
body {{ margin: 0; padding: 4mm; display: flex; flex-wrap: wrap; gap: 4mm; background: var(--page); color: var(--ink);
  font: 8pt/1.2 system-ui, sans-serif; }}
.card {{ width: {WIDTH_MM}mm; height: {HEIGHT_MM}mm; padding: 2.5mm 3mm; overflow: hidden;
  border: .2mm solid var(--axis); display: flex; flex-direction: column; }}
h1 {{ margin: 0; font-size: 11pt; white-space: nowrap; overflow: hidden; text-overflow: ellipsis; }}
p {{ margin: .4mm 0; font-size: 7pt; white-space: nowrap; overflow: hidden; text-overflow: ellipsis; }}
.last-wheels {{ white-space: normal; font-size: 9.5pt; line-height: 1.3; margin: 3mm 0; }}
.chip {{ padding: 0 1mm; border: .2mm solid var(--ink); color: {BAND_INK}; print-color-adjust: exact; }}
table {{ border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }}
th {{ font-size: 7pt; font-weight: 600; color: var(--soft); }}
th, td {{ padding: 0 .5mm; height: var(--row); text-align: right; }}
td {{ font-size: 9.5pt; line-height: 1; border-top: .1mm solid var(--axis); }}
td:nth-child(3) {{ font-weight: 700; }}
.stretches {{ flex: 1; display: flex; flex-direction: column; gap: .5mm; margin-top: .6mm; }}
.stretch {{ border-top: .1mm solid var(--axis); padding-top: .4mm; }}
.stretch p {{ margin: 0; line-height: 1.15; }}
.where {{ font-size: 7pt; color: var(--soft); display: flex; justify-content: space-between; gap: 1mm; }}
.place {{ overflow: hidden; text-overflow: ellipsis; }}
.watts {{ white-space: pre; font-size: 10pt; font-weight: 700; font-variant-numeric: tabular-nums; }}
.watts span {{ font-size: 8pt; font-weight: 400; }}
.many {{ font-size: 8.5pt; letter-spacing: -.02em; }}
.most {{ font-size: 8pt; letter-spacing: -.03em; word-spacing: .05em; }}
.foot {{ margin-top: auto; color: var(--soft); }}
@page {{ size: {WIDTH_MM}mm {HEIGHT_MM}mm; margin: 0; }}
@media print {{ body {{ display: block; padding: 0; }} .card {{ border: 0; break-after: page; }}
  .card:last-child {{ break-after: auto; }} }}
"""


def cards_html(plan: Plan) -> str:
    """One card of 60 x 90 mm per rider, as a page that prints card by card; more cards where there are only pulls.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One HTML document. Each card holds, for every stretch of the rideable plan, where it begins, whose wheel to be
        on, the pull (s), the watts in front by slope (W) and the side on which to leave the front. Without a rideable
        plan it holds the pulls of the detailed one.
    """
    cards = [card for rider in plan.race.team.riders for card in _cards_of(plan, rider.name)]
    return page(f"{plan.race.name} · cards", STYLE, *cards)


def _cards_of(plan: Plan, rider: str) -> list[Html]:
    if plan.rideable is not None:
        return [_pattern_card(plan, plan.rideable, rider)]
    own = [pull for pull in plan.pulls if pull.rider == rider]
    parts = [own[first : first + ROWS_A_CARD] for first in range(0, len(own), ROWS_A_CARD)] or [[]]
    return [_card(plan, rider, part, f"{count}/{len(parts)}") for count, part in enumerate(parts, start=1)]


def _pattern_card(plan: Plan, rideable: RideablePlan, name: str) -> Html:
    """The patterns of one rider: two lines a stretch."""
    first = rideable.stretches[0]
    start = _behind(first.line, name)
    if name == first.line[0]:
        start = escaped(f"leads the start at {rideable.start_power_w} W")
    pulls = any(rider.rider == name for rider in first.riders)
    body = (
        element("div", *(_stretch_of(plan, stretch, name) for stretch in rideable.stretches), class_="stretches")
        if pulls
        else element("p", LAST_WHEELS, class_="last-wheels")
    )
    return element(
        "article",
        element("h1", chip(plan.race.team, name), " ", name_of(name)),
        element("p", "Start: ", start),
        body,
        element("p", f"{clock(rideable.finish_time_s)} · ", name_of(plan.race.name), class_="foot"),
        class_="card",
    )


def _stretch_of(plan: Plan, stretch: StretchPattern, name: str) -> Html:
    """Where it begins, whose wheel to be on and where to swing off; below that seconds and watts."""
    own = next(rider for rider in stretch.riders if rider.rider == name)
    where = f"km {stretch.start_m / 1000:.1f}" + (
        "" if stretch.landmark.startswith("km ") else f" {stretch.landmark}"
    )
    place = stretch.line.index(name)
    wheel = f"behind {team_marks(plan.race.team)[stretch.line[place - 1]]}" if place else "lead"
    figures = [f"{own.pull_s} s"]
    for slope, watts in own.front_power_w.items():
        figures.append(f"{SLOPE_SIGNS[slope]}{watts}{f' ({stretch.downhill_s} s)' if slope == 'downhill' else ''}")
    size = SIZES[min(len(figures), len(SIZES)) - 1]
    return element(
        "div",
        element(
            "p",
            element("span", where, class_="place"),
            element("span", f"{wheel} · {SIDES[stretch.swing_off]}"),
            class_="where",
        ),
        element("p", (" " if size == "most" else "  ").join(figures), element("span", " W"), class_=f"watts {size}"),
        class_="stretch",
    )


def _behind(line: tuple[str, ...], name: str) -> Html:
    """Place in a line, and whose wheel that is."""
    place = line.index(name)
    return joined([f"no. {place + 1}, behind ", name_of(line[place - 1])]) if place else escaped("leads")


def side_after(pull: Pull) -> str:
    """Where to go after a pull, and whether it was the last one before sitting on."""
    return f"{SIDES[pull.swing_off]}{', sit on' if pull.sits_on else ''}"


def _card(plan: Plan, rider: str, pulls: list[Pull], count: str) -> Html:
    rows = [
        [f"{pull.start_m / 1000:.2f}", f"{pull.duration_s:.0f}", f"{pull.front_power_w:.0f}", side_after(pull)]
        for pull in pulls
    ]
    row_mm = min(HIGHEST_ROW_MM, TABLE_MM / (len(rows) + 1))
    body = (
        element("div", table_of(["km", "s", "W", "off to the"], rows), style=f"--row:{row_mm:.2f}mm")
        if rows
        else element("p", LAST_WHEELS, class_="last-wheels")
    )
    return element(
        "article",
        element("h1", chip(plan.race.team, rider), " ", name_of(rider)),
        element("p", f"Card {count} · at the start ", _behind(plan.start_order, rider)),
        body,
        element("p", f"{clock(plan.finish_time_s)} · ", name_of(plan.race.name), class_="foot"),
        class_="card",
    )
