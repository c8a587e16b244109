from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest

from ttt_opt.drafting import TABLES, draft_shares
from ttt_opt.errors import InputError
from ttt_opt.physiology import RECOVERY_MODELS
from ttt_opt.race import (
    CRR_BOUNDS,
    GAP_BOUNDS,
    LIMIT_BOUNDS,
    PER_KG_BOUNDS,
    WEATHER_BOUNDS,
    Limits,
    PullBounds,
    Race,
    Rules,
    Weather,
    read_race,
)
from ttt_opt.team import RIDER_BOUNDS, Rider, Team, read_team

DATA = Path(__file__).resolve().parents[2] / "data"
NEEDED = 'name = "Test"\ncourse = "course.gpx"\nteam = "team.toml"\n'


def rider_text(name: str, extra: str = "") -> str:
    return f'[[riders]]\nname = "{name}"\nmass_kg = 70\ncp_w = 300\nw_prime_j = 18000\ncda_m2 = 0.23\n{extra}'


def team_text(n_riders: int = 4, extra: str = "") -> str:
    """Riders A, B, C ...; the extra lines belong to the last one."""
    names = "ABCDEFGHIJKL"[:n_riders]
    return '[team]\nname = "T"\n' + "".join(rider_text(name) for name in names) + extra


def read(
    folder: Path, text: str = "", *, needed: str = NEEDED, team: str | None = None, larger_team: bool = False
) -> Race:
    (folder / "course.gpx").touch()
    (folder / "team.toml").write_text(team_text() if team is None else team, encoding="utf-8")
    (folder / "race.toml").write_text(needed + text, encoding="utf-8")
    return read_race(folder / "race.toml", larger_team=larger_team)


def refusal(folder: Path, text: str = "", *, needed: str = NEEDED, team: str | None = None) -> str:
    with pytest.raises(InputError) as caught:
        read(folder, text, needed=needed, team=team)
    assert str(caught.value).isprintable()
    return str(caught.value).removeprefix(f"{folder}/")


def test_three_lines_make_a_race_with_the_defaults(tmp_path: Path) -> None:
    race = read(tmp_path)
    assert race == Race("Test", read_team(tmp_path / "team.toml"), tmp_path / "course.gpx")
    assert (race.weather, race.rules, race.limits) == (Weather(), Rules(), Limits())


def test_every_field_is_read(tmp_path: Path) -> None:
    race = read(
        tmp_path,
        """
flat = true
start_time = 2030-05-12T14:30:00
start_order = ["D", "B", "A", "C"]
[weather]
temperature_c = -3
pressure_hpa = 900.5
humidity = 0
wind_speed_mps = 6.5
wind_from_deg = 360
shelter = 1
wet = true
[rules]
counting_rider = 3
team_size = 4
[limits]
surge_w = 30
surge_kmh = 1.5
top_speed_kmh = 65
on_wheel_share_of_cp = 1.2
w_prime_reserve_j = 2000
sustainable_share_of_cp = 0.95
[limits.pulls.flat]
shortest_s = 20
longest_s = 60
[limits.pulls.climb]
longest_s = 120
[limits.pulls.descent]
shortest_s = 5
[surface]
crr = 0.0035
[drafting]
table = "computed-flow"
wheel_gap_m = 0.3
[recovery]
model = "constant"
constant_share = 0.6
""",
    )
    assert race == Race(
        name="Test",
        team=read_team(tmp_path / "team.toml"),
        course_file=tmp_path / "course.gpx",
        weather=Weather(-3.0, 900.5, 0.0, 6.5, 360.0, 1.0, True),
        rules=Rules(counting_rider=3, team_size=4),
        limits=Limits(
            pulls={
                "flat": PullBounds(20.0, 60.0),
                "climb": PullBounds(15.0, 120.0),
                "descent": PullBounds(5.0, 20.0),
            },
            surge_w=30.0,
            surge_kmh=1.5,
            top_speed_kmh=65.0,
            on_wheel_share_of_cp=1.2,
            w_prime_reserve_j=2000.0,
            sustainable_share_of_cp=0.95,
        ),
        start_time="2030-05-12T14:30:00",
        flat=True,
        crr=0.0035,
        drafting="computed-flow",
        wheel_gap_m=0.3,
        recovery="constant",
        recovery_share=0.6,
        start_order=("D", "B", "A", "C"),
    )


@pytest.mark.parametrize("field", ["name", "course", "team"])
def test_needed_fields(tmp_path: Path, field: str) -> None:
    needed = "".join(line for line in NEEDED.splitlines(keepends=True) if not line.startswith(field))
    assert f"race.toml: {field}: is missing; allowed: text" in refusal(tmp_path, needed=needed)


