"""Reading a plan back from its document, field by field, as a file that anybody may have written."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from ttt_opt.course import LONGEST_COURSE_M, Course
from ttt_opt.drafting import LONGEST_LINE, TABLES
from ttt_opt.errors import InputError
from ttt_opt.fall_backs import FallBack, has_result_without_one, race_with_wind_turned, race_without
from ttt_opt.pattern_plan import SLOPES, RideablePlan, rideable_from
from ttt_opt.pattern_ride import ACCELERATING, KINDS, pattern_road
from ttt_opt.physiology import RECOVERY_MODELS
from ttt_opt.plan import Plan, plan_of
from ttt_opt.plan_document import FORMAT, SAMPLE_COLUMNS
from ttt_opt.race import (
    CRR_BOUNDS,
    DRAFT_SHARE_BOUNDS,
    GAP_BOUNDS,
    LIMIT_BOUNDS,
    LONGEST_FILE_NAME,
    PER_KG_BOUNDS,
    PULL_BOUNDS,
    SHARE_BOUNDS,
    TERRAINS,
    WEATHER_BOUNDS,
    Limits,
    PullBounds,
    Race,
    Rules,
    Weather,
)
from ttt_opt.rideable_plan import MOST_STRETCHES
from ttt_opt.rotation_optimum import Optimum
from ttt_opt.rotation_problem import Road, pull_bounds, road_of
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.segments import Segments
from ttt_opt.stretch_search import Stretch
from ttt_opt.team import LONGEST_NAME, RIDER_BOUNDS, Rider, Team
from ttt_opt.terminal_names import printable
from ttt_opt.text_input import read_text
from ttt_opt.toml_input import Bounds, Table, describe

FloatArray = NDArray[np.float64]

LARGEST_FILE_BYTES = 20_000_000
MOST_SAMPLES, MOST_SEGMENTS = 100_000, 20_000
LONGEST_SENTENCE = 500
FINISH_TIME_TOLERANCE_S = 0.01
"""The finish time must be the sum of the segments' times to this (s)."""
PLACE_TOLERANCE_M = 0.001
"""Pulls and segments must agree on places to this (m)."""

DISTANCE_BOUNDS = Bounds(0.0, LONGEST_COURSE_M, "m")
SAMPLE_BOUNDS = {
    "distance_m": DISTANCE_BOUNDS,
    "elevation_m": Bounds(-500.0, 9000.0, "m"),
    "latitude_deg": Bounds(-90.0, 90.0, "degrees"),
    "longitude_deg": Bounds(-360.0, 360.0, "degrees"),
    "heading_deg": Bounds(-360.0, 360.0, "degrees"),
    "bend_radius_m": Bounds(0.1, 1e7, "m", "null where the road is straight"),
}
SEGMENT_BOUNDS = {
    "start_m": DISTANCE_BOUNDS,
    "end_m": DISTANCE_BOUNDS,
    "grade": Bounds(-1.0, 1.0, "", "rise over run"),
    "heading_deg": Bounds(-360.0, 360.0, "degrees"),
    "elevation_m": Bounds(-500.0, 9000.0, "m"),
    "speed_mps": Bounds(0.1, 40.0, "m/s"),
    "exit_speed_mps": Bounds(0.0, 60.0, "m/s"),
    "lost_s": Bounds(0.0, 60.0, "s"),
    "front_power_w": Bounds(0.0, 3000.0, "W"),
}
TIME_BOUNDS = Bounds(0.0, 1e6, "s")
WATT_BOUNDS, SECONDS_BOUNDS = Bounds(0, 3000, "W"), Bounds(5, 3600, "s")

