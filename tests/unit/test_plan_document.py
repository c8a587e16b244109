"""The document of a plan: its schema, its keys, its bytes."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import jsonschema
import numpy as np
import pytest

from ttt_opt.plan import Plan
from ttt_opt.plan_document import (
    AGREEMENT_CHECKS,
    document_text,
    limits_of,
    plan_document,
    schema_text,
)

SCHEMA = json.loads(schema_text())

# The keys that the design asks for, and what a plan needs to be ridden from its file.
DESIGN_KEYS = {
    "finish_time_s",
    "best_possible_s",
    "gap",
    "stopped_because",
    "solve_seconds",
    "start_order",
    "pulls",
    "riders",
    "limits",
    "ride_check",
    "format",
    "race",
    "course",
    "team",
    "segments",
    "cautions",
    "versions",
    "build_seconds",
    "search",
    "rideable",
    "fall_backs",
}
DESIGN_PULL_KEYS = {
    "rider",
    "start_m",
    "end_m",
    "start_s",
    "duration_s",
    "front_power_w",
    "front_power_w_per_kg",
    "front_power_share_of_cp",
    "speed_kmh",
    "terrain",
    "swing_off",
    "sits_on",
}
DESIGN_RIDER_KEYS = {
    "name",
    "front_s",
    "front_share",
    "mean_power_w",
    "peak_power_w",
    "w_prime_min_j",
    "w_prime_end_j",
    "leaves_at_m",
}


def validate(document: dict[str, Any]) -> None:
    jsonschema.Draft202012Validator(SCHEMA).validate(document)


def objects_in(schema: Any) -> list[dict[str, Any]]:
    """All schemas of objects inside a schema."""
    if isinstance(schema, list):
        return [found for item in schema for found in objects_in(item)]
    if not isinstance(schema, dict):
        return []
    found = [inner for item in schema.values() for inner in objects_in(item)]
    return [schema, *found] if schema.get("type") == "object" else found


def test_schema_is_a_schema_and_closed_everywhere() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    objects = objects_in(SCHEMA)
    assert len(objects) > 15
    for found in objects:
        assert found["additionalProperties"] is False
        assert set(found["required"]) == set(found["properties"])


def test_every_number_of_the_schema_is_described() -> None:
    for found in objects_in(SCHEMA):
        for key, entry in found["properties"].items():
            assert "description" in entry or "$ref" in entry or "const" in entry, key


def test_real_plan_fits_the_schema(small_document: dict[str, Any]) -> None:
    validate(small_document)


def test_plan_without_a_bound_fits_the_schema(small_plan: Plan) -> None:
    unbounded = replace(small_plan, optimum=replace(small_plan.optimum, best_possible_s=-math.inf))
    document = json.loads(document_text(plan_document(unbounded)))
    validate(document)
    assert document["best_possible_s"] is None
    assert document["gap"] is None


@pytest.mark.parametrize("key", sorted(DESIGN_KEYS))
def test_schema_refuses_a_document_without(key: str, small_document: dict[str, Any]) -> None:
    del small_document[key]
    with pytest.raises(jsonschema.ValidationError):
        validate(small_document)


def test_schema_refuses_an_unknown_key(small_document: dict[str, Any]) -> None:
    small_document["finish_time"] = 1.0
    with pytest.raises(jsonschema.ValidationError, match="finish_time"):
        validate(small_document)


def test_keys_are_those_of_the_design(small_document: dict[str, Any]) -> None:
    assert set(small_document) == DESIGN_KEYS
    assert all(set(pull) == DESIGN_PULL_KEYS for pull in small_document["pulls"])
    assert all(set(rider) >= DESIGN_RIDER_KEYS for rider in small_document["riders"])
    assert {"name", "value", "limit", "met"} <= set(small_document["limits"][0])
    assert {"finish_time_s", "difference_s", "passed", "checks"} <= set(small_document["ride_check"])


def test_figures_are_those_of_the_plan(small_plan: Plan, small_document: dict[str, Any]) -> None:
    assert small_document["finish_time_s"] == small_plan.finish_time_s
    assert small_document["start_order"] == list(small_plan.start_order)
    assert [pull["end_m"] for pull in small_document["pulls"]] == [pull.end_m for pull in small_plan.pulls]
    assert small_document["ride_check"]["passed"] is bool(small_plan.check.passed)
    speeds = [segment["speed_mps"] for segment in small_document["segments"]]
    assert speeds == small_plan.optimum.schedule.speed_mps.tolist()
    exits = [segment["exit_speed_mps"] for segment in small_document["segments"]]
    assert exits == small_plan.optimum.schedule.exit_speed_mps.tolist()
    assert exits != speeds
    samples = small_document["course"]["samples"]
    assert samples["elevation_m"] == small_plan.course.elevation_m.tolist()
    assert samples["bend_radius_m"] == [None] * len(small_plan.course.distance_m)  # a straight road
    last = small_document["segments"][-1]
    assert last["w_prime_planned_j"] == small_plan.optimum.w_prime_j[-1].tolist()
    assert last["leader"] == last["line"][0] == small_document["pulls"][-1]["rider"]


def test_pulls_follow_one_another_to_the_finish(small_document: dict[str, Any]) -> None:
    pulls = small_document["pulls"]
    assert pulls[0]["start_m"] == 0.0
    assert all(before["end_m"] == after["start_m"] for before, after in pairwise(pulls))
    assert pulls[-1]["end_m"] == small_document["course"]["length_m"]
    assert sum(pull["duration_s"] for pull in pulls) == pytest.approx(small_document["finish_time_s"])
    assert pulls[-1]["swing_off"] == "finish"
    # The road runs north and the wind comes from the west: from the left.
    assert {pull["swing_off"] for pull in pulls[:-1]} == {"left"}


def test_limits_are_all_checks_but_those_of_agreement(small_plan: Plan) -> None:
    names = [check.name for check in small_plan.check.checks]
    for beginning in AGREEMENT_CHECKS:
        assert any(name.startswith(beginning) for name in names), beginning
    limits = [check.name for check in limits_of(small_plan.check.checks)]
    for beginning in (
        "Longest pull",
        "Shortest pull",
        "W' reserve, Ben",
        "Surge in power",
        "Drop in power",
        "Surge in speed",
        "Top speed",
        "Peak power",
        "Riders in the line",
    ):
        assert any(name.startswith(beginning) for name in limits), beginning
    assert not any("ride minus plan" in name or "ride against plan" in name for name in limits)


def test_same_plan_gives_the_same_bytes(small_plan: Plan) -> None:
    once = document_text(plan_document(small_plan))
    slower = replace(small_plan, optimum=replace(small_plan.optimum, solve_seconds=99.0, build_seconds=9.0))
    again = document_text(plan_document(slower))
    differing = [(a, b) for a, b in zip(once.splitlines(), again.splitlines(), strict=True) if a != b]
    assert [a.strip().split(":")[0] for a, _ in differing] == ['"solve_seconds"', '"build_seconds"']


def test_text_is_json_without_special_numbers(small_plan_text: str) -> None:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    json.loads(small_plan_text, parse_constant=refuse)
    assert small_plan_text.endswith("}\n")
    assert "Zoë" in small_plan_text


def test_text_refuses_special_numbers() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        document_text({"speed_mps": float("nan")})


def test_numbers_of_numpy_become_plain(small_plan: Plan) -> None:
    check = replace(small_plan.check.checks[0], value=np.float64("inf"), met=np.True_)  # type: ignore[arg-type]
    odd = replace(small_plan, check=replace(small_plan.check, checks=(check,)))
    entry = plan_document(odd)["ride_check"]["checks"][0]
    assert entry["value"] is None
    assert entry["met"] is True