# Slips of the pen and of the unit; the bounds are ours (common practice, no source).
@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[weather]\ntemperature_c = 68", "weather.temperature_c: 68 is not within the allowed -20 to 45 °C"),
        (
            "[weather]\npressure_hpa = 101325",
            "weather.pressure_hpa: 101325 is not within the allowed 600 to 1100 hPa",
        ),
        (
            "[weather]\nhumidity = 60",
            "weather.humidity: 60 is not within the allowed 0 to 1 (a share, 0.6 for 60 %)",
        ),
        ("[weather]\nwind_speed_mps = 30", "weather.wind_speed_mps: 30 is not within"),
        (
            "[weather]\nwind_from_deg = nan",
            "weather.wind_from_deg: nan is not within the allowed 0 to 360 degrees",
        ),
        ('[weather]\nwind_from_deg = "SW"', 'weather.wind_from_deg: "SW" is not a number'),
        ("[weather]\nshelter = 1.1", "weather.shelter: 1.1 is not within"),
        ("[weather]\nwet = 1", "weather.wet: 1 is neither true nor false"),
        (
            "[weather]\nwind_speed_kmh = 20",
            "weather.wind_speed_kmh: is not known here; did you mean wind_speed_mps?",
        ),
        ("[wether]\nwet = true", "wether: is not known here; did you mean weather?"),
        ("weather = 3", "weather: 3 is not a section; write [weather] above its fields"),
        ("[[weather]]\nwet = true", "weather: a list of 1 is not a section"),
        ("[rules]\ncounting_rider = -1", "rules.counting_rider: -1 is not within"),
        ("[rules]\ncounting_rider = 3.0", "rules.counting_rider: 3.0 is not a whole number"),
        ("[rules]\ncounting_rider = true", "rules.counting_rider: true is not a whole number"),
        (
            "[rules]\ncounting_rider = 5",
            "rules.counting_rider: 5 but the team has 4 riders; allowed: 0 (the last",
        ),
        (
            "[rules]\ncounting_rider = 5\nteam_size = 4",
            "rules.counting_rider: 5 is more than the team_size of 4; allowed: 0 (the last rider) to 4",
        ),
        ("[rules]\nteam_size = 1", "rules.team_size: 1 is not within the allowed 2 to 10 riders"),
        (
            "[rules]\nteam_size = 3",
            "rules.team_size: is 3 but the team file has 4 riders; keep only those who start",
        ),
        ("[limits]\nsurge_w = 0", "limits.surge_w: 0 is not within"),
        ("[limits]\ntop_speed_kmh = 20", "limits.top_speed_kmh: 20 is not within the allowed 40 to 110 km/h"),
        ("[limits]\ntop_speed_kmh = 120", "limits.top_speed_kmh: 120 is not within the allowed 40 to 110 km/h"),
        (
            "[limits]\non_wheel_share_of_cp = 110",
            "limits.on_wheel_share_of_cp: 110 is not within the allowed 0.5 to 2",
        ),
        ("[limits]\nw_prime_reserve_j = -1", "limits.w_prime_reserve_j: -1 is not within"),
        (
            "[limits]\nw_prime_reserve_j = 18000",
            "limits.w_prime_reserve_j: 18000 J is not below the 18000 J of A",
        ),
        ("[limits]\nsustainable_share_of_cp = 95", "limits.sustainable_share_of_cp: 95 is not within"),
        ("[limits]\npulls = 30", "limits.pulls: 30 is not a section; write [limits.pulls]"),
        (
            "[limits.pulls.uphill]\nlongest_s = 5",
            "limits.pulls.uphill: is not known here; allowed: flat, climb, descent",
        ),
        (
            "[limits.pulls.flat]\nlongest = 5",
            "limits.pulls.flat.longest: is not known here; did you mean longest_s?",
        ),
        (
            "[limits.pulls.descent]\nshortest_s = 30",
            "limits.pulls.descent.shortest_s: 30 s is more than the longest_s of 20 s",
        ),
        ("[surface]\ncrr = 4", "surface.crr: 4 is not within the allowed 0.001 to 0.02"),
        ("[drafting]\nshares = 0.7", "drafting.shares: 0.7 is not a list of numbers"),
        ("[drafting]\nshares = [1, 70]", "drafting.shares[2]: 70 is not within the allowed 0.2 to 1.2"),
        ("[drafting]\nshares = [1.0]", "drafting.shares: holds 1 numbers; allowed: 2 to 10"),
        ('[drafting]\ntable = "measured"\nshares = [1, 0.7]', "drafting.table: has no effect beside shares"),
        ("[drafting]\nper_kg = 0.3", "drafting.per_kg: 0.3 is not within the allowed 0 to 0.01"),
        ("[drafting]\nwheel_gap_m = 50", "drafting.wheel_gap_m: 50 is not within the allowed 0.05 to 5 m"),
        (
            '[drafting]\ntable = "blocken"',
            'drafting.table: "blocken" is not one of the allowed "measured", "measured-',
        ),
        (
            '[recovery]\nmodel = "none"',
            'recovery.model: "none" is not one of the allowed "differential", "constant"',
        ),
        (
            "[recovery]\nconstant_share = 0.5",
            'recovery.constant_share: has no effect with the model "differential"',
        ),
        ("flat = 0", "flat: 0 is neither true nor false"),
        ('start_order = "A"', 'start_order: "A" is not a list of texts'),
        (
            'start_order = ["A", "B", "C"]',
            'start_order: "A", "B", "C" does not name every rider of the team once',
        ),
        ('start_order = ["A", "B", "C", "C"]', "does not name every rider"),
        ('start_order = ["A", "B", "C", "E"]', 'allowed: "A", "B", "C", "D" in any order'),
        ("start_order = [1]", "start_order[1]: 1 is not text"),
        (
            'start_time = "noon"',
            'start_time: "noon" is no date and time; allowed: local date and time without a zone',
        ),
        ("start_time = 14:30:00", "start_time: 14:30:00 is not allowed"),
        ("start_time = 2030-05-12", "start_time: 2030-05-12 is not allowed"),
        ("start_time = 2030-05-12T14:30:00+99:00", "race.toml: is not valid TOML"),
        ("start_time = 2030-05-12T14:30:00Z", "start_time: 2030-05-12 14:30:00+00:00 is not allowed"),
        ('start_time = "2030-05-12T14:30+02:00"', "start_time: 2030-05-12 14:30:00+02:00 is not allowed"),
        ("start_time = 5", "start_time: 5 is not allowed"),
    ],
)
def test_wrong_fields_are_refused_in_one_sentence(tmp_path: Path, text: str, told: str) -> None:
    assert told in refusal(tmp_path, text)