KEYS = {
    "": (
        "format",
        "race",
        "course",
        "team",
        "finish_time_s",
        "best_possible_s",
        "gap",
        "stopped_because",
        "solve_seconds",
        "build_seconds",
        "search",
        "start_order",
        "pulls",
        "riders",
        "limits",
        "ride_check",
        "rideable",
        "fall_backs",
        "segments",
        "cautions",
        "versions",
    ),
    "race": (
        "name",
        "course_file",
        "start_time",
        "flat",
        "start_order",
        "crr",
        "drafting",
        "wheel_gap_m",
        "drafting_shares",
        "drafting_per_kg",
        "recovery",
        "recovery_share",
        "weather",
        "rules",
        "limits",
    ),
    "course": ("name", "length_m", "total_climb_m", "repairs", "samples"),
    "team": ("name", "riders"),
    "rideable": ("finish_time_s", "slower_s", "slower_share", "start_power_w", "stretches", "ride_check"),
    "stretch": (
        "start_m",
        "end_m",
        "start_s",
        "duration_s",
        "landmark",
        "road",
        "line",
        "swing_off",
        "downhill_s",
        "lowest_kmh",
        "highest_kmh",
        "riders",
    ),
    "stretch rider": ("rider", "pull_s", "n_pulls", "front_power_w", "front_power_w_per_kg"),
    "fall-back": ("without", "has_result", "plan"),
    "search": ("seed", "n_orders", "n_orders_discarded", "n_orders_possible", "quick_bound"),
    "segment": (
        *SEGMENT_BOUNDS,
        "terrain",
        "bend",
        "speed_cap_mps",
        "accelerating",
        "headwind_mps",
        "crosswind_mps",
        "pull",
        "leader",
        "line",
        "n_sitting",
        "w_prime_planned_j",
    ),
}
"""All keys of each section; none may be missing and none may be added."""


def read_plan(path: Path) -> Plan:
    """Read a plan and ride it again.

    Parameters
    ----------
    path : Path
        A ``plan.json``.

    Returns
    -------
    Plan
        With the race, course, segments, schedule and search of the file. Everything that follows from them
        (the ride, its check, pulls, riders, wind) is worked out anew, so that nothing in the file has to be
        believed.

    Raises
    ------
    InputError
        The file cannot be read, a field is wrong, or fields contradict one another; the text names the field,
        its value and what is allowed.
    """
    top = _read_json(path)
    _whole_sections(top, "")
    if top.whole_number("format", Bounds(1, 1_000_000)) != FORMAT:
        raise top.error(
            "format",
            f"is {top.values['format']}, this version reads {FORMAT}; make the plan again from its race file",
        )
    team = _team(_section(top, "team"))
    race = _race(_section(top, "race"), team)
    course = _course(_section(top, "course"))
    segments, schedule, w_prime_j = _segments(top, team, course)
    optimum = _optimum(top, schedule, w_prime_j)
    road = road_of(segments, race, float(course.elevation_m[0]))
    _check_pulls(top, team, schedule)
    plan = plan_of(race, course, road, optimum)
    rideable = _rideable(top, "rideable", course, road, race, schedule)
    return replace(plan, rideable=rideable, fall_backs=_fall_backs(top, course, road, race, schedule))


def _read_json(path: Path) -> Table:
    file = printable(str(path))
    text = read_text(path, file, "a plan.json", LARGEST_FILE_BYTES)

    def refuse(constant: str) -> NoReturn:
        raise InputError(file, "", f"holds {constant}; allowed: finite numbers and null")

    def without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        section = dict(pairs)
        if len(section) < len(pairs):
            raise InputError(file, "", "holds a key twice in one section; keep one of the two")
        return section

    try:
        document = json.loads(text, parse_constant=refuse, object_pairs_hook=without_repeats)
    except InputError:
        raise
    except RecursionError:
        raise InputError(file, "", "lists or sections are nested too deeply") from None
    except ValueError as error:  # json.JSONDecodeError, and whole numbers of thousands of digits
        raise InputError(file, "", f"is not a plan: {printable(str(error))}") from error
    if not isinstance(document, dict):
        raise InputError(file, "", "is not a plan: the document must be one section in braces")
    return Table(file, "", document)


def _whole_sections(table: Table, kind: str) -> None:
    _exactly(table, KEYS[kind])


def _exactly(table: Table, keys: Sequence[str]) -> None:
    table.refuse_unknown(keys)
    for key in keys:
        if not table.has(key):
            raise table.error(key, "is missing; take the plan as it was written, or make it again")


