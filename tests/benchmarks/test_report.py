"""Tables and plots of benchmark results, from rows made up for the test."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from report import (
    BEGIN,
    END,
    Runs,
    finish_times,
    gap_over_time,
    gaps,
    growth,
    judged_table,
    newest,
    reference,
    replace_results,
)
from results import Row, surroundings

ABOUT = surroundings({"time_limit_s": 60.0, "seeds": 3, "note": "made up"})


def ours(instance: str, seed: int, time_s: float, n_segments: int = 77) -> Row:
    trace = [[2.0, "x", time_s + 10.0, None], [20.0, "x", time_s, None], [50.0, "answer", time_s, time_s - 2.0]]
    return Row(
        instance, "ours", 3, n_segments, 15.0, seed, 60.0, time_s, [], time_s, time_s - 2.0, 2.0 / time_s,
        seconds=50.0, first_plan_s=2.0, until_good_s={"0.005": 20.0}, trace=trace,
    )  # fmt: skip


ROWS = [
    ours("flat-3-15", 0, 1000.0),
    ours("flat-3-15", 1, 1001.0),
    ours("flat-3-15", 2, 1004.0),
    Row("flat-3-15", "network by HiGHS", 3, 77, 15.0, 0, 60.0, 1011.0, [], 1010.0, 990.0, 0.02),
    Row("flat-3-15", "network by SCIP", 3, 77, 15.0, 0, 60.0),
    Row("flat-3-15", "coach: equal pulls, one pace", 3, 77, 15.0, 0, 60.0, 1051.0, ["a limit"]),
]


def test_finish_times_are_medians_and_marked_where_limits_are_missed() -> None:
    assert finish_times(ROWS)[-1] == "| flat-3-15 | 3 | 15 | 77 | 60 | 16:41.0 | +10.0 | no plan | +50.0† |"


def test_gaps_of_those_who_prove_one() -> None:
    head, _, line = gaps(ROWS)
    assert "network, HiGHS" in head and "SCIP" not in head and "coach" not in head
    assert line.startswith("| flat-3-15 | 0.20 % | 2.00 % | 2.0 | 20 | – |")


def test_short_table() -> None:
    lines = reference(Runs([ABOUT], ROWS))
    assert lines[2] == "| 3 riders, 15 km flat | 2 s | 20 s | 0.20 % in 60 s | 50 to 50 s† |"
    assert "made up" in lines[-2]


def test_of_two_runs_the_later_one_counts_where_both_have_an_instance() -> None:
    early, late = ABOUT | {"date": "2030-01-01"}, ABOUT | {"date": "2030-01-02"}
    old, other, new = ours("a", 0, 1.0), ours("b", 0, 2.0), ours("a", 0, 3.0)
    runs = newest([(late, [new]), (early, [old, other])], lambda row: row.instance)
    assert runs.rows == [other, new]
    assert runs.about == [early, late]
    assert newest([(early, [old]), (late, [new])], lambda row: row.instance).about == [late]


def test_outside_judge() -> None:
    rows = [{"race": "men", "method": "ours", "budget": 1500, "time_s": time_s} for time_s in (255.0, 257.0, 258.0)]
    assert judged_table(rows)[2].startswith("| men | 1500 | 257.00 (255.00; 3) | not run |")


def test_pictures_are_whole() -> None:
    rows = [ours("longer-10-km", 0, 900.0, 58), ours("longer-20-km", 0, 1500.0, 117), ours("steady-4-riders", 0, 900.0)]
    for text in (gap_over_time(ROWS), growth([*rows, replace(rows[-1], n_riders=4)])):
        root = ElementTree.fromstring(text)
        assert root.tag.endswith("svg")
        assert "nan" not in text
        assert len(list(root.iter("{http://www.w3.org/2000/svg}polyline"))) > 0


def test_only_what_is_between_the_marks_is_replaced(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n", encoding="utf-8")
    replace_results(page, ["new"])
    assert page.read_text(encoding="utf-8") == f"before\n{BEGIN}\n\nnew\n\n{END}\nafter\n"
    page.write_text("no marks\n", encoding="utf-8")
    with pytest.raises(SystemExit, match="has no lines"):
        replace_results(page, ["new"])