def test_a_start_time_in_quotes_is_read_too(tmp_path: Path) -> None:
    assert read(tmp_path, 'start_time = "2030-05-12T14:30"').start_time == "2030-05-12T14:30:00"


@pytest.mark.parametrize(
    "name",
    [
        "/etc/passwd",
        "//server/share.gpx",
        r"C:\\race.gpx",
        "C:race.gpx",
        r"..\\course.gpx",
        r"sub\\course.gpx",
    ],
)
@pytest.mark.parametrize("key", ["course", "team"])
def test_absolute_and_foreign_paths_are_refused(tmp_path: Path, key: str, name: str) -> None:
    needed = re.sub(f"^{key} = .*$", lambda _: f'{key} = "{name}"', NEEDED, flags=re.MULTILINE)
    text = refusal(tmp_path, needed=needed)
    assert text.startswith(f"race.toml: {key}: ")
    assert "is not a relative path; allowed: a file in the folder of the race file or below it" in text


@pytest.mark.parametrize(
    "name", ["../course.gpx", "sub/../../course.gpx", "..", "sub/../../race/../course.gpx"]
)
def test_paths_that_leave_the_folder_are_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "course.gpx").touch()
    folder = tmp_path / "race"
    (folder / "sub").mkdir(parents=True)
    text = refusal(folder, needed=NEEDED.replace("course.gpx", name))
    assert f'course: "{name}" leaves the folder of the race file' in text


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no symbolic links")
def test_links_that_leave_the_folder_or_go_round_are_refused(tmp_path: Path) -> None:
    folder = tmp_path / "race"
    folder.mkdir()
    (tmp_path / "secret.gpx").touch()
    (folder / "link.gpx").symlink_to(tmp_path / "secret.gpx")
    (folder / "round.gpx").symlink_to(folder / "round.gpx")
    assert "leaves the folder" in refusal(folder, needed=NEEDED.replace("course.gpx", "link.gpx"))
    assert '"round.gpx"' in refusal(folder, needed=NEEDED.replace("course.gpx", "round.gpx"))


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("absent.gpx", '"absent.gpx" is not there'),
        (".", '"." is not there'),
        ("", "has 0 characters"),
        (r"a\u0000b", "holds a control"),
        (r"\u001b[2J.gpx", "holds a control"),
        ("x" * 255 + "/y", "has 257 characters"),
        ("é" * 250, "cannot be looked up"),
    ],
)
def test_other_odd_file_names(tmp_path: Path, name: str, told: str) -> None:
    assert told in refusal(tmp_path, needed=NEEDED.replace("course.gpx", name))