def _section(parent: Table, key: str) -> Table:
    value = parent.values.get(key)
    if not isinstance(value, Mapping):
        raise parent.error(key, f"{describe(value)} is not a section in braces")
    return Table(parent.file, f"{parent.section}.{key}" if parent.section else key, value)


def _list(parent: Table, key: str, most: int) -> list[Any]:
    value = parent.values.get(key)
    if not isinstance(value, list):
        raise parent.error(key, f"{describe(value)} is not a list")
    if not 1 <= len(value) <= most:
        raise parent.error(key, f"holds {len(value)} entries; allowed: 1 to {most}")
    return value


def _rows(parent: Table, key: str, most: int) -> list[Table]:
    section = f"{parent.section}.{key}" if parent.section else key
    rows = []
    for number, value in enumerate(_list(parent, key, most), start=1):
        if not isinstance(value, Mapping):
            raise parent.error(f"{key}[{number}]", f"{describe(value)} is not a section in braces")
        rows.append(Table(parent.file, f"{section}[{number}]", value))
    return rows


def _is_null(table: Table, key: str) -> bool:
    return table.has(key) and table.values[key] is None


def _number_or_null(table: Table, key: str, bounds: Bounds) -> float | None:
    return None if _is_null(table, key) else table.number(key, bounds)


def _choice(table: Table, key: str, choices: Sequence[str]) -> str:
    value = table.choice_or(key, choices, None)
    if value is None:
        raise table.error(key, f"is missing; allowed: {', '.join(choices)}")
    return value


def _truth(table: Table, key: str) -> bool:
    value = table.truth_or(key, None)
    if value is None:
        raise table.error(key, "is missing; allowed: true or false")
    return value


def _words(table: Table, key: str, longest: int) -> tuple[str, ...]:
    value = table.words_or(key, longest, None)
    if value is None:
        raise table.error(key, "is missing; allowed: a list of texts")
    return value


def _team(section: Table) -> Team:
    _whole_sections(section, "team")
    riders = []
    for row in _rows(section, "riders", LONGEST_LINE):
        _exactly(row, [field.name for field in fields(Rider)])
        try:
            riders.append(
                Rider(
                    name=row.text("name", LONGEST_NAME),
                    mass_kg=row.number("mass_kg", RIDER_BOUNDS["mass_kg"]),
                    cp_w=row.number("cp_w", RIDER_BOUNDS["cp_w"]),
                    w_prime_j=row.number("w_prime_j", RIDER_BOUNDS["w_prime_j"]),
                    cda_m2=row.number("cda_m2", RIDER_BOUNDS["cda_m2"]),
                    bicycle_mass_kg=row.number("bicycle_mass_kg", RIDER_BOUNDS["bicycle_mass_kg"]),
                    height_m=_number_or_null(row, "height_m", RIDER_BOUNDS["height_m"]),
                    peak_power_w=_number_or_null(row, "peak_power_w", RIDER_BOUNDS["peak_power_w"]),
                    pulls=_truth(row, "pulls"),
                    may_sit_on=_truth(row, "may_sit_on"),
                    shortest_pull_s=_number_or_null(row, "shortest_pull_s", RIDER_BOUNDS["shortest_pull_s"]),
                    longest_pull_s=_number_or_null(row, "longest_pull_s", RIDER_BOUNDS["longest_pull_s"]),
                    cp_se_w=_number_or_null(row, "cp_se_w", RIDER_BOUNDS["cp_se_w"]),
                    w_prime_se_j=_number_or_null(row, "w_prime_se_j", RIDER_BOUNDS["w_prime_se_j"]),
                )
            )
        except ValueError as error:
            raise row.rephrased(error) from error
    try:
        return Team(section.text("name", LONGEST_NAME), tuple(riders))
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise section.error("riders", str(error)) from error


