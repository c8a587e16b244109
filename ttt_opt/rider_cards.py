"""Cards with each rider's own pulls, for the stem or the forearm: ``cards.html``."""

from __future__ import annotations

from ttt_opt.html_text import Html, element, escaped, joined, name_of, page, table_of
from ttt_opt.palette import BAND_INK, LIGHT, variables
from ttt_opt.plan import Plan, Pull
from ttt_opt.team_marks import chip
from ttt_opt.text_table import clock

WIDTH_MM, HEIGHT_MM = 60, 90
ROWS_A_CARD = 18
"""So many pulls fit on a card."""
TABLE_MM, HIGHEST_ROW_MM = 68.0, 5.5
"""Height that a card leaves for its table, and beyond which rows do not grow."""
SIDES = {"left": "← left", "right": "right →", "either": "either", "finish": "finish", "leave": "out"}
"""Where to go after a pull, as short as a card needs it."""

STYLE = f"""
:root {{ color-scheme: light; {variables(LIGHT)} }}
* {{ box-sizing: border-box; }}
body {{ margin: 0; padding: 4mm; display: flex; flex-wrap: wrap; gap: 4mm; background: var(--page); color: var(--ink);
  font: 8pt/1.2 system-ui, sans-serif; }}
.card {{ width: {WIDTH_MM}mm; height: {HEIGHT_MM}mm; padding: 2.5mm 3mm; overflow: hidden;
  border: .2mm solid var(--axis); display: flex; flex-direction: column; }}
h1 {{ margin: 0; font-size: 11pt; white-space: nowrap; overflow: hidden; text-overflow: ellipsis; }}
p {{ margin: .4mm 0; font-size: 7pt; white-space: nowrap; overflow: hidden; text-overflow: ellipsis; }}
.chip {{ padding: 0 1mm; border: .2mm solid var(--ink); color: {BAND_INK}; print-color-adjust: exact; }}
table {{ border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }}
th {{ font-size: 7pt; font-weight: 600; color: var(--soft); }}
th, td {{ padding: 0 .5mm; height: var(--row); text-align: right; }}
td {{ font-size: 9.5pt; line-height: 1; border-top: .1mm solid var(--axis); }}
td:nth-child(3) {{ font-weight: 700; }}
.foot {{ margin-top: auto; color: var(--soft); }}
@page {{ size: {WIDTH_MM}mm {HEIGHT_MM}mm; margin: 0; }}
@media print {{ body {{ display: block; padding: 0; }} .card {{ border: 0; break-after: page; }}
  .card:last-child {{ break-after: auto; }} }}
"""


def cards_html(plan: Plan) -> str:
    """One card of 60 x 90 mm per rider, more where the pulls need them, as a page that prints card by card.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One HTML document. Each card holds where a pull starts (km), how long it lasts (s), the mean power at the
        front (W), and the side on which to leave the front.
    """
    cards = [card for rider in plan.race.team.riders for card in _cards_of(plan, rider.name)]
    return page(f"{plan.race.name} · cards", STYLE, *cards)


def _cards_of(plan: Plan, rider: str) -> list[Html]:
    own = [pull for pull in plan.pulls if pull.rider == rider]
    parts = [own[first : first + ROWS_A_CARD] for first in range(0, len(own), ROWS_A_CARD)] or [[]]
    return [_card(plan, rider, part, f"{count}/{len(parts)}") for count, part in enumerate(parts, start=1)]


def _card(plan: Plan, rider: str, pulls: list[Pull], count: str) -> Html:
    rows = [
        [f"{pull.start_m / 1000:.2f}", f"{pull.duration_s:.0f}", f"{pull.front_power_w:.0f}", SIDES[pull.swing_off]]
        for pull in pulls
    ]
    row_mm = min(HIGHEST_ROW_MM, TABLE_MM / (len(rows) + 1))
    body = (
        element("div", table_of(["km", "s", "W", "off to the"], rows), style=f"--row:{row_mm:.2f}mm")
        if rows
        else element("p", "No pulls: stay on the wheels.")
    )
    return element(
        "article",
        element("h1", chip(plan.race.team, rider), " ", name_of(rider)),
        element("p", f"Card {count} · ", _at_the_start(plan, rider)),
        body,
        element("p", f"{clock(plan.finish_time_s)} · ", name_of(plan.race.name), class_="foot"),
        class_="card",
    )


def _at_the_start(plan: Plan, name: str) -> Html:
    """Place in the line at the start, and whose wheel that is."""
    place = plan.start_order.index(name)
    if place == 0:
        return escaped("leads the start")
    return joined([f"no. {place + 1} at the start, behind ", name_of(plan.start_order[place - 1])])
