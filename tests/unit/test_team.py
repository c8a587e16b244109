from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ttt_opt.errors import InputError
from ttt_opt.team import RIDER_BOUNDS, Rider, Team, read_team
from ttt_opt.terminal_names import printable

ANN = Rider(name="Ann", mass_kg=70.0, cp_w=300.0, w_prime_j=18000.0, cda_m2=0.23)
BEN = replace(ANN, name="Ben")


def rider_text(**changes: str | None) -> str:
    fields: dict[str, str | None] = {
        "name": '"Ann"',
        "mass_kg": "70",
        "cp_w": "300",
        "w_prime_j": "18000",
        "cda_m2": "0.23",
        **changes,
    }
    return "[[riders]]\n" + "".join(
        f"{key} = {value}\n" for key, value in fields.items() if value is not None
    )


def team_text(*riders: str) -> str:
    return '[team]\nname = "Two"\n' + "".join(riders)


def read(folder: Path, text: str) -> Team:
    path = folder / "team.toml"
    path.write_text(text, encoding="utf-8")
    return read_team(path)


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        read(folder, text)
    assert str(caught.value).isprintable()
    return str(caught.value).removeprefix(f"{folder}/")


def test_a_short_team_file_takes_the_defaults(tmp_path: Path) -> None:
    assert read(tmp_path, team_text(rider_text(), rider_text(name='"Ben"'))) == Team("Two", (ANN, BEN))


def test_every_field_is_read(tmp_path: Path) -> None:
    text = rider_text(
        name='"Cas"',
        bicycle_mass_kg="9.1",
        height_m="1.8",
        peak_power_w="900",
        pulls="false",
        shortest_pull_s="10",
        longest_pull_s="40",
        cp_se_w="4.5",
        w_prime_se_j="1500",
    )
    assert read(tmp_path, team_text(rider_text(), text)).riders[1] == Rider(
        name="Cas",
        mass_kg=70.0,
        cp_w=300.0,
        w_prime_j=18000.0,
        cda_m2=0.23,
        bicycle_mass_kg=9.1,
        height_m=1.8,
        peak_power_w=900.0,
        pulls=False,
        shortest_pull_s=10.0,
        longest_pull_s=40.0,
        cp_se_w=4.5,
        w_prime_se_j=1500.0,
    )


# Slips that coaches make; the bounds are ours (common practice, no source).
@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("mass_kg", "0.7", "0.7 is not within the allowed 35 to 150 kg"),
        ("mass_kg", "70000", "70000 is not within"),
        ("mass_kg", "nan", "nan is not within"),
        ("mass_kg", "true", "true is not a number"),
        ("cp_w", "3000", "3000 is not within the allowed 80 to 600 W"),
        ("cp_w", "4.3", "not W/kg"),
        ("cp_w", "-300", "-300 is not within"),
        ("cp_w", "inf", "inf is not within"),
        ("cp_w", "590", "590 W at 70 kg is 8.43 W/kg; allowed: 1 to 8 W/kg"),
        ("w_prime_j", "18", "18 is not within the allowed 2000 to 60000 J"),
        ("cda_m2", "25", "25 is not within the allowed 0.12 to 0.6 m2"),
        ("cda_m2", '"0.23"', '"0.23" is not a number'),
        ("height_m", "180", "180 is not within the allowed 1.2 to 2.3 m"),
        ("bicycle_mass_kg", "0", "0 is not within the allowed 5 to 25 kg"),
        ("peak_power_w", "250", "250 W is below the rider's cp_w of 300 W"),
        ("pulls", '"no"', '"no" is neither true nor false'),
        ("cp_se_w", "-1", "-1 is not within the allowed 0 to 100 W"),
        ("w_prime_se_j", "90000", "90000 is not within the allowed 0 to 30000 J"),
        ("longest_pull_s", "1", "1 is not within the allowed 5 to 3600 s"),
    ],
)
def test_absurd_values_are_refused(tmp_path: Path, field: str, value: str, told: str) -> None:
    text = refusal(tmp_path, team_text(rider_text(name='"Ben"'), rider_text(**{field: value})))
    assert text.startswith(f"team.toml: riders[2].{field} (Ann): ")
    assert told in text


@pytest.mark.parametrize("field", ["mass_kg", "cp_w", "w_prime_j", "cda_m2"])
def test_needed_fields(tmp_path: Path, field: str) -> None:
    text = refusal(tmp_path, team_text(rider_text(**{field: None}), rider_text(name='"Ben"')))
    assert f"riders[1].{field} (Ann): is missing; allowed: " in text


def test_a_shortest_pull_longer_than_the_longest(tmp_path: Path) -> None:
    text = refusal(tmp_path, team_text(rider_text(shortest_pull_s="60", longest_pull_s="30"), rider_text()))
    assert "shortest_pull_s (Ann): 60 s is more than the rider's longest_pull_s of 30 s" in text


@pytest.mark.parametrize("other", ['"Ann"', '" ann "', '"ANN"'])
def test_names_must_differ(tmp_path: Path, other: str) -> None:
    assert "riders[2].name: " in refusal(tmp_path, team_text(rider_text(), rider_text(name=other)))