def _race(section: Table, team: Team) -> Race:
    _whole_sections(section, "race")
    weather, rules, limits = (_section(section, key) for key in ("weather", "rules", "limits"))
    try:
        return Race(
            name=section.text("name", LONGEST_NAME),
            team=team,
            course_file=Path(section.text("course_file", LONGEST_FILE_NAME)),
            weather=_weather(weather),
            rules=_rules(rules),
            limits=_limits(limits),
            start_time=_start_time(section),
            flat=_truth(section, "flat"),
            crr=section.number("crr", CRR_BOUNDS),
            drafting=_choice(section, "drafting", TABLES),
            wheel_gap_m=section.number("wheel_gap_m", GAP_BOUNDS),
            drafting_shares=section.numbers_or("drafting_shares", DRAFT_SHARE_BOUNDS, ()),
            drafting_per_kg=section.number("drafting_per_kg", PER_KG_BOUNDS),
            recovery=_choice(section, "recovery", RECOVERY_MODELS),
            recovery_share=section.number("recovery_share", SHARE_BOUNDS),
            start_order=_words(section, "start_order", LONGEST_NAME),
        )
    except ValueError as error:
        raise section.rephrased(error) from error


def _weather(section: Table) -> Weather:
    _exactly(section, [field.name for field in fields(Weather)])
    numbers = {key: section.number(key, bounds) for key, bounds in WEATHER_BOUNDS.items()}
    return Weather(**numbers, wet=_truth(section, "wet"))


def _rules(section: Table) -> Rules:
    _exactly(section, [field.name for field in fields(Rules)])
    size = (
        None if _is_null(section, "team_size") else section.whole_number("team_size", Bounds(1, LONGEST_LINE))
    )
    try:
        return Rules(section.whole_number("counting_rider", Bounds(0, LONGEST_LINE)), size)
    except ValueError as error:
        raise section.rephrased(error) from error


def _limits(section: Table) -> Limits:
    _exactly(section, [field.name for field in fields(Limits)])
    bounds_section = _section(section, "pulls")
    _exactly(bounds_section, TERRAINS)
    pulls = {}
    for terrain in TERRAINS:
        bounds = _section(bounds_section, terrain)
        _exactly(bounds, ("shortest_s", "longest_s"))
        try:
            pulls[terrain] = PullBounds(
                bounds.number("shortest_s", PULL_BOUNDS), bounds.number("longest_s", PULL_BOUNDS)
            )
        except ValueError as error:
            raise bounds.rephrased(error) from error
    numbers = {
        key: section.number(key, bounds)
        for key, bounds in LIMIT_BOUNDS.items()
        if key != "sustainable_share_of_cp"
    }
    share = _number_or_null(section, "sustainable_share_of_cp", LIMIT_BOUNDS["sustainable_share_of_cp"])
    return Limits(pulls=pulls, sustainable_share_of_cp=share, **numbers)


def _start_time(section: Table) -> str | None:
    if _is_null(section, "start_time"):
        return None
    text = section.text("start_time", 40)
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise section.error("start_time", f"{describe(text)} is no date and time") from None
    return moment.isoformat(timespec="seconds")


def _course(section: Table) -> Course:
    _whole_sections(section, "course")
    samples = _section(section, "samples")
    _exactly(samples, SAMPLE_COLUMNS)
    columns = {key: _column(samples, key, SAMPLE_BOUNDS[key]) for key in SAMPLE_COLUMNS}
    repairs = _words(section, "repairs", LONGEST_SENTENCE)
    try:
        course = Course(
            name=section.text("name", LONGEST_NAME),
            repairs=repairs,
            total_climb_m=section.number("total_climb_m", Bounds(0.0, 1e6, "m")),
            **columns,
        )
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise samples.error("", str(error)) from error
    length_m = section.number("length_m", DISTANCE_BOUNDS)
    if abs(length_m - course.length_m) > PLACE_TOLERANCE_M:
        raise section.error("length_m", f"{length_m:g} m is not the last distance_m of {course.length_m:g} m")
    return course


def _column(samples: Table, key: str, bounds: Bounds) -> FloatArray:
    """One value per sample; only the radius of a bend may be null."""
    values = _list(samples, key, MOST_SAMPLES)
    entries = Table(
        samples.file, samples.section, {f"{key}[{n}]": value for n, value in enumerate(values, 1)}
    )
    straight = math.inf if key == "bend_radius_m" else None
    return np.array(
        [
            straight if value is None and straight is not None else entries.number(entry, bounds)
            for entry, value in entries.values.items()
        ]
    )


