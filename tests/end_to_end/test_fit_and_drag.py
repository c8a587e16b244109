"""``ttt-opt fit`` and ``ttt-opt drag`` as people run them: files, sentences, exit codes."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
import typer.main
from test_cli import run_here

from ttt_opt import cli
from ttt_opt.ride_stretches import Assumptions

ROOT = Path(__file__).resolve().parents[2]
EFFORTS = ROOT / "data" / "demo" / "efforts.csv"
POWER_RIDE = ROOT.parent / "shared" / "courses" / "P01-power-41km-275W-1hz.csv"
GOOD_EFFORTS = "seconds,watts\n180,411\n300,367\n720,328\n"
GOOD_RIDE = "seconds,watts,speed_mps\n" + "".join(f"{n},250,11.0\n" for n in range(900))


def test_fit_tells_the_fit_and_the_lines_of_a_team_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_here(monkeypatch, "fit", EFFORTS) == 0
    out = capsys.readouterr().out
    lines = tomllib.loads(out[out.index("# For a team file") :])["riders"]
    team = tomllib.loads((ROOT / "data" / "demo" / "team.toml").read_text(encoding="utf-8"))["riders"]
    assert [rider["name"] for rider in lines] == [rider["name"] for rider in team]
    for found, given in zip(lines, team, strict=True):
        assert found["cp_w"] == pytest.approx(given["cp_w"], rel=0.01)
        assert found["w_prime_j"] == pytest.approx(given["w_prime_j"], rel=0.1)


def test_fit_writes_a_new_file_and_overwrites_none(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "new" / "fragment.toml"
    assert run_here(monkeypatch, "fit", EFFORTS, "--rider", "Bela", "--given", "power", "--out", out) == 0
    assert f"Written to {out}" in capsys.readouterr().out
    assert [rider["name"] for rider in tomllib.loads(out.read_text(encoding="utf-8"))["riders"]] == ["Bela"]
    before = out.read_bytes()
    assert run_here(monkeypatch, "fit", EFFORTS, "--out", out) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "is there already" in captured.err
    assert out.read_bytes() == before
    assert [path.name for path in out.parent.iterdir()] == ["fragment.toml"]


def test_fit_from_a_threshold_power(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_here(monkeypatch, "fit", "--threshold-power", "300", "--rider", "Ada") == 0
    out = capsys.readouterr().out
    assert 'name = "Ada"' in out
    assert "cp_w = 315  # from threshold power; 95 % interval 284 to 346 W" in out


@pytest.mark.parametrize(
    "words",
    [[], [EFFORTS, "--threshold-power", "300"], [EFFORTS, "--given", "speed"], ["--threshold-power", "nan"]],
)
def test_fit_with_wrong_words(monkeypatch: pytest.MonkeyPatch, words: list[str | Path]) -> None:
    assert run_here(monkeypatch, "fit", *words) == 2


BAD = {
    "empty": b"",
    "header only": b"seconds,watts,speed_mps\n",
    "foreign": GOOD_EFFORTS.replace("seconds", "Größe").encode("latin-1"),
    "utf-16": GOOD_EFFORTS.encode("utf-16"),
    "binary": bytes(range(256)),
    "xml": b"<?xml version='1.0'?><gpx/>",
    "no columns": b"a,b,c\n1,2,3\n",
}
BAD_EFFORTS = {
    **BAD,
    "nan": GOOD_EFFORTS.replace("367", "nan").encode(),
    "negative": GOOD_EFFORTS.replace("367", "-367").encode(),
    "truncated": GOOD_EFFORTS[:-5].encode(),
    "one effort": b"seconds,watts\n180,400\n",
    "rising": b"seconds,watts\n180,300\n600,400\n",
}
BAD_RIDES = {
    **BAD,
    "nan": GOOD_RIDE.replace("\n40,250", "\n40,nan").encode(),
    "negative": GOOD_RIDE.replace("\n40,250", "\n40,-250").encode(),
    "back in time": GOOD_RIDE.replace("\n40,250", "\n20,250").encode(),
    "truncated": GOOD_RIDE[:-7].encode(),
    "standing": GOOD_RIDE.replace("11.0", "0.0").encode(),
    "short": GOOD_RIDE[:1000].rpartition("\n")[0].encode(),
}


@pytest.mark.parametrize(
    ("command", "content"),
    [
        *(pytest.param("fit", content, id=f"fit {name}") for name, content in BAD_EFFORTS.items()),
        *(pytest.param("drag", content, id=f"drag {name}") for name, content in BAD_RIDES.items()),
    ],
)
def test_a_bad_file_gives_one_sentence(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    command: str,
    content: bytes,
) -> None:
    path = tmp_path / "bad.csv"
    path.write_bytes(content)
    out = ["--out", tmp_path / "out.toml"] if command == "fit" else []
    assert run_here(monkeypatch, command, path, *out) == 2
    captured = capsys.readouterr()
    [line] = captured.err.splitlines()
    assert line.startswith(f"ttt-opt: {path}: ")
    assert captured.out == ""
    assert [found.name for found in tmp_path.iterdir()] == ["bad.csv"]


def test_drag_of_a_flat_ride_with_its_options(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """At one speed: (0.976 * 250 W / 11 m/s - bearings - rolling) / dynamic pressure - wheels."""
    path = tmp_path / "ride.csv"
    path.write_text(GOOD_RIDE, encoding="utf-8")
    words = ["--mass-kg", "80", "--air-density", "1.2", "--crr", "0.005"]
    assert run_here(monkeypatch, "drag", path, *words) == 0
    out = capsys.readouterr().out
    force_n = 0.976 * 250.0 / 11.0 - (0.091 + 0.0087 * 11.0) - 0.005 * 80.0 * 9.80665
    area = force_n / (0.6 * 11.0**2) - 0.0044
    assert re.search(rf"^drag area m² +{area:.3f} ", out, re.MULTILINE)
    assert "speed hardly changes" in out
    assert run_here(monkeypatch, "drag", path, "--wind-speed-mps", "3") == 2
    assert "no latitude and longitude" in capsys.readouterr().err


@pytest.mark.skipif(not POWER_RIDE.is_file(), reason="the shared courses are not beside the checkout")
def test_drag_of_a_real_ride(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """As recorded, without editing. Mass, wind and road are unknown: the order of magnitude, and what it says."""
    assert run_here(monkeypatch, "drag", POWER_RIDE) == 0
    out = capsys.readouterr().out
    found = re.search(r"^drag area m² +([\d.]+) ", out, re.MULTILINE)
    assert found is not None
    assert 0.2 < float(found.group(1)) < 0.6
    assert run_here(monkeypatch, "drag", POWER_RIDE, "--find-wind") == 0
    assert "as found from the ride" in " ".join(capsys.readouterr().out.split())
    for words in ("83.5 kg (assumed, not given", "no wind", "No wind was given", "The ride contradicts"):
        assert words in " ".join(out.split())


def test_the_readme_shows_what_fit_says(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_here(monkeypatch, "fit", EFFORTS, "--rider", "Bela") == 0
    out = capsys.readouterr().out
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert out[: out.index("The durations")].rstrip() in readme
    assert out[out.index("cp_w =") :].rstrip() in readme


def test_defaults_of_drag_are_those_of_the_code() -> None:
    group = typer.main.get_command(cli.app)
    options = {option.name: option for option in group.commands["drag"].params}  # type: ignore[attr-defined]  # a group
    assumed = Assumptions()
    for name in ("temperature_c", "pressure_hpa", "humidity", "wind_speed_mps", "wind_from_deg", "shelter"):
        assert options[name].default == getattr(assumed.weather, name), name
    assert options["crr"].default == assumed.crr
    assert options["efficiency"].default == assumed.efficiency
    assert f"{assumed.mass_kg:g} is assumed" in options["mass_kg"].help
