"""The table of pulls for a spreadsheet."""

from __future__ import annotations

import io
from dataclasses import replace

import pandas as pd
import pytest

from ttt_opt.plan import Plan
from ttt_opt.schedule_table import harmless, schedule_csv, schedule_table


def test_one_row_a_pull(small_plan: Plan) -> None:
    table = schedule_table(small_plan)
    assert len(table) == len(small_plan.pulls)
    assert list(table["rider"]) == [pull.rider for pull in small_plan.pulls]
    assert list(table["pull"]) == list(range(1, len(table) + 1))
    assert table["duration_s"].sum() == pytest.approx(small_plan.finish_time_s, abs=0.05 * len(table))
    assert (table["end_m"][:-1].to_numpy() == table["start_m"][1:].to_numpy()).all()
    assert table["front_power_w"].tolist() == [round(pull.front_power_w) for pull in small_plan.pulls]


def test_numbers_have_their_unit_in_the_name(small_plan: Plan) -> None:
    table = schedule_table(small_plan)
    units = ("_m", "_s", "_w", "_kg", "_percent_of_cp", "_kmh")
    numbers = [name for name in table.columns if name != "pull" and table[name].dtype.kind in "if"]
    assert len(numbers) == 8
    assert all(name.endswith(units) for name in numbers)


def test_text_reads_back_as_the_table(small_plan: Plan) -> None:
    text = schedule_csv(small_plan)
    assert text.startswith("\ufeffpull,rider,start_m")
    assert text.count("\r\n") == len(small_plan.pulls) + 1
    back = pd.read_csv(io.BytesIO(text.encode("utf-8")))
    pd.testing.assert_frame_equal(back, schedule_table(small_plan), check_dtype=False)


@pytest.mark.parametrize(
    "name",
    # Beginnings that OWASP's page on CSV injection lists, and ways around a check of the first character.
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0", "＝1", " =1", "\u200d=1", "'=1"],
)
def test_formulas_are_made_harmless(name: str, small_plan: Plan) -> None:
    assert harmless(name) == f"'{name}"
    pull = replace(small_plan.pulls[0], rider=name)
    table = schedule_table(replace(small_plan, pulls=(pull,)))
    assert table["rider"][0] == f"'{name}"


@pytest.mark.parametrize("name", ["Zoë", "d'Arc", "Jean-Luc", "O'Neil, P.", '"Ben"', "1", "漢"])
def test_other_names_stay(name: str, small_plan: Plan) -> None:
    assert harmless(name) == name
    text = schedule_csv(replace(small_plan, pulls=(replace(small_plan.pulls[0], rider=name),)))
    assert pd.read_csv(io.StringIO(text.removeprefix("\ufeff")), dtype=str)["rider"][0] == name