def _segments(top: Table, team: Team, course: Course) -> tuple[Segments, Schedule, FloatArray]:
    rows = _rows(top, "segments", MOST_SEGMENTS)
    for row in rows:
        _whole_sections(row, "segment")
    numbers = {
        key: np.array([row.number(key, bounds) for row in rows]) for key, bounds in SEGMENT_BOUNDS.items()
    }
    caps = [_number_or_null(row, "speed_cap_mps", Bounds(0.1, 100.0, "m/s")) for row in rows]
    try:
        segments = Segments(
            start_m=numbers["start_m"],
            end_m=numbers["end_m"],
            grade=numbers["grade"],
            heading_deg=numbers["heading_deg"],
            elevation_m=numbers["elevation_m"],
            speed_cap_mps=np.array([math.inf if cap is None else cap for cap in caps]),
            terrain=tuple(_choice(row, "terrain", TERRAINS) for row in rows),
            bend=np.array([_truth(row, "bend") for row in rows]),
            accelerating=np.array([_truth(row, "accelerating") for row in rows]),
        )
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise top.error("segments", str(error)) from error
    if numbers["start_m"][0] != 0.0 or abs(numbers["end_m"][-1] - course.length_m) > PLACE_TOLERANCE_M:
        raise top.error("segments", f"must reach from 0 m to the course's length of {course.length_m:g} m")
    schedule = Schedule(
        boundary_m=segments.boundary_m,
        speed_mps=numbers["speed_mps"],
        exit_speed_mps=numbers["exit_speed_mps"],
        front_power_w=numbers["front_power_w"],
        lost_s=numbers["lost_s"],
        pulls=_pulls(rows, team),
    )
    full = [rider.w_prime_j for rider in team.riders]
    return segments, schedule, np.array([full, *(_w_prime(row, team) for row in rows)])


def _pulls(rows: Sequence[Table], team: Team) -> tuple[ScheduledPull, ...]:
    """The pulls, from what each segment says of its pull and its line."""
    numbers = [row.whole_number("pull", Bounds(1, MOST_SEGMENTS)) for row in rows]
    lines = [_line(row, team) for row in rows]
    sitting = [row.whole_number("n_sitting", Bounds(0, len(team.riders))) for row in rows]
    starts = [s for s in range(len(rows)) if s == 0 or numbers[s] != numbers[s - 1]]
    pulls = []
    for count, (first, end) in enumerate(zip(starts, [*starts[1:], len(rows)], strict=True), start=1):
        if numbers[first] != count:
            raise rows[first].error(
                "pull", f"is {numbers[first]}; allowed here: {count}, pulls are numbered in order"
            )
        for s in range(first, end):
            if lines[s] != lines[first]:
                raise rows[s].error(
                    "line", f"differs from that of the segment before, though both are in pull {count}"
                )
            if sitting[s] != sitting[first]:
                raise rows[s].error(
                    "n_sitting", f"differs from that of the segment before, though both are in pull {count}"
                )
        if sitting[first] >= len(lines[first]):
            raise rows[first].error("n_sitting", f"is {sitting[first]} of a line of {len(lines[first])}; one must pull")
        leaves = end < len(rows) and lines[first][0] not in lines[end]
        pulls.append(ScheduledPull(lines[first], first, end, leaves, sitting[first]))
    return tuple(pulls)


def _line(row: Table, team: Team) -> tuple[int, ...]:
    index = {rider.name: number for number, rider in enumerate(team.riders)}
    names = _words(row, "line", LONGEST_NAME)
    for name in names:
        if name not in index:
            raise row.error("line", f"{describe(name)} is not a rider of the team")
    if not names or len(set(names)) < len(names):
        raise row.error("line", "must name the riders in the line, each once")
    leader = row.text("leader", LONGEST_NAME)
    if leader != names[0]:
        raise row.error("leader", f"{describe(leader)} is not the first of the line, {describe(names[0])}")
    return tuple(index[name] for name in names)


