"""What a study writes and prints: the conclusion first, then tables; as text, page, CSV and JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from ttt_opt import __version__
from ttt_opt.html_text import Html, element, joined, list_of, page, table_of
from ttt_opt.palette import DARK, LIGHT, variables
from ttt_opt.study_case import plain
from ttt_opt.text_table import WIDTH, fitted, sentences, table, titled, wrapped

TOLD_APART = 0.002
"""Plans whose times differ by less (share) are not told apart: neighbouring searches come out that far apart."""

STYLE = f"""
:root {{ color-scheme: light dark; {variables(LIGHT)} }}
@media screen and (prefers-color-scheme: dark) {{ :root {{ {variables(DARK)} }} }}
* {{ box-sizing: border-box; }}
body {{ margin: 0 auto; padding: 12px; max-width: 1000px; background: var(--page); color: var(--ink);
  font: 16px/1.45 system-ui, sans-serif; overflow-wrap: anywhere; }}
h1 {{ font-size: 1.5em; line-height: 1.2; margin: .2em 0; }}
h2 {{ font-size: 1.15em; margin: 1.6em 0 .5em; border-bottom: 2px solid var(--axis); break-after: avoid; }}
p, ul {{ margin: .4em 0; }} ul {{ padding-left: 1.2em; }}
.soft {{ color: var(--soft); font-size: .85em; }}
.caution {{ border: 2px solid var(--bad); border-radius: 6px; padding: 6px 12px; margin: .8em 0; font-weight: 600; }}
.conclusion {{ background: var(--panel); border-radius: 6px; padding: 8px 12px; margin: .8em 0; font-size: 1.05em; }}
.scroll {{ overflow-x: auto; }}
table {{ border-collapse: collapse; width: 100%; font-size: .85em; font-variant-numeric: tabular-nums; }}
th, td {{ padding: 2px 5px; text-align: right; vertical-align: top; border-bottom: 1px solid var(--land); }}
th {{ color: var(--soft); font-weight: 600; vertical-align: bottom; overflow-wrap: normal; white-space: pre-line; }}
td {{ white-space: nowrap; overflow-wrap: normal; }}
th.words, td.words {{ text-align: left; white-space: normal; }} td.words {{ min-width: 5.5em; }}
thead {{ display: table-header-group; }} tr, figure, .bar {{ break-inside: avoid; }}
figure {{ margin: 0 0 1em; }}
.plot {{ position: relative; margin: 0 12px 4px 44px; }}
.plot svg, .bar svg {{ display: block; width: 100%; height: 100%; overflow: visible; }}
.high {{ height: 190px; margin-bottom: 24px; }}
.label {{ position: absolute; font-size: 11px; line-height: 1; white-space: nowrap; color: var(--soft); }}
.beside {{ right: 100%; padding-right: 5px; transform: translateY(-50%); }}
.below {{ top: 100%; padding-top: 4px; transform: translateX(-50%); }}
.legend {{ list-style: none; padding: 0; font-size: .85em; }} .sample {{ width: 40px; height: 10px; }}
.unit {{ text-align: center; color: var(--soft); font-size: .85em; margin: 0; }}
polyline {{ fill: none; vector-effect: non-scaling-stroke; stroke-width: 2px; stroke: var(--ink); }}
.first {{ stroke: var(--first); }} .second {{ stroke: var(--second); stroke-dasharray: 7 4; }}
.third {{ stroke: var(--ink); stroke-dasharray: 2 4; }}
.axis {{ stroke: var(--axis); stroke-width: 1px; }}
rect {{ vector-effect: non-scaling-stroke; }}
.column {{ fill: var(--first); }}
.slower {{ fill: var(--second); }} .faster {{ fill: var(--first); }}
.bar {{ display: grid; grid-template-columns: minmax(105px, 30%) 1fr; gap: 0 8px; align-items: center;
  font-size: .85em; border-bottom: 1px solid var(--land); padding: 3px 0; }}
.bar .drawn {{ height: 16px; }}
.bar .told {{ grid-column: 2; color: var(--soft); font-size: .92em; }}
@media screen and (max-width: 640px) {{ .wide {{ display: none; }} th, td {{ padding: 2px 3px; }} }}
@page {{ size: A4; margin: 12mm; }}
@media print {{ body {{ font-size: 10pt; padding: 0; max-width: none; }} .scroll {{ overflow: visible; }}
  .column, .slower, .faster {{ print-color-adjust: exact; }} }}