def test_files_may_lie_below_the_race_file(tmp_path: Path) -> None:
    (tmp_path / "files").mkdir()
    (tmp_path / "files" / "course 1.gpx").touch()
    race = read(tmp_path, needed=NEEDED.replace("course.gpx", "./files/course 1.gpx"))
    assert race.course_file == tmp_path / "files" / "course 1.gpx"


def test_errors_in_the_team_file_name_the_team_file(tmp_path: Path) -> None:
    assert refusal(tmp_path, team="[team]\n").startswith("team.toml: team.name: is missing")


def test_at_least_two_riders_pull(tmp_path: Path) -> None:
    team = team_text(1) + rider_text("B", "pulls = false\n")
    assert "team: riders who pull (pulls = true) number 1; allowed: at least 2" in refusal(
        tmp_path, team=team
    )
    assert len(read(tmp_path, team=team_text(2) + rider_text("C", "pulls = false\n")).team.riders) == 3


def test_riders_who_may_sit_on_from_a_point(tmp_path: Path) -> None:
    two = team_text(2) + "".join(rider_text(name, "may_sit_on = true\n") for name in "CD")
    assert [rider.may_sit_on for rider in read(tmp_path, team=two).team.riders] == [False, False, True, True]
    assert "may_sit_on (C)" in refusal(tmp_path, team=team_text(2) + rider_text("C", 'may_sit_on = "late"\n'))


def test_rider_who_sits_on_from_the_start_cannot_sit_on_later(tmp_path: Path) -> None:
    told = refusal(tmp_path, team=team_text(2) + rider_text("C", "pulls = false\nmay_sit_on = true\n"))
    assert "riders[3].may_sit_on (C): true, but pulls is false" in told


def test_riders_who_sit_on_come_last_in_the_start_order(tmp_path: Path) -> None:
    team = team_text(2) + rider_text("C", "pulls = false\n")
    text = refusal(tmp_path, 'start_order = ["A", "C", "B"]', team=team)
    assert 'start_order: riders who sit on ("C") must come last' in text
    assert read(tmp_path, 'start_order = ["B", "A", "C"]', team=team).start_order == ("B", "A", "C")


def test_start_order_matches_names_however_accents_are_stored(tmp_path: Path) -> None:
    team = team_text(1) + rider_text("Zoe\u0308")
    assert read(tmp_path, 'start_order = ["Zo\u00eb", "A"]', team=team).start_order == ("Zo\u00eb", "A")


@pytest.mark.parametrize(
    ("own", "told"), [("shortest_pull_s = 80", "80 s is longer"), ("longest_pull_s = 10", "15 s is")]
)
def test_own_pull_bounds_must_fit_those_of_the_race(tmp_path: Path, own: str, told: str) -> None:
    text = refusal(tmp_path, team=team_text(extra=own))
    assert "limits.pulls.flat: with the own bounds of D in the team file the shortest pull of " in text
    assert told.replace("is", "is longer than the longest" if "longer" not in told else "is") in text


def test_more_riders_than_start_are_read_for_studies_that_choose(tmp_path: Path) -> None:
    rules = "[rules]\nteam_size = 4"
    assert "or let the study of line-ups choose among them" in refusal(tmp_path, rules, team=team_text(12))
    assert len(read(tmp_path, rules, team=team_text(12), larger_team=True).team.riders) == 12
    with pytest.raises(InputError, match="team: has 11 riders; allowed: 10 in one line"):
        read(tmp_path, team=team_text(11), larger_team=True)
    assert len(read(tmp_path, team=team_text(10)).team.riders) == 10