def _w_prime(row: Table, team: Team) -> list[float]:
    """What the plan leaves of each rider's W' at the end of the segment (J); nan for riders who have left."""
    names = _words(row, "line", LONGEST_NAME)
    values = _list(row, "w_prime_planned_j", LONGEST_LINE)
    if len(values) != len(team.riders):
        raise row.error(
            "w_prime_planned_j", f"holds {len(values)} numbers; allowed: one for each rider of the team"
        )
    entries = Table(
        row.file, row.section, {f"w_prime_planned_j[{n}]": value for n, value in enumerate(values, 1)}
    )
    left = []
    for rider, (entry, value) in zip(team.riders, entries.values.items(), strict=True):
        if value is None and rider.name not in names:
            left.append(math.nan)
        else:
            left.append(
                entries.number(entry, Bounds(-1e5, 1e5, "J", "null once the rider has left the line"))
            )
    return left


def _optimum(top: Table, schedule: Schedule, w_prime_j: FloatArray) -> Optimum:
    finish_time_s = top.number("finish_time_s", TIME_BOUNDS)
    if abs(finish_time_s - schedule.finish_time_s) > FINISH_TIME_TOLERANCE_S:
        raise top.error(
            "finish_time_s",
            f"{finish_time_s:.2f} s is not the sum of the segments' times, {schedule.finish_time_s:.2f} s",
        )
    bound_s = _number_or_null(top, "best_possible_s", TIME_BOUNDS)
    search = _section(top, "search")
    _whole_sections(search, "search")
    orders = {
        key: search.whole_number(key, Bounds(0, 10**9))
        for key in ("n_orders", "n_orders_discarded", "n_orders_possible")
    }
    return Optimum(
        schedule=schedule,
        w_prime_j=w_prime_j,
        finish_time_s=finish_time_s,
        best_possible_s=-math.inf if bound_s is None else bound_s,
        stopped_because=top.text("stopped_because", LONGEST_NAME),
        solve_seconds=top.number("solve_seconds", TIME_BOUNDS),
        build_seconds=top.number("build_seconds", TIME_BOUNDS),
        solver=_section(top, "versions").text("solver", LONGEST_NAME),
        seed=search.whole_number("seed", Bounds(0, 2**31 - 1)),
        quick_bound=search.truth_or("quick_bound", False),
        **orders,
    )


def _check_pulls(top: Table, team: Team, schedule: Schedule) -> None:
    """Refuse a file whose list of pulls says something else than its segments, which are what is ridden."""
    rows = _rows(top, "pulls", MOST_SEGMENTS)
    if len(rows) != len(schedule.pulls):
        raise top.error("pulls", f"number {len(rows)}, but the segments hold {len(schedule.pulls)}")
    for row, pull in zip(rows, schedule.pulls, strict=True):
        rider = team.riders[pull.leader].name
        if row.text("rider", LONGEST_NAME) != rider:
            raise row.error("rider", f"is not {describe(rider)}, who leads in its segments")
        for key, segment in (("start_m", pull.first_segment), ("end_m", pull.end_segment)):
            place_m = float(schedule.boundary_m[segment])
            if abs(row.number(key, DISTANCE_BOUNDS) - place_m) > PLACE_TOLERANCE_M:
                raise row.error(key, f"{row.values[key]:g} m is not where its segments say, {place_m:g} m")