def test_names_that_differ_only_in_how_accents_are_stored_are_the_same(tmp_path: Path) -> None:
    text = team_text(rider_text(name='"Zo\u00eb"'), rider_text(name='"Zoe\u0308"'))
    assert "is there twice" in refusal(tmp_path, text)


@pytest.mark.parametrize("name", ['""', f'"{"x" * 81}"', r'"a\u001b[2Jb"', r'"\u202eAnn"', "7"])
def test_names_must_be_plain_text_of_at_most_80_characters(tmp_path: Path, name: str) -> None:
    assert "riders[1].name: " in refusal(tmp_path, team_text(rider_text(name=name), rider_text()))


@pytest.mark.parametrize("number", [0, 1, 13])
def test_number_of_riders(tmp_path: Path, number: int) -> None:
    riders = [rider_text(name=f'"R{n}"') for n in range(number)]
    assert f"riders: there are {number}; allowed: 2 to 12" in refusal(tmp_path, team_text(*riders))


def test_twelve_riders_may_be_in_a_file(tmp_path: Path) -> None:
    assert len(read(tmp_path, team_text(*(rider_text(name=f'"R{n}"') for n in range(12)))).riders) == 12


def test_unknown_keys(tmp_path: Path) -> None:
    two = rider_text(name='"Ben"')
    assert "did you mean w_prime_j?" in refusal(tmp_path, team_text(rider_text(w_prime_kj="18"), two))
    assert "rider: is not known here; did you mean riders?" in refusal(
        tmp_path, team_text(two).replace("[[riders]]", "[[rider]]")
    )
    assert "team.colour: is not known here; allowed: name" in refusal(
        tmp_path, '[team]\nname = "T"\ncolour = "red"\n' + rider_text() + two
    )


def test_riders_written_as_one_section(tmp_path: Path) -> None:
    text = refusal(tmp_path, team_text(rider_text().replace("[[riders]]", "[riders]")))
    assert "riders: a section is not a list of sections; write [[riders]] above each" in text


def test_a_team_needs_a_name(tmp_path: Path) -> None:
    assert "team.name: is missing" in refusal(tmp_path, rider_text() + rider_text(name='"Ben"'))


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"mass_kg": 0.0}, "mass_kg: 0.0 is not finite and positive"),
        ({"cp_w": float("nan")}, "cp_w: nan"),
        ({"w_prime_j": -1.0}, "w_prime_j: -1.0"),
        ({"cda_m2": float("inf")}, "cda_m2: inf"),
        ({"peak_power_w": 299.0}, "peak_power_w: 299 W is below"),
        ({"shortest_pull_s": 30.0, "longest_pull_s": 20.0}, "shortest_pull_s: 30 s is more"),
    ],
)
def test_riders_check_themselves(changes: dict[str, float], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        replace(ANN, **changes)  # type: ignore[arg-type]  # dataclasses.replace cannot see the fields' types here


def test_teams_check_themselves() -> None:
    with pytest.raises(ValueError, match="needs riders"):
        Team("none", ())
    with pytest.raises(ValueError, match="same name"):
        Team("twins", (ANN, replace(ANN, mass_kg=60.0)))


def test_peak_power_and_total_mass() -> None:
    assert ANN.total_mass_kg == 78.5
    assert ANN.peak_w == 600.0  # 300 W + 18000 J / 60 s
    assert replace(ANN, peak_power_w=800.0).peak_w == 800.0


@given(st.data())
def test_any_rider_within_the_bounds_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    numbers = {
        field: data.draw(st.floats(bounds.low, bounds.high), label=field)
        for field, bounds in RIDER_BOUNDS.items()
        if field not in {"cp_w", "peak_power_w", "shortest_pull_s", "longest_pull_s"}
    }
    mass_kg = numbers["mass_kg"]
    numbers["cp_w"] = data.draw(
        st.floats(max(80.0, 1.001 * mass_kg), min(600.0, 7.999 * mass_kg)), label="cp_w"
    )
    numbers["peak_power_w"] = data.draw(st.floats(max(150.0, numbers["cp_w"]), 2500.0), label="peak_power_w")
    text = rider_text(name='"Zed"', **{field: repr(value) for field, value in numbers.items()})
    team = read(tmp_path_factory.mktemp("team"), team_text(rider_text(), text))
    assert {field: getattr(team.riders[1], field) for field in numbers} == numbers


@settings(suppress_health_check=[HealthCheck.too_slow], max_examples=150, deadline=None)
@given(
    at=st.integers(0, 400),
    removed=st.integers(0, 20),
    added=st.one_of(
        st.binary(max_size=8), st.sampled_from([b"[[", b"{", b'"""', b"\n[team]\n", b".", b"nan", b"="])
    ),
)
def test_damaged_files_end_in_a_team_or_one_printable_sentence(
    tmp_path_factory: pytest.TempPathFactory, at: int, removed: int, added: bytes
) -> None:
    content = team_text(rider_text(), rider_text(name='"Ben"', height_m="1.8", pulls="true")).encode()
    path = tmp_path_factory.mktemp("damaged") / "team.toml"
    path.write_bytes(content[:at] + added + content[at + removed :])
    try:
        team = read_team(path)
    except InputError as error:
        assert printable(str(error)) == str(error)
    else:
        assert len(team.riders) == 2
