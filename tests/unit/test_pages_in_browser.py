"""The pages as a browser lays them out: on a phone, on a desk, on A4, on a card."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from plan_examples import renamed, with_many_pulls, without_patterns
from recorded_examples import team_recordings
from test_debrief import debriefed

from ttt_opt.briefing import briefing_html
from ttt_opt.debrief_page import debrief_html
from ttt_opt.plan import Plan
from ttt_opt.rider_cards import ROWS_A_CARD, cards_html

BROWSER = shutil.which("chromium")
LONG_NAMES = ("W" * 80, "漢" * 80, "Maximilian Konstantin " * 3, "שלום" * 20)

pytestmark = [pytest.mark.slow, pytest.mark.skipif(BROWSER is None, reason="needs chromium")]

# What sticks out to the left or right of the window, cards that do not hold what is on them, charts squeezed to
# nothing, marks that touch.
MEASURE = """<script>addEventListener("load", () => {
  const wide = document.documentElement.clientWidth, box = node => node.getBoundingClientRect();
  const all = [...document.body.querySelectorAll("*")].filter(node => box(node).width > 0);
  const marks = [...document.querySelectorAll(".bands")].map(band => [...band.querySelectorAll(".mark")].map(box));
  const touch = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
  const found = {
    width: innerWidth,
    scroll: document.documentElement.scrollWidth - wide,
    outside: all.filter(node => box(node).right > wide + 0.5 || box(node).left < -0.5).map(node => node.outerHTML),
    full: [...document.querySelectorAll("article")].filter(card => card.scrollHeight > card.clientHeight).length,
    thin: [...document.querySelectorAll(".low, .high")].filter(chart => box(chart).width < 120).length,
    marks: marks.flatMap(row => row.flatMap((a, i) => row.slice(i + 1).filter(b => touch(a, b)))).length,
  };
  parent.postMessage(JSON.stringify(found), "*");
});</script>"""
# A window cannot be as narrow as a phone, a frame can.
FRAME = """<body><script>addEventListener("message", told => document.body.replaceChildren(told.data));</script>
<iframe src="page.html" style="border:0;height:800px;width:{width}px"></iframe></body>"""


def browse(page: Path, *options: str) -> str:
    command = [
        str(BROWSER),
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={page.parent / 'browser'}",
    ]
    result = subprocess.run(
        [*command, *options, page.as_uri()], capture_output=True, text=True, timeout=120, check=True
    )
    return result.stdout


def measured(text: str, width: int, folder: Path) -> dict[str, Any]:
    """What a script finds in a copy of the page that allows scripts."""
    page, frame = folder / "page.html", folder / "frame.html"
    allowed = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    page.write_text(allowed.replace("</body>", f"{MEASURE}</body>"), encoding="utf-8")
    frame.write_text(FRAME.format(width=width), encoding="utf-8")
    dom = browse(frame, "--window-size=1400,900", "--virtual-time-budget=10000", "--dump-dom")
    body = re.search(r"<body[^>]*>(.*)</body>", dom, re.DOTALL)
    assert body is not None
    found: dict[str, Any] = json.loads(html.unescape(body[1]))
    return found


@pytest.fixture(scope="module")
def plan(demo_road_plan_in_eight: Plan) -> Plan:
    return demo_road_plan_in_eight


@pytest.mark.parametrize("width", [360, 800, 1280])
@pytest.mark.parametrize("long_names", [False, True])
def test_nothing_is_wider_than_the_window(width: int, long_names: bool, plan: Plan, tmp_path: Path) -> None:
    found = measured(briefing_html(renamed(plan, LONG_NAMES) if long_names else plan), width, tmp_path)
    assert found["width"] == width
    assert found["scroll"] == 0
    assert found["outside"] == []
    assert found["thin"] == 0
    assert found["marks"] == 0


def test_figures_of_many_hours_fit_on_a_phone(plan: Plan, tmp_path: Path) -> None:
    course, ride = plan.course, plan.ride
    pulls = tuple(
        replace(
            pull, start_m=8.0 * pull.start_m, end_m=8.0 * pull.end_m, start_s=12.0 * pull.start_s, duration_s=3600.0
        )
        for pull in with_many_pulls(plan, 200).pulls
    )
    hours = replace(
        plan,
        pulls=pulls,
        course=replace(course, distance_m=8.0 * course.distance_m),
        ride=replace(ride, distance_m=8.0 * ride.distance_m),
    )
    found = measured(briefing_html(hours), 360, tmp_path)
    assert found["scroll"] == 0
    assert found["marks"] == 0


@pytest.mark.parametrize("width", [360, 800, 1280])
@pytest.mark.parametrize("long_names", [False, True])
def test_no_debrief_is_wider_than_the_window(width: int, long_names: bool, plan: Plan, tmp_path: Path) -> None:
    ridden = renamed(plan, LONG_NAMES) if long_names else plan
    found = measured(debrief_html(debriefed(ridden, team_recordings(ridden, 1))), width, tmp_path)
    assert found["scroll"] == 0
    assert found["outside"] == []
    assert found["thin"] == 0
    assert found["marks"] == 0


def test_a_debrief_prints_on_a4(plan: Plan, tmp_path: Path) -> None:
    page = debrief_html(debriefed(plan, team_recordings(plan, 1)))
    assert set(printed(page, tmp_path)) == {(595, 842)}


@pytest.mark.parametrize("long_names", [False, True])
def test_cards_hold_what_is_on_them(long_names: bool, plan: Plan, tmp_path: Path) -> None:
    pulls = with_many_pulls(without_patterns(plan), 4 * ROWS_A_CARD)
    for full in (plan, pulls):
        found = measured(cards_html(renamed(full, LONG_NAMES) if long_names else full), 1280, tmp_path)
        assert found["full"] == 0
        assert found["scroll"] == 0


def pages_of(document: bytes) -> list[tuple[int, int]]:
    """Size of each page of a PDF file as browsers write it (points)."""
    assert document.startswith(b"%PDF-")
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", document)
    return [(round(float(across)), round(float(up))) for across, up in boxes]


def printed(text: str, folder: Path) -> list[tuple[int, int]]:
    page, document = folder / "page.html", folder / "page.pdf"
    page.write_text(text, encoding="utf-8")
    browse(page, "--no-pdf-header-footer", f"--print-to-pdf={document}")
    return pages_of(document.read_bytes())


def test_printed_on_a4_and_on_cards(plan: Plan, tmp_path: Path) -> None:
    assert set(printed(briefing_html(plan), tmp_path)) == {(595, 842)}
    sheets = printed(cards_html(with_many_pulls(without_patterns(plan), 4 * ROWS_A_CARD + 1)), tmp_path)
    assert sheets == 5 * [(170, 255)]
    assert printed(cards_html(plan), tmp_path) == 4 * [(170, 255)]


def test_picture_of_a_phone(plan: Plan, tmp_path: Path) -> None:
    page, picture = tmp_path / "page.html", tmp_path / "page.png"
    page.write_text(briefing_html(plan), encoding="utf-8")
    browse(page, f"--screenshot={picture}", "--window-size=360,800", "--hide-scrollbars")
    content = picture.read_bytes()
    assert [int.from_bytes(content[place : place + 4], "big") for place in (16, 20)] == [360, 800]
    assert len(content) > 10_000  # an empty page of this size takes 3 kB
