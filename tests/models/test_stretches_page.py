"""The written formulation and the built stretch model name the same things."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pyomo.environ as pyo
import pytest
from test_rotation_page import components_of_page, tables
from test_stretches_tiny import tiny_data

from ttt_models import stretches
from ttt_models.stretches import StretchData, build_stretches

PAGE = Path(__file__).resolve().parents[2] / "models" / "ttt_models" / "stretches.md"


@pytest.fixture(scope="module")
def model() -> pyo.ConcreteModel:
    """A model in which every component has members: a leader who may not start, limits at inner places."""
    return build_stretches(tiny_data(3))


def components_of_model(model: pyo.ConcreteModel) -> dict[str, int]:
    """Names with numbers of indices; an empty component has no number of indices, so none may be empty."""
    return {component.local_name: component.dim() for component in model.component_objects()}


def test_page_and_model_name_the_same_components(model: pyo.ConcreteModel) -> None:
    assert components_of_page(PAGE) == components_of_model(model)


def test_every_equation_says_why_and_whence() -> None:
    rows = [row for table in tables(PAGE) for row in table if "equation" in row]
    assert len(rows) == 9
    for row in rows:
        assert all(row[heading] for heading in ("equation", "component name", "why", "source")), row


def test_page_names_every_constant_of_the_model() -> None:
    named = set(re.findall(r"`(\w+)`", PAGE.read_text(encoding="utf-8")))
    assert {field.name for field in fields(StretchData)} <= named | {"n_places"}
    assert "n_places" in PAGE.read_text(encoding="utf-8")
    assert {name for name in vars(stretches) if name.isupper()} - {"JOULE_PER_UNIT"} <= named


def test_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)", PAGE.read_text(encoding="utf-8")):
        assert (PAGE.parent / target).exists(), target


def test_page_with_a_wrong_index_differs(model: pyo.ConcreteModel, tmp_path: Path) -> None:
    spoilt = tmp_path / "stretches.md"
    spoilt.write_text(PAGE.read_text(encoding="utf-8").replace("`carried[c,i]`", "`carried[c]`"), encoding="utf-8")
    assert components_of_page(spoilt) != components_of_model(model)
