"""A plan as data: the document that ``plan.json`` holds, described by ``plan.schema.json``."""

from __future__ import annotations

import dataclasses
import json
import math
import platform
from collections.abc import Iterable, Mapping
from importlib import metadata, resources
from typing import Any

import numpy as np

from ttt_opt import __version__
from ttt_opt.cautions import cautions
from ttt_opt.course import Course
from ttt_opt.plan import Plan
from ttt_opt.race import Race
from ttt_opt.ride_check import Check
from ttt_opt.rideable_document import check_section, fall_back_section, rideable_section
from ttt_opt.team import Team

FORMAT = 4
"""Version of the document; it changes when a reader of the old one would no longer understand the new one."""

SAMPLE_COLUMNS = (
    "distance_m",
    "elevation_m",
    "latitude_deg",
    "longitude_deg",
    "heading_deg",
    "bend_radius_m",
)

AGREEMENT_CHECKS = (
    "Pulls cover the course",
    "Line order",
    "Riders who sit on",
    "Finish time",
    "W' at the end",
    "W' at its lowest",
)
"""How the names of those checks begin that ask whether plan and ride agree and whether the plan is whole; the
others are limits of coach, riders or rules."""


def plan_document(plan: Plan) -> dict[str, Any]:
    """A plan as nested dictionaries and lists of text, numbers, truth values and ``None``.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        SI units unless a key says otherwise. Numbers are not rounded, so that a plan that is read back rides
        exactly as it did. What is not finite (the radius of a straight road, a bound that was not reached) is
        ``None``. Apart from ``solve_seconds`` and ``build_seconds`` the same plan always gives the same
        document.

    Notes
    -----
    Every key is described in ``plan.schema.json`` (:func:`schema_text`).
    """
    optimum = plan.optimum
    document = {
        "format": FORMAT,
        "race": _race(plan.race),
        "course": _course(plan.course),
        "team": _team(plan.race.team),
        "finish_time_s": plan.finish_time_s,
        "best_possible_s": optimum.best_possible_s,
        "gap": optimum.gap,
        "stopped_because": optimum.stopped_because,
        "solve_seconds": optimum.solve_seconds,
        "build_seconds": optimum.build_seconds,
        "search": {
            "seed": optimum.seed,
            "n_orders": optimum.n_orders,
            "n_orders_discarded": optimum.n_orders_discarded,
            "n_orders_possible": optimum.n_orders_possible,
            "quick_bound": optimum.quick_bound,
        },
        "start_order": plan.start_order,
        "pulls": [dataclasses.asdict(pull) for pull in plan.pulls],
        "riders": [dataclasses.asdict(rider) for rider in plan.riders],
        "limits": [dataclasses.asdict(check) for check in limits_of(plan.check.checks)],
        "ride_check": check_section(plan.check),
        "rideable": rideable_section(plan.rideable, plan.race.team, plan.check.finish_time_s),
        "fall_backs": [
            fall_back_section(one, plan.race.team, plan.check.finish_time_s) for one in plan.fall_backs
        ],
        "segments": _segments(plan),
        "cautions": cautions(plan),
        "versions": {
            "ttt_opt": __version__,
            "solver": optimum.solver,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "pyomo": metadata.version("pyomo"),
        },
    }
    plain: dict[str, Any] = _plain(document)
    return plain


def limits_of(checks: Iterable[Check]) -> tuple[Check, ...]:
    """Those checks that are limits of coach, riders or rules."""
    return tuple(check for check in checks if not check.name.startswith(AGREEMENT_CHECKS))


def document_text(document: Mapping[str, Any]) -> str:
    """A document as JSON text (RFC 8259) that people can leaf through.

    Parameters
    ----------
    document : mapping
        As :func:`plan_document` makes it.

    Returns
    -------
    str
        Sections are indented; a list of numbers or words, and each row of a table, is one line. Ends with a
        line end.

    Raises
    ------
    ValueError
        The document holds a number that is not finite.
    """
    return _indented(document, "") + "\n"


def schema_text() -> str:
    """The JSON schema (draft 2020-12) of the document."""
    return resources.files("ttt_opt").joinpath("plan.schema.json").read_text(encoding="utf-8")


def _race(race: Race) -> dict[str, Any]:
    return {
        "name": race.name,
        "course_file": race.course_file.name,
        "start_time": race.start_time,
        "flat": race.flat,
        "start_order": race.start_order,
        "crr": race.crr,
        "drafting": race.drafting,
        "wheel_gap_m": race.wheel_gap_m,
        "drafting_shares": race.drafting_shares,
        "drafting_per_kg": race.drafting_per_kg,
        "recovery": race.recovery,
        "recovery_share": race.recovery_share,
        "weather": dataclasses.asdict(race.weather),
        "rules": dataclasses.asdict(race.rules),
        "limits": dataclasses.asdict(race.limits),
    }


def _course(course: Course) -> dict[str, Any]:
    return {
        "name": course.name,
        "length_m": course.length_m,
        "total_climb_m": course.total_climb_m,
        "repairs": course.repairs,
        "samples": {column: getattr(course, column) for column in SAMPLE_COLUMNS},
    }


def _team(team: Team) -> dict[str, Any]:
    return dataclasses.asdict(team)


def _segments(plan: Plan) -> list[dict[str, Any]]:
    """One row per segment: the road, who leads on it and how fast, and what is left of W' at its end."""
    road, schedule, riders = plan.road, plan.optimum.schedule, plan.race.team.riders
    cut = road.segments
    rows = []
    for number, pull in enumerate(schedule.pulls, start=1):
        names = [riders[index].name for index in pull.line]
        for s in range(pull.first_segment, pull.end_segment):
            rows.append(
                {
                    "start_m": cut.start_m[s],
                    "end_m": cut.end_m[s],
                    "grade": cut.grade[s],
                    "heading_deg": cut.heading_deg[s],
                    "elevation_m": cut.elevation_m[s],
                    "terrain": cut.terrain[s],
                    "bend": cut.bend[s],
                    "speed_cap_mps": cut.speed_cap_mps[s],
                    "accelerating": cut.accelerating[s],
                    "headwind_mps": road.headwind_mps[s],
                    "crosswind_mps": road.crosswind_mps[s],
                    "speed_mps": schedule.speed_mps[s],
                    "exit_speed_mps": schedule.exit_speed_mps[s],
                    "lost_s": schedule.lost_s[s],
                    "front_power_w": schedule.front_power_w[s],
                    "pull": number,
                    "leader": names[0],
                    "line": names,
                    "n_sitting": pull.n_sitting,
                    "w_prime_planned_j": plan.optimum.w_prime_j[s + 1],
                }
            )
    return rows


def _plain(value: Any) -> Any:
    """The value with numpy's types, tuples and numbers that are not finite replaced by what JSON has."""
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _indented(value: Any, indent: str) -> str:
    if isinstance(value, Mapping) and (not indent or any(_nested(item) for item in value.values())):
        inside = indent + "  "
        items = [f"{inside}{_one_line(key)}: {_indented(item, inside)}" for key, item in value.items()]
        return "{\n" + ",\n".join(items) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
        inside = indent + "  "
        return "[\n" + ",\n".join(inside + _one_line(item) for item in value) + f"\n{indent}]"
    return _one_line(value)


def _nested(value: Any) -> bool:
    return isinstance(value, Mapping | list)


def _one_line(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
