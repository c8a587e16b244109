"""Plain text for a terminal: aligned tables, clock times, wrapped sentences."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable, Sequence

from ttt_opt.terminal_names import printable

WIDTH = 100
"""Columns that every line keeps to."""


def display_width(text: str) -> int:
    """Columns that a text takes on a terminal: two for wide letters, none for combining marks and joiners."""
    return sum(map(_columns, text))


def _columns(character: str) -> int:
    if unicodedata.combining(character) or unicodedata.category(character) in {"Mn", "Me", "Cf"}:
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def fitted(text: str, columns: int) -> str:
    """A text from a file made printable and cut to so many columns, with an ellipsis where it was cut."""
    text = printable(text)
    if display_width(text) <= columns:
        return text
    kept, used = "", 0
    for character in text:
        used += _columns(character)
        if used > columns - 1:
            break
        kept += character
    return kept + "…"


def table(headings: Sequence[str], rows: Iterable[Sequence[str]], flexible: int | None = None) -> list[str]:
    """Lines of a table, two spaces between columns.

    Parameters
    ----------
    headings : sequence of str
        Those that begin with ``<`` stand over columns that are aligned left; the others are aligned right. A
        line end begins a second line of headings.
    rows : iterable of sequence of str
        Cells; they are made printable.
    flexible : int, optional
        The column whose cells are cut where the table would be wider than the page.
    """
    left = [heading.startswith("<") for heading in headings]
    split = [heading.removeprefix("<").split("\n") for heading in headings]
    above = max(map(len, split))
    cells = [[([""] * (above - len(lines)) + lines)[line] for lines in split] for line in range(above)]
    cells += [[printable(cell) for cell in row] for row in rows]
    widths = [max(display_width(row[column]) for row in cells) for column in range(len(headings))]
    if flexible is not None:
        others = sum(widths) - widths[flexible] + 2 * (len(widths) - 1)
        widths[flexible] = min(widths[flexible], max(WIDTH - others, 1))
        for row in cells:
            row[flexible] = fitted(row[flexible], widths[flexible])
    lines = []
    for row in cells:
        padded = []
        for cell, width, to_left in zip(row, widths, left, strict=True):
            space = " " * (width - display_width(cell))
            padded.append(cell + space if to_left else space + cell)
        lines.append("  ".join(padded).rstrip())
    return lines


def titled(title: str, lines: Iterable[str]) -> list[str]:
    """A block: an empty line, the title underlined, and the lines below it."""
    return ["", title, "─" * display_width(title), *lines]


def sentences(texts: Iterable[str]) -> list[str]:
    """A list of sentences, each with a dash and wrapped."""
    return [line for text in texts for line in wrapped(text, "- ", "  ")]


def wrapped(text: str, first: str = "", further: str = "") -> list[str]:
    """A sentence wrapped to the width of the page."""
    return textwrap.wrap(printable(text), WIDTH, initial_indent=first, subsequent_indent=further)


def clock(seconds: float) -> str:
    """A time of day or a duration as ``h:mm:ss``, rounded to whole seconds."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def short_clock(seconds: float) -> str:
    """A duration as ``m:ss``, or ``h:mm:ss`` from one hour on."""
    whole = round(seconds)
    return clock(whole) if whole >= 3600 else f"{whole // 60}:{whole % 60:02d}"
