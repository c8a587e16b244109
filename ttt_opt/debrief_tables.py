"""A debrief as figures: ``debrief.json`` for programs and ``debrief.csv`` for a spreadsheet."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pandas as pd

from ttt_opt.debrief import Debrief
from ttt_opt.plan_document import document_text
from ttt_opt.schedule_table import harmless

FORMAT = 1


def debrief_document(debrief: Debrief) -> dict[str, Any]:
    """A debrief as plain sections, lists and numbers; what is not known is ``None``.

    Keys whose values have a unit bear it at their end, as in ``plan.json``.
    """
    plan, line = debrief.plan, debrief.line
    document: dict[str, Any] = {
        "format": FORMAT,
        "race": plan.race.name,
        "team": plan.race.team.name,
        "planned_s": plan.finish_time_s,
        "ridden_s": line.finish_s if debrief.lost_s is not None else None,
        "lost_s": debrief.lost_s,
        "clocks": [
            {"rider": plan.race.team.riders[rider].name, "added_s": float(clock)}
            for rider, clock in zip(debrief.columns, line.clock_s - line.clock_s[0], strict=True)
        ],
        "stretches": [{**dataclasses.asdict(stretch), "lost_s": stretch.lost_s} for stretch in debrief.stretches],
        "pulls": [dataclasses.asdict(pull) for pull in debrief.pulls],
        "riders": [dataclasses.asdict(rider) for rider in debrief.riders],
        "gaps": [dataclasses.asdict(gap) for gap in debrief.gaps],
        "calibration": None if debrief.calibration is None else _calibration(debrief),
        "notes": list(debrief.notes),
    }
    return document


def debrief_json(debrief: Debrief) -> str:
    """The document as JSON text."""
    return document_text(debrief_document(debrief))


def _calibration(debrief: Debrief) -> dict[str, Any]:
    found = debrief.calibration
    assert found is not None
    whole = dataclasses.asdict(found)
    names = [debrief.plan.race.team.riders[rider].name for rider in debrief.columns]
    whole["cda_m2"] = [
        {"rider": name, **area} for name, area in zip(names, whole["cda_m2"], strict=True)
    ]
    return {**whole, "race_toml": race_lines(debrief), "team_toml": team_lines(debrief)}


def race_lines(debrief: Debrief) -> list[str]:
    """Lines for the race file of the next race: the team's own shelter, and what reached it of the wind."""
    found, race = debrief.calibration, debrief.plan.race
    if found is None:
        return []
    lines = []
    if debrief.all_recorded and found.shares and all(share.told for share in found.shares):
        first = float(race.draft_shares(len(debrief.columns))[0])
        shares = [first, *(share.value for share in found.shares)]
        errors = ", ".join(f"{share.standard_error:.3f}" for share in found.shares)
        lines += [
            "[drafting]",
            f"wheel_gap_m = {race.wheel_gap_m:g}",
            f"shares = [{', '.join(f'{share:.3f}' for share in shares)}]  # instead of table; ± {errors}",
        ]
    if found.wind_north_mps.told and found.wind_east_mps.told:
        wind = f"{found.wind_speed_mps:.1f} m/s from {found.wind_from_deg:.0f} degrees"
        lines += ["[weather]", f"# as ridden, for the record: wind of {wind}"]
        shelter = shelter_ridden(debrief)
        if shelter is not None:
            had = f"{race.weather.shelter:g}"
            lines.append(f"shelter = {shelter:.2f}  # of the wind as forecast; the race file had {had}")
    return lines


def shelter_ridden(debrief: Debrief) -> float | None:
    """Share of the forecast wind that reached the riders, where there was one from about where it was forecast."""
    found, weather = debrief.calibration, debrief.plan.race.weather
    if found is None or weather.wind_speed_mps < 1.0:
        return None
    turned = math.radians(found.wind_from_deg - weather.wind_from_deg)
    along = found.wind_speed_mps * math.cos(turned)
    shelter = weather.shelter * along / weather.wind_speed_mps
    return shelter if abs(math.sin(turned)) < 0.5 and 0.05 <= shelter <= 1.0 else None


def team_lines(debrief: Debrief) -> list[str]:
    """Lines for the team file: drag areas in front."""
    if debrief.calibration is None or debrief.leaders is None:
        return []
    lines = []
    for rider, area in zip(debrief.columns, debrief.calibration.cda_m2, strict=True):
        if area.told:
            name = debrief.plan.race.team.riders[rider].name
            lines.append(
                f"cda_m2 = {area.value:.3f}  # {name}: ± {area.standard_error:.3f}, the team file had {area.expected:g}"
            )
    return lines


def debrief_csv(debrief: Debrief) -> str:
    """Stretches and pulls as one table with a byte order mark, without which spreadsheets garble accents."""
    rows: list[dict[str, object]] = []
    for number, stretch in enumerate(debrief.stretches, start=1):
        rows.append(
            {
                "kind": "stretch",
                "number": number,
                "start_m": round(stretch.start_m),
                "end_m": round(stretch.end_m),
                "terrain": stretch.terrain,
                "planned_s": round(stretch.planned_s, 1),
                "ridden_s": _rounded(stretch.ridden_s, 1),
                "lost_s": _rounded(stretch.lost_s, 1),
                "by_front_power_s": _rounded(stretch.by_power_s, 1),
                "by_air_s": _rounded(stretch.by_air_s, 1),
                "by_stops_s": _rounded(stretch.by_stops_s, 1),
                "rest_s": _rounded(stretch.rest_s, 1),
                "planned_w": _rounded(stretch.planned_w, 0),
                "ridden_w": _rounded(stretch.ridden_w, 0),
            }
        )
    for number, pull in enumerate(debrief.pulls, start=1):
        rows.append(
            {
                "kind": "pull",
                "number": number,
                "start_m": round(pull.start_m),
                "end_m": round(pull.end_m),
                "rider": "" if pull.rider is None else harmless(pull.rider),
                "start_s": round(pull.start_s, 1),
                "ridden_s": round(pull.duration_s, 1),
                "ridden_w": _rounded(pull.power_w, 0),
                "percent_of_cp": None if pull.share_of_cp is None else round(100 * pull.share_of_cp),
                "speed_kmh": round(pull.speed_kmh, 1),
                "surge_w": _rounded(pull.surge_w, 0),
            }
        )
    columns = (
        "kind", "number", "start_m", "end_m", "terrain", "rider", "start_s", "planned_s", "ridden_s", "lost_s",
        "by_front_power_s", "by_air_s", "by_stops_s", "rest_s", "planned_w", "ridden_w", "percent_of_cp", "speed_kmh",
        "surge_w",
    )  # fmt: skip
    text: str = pd.DataFrame(rows, columns=list(columns)).to_csv(index=False, lineterminator="\r\n")
    return "\ufeff" + text


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
