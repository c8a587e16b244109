"""Telling how far the search is."""

from __future__ import annotations

import io
import math

import pytest

from ttt_opt.progress_line import ProgressLine, progress_text


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Clock:
    def __init__(self) -> None:
        self.seconds = 100.0

    def __call__(self) -> float:
        return self.seconds


def test_text_grows_with_what_is_known() -> None:
    assert progress_text(3.2, "orders", math.inf, -math.inf) == "   3 s  orders"
    assert progress_text(3.2, "orders", 3725.0, -math.inf) == "   3 s  orders · best 1:02:05"
    text = progress_text(3.2, "orders", 3725.0, 3700.0)
    assert text == "   3 s  orders · best 1:02:05 · no plan below 1:01:40 · gap 0.67 %"


def test_lines_at_most_every_five_seconds_elsewhere() -> None:
    stream, clock = io.StringIO(), Clock()
    progress = ProgressLine(stream, clock)
    for _ in range(100):  # over ten seconds
        progress("search", 3600.0, -math.inf)
        clock.seconds += 0.1
    progress.close()
    lines = stream.getvalue().splitlines()
    assert len(lines) == 2
    assert lines[0] == "   0 s  search · best 1:00:00"
    assert "\r" not in stream.getvalue()


def test_one_line_in_place_on_a_terminal() -> None:
    stream, clock = Terminal(), Clock()
    progress = ProgressLine(stream, clock)
    progress("a long description", 3600.0, 3599.0)
    clock.seconds += 1.0
    progress("short", 3600.0, 3599.0)
    progress("too soon", 3600.0, 3599.0)
    text = stream.getvalue()
    assert "\n" not in text
    _, first, second = text.split("\r")
    assert "a long description" in first
    assert second.rstrip().endswith("gap 0.03 %")
    assert len(second) == len(first)  # what was there before is written over
    progress.close()
    assert stream.getvalue().endswith("\r" + " " * len(second.rstrip()) + "\r")


def test_narrow_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    stream = Terminal()
    ProgressLine(stream)("x" * 500, 3600.0, 3599.0)
    assert len(stream.getvalue()) == len("\r") + 39
