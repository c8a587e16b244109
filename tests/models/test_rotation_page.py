"""The written formulation and the built rotation model name the same things."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest
from tiny_rotations import with_all_limits

from ttt_models import rotation
from ttt_models.programme import Programme
from ttt_models.rotation import Arc, RotationData, build_rotation

MODELS = Path(__file__).resolve().parents[2] / "models"
PAGE = MODELS / "ttt_models" / "rotation.md"
NOTATION = MODELS / "README.md"
COMPONENT = re.compile(r"`(\w+)(?:\[([\w,]+)\])?`")


def tables(page: Path) -> list[list[dict[str, str]]]:
    """Tables of a page: rows as column heading to cell."""
    found: list[list[dict[str, str]]] = []
    heading: list[str] = []
    for line in page.read_text(encoding="utf-8").splitlines():
        if not line.startswith("|"):
            heading = []
            continue
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if not heading:
            heading = cells
            found.append([])
        elif not set(line) <= set("|- "):
            assert len(cells) == len(heading), f"{page.name}: {len(cells)} cells under {heading}: {line}"
            found[-1].append(dict(zip(heading, cells, strict=True)))
    return found


def components_of_page(page: Path) -> dict[str, int]:
    """Component names of a page with their number of indices."""
    named: dict[str, int] = {}
    for table in tables(page):
        for row in table:
            if "component name" not in row:
                continue
            match = COMPONENT.fullmatch(row["component name"])
            assert match is not None, f"not a component: {row['component name']}"
            name, index = match.groups()
            assert name not in named, f"{name} has two rows"
            named[name] = index.count(",") + 1 if index else 0
    return named


def components_of_model(model: Programme) -> dict[str, int]:
    """The same of a built model, with what it minimises."""
    blocks = {**model.columns, **model.rows}
    assert all(block.size > 0 for block in blocks.values())
    return {"finish_time": 0, **{name: block.index.shape[1] for name, block in blocks.items()}}


@pytest.fixture(scope="module")
def model() -> Programme:
    """A model in which every component has members: all limits, a bend, one start line, one may leave, kept pulls."""
    return build_rotation(with_all_limits(only_kept=True).data)


def test_page_and_model_name_the_same_components(model: Programme) -> None:
    assert components_of_page(PAGE) == components_of_model(model)


def test_variables_and_constraints_stand_in_their_own_tables(model: Programme) -> None:
    in_page: dict[bool, set[str]] = {True: set(), False: set()}
    for table in tables(PAGE):
        for row in table:
            if "component name" in row:
                in_page["equation" in row].add(row["component name"].strip("`").partition("[")[0])
    assert in_page[False] == model.columns.keys()
    assert in_page[True] == {"finish_time", *model.rows}


def test_every_equation_says_why_and_whence() -> None:
    rows = [row for table in tables(PAGE) for row in table if "equation" in row]
    assert len(rows) > 20
    for row in rows:
        assert all(row[heading] for heading in ("equation", "component name", "why", "source")), row


def test_notation_names_every_constant_of_the_model() -> None:
    named = set(re.findall(r"`(\w+)`", NOTATION.read_text(encoding="utf-8")))
    assert {field.name for field in fields(RotationData)} <= named
    constants = {name for name in vars(rotation) if name.isupper()}
    assert constants <= named


def test_page_names_only_what_exists_in_the_code() -> None:
    source = (MODELS / "ttt_models" / "rotation.py").read_text(encoding="utf-8")
    for page in (PAGE, NOTATION):
        for table in tables(page):
            for row in table:
                for name in re.findall(r"`(\w+)`", row.get("name in code", "") + row.get("built by", "")):
                    assert re.search(rf"\b{name}\b", source), f"{page.name} names {name}"
    assert [field.name for field in fields(Arc)] == ["first", "end", "line"]  # as the notation has a ∈ A


def test_links_of_the_pages_lead_somewhere() -> None:
    for page in (PAGE, NOTATION):
        for target in re.findall(r"\]\(([^)#]+)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


@pytest.mark.parametrize(
    ("right", "wrong"),
    [("`on_wheel[s,q,i]`", "`at_wheel[s,q,i]`"), ("`works[s,q,i]`", "`works[s,q]`")],
)
def test_page_with_a_wrong_name_or_index_differs(
    right: str, wrong: str, model: Programme, tmp_path: Path
) -> None:
    spoilt = tmp_path / "rotation.md"
    spoilt.write_text(PAGE.read_text(encoding="utf-8").replace(right, wrong), encoding="utf-8")
    assert components_of_page(spoilt) != components_of_model(model)
