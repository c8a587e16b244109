"""What people, spreadsheets and programs get of a debrief."""

from __future__ import annotations

import io
import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from page_reading import assert_harmless, read_page, table
from plan_examples import renamed
from recorded_examples import team_recordings
from test_debrief import debriefed

from ttt_opt.debrief import Debrief
from ttt_opt.debrief_page import debrief_html
from ttt_opt.debrief_tables import debrief_csv, debrief_document, debrief_json, race_lines, shelter_ridden, team_lines
from ttt_opt.debrief_text import conclusions, debrief_text
from ttt_opt.plan import Plan
from ttt_opt.race import read_race
from ttt_opt.text_table import WIDTH, display_width

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo"
HOSTILE = ("<b>Eve</b>", "=SUM(A1)", "שלום", "Dirk & Co")


@pytest.fixture(scope="module")
def plan(demo_road_plan: Plan) -> Plan:
    return demo_road_plan


@pytest.fixture(scope="module")
def whole(plan: Plan) -> Debrief:
    return debriefed(plan, team_recordings(plan, 3))


@pytest.fixture(scope="module")
def single(plan: Plan) -> Debrief:
    return debriefed(plan, {"Bela": team_recordings(plan, 3)["Bela"]})


@pytest.fixture(scope="module")
def hostile(plan: Plan) -> Debrief:
    """Of riders with names that markup or a spreadsheet would take for something else."""
    other = renamed(plan, HOSTILE)
    return debriefed(other, team_recordings(other, 3))


def test_the_conclusion_comes_first_and_lines_keep_to_the_page(whole: Debrief, single: Debrief) -> None:
    for found in (whole, single):
        lines = debrief_text(found).splitlines()
        assert lines[0] == "Island team time trial · Island four"
        assert re.match(r"Ridden in \d:\d\d:\d\d, planned \d:\d\d:\d\d: \d+ s (slower|faster) than planned\.", lines[2])
        assert all(display_width(line) <= WIDTH for line in lines), max(lines, key=display_width)
    text = debrief_text(single)
    assert "One ride alone does not tell who led" in text and "Pulls as ridden" not in text
    assert any("sees a doctor" in sentence for sentence in conclusions(whole))


def test_parts_of_the_time_lost_add_up(whole: Debrief) -> None:
    for stretch in whole.stretches:
        parts = (stretch.by_power_s, stretch.by_air_s, stretch.by_stops_s, stretch.rest_s)
        assert sum(part or 0.0 for part in parts) == pytest.approx(stretch.lost_s, abs=1e-6)
    total = sum(stretch.ridden_s or 0.0 for stretch in whole.stretches)
    assert total == pytest.approx(whole.line.finish_s, abs=0.01)
    assert sum(pull.duration_s for pull in whole.pulls) == pytest.approx(whole.line.finish_s, abs=1.5)


def test_json_and_csv_hold_the_same_figures(whole: Debrief) -> None:
    document = json.loads(debrief_json(whole))
    assert document == json.loads(json.dumps(debrief_document(whole)))
    rows = pd.read_csv(io.StringIO(debrief_csv(whole).lstrip("\ufeff")))
    stretches, pulls = rows[rows["kind"] == "stretch"], rows[rows["kind"] == "pull"]
    assert len(stretches) == len(document["stretches"]) and len(pulls) == len(document["pulls"])
    for row, stretch in zip(stretches.itertuples(), document["stretches"], strict=True):
        assert row.lost_s == pytest.approx(stretch["lost_s"], abs=0.051)
    assert list(pulls["rider"]) == [pull["rider"] for pull in document["pulls"]]
    assert {rider["rider"] for rider in document["calibration"]["cda_m2"]} == {"Arne", "Bela", "Carl", "Dirk"}
    assert json.loads(debrief_json(debriefed(whole.plan, team_recordings(whole.plan, 3)))) == document


def test_the_lines_are_taken_by_race_and_team_files(whole: Debrief, tmp_path: Path) -> None:
    race = race_lines(whole)
    found = tomllib.loads("\n".join(race))
    assert len(found["drafting"]["shares"]) == 4
    text = (DEMO / "race.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?ms)^\[drafting\].*?(?=^\[|\Z)", "", text)
    shares = "\n".join(line for line in race[:3])
    for name in ("course.gpx", "team.toml"):
        (tmp_path / name).write_bytes((DEMO / name).read_bytes())
    (tmp_path / "race.toml").write_text(f"{text}\n{shares}\n", encoding="utf-8")
    assert read_race(tmp_path / "race.toml").drafting_shares == tuple(found["drafting"]["shares"])
    for line in team_lines(whole):
        assert 0.12 < tomllib.loads(line)["cda_m2"] < 0.6
    assert len(team_lines(whole)) == 4


def test_shelter_from_the_wind_ridden(whole: Debrief) -> None:
    weather = whole.plan.race.weather
    assert shelter_ridden(whole) == pytest.approx(weather.shelter, abs=0.06)
    assert whole.calibration is not None
    other = replace(whole, calibration=replace(whole.calibration, wind_from_deg=weather.wind_from_deg + 120.0))
    assert shelter_ridden(other) is None


def test_a_single_ride_gives_no_lines_for_a_team_file(single: Debrief) -> None:
    assert team_lines(single) == []
    assert not any("shares" in line for line in race_lines(single))
    assert debrief_document(single)["pulls"] == []


def test_the_page_says_what_the_tables_say(whole: Debrief) -> None:
    page = read_page(debrief_html(whole))
    assert_harmless(page)
    assert page.named("lost").text == f"{whole.lost_s:+.0f} s"
    _, rows = table(page, "pulls")
    assert [row[1] for row in rows] == [pull.rider for pull in whole.pulls]
    _, stretches = table(page, "stretches")
    assert len(stretches) == len(whole.stretches)
    _, riders = table(page, "riders-ridden")
    assert [row[0] for row in riders] == ["Arne", "Bela", "Carl", "Dirk"]
    for drawing in page.all("svg"):
        assert drawing.attributes["aria-label"]
    marks = {node.text for node in page.every() if "mark" in node.attributes.get("class", "").split()}
    assert marks == {"A", "B", "C", "D"}


def test_names_from_outside_do_no_harm(hostile: Debrief) -> None:
    html = debrief_html(hostile)
    assert_harmless(read_page(html))
    assert "<b>Eve" not in html and "&lt;b&gt;Eve" in html
    assert ",'=SUM(A1)," in debrief_csv(hostile)
    assert all(line.isprintable() for line in debrief_text(hostile).splitlines())


def test_pages_of_what_is_not_known(single: Debrief, whole: Debrief) -> None:
    assert_harmless(read_page(debrief_html(single)))
    without = replace(whole, calibration=None, gaps=(), notes=())
    assert "Too little of the ride" in debrief_text(without)
    assert_harmless(read_page(debrief_html(without)))
    assert race_lines(without) == team_lines(without) == []