"""


@dataclass(frozen=True)
class ReportTable:
    """A table of a report.

    Attributes
    ----------
    title : str
    headings : tuple of str
        Those that begin with ``<`` stand over words; a line end begins a second line.
    rows : tuple of tuple of str
    notes : tuple of str
        Sentences below it.
    """

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Report:
    """What a study found.

    Attributes
    ----------
    study : str
        Name of its files.
    title, subtitle : str
    cautions : tuple of str
        What must be read before anything else.
    conclusion : tuple of str
        Whole sentences: what to decide.
    tables : tuple of ReportTable
    charts : tuple of (str, Html)
        Title and drawing.
    frame : DataFrame
        One row for each thing found, for the CSV file.
    document : dict
        The same and what was asked, for the JSON file.
    notes : tuple of str
        How it was found and what it is worth.
    """

    study: str
    title: str
    subtitle: str
    conclusion: tuple[str, ...]
    tables: tuple[ReportTable, ...]
    frame: pd.DataFrame
    document: dict[str, Any]
    cautions: tuple[str, ...] = ()
    charts: tuple[tuple[str, Html], ...] = ()
    notes: tuple[str, ...] = field(default=())


def report_text(report: Report) -> str:
    """A report for a terminal, at most 100 columns wide."""
    lines = [fitted(report.title, WIDTH), *wrapped(report.subtitle), ""]
    for caution in report.cautions:
        lines += [*wrapped(caution), ""]
    for sentence in report.conclusion:
        lines += wrapped(sentence)
    for one in report.tables:
        lines += titled(one.title, [*table(one.headings, one.rows, _widest_words(one)), *sentences(one.notes)])
    if report.notes:
        lines += titled("How it was found", sentences(report.notes))
    return "\n".join(lines) + "\n"


def _widest_words(one: ReportTable) -> int | None:
    """The column of words with the longest cell: the one that is cut where a line would be too long."""
    words = [n for n, heading in enumerate(one.headings) if heading.startswith("<")]
    return max(words, key=lambda n: max((len(row[n]) for row in one.rows), default=0), default=None)


def report_page(report: Report) -> str:
    """A report as a page for phone, desktop and paper, without network or script."""
    return page(
        report.title,
        STYLE,
        element("header", element("h1", report.title), element("p", report.subtitle)),
        element(
            "main",
            *(element("p", caution, class_="caution") for caution in report.cautions),
            element("div", *(element("p", sentence) for sentence in report.conclusion), class_="conclusion"),
            *(element("section", element("h2", title), drawn) for title, drawn in report.charts),
            *(_section(one) for one in report.tables),
            element("section", element("h2", "How it was found"), list_of(report.notes)) if report.notes else Html(),
        ),
    )


def _section(one: ReportTable) -> Html:
    words = [n for n, heading in enumerate(one.headings) if heading.startswith("<")]
    headings = [heading.removeprefix("<").replace("\n", " ") for heading in one.headings]
    notes = [element("p", note, class_="soft") for note in one.notes]
    shown = element("div", table_of(headings, one.rows, words=words), class_="scroll")
    return element("section", element("h2", one.title), joined([shown, *notes]))


def report_files(report: Report) -> dict[str, str]:
    """Names and contents of the files of a report; the same findings give the same bytes."""
    document = {"study": report.study, "version": __version__, "conclusion": report.conclusion, **report.document}
    return {
        f"{report.study}.csv": report.frame.to_csv(index=False, lineterminator="\n"),
        f"{report.study}.json": json.dumps(plain(document), ensure_ascii=False, allow_nan=False, indent=1) + "\n",
        f"{report.study}.html": report_page(report),
        f"{report.study}.txt": report_text(report),
    }


def signed(seconds: float, digits: int = 1) -> str:
    """A difference with its sign, ``+3.2``."""
    return f"{round(seconds, digits) + 0.0:+.{digits}f}"


def and_list(words: Sequence[str]) -> str:
    """``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