def _rideable(
    parent: Table, key: str, course: Course, road: Road, race: Race, schedule: Schedule
) -> RideablePlan | None:
    """The plan of few stretches, ridden again from what its stretches say; everything else in it is not believed."""
    if _is_null(parent, key):
        return None
    section = _section(parent, key)
    _whole_sections(section, "rideable")
    rows = _rows(section, "stretches", MOST_STRETCHES)
    for row in rows:
        _whole_sections(row, "stretch")
    names = [rider.name for rider in race.team.riders]
    line = _words(rows[0], "line", LONGEST_NAME)
    if sorted(line) != sorted(names):
        raise rows[0].error("line", "must name every rider of the team once")
    members = [names.index(name) for name in line]
    pulling = [entry.text("rider", LONGEST_NAME) for entry in _rows(rows[0], "riders", LONGEST_LINE)]
    riders = race.team.riders
    sitting = tuple(
        i for i in members if not riders[i].pulls or (riders[i].may_sit_on and names[i] not in pulling)
    )
    order = tuple(i for i in members if i not in sitting)
    if (*order, *sitting) != tuple(members):
        raise rows[0].error("line", "riders who sit on must come last")
    start_w = section.whole_number("start_power_w", WATT_BOUNDS)
    nodes_m = pattern_road(course, road, race, pull_bounds(road.segments, race), schedule.speed_mps).node_m
    stretches = [_stretch(row, nodes_m, [names[i] for i in order], start_w) for row in rows]
    if stretches[0].begin != 0 or stretches[-1].end != len(nodes_m) - 1:
        raise section.error("stretches", "must reach from the start to the end of the course")
    for row, before, after in zip(rows[1:], stretches[:-1], stretches[1:], strict=True):
        if before.end != after.begin:
            raise row.error("start_m", "is not where the stretch before ends")
    return rideable_from(course, road, race, schedule, order, sitting, stretches)


def _stretch(row: Table, nodes_m: FloatArray, order: list[str], start_w: int) -> Stretch:
    places = []
    for key in ("start_m", "end_m"):
        place_m = row.number(key, DISTANCE_BOUNDS)
        node = int(np.argmin(np.abs(nodes_m - place_m)))
        if abs(float(nodes_m[node]) - place_m) > PLACE_TOLERANCE_M:
            raise row.error(key, f"{place_m:g} m is no place at which a stretch may begin or end")
        places.append(node)
    if places[0] >= places[1]:
        raise row.error("end_m", "is not behind start_m")
    riders = {}
    for rider in _rows(row, "riders", LONGEST_LINE):
        _whole_sections(rider, "stretch rider")
        watts = _section(rider, "front_power_w")
        _exactly(watts, tuple(SLOPES))
        by_slope = {slope: _number_or_null(watts, slope, WATT_BOUNDS) or 0.0 for slope in SLOPES}
        riders[rider.text("rider", LONGEST_NAME)] = (rider.whole_number("pull_s", SECONDS_BOUNDS), by_slope)
    if sorted(riders) != sorted(order):
        raise row.error("riders", "must hold every rider who pulls once")
    table = np.zeros((len(KINDS), len(order)), dtype=np.int64)
    for place, name in enumerate(order):
        for slope, kind in SLOPES.items():
            table[kind, place] = round(riders[name][1][slope])
    table[ACCELERATING] = start_w
    leader = _words(row, "line", LONGEST_NAME)[:1]
    if not leader or leader[0] not in order:
        raise row.error("line", "must begin with a rider who pulls")
    downhill_s = None if _is_null(row, "downhill_s") else row.whole_number("downhill_s", SECONDS_BOUNDS)
    return Stretch(
        begin=places[0],
        end=places[1],
        first=order.index(leader[0]),
        seconds=tuple(riders[name][0] for name in order),
        downhill_s=15 if downhill_s is None else downhill_s,
        watts=tuple(tuple(row_of_kind) for row_of_kind in table.tolist()),
    )


def _fall_backs(
    top: Table, course: Course, road: Road, race: Race, schedule: Schedule
) -> tuple[FallBack, ...]:
    if top.values.get("fall_backs") == []:
        return ()
    found = []
    for row in _rows(top, "fall_backs", LONGEST_LINE + 1):
        _whole_sections(row, "fall-back")
        _truth(row, "has_result")
        if _is_null(row, "without"):
            turned = race_with_wind_turned(race)
            blown = road_of(road.segments, turned, float(course.elevation_m[0]))
            found.append(FallBack(None, True, _rideable(row, "plan", course, blown, turned, schedule)))
            continue
        name = row.text("without", LONGEST_NAME)
        if name not in [rider.name for rider in race.team.riders]:
            raise row.error("without", f"{describe(name)} is not a rider of the team")
        smaller = race_without(race, name)
        plan = None if smaller is None else _rideable(row, "plan", course, road, smaller, schedule)
        found.append(FallBack(name, has_result_without_one(race), plan))
    return tuple(found)
