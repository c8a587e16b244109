"""Reading a plan back: the same ride, and one clear sentence for everything that is wrong."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ttt_opt.errors import InputError
from ttt_opt.plan import Plan
from ttt_opt.plan_document import document_text, plan_document
from ttt_opt.plan_reading import LARGEST_FILE_BYTES, read_plan
from ttt_opt.terminal_names import is_unsafe

Change = Callable[[dict[str, Any]], object]


def read_changed(tmp_path: Path, document: dict[str, Any]) -> Plan:
    path = tmp_path / "changed.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return read_plan(path)


def test_a_plan_read_back_is_the_same_plan(small_plan_file: Path, small_plan_text: str) -> None:
    assert document_text(plan_document(read_plan(small_plan_file))) == small_plan_text


def test_what_follows_is_worked_out_anew(tmp_path: Path, small_document: dict[str, Any]) -> None:
    honest = small_document["ride_check"]["finish_time_s"]
    small_document["ride_check"]["finish_time_s"] = 1.0
    small_document["riders"][0]["w_prime_min_j"] = 1.0
    small_document["cautions"] = ["No danger at all."]
    plan = read_changed(tmp_path, small_document)
    assert plan.check.finish_time_s == honest
    assert plan.riders[0].w_prime_min_j != 1.0


def test_limit_tightened_in_the_file_is_what_the_ride_is_checked_against(
    tmp_path: Path, small_document: dict[str, Any]
) -> None:
    small_document["race"]["limits"]["surge_w"] = 1.0
    plan = read_changed(tmp_path, small_document)
    assert [check.name for check in plan.check.failed] == [
        "Surge in power between segments",
        "Drop in power between segments",
    ]


def test_exit_speeds_of_the_file_are_what_surges_are_checked_with(
    tmp_path: Path, small_document: dict[str, Any]
) -> None:
    small_document["segments"][7]["exit_speed_mps"] += 1.0
    plan = read_changed(tmp_path, small_document)
    assert {check.name for check in plan.check.failed} == {
        "Surge in power between segments",
        "Drop in power between segments",
    }


def put(*path: str | int, value: object) -> Change:
    def change(document: dict[str, Any]) -> None:
        place: Any = document
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = value

    return change


def drop(*path: str | int) -> Change:
    def change(document: dict[str, Any]) -> None:
        place: Any = document
        for key in path[:-1]:
            place = place[key]
        del place[path[-1]]

    return change


WRONG: dict[str, tuple[Change, str]] = {
    "other format": (put("format", value=1), "format: is 1, this version reads 4"),
    "stretch elsewhere": (
        put("rideable", "stretches", 0, "end_m", value=7.5),
        "rideable.stretches[1].end_m: 7.5 m is no place at which a stretch may begin or end",
    ),
    "stretch backwards": (
        put("rideable", "stretches", 0, "end_m", value=0.0),
        "rideable.stretches[1].end_m: is not behind start_m",
    ),
    "no stretches": (put("rideable", "stretches", value=[]), "rideable.stretches: holds 0 entries; allowed: 1 to 8"),
    "stretch without a rider": (
        drop("rideable", "stretches", 0, "riders", 0),
        "rideable.stretches[1].riders: must hold every rider who pulls once",
    ),
    "line of a stranger": (
        put("rideable", "stretches", 0, "line", value=["Eve", "Ben", "Cas"]),
        "rideable.stretches[1].line: must name every rider of the team once",
    ),
    "pull of a day": (
        put("rideable", "stretches", 0, "riders", 0, "pull_s", value=86400),
        "rideable.stretches[1].riders[1].pull_s: 86400",
    ),
    "watts as text": (
        put("rideable", "stretches", 0, "riders", 0, "front_power_w", "flat", value="x"),
        "rideable.stretches[1].riders[1].front_power_w.flat: \"x\" is not a number",
    ),
    "start with a motor": (put("rideable", "start_power_w", value=9000), "rideable.start_power_w: 9000"),
    "fall-back for a stranger": (
        put("fall_backs", 0, "without", value="Eve"),
        'fall_backs[1].without: "Eve" is not a rider',
    ),
    "no format": (drop("format"), "format: is missing"),
    "unknown key": (put("riderz", value=[]), "riderz: is not known here; did you mean riders"),
    "race is a list": (put("race", value=[]), "race: a list of 0 is not a section"),
    "humidity in percent": (
        put("race", "weather", "humidity", value=60),
        "race.weather.humidity: 60 is not within",
    ),
    "wet is text": (put("race", "weather", "wet", value="no"), "race.weather.wet"),
    "drafting table": (put("race", "drafting", value="best"), 'race.drafting: "best" is not one of'),
    "start time": (put("race", "start_time", value="noon"), 'race.start_time: "noon" is no date and time'),
    "counting rider": (put("race", "rules", "counting_rider", value=4), "race.rules.counting_rider: 4"),
    "pull bounds": (
        put("race", "limits", "pulls", "flat", "shortest_s", value=500),
        "race.limits.pulls.flat.shortest_s",
    ),
    "start order": (put("race", "start_order", value=["Ben"]), "race.start_order"),
    "no team": (drop("team"), "team: is missing"),
    "no riders": (put("team", "riders", value=[]), "team.riders: holds 0 entries"),
    "rider is a number": (put("team", "riders", 0, value=3), "team.riders[1]: 3 is not a section"),
    "mass is null": (put("team", "riders", 0, "mass_kg", value=None), "team.riders[1].mass_kg"),
    "mass in pounds": (
        put("team", "riders", 0, "mass_kg", value=170),
        "team.riders[1].mass_kg: 170 is not within",
    ),
    "power is text": (
        put("team", "riders", 1, "cp_w", value="287"),
        'team.riders[2].cp_w: "287" is not a number',
    ),
    "power is true": (
        put("team", "riders", 1, "cp_w", value=True),
        "team.riders[2].cp_w: true is not a number",
    ),
    "power is huge": (put("team", "riders", 1, "cp_w", value=10**400), "team.riders[2].cp_w"),
    "peak below CP": (put("team", "riders", 1, "peak_power_w", value=200), "team.riders[2].peak_power_w"),
    "name twice": (
        put("team", "riders", 1, "name", value="Cas"),
        "team.riders: two riders have the same name",
    ),
    "name moves the cursor": (put("team", "riders", 1, "name", value="Ben\x1b[2J"), "team.riders[2].name"),
    "name is half a letter": (put("team", "riders", 1, "name", value="\ud800"), "team.riders[2].name"),
    "course length": (
        put("course", "length_m", value=10),
        "course.length_m: 10 m is not the last distance_m",
    ),
    "sample missing": (lambda d: d["course"]["samples"]["elevation_m"].pop(), "course.samples"),
    "sample is null": (
        put("course", "samples", "elevation_m", 3, value=None),
        "course.samples.elevation_m[4]",
    ),
    "sample too high": (
        put("course", "samples", "elevation_m", 3, value=1e9),
        "course.samples.elevation_m[4]",
    ),
    "uneven samples": (put("course", "samples", "distance_m", 3, value=31.0), "course.samples"),
    "radius 0": (put("course", "samples", "bend_radius_m", 0, value=0), "course.samples.bend_radius_m[1]"),
    "no segments": (put("segments", value=[]), "segments: holds 0 entries"),
    "segment missing": (drop("segments", 2), "segments: segments must follow one another"),
    "last segment missing": (drop("segments", -1), "segments: must reach from 0 m"),
    "speed 0": (put("segments", 0, "speed_mps", value=0), "segments[1].speed_mps: 0 is not within"),
    "exit speed missing": (drop("segments", 1, "exit_speed_mps"), "segments[2].exit_speed_mps: is missing"),
    "exit speed in km/h": (
        put("segments", 1, "exit_speed_mps", value=61),
        "segments[2].exit_speed_mps: 61 is not within",
    ),
    "speed changed": (put("segments", 0, "speed_mps", value=3.0), "finish_time_s: "),
    "terrain": (put("segments", 0, "terrain", value="gravel"), "segments[1].terrain"),
    "bend without a cap": (
        put("segments", 0, "bend", value=True),
        "segments: segments with a bend",
    ),
    "pull number": (put("segments", 0, "pull", value=2), "segments[1].pull: is 2; allowed here: 1"),
    "stranger in the line": (
        put("segments", 0, "line", 1, value="Dan"),
        'segments[1].line: "Dan" is not a rider',
    ),
    "line without riders": (put("segments", 0, "line", value=[]), "segments[1].line: must name the riders"),
    "other leader": (
        lambda d: d["segments"][0].update(leader=d["segments"][0]["line"][1]),
        "segments[1].leader",
    ),
    "line changes in a pull": (
        lambda d: d["segments"][1].update(
            line=d["segments"][1]["line"][::-1], leader=d["segments"][1]["line"][-1]
        ),
        "segments[2].line: differs",
    ),
    "W' of a rider missing": (
        put("segments", 0, "w_prime_planned_j", value=[1.0]),
        "segments[1].w_prime_planned_j",
    ),
    "W' null in the line": (
        put("segments", 0, "w_prime_planned_j", 0, value=None),
        "segments[1].w_prime_planned_j[1]",
    ),
    "pull elsewhere": (
        put("pulls", 0, "end_m", value=1.0),
        "pulls[1].end_m: 1 m is not where its segments say",
    ),
    "pull of another": (put("pulls", 0, "rider", value="Dan"), "pulls[1].rider"),
    "pull missing": (drop("pulls", 0), "pulls: number"),
    "seed": (put("search", "seed", value=-1), "search.seed"),
    "bound is text": (put("best_possible_s", value="-inf"), "best_possible_s"),
}


@pytest.mark.parametrize("fault", sorted(WRONG))
def test_wrong_field(fault: str, tmp_path: Path, small_document: dict[str, Any]) -> None:
    change, says = WRONG[fault]
    change(small_document)
    with pytest.raises(InputError) as caught:
        read_changed(tmp_path, small_document)
    text = str(caught.value)
    assert f"changed.json: {says}" in text
    assert not any(is_unsafe(character) for character in text)
    assert len(text) < 600


BAD_FILES: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "is not a plan"),
    "a word": (b'"plan"', "must be one section"),
    "a page": (b"<html></html>", "is not a plan"),
    "cut short": (b'{"format": 1, ', "is not a plan"),
    "not a number": (b'{"format": NaN}', "holds NaN"),
    "infinite": (b'{"format": -Infinity}', "holds -Infinity"),
    "key twice": (b'{"format": 1, "format": 1}', "holds a key twice"),
    "deep lists": (b"[" * 1_000_000, "nested too deeply"),
    "deep sections": (b'{"a":' * 1_000_000, "nested too deeply"),
    "long whole number": (b'{"format": ' + b"9" * 100_000 + b"}", "is not a plan"),
    "Latin-1": ('{"format": "ä"}'.encode("latin-1"), "is not UTF-8"),
    "too large": (b" " * (LARGEST_FILE_BYTES + 1), "is larger than"),
}


@pytest.mark.parametrize("fault", sorted(BAD_FILES))
def test_bad_file(fault: str, tmp_path: Path) -> None:
    content, says = BAD_FILES[fault]
    path = tmp_path / "plan.json"
    path.write_bytes(content)
    with pytest.raises(InputError, match=says):
        read_plan(path)


@pytest.mark.parametrize(
    ("name", "says"),
    [(".", "is not a regular file"), ("none.json", "cannot be read"), ("a\0b", "is not a file name")],
)
def test_no_file(name: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=says):
        read_plan(tmp_path / name)


def places(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """All places inside a document, of long lists only the first."""
    inner: list[tuple[str | int, Any]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value[:3]))
    return [found for key, item in inner for found in ((*path, key), *places(item, (*path, key)))]


NASTY = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=5),
    st.just([]),
    st.just({}),
    st.just([[1]]),
    st.just({"": None}),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_change_gives_a_plan_or_one_sentence(
    data: st.DataObject, tmp_path: Path, short_plan_text: str
) -> None:
    document: dict[str, Any] = json.loads(short_plan_text)
    path = data.draw(st.sampled_from(places(document)))
    put(*path, value=data.draw(NASTY))(document)
    try:
        plan = read_changed(tmp_path, document)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert plan.check.finish_time_s > 0.0
