"""Plain text for a terminal."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ttt_opt.terminal_names import is_unsafe
from ttt_opt.text_table import WIDTH, clock, display_width, fitted, sentences, short_clock, table


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0:00:00"), (59.4, "0:00:59"), (59.6, "0:01:00"), (3599.6, "1:00:00"), (36_061.0, "10:01:01")],
)
def test_clock(seconds: float, text: str) -> None:
    assert clock(seconds) == text


@pytest.mark.parametrize(("seconds", "text"), [(5.0, "0:05"), (3599.4, "59:59"), (3599.6, "1:00:00")])
def test_short_clock(seconds: float, text: str) -> None:
    assert short_clock(seconds) == text


def test_width_counts_columns() -> None:
    assert display_width("Zoë") == 3
    assert display_width("Zoe\u0308") == 3  # the same with a combining mark
    assert display_width("漢字") == 4


@given(st.text(), st.integers(1, 40))
def test_fitted_is_printable_and_fits(text: str, columns: int) -> None:
    shown = fitted(text, columns)
    assert display_width(shown) <= columns
    assert not any(is_unsafe(character) for character in shown)


def test_table_aligns_columns() -> None:
    lines = table(["<Rider", "W"], [["漢字", "7"], ["Ann", "400"]])
    assert lines == ["Rider    W", "漢字     7", "Ann    400"]


def test_table_cuts_the_flexible_column_to_the_page() -> None:
    lines = table(["<Rider", "W"], [["A" * 200, "7"], ["Ann", "400"]], flexible=0)
    assert [len(line) for line in lines] == [WIDTH, WIDTH, WIDTH]
    assert "…" in lines[1]


def test_headings_of_two_lines() -> None:
    assert table(["<Rider", "Front\nW"], [["Ann", "7"]]) == ["       Front", "Rider      W", "Ann        7"]


def test_sentences_are_wrapped_with_a_dash() -> None:
    lines = sentences(["word " * 40])
    assert len(lines) == 3
    assert lines[0].startswith("- word")
    assert lines[1].startswith("  word")
    assert max(map(len, lines)) <= WIDTH