def example() -> Race:
    riders = tuple(Rider(name, 70.0, 300.0, 18000.0, 0.23) for name in "ABC")
    return Race("Test", Team("T", riders), Path("course.gpx"))


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"rules": Rules(counting_rider=4)}, "rules.counting_rider: 4 but"),
        ({"drafting": "none"}, "drafting.table: 'none'"),
        ({"recovery": "none"}, "recovery.model: 'none'"),
        ({"recovery_share": 1.5}, "recovery.constant_share: 1.5"),
        ({"wheel_gap_m": float("nan")}, "drafting.wheel_gap_m: nan"),
        ({"drafting_shares": (1.0,)}, "drafting.shares: holds 1 numbers"),
        ({"drafting_shares": (1.0, 65.0)}, "drafting.shares: (1.0, 65.0)"),
        ({"drafting_per_kg": -0.003}, "drafting.per_kg: -0.003"),
        ({"crr": -0.1}, "surface.crr: -0.1"),
        ({"start_order": ("A", "B")}, "start_order: "),
    ],
)
def test_races_check_themselves(changes: dict[str, object], told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        replace(example(), **changes)  # type: ignore[arg-type]  # replace cannot see the fields' types here


def test_own_drag_shares_take_the_place_of_the_table(tmp_path: Path) -> None:
    race = read(tmp_path, "[drafting]\nshares = [1, 0.72, 0.66]")
    assert race.draft_shares(5).tolist() == [1.0, 0.72, 0.66, 0.66, 0.66]
    assert race.draft_shares(2).tolist() == [1.0, 0.72]
    assert race.draft_shares(1).tolist() == [1.0]
    table = read(tmp_path)
    assert table.draft_shares(3).tolist() == draft_shares("measured", 3, 0.5).tolist()


def test_parts_of_a_race_check_themselves() -> None:
    with pytest.raises(ValueError, match=r"humidity: 1.2"):
        Weather(humidity=1.2)
    with pytest.raises(ValueError, match="temperature_c: nan"):
        Weather(temperature_c=float("nan"))
    with pytest.raises(ValueError, match="pressure_hpa: 0"):
        Weather(pressure_hpa=0.0)
    with pytest.raises(ValueError, match="wind_speed_mps: -1"):
        Weather(wind_speed_mps=-1.0)
    with pytest.raises(ValueError, match="counting_rider: -1"):
        Rules(counting_rider=-1)
    with pytest.raises(ValueError, match="team_size: 11"):
        Rules(team_size=11)
    with pytest.raises(ValueError, match="shortest_s: 20 s is more"):
        PullBounds(20.0, 10.0)
    with pytest.raises(ValueError, match="pulls: must hold exactly flat, climb, descent"):
        Limits(pulls={"flat": PullBounds(1.0, 2.0)})
    with pytest.raises(ValueError, match="surge_w: nan"):
        Limits(surge_w=float("nan"))
    for speed_kmh in (0.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="top_speed_kmh"):
            Limits(top_speed_kmh=speed_kmh)
    with pytest.raises(ValueError, match="sustainable_share_of_cp: 0"):
        Limits(sustainable_share_of_cp=0.0)


def readme_rows() -> dict[str, list[str]]:
    """Cells of the tables of fields in data/README.md, by field."""
    rows = {}
    for line in (DATA / "README.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 5 and cells[0].startswith("`"):
            rows[cells[0]] = cells
    return rows


def test_the_page_on_fields_says_what_the_readers_do() -> None:
    rows = readme_rows()
    standard: dict[str, object] = {
        **{f"weather.{key}": getattr(Weather(), key) for key in WEATHER_BOUNDS},
        **{f"limits.{key}": getattr(Limits(), key) for key in LIMIT_BOUNDS},
        "surface.crr": Race.crr,
        "drafting.wheel_gap_m": Race.wheel_gap_m,
        "drafting.per_kg": Race.drafting_per_kg,
        "bicycle_mass_kg": Rider.bicycle_mass_kg,
    }
    bounds = {
        **{f"weather.{key}": value for key, value in WEATHER_BOUNDS.items()},
        **{f"limits.{key}": value for key, value in LIMIT_BOUNDS.items() if key != "w_prime_reserve_j"},
        "surface.crr": CRR_BOUNDS,
        "drafting.wheel_gap_m": GAP_BOUNDS,
        "drafting.per_kg": PER_KG_BOUNDS,
        **{key: value for key, value in RIDER_BOUNDS.items() if not key.endswith("_pull_s")},
    }
    for field, value in standard.items():
        if value is not None:
            assert rows[f"`{field}`"][2] == f"{value:g}", field
    for field, allowed in bounds.items():
        assert rows[f"`{field}`"][3].startswith(f"{allowed.low:g} to {allowed.high:g}"), field
    for terrain, pulls in Limits().pulls.items():
        row = rows[f"`limits.pulls.{terrain}.shortest_s`, `.longest_s`"]
        assert row[2] == f"{pulls.shortest_s:g}, {pulls.longest_s:g}"
    assert rows["`drafting.table`"][3] == ", ".join(f'`"{name}"`' for name in TABLES)
    assert rows["`recovery.model`"][3] == ", ".join(f'`"{name}"`' for name in RECOVERY_MODELS)
