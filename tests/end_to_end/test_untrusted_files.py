"""Files from outside, each fault by its name, through the command: one sentence, exit code 2, bounded time and memory.

What each reader says in detail is tested beside it; here it is held that no fault gets past the command.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import METRES_PER_DEGREE, RACE, TEAM, write_race

from ttt_opt import cli
from ttt_opt.terminal_names import is_unsafe

LONGEST_S, MOST_BYTES = 10.0, 1_000_000_000
"""Bounds of ours on reading any file: time (s) and memory (bytes)."""

RunHere = Callable[..., str]


@pytest.fixture
def refusal(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> RunHere:
    """Run the entry point in this process; what it says when it refuses."""

    def run(*words: str | Path) -> str:
        monkeypatch.setattr(sys, "argv", ["ttt-opt", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            cli.run()
        told = capfd.readouterr()
        assert told.out == ""
        lines = told.err.splitlines()
        assert len(lines) == 1, told.err
        assert len(lines[0]) < 1000
        assert not any(is_unsafe(character) for character in lines[0])
        assert ended.value.code == 2
        return lines[0]

    return run


Content = str | bytes | Callable[[], str]
"""Large ones are made when they are needed."""


def write(file: Path, content: Content) -> None:
    if callable(content):
        content = content()
    file.write_bytes(content if isinstance(content, bytes) else content.encode())


# --- courses ----------------------------------------------------------------------------------------------


def gpx(points: str, head: str = "", before: str = "") -> str:
    return f"{head}<gpx>{before}<trk><trkseg>{points}</trkseg></trk></gpx>"


def track(*points: tuple[float, float, float]) -> str:
    return "".join(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{ele}</ele></trkpt>' for lat, lon, ele in points)


def northwards(n_points: int = 101, lat: float = 54.0, lon: float = 4.0) -> list[tuple[float, float, float]]:
    return [(lat + 30.0 * i / METRES_PER_DEGREE, lon, 2.0) for i in range(n_points)]


GOOD = track(*northwards())
LAUGHS = '<!DOCTYPE gpx [<!ENTITY a "ha">' + "".join(
    f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">' for i in range(9)
)
BAD_COURSES: dict[str, Content] = {
    "entity expansion": gpx(GOOD, LAUGHS + "]>", "<desc>&j;</desc>"),
    "external entity": gpx('<trkpt lat="&x;" lon="6"/>', '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]>'),
    "parameter entity": gpx(GOOD, '<!DOCTYPE gpx [<!ENTITY % p SYSTEM "http://127.0.0.1:9/x">%p;]>'),
    "deep nesting": lambda: gpx(GOOD, before="<a>" * 150_000 + "</a>" * 150_000),
    "many namespaces": lambda: "<gpx " + " ".join(f'xmlns:n{i}="u{i}"' for i in range(50_000)) + "/>",
    "truncated": gpx(GOOD)[:1500],
    "empty": b"",
    "zeros": b"\0" * 10_000,
    "wrong encoding": gpx(GOOD, '<?xml version="1.0" encoding="UTF-8"?>', "<name>Höhe</name>").encode("latin-1"),
    "unknown encoding": gpx(GOOD, '<?xml version="1.0" encoding="utf-7"?>'),
    "web page": "<!DOCTYPE html><html><body>Sign in</body></html>",
    "zip file": b"PK\x03\x04" + bytes(range(256)) * 10,
    "latitude is not a number": gpx(GOOD.replace("54.0000000", "nan", 1)),
    "longitude is infinite": gpx(GOOD.replace('lon="4.0000000"', 'lon="inf"', 1)),
    "latitude out of range": gpx(GOOD.replace("54.0000000", "95", 1)),
    "longitude out of range": gpx(GOOD.replace('lon="4.0000000"', 'lon="-181"', 1)),
    "elevation is not a number": gpx(GOOD.replace("<ele>2.0</ele>", "<ele>NaN</ele>", 1)),
    "elevation is infinite": gpx(GOOD.replace("<ele>2.0</ele>", "<ele>-inf</ele>", 1)),
    "all elevations out of range": gpx(GOOD.replace("<ele>2.0</ele>", "<ele>-9999</ele>")),
    "all points in one place": gpx(track(*[(54.0, 4.0, 2.0)] * 500)),
    "too short": gpx(track(*northwards(5))),
    "too long": lambda: gpx(track(*((-80.0 + 0.001 * i, 4.0, 2.0) for i in range(150_000)))),
    "points too far apart": gpx(track(*((10.0 + 0.02 * i, 4.0, 2.0) for i in range(40)))),
    "jumps all over the world": gpx(track(*((80.0 * math.sin(i), 170.0 * math.sin(7 * i), 2.0) for i in range(500)))),
    "hostile name of an element": "<x\u0903><name>\x7f</name></x\u0903>",
}


@pytest.mark.parametrize("fault", BAD_COURSES)
def test_course(fault: str, tmp_path: Path, refusal: RunHere) -> None:
    race_file = write_race(tmp_path)
    write(race_file.with_name("course.gpx"), BAD_COURSES[fault])
    assert "course.gpx: " in refusal("check", race_file)
    assert refusal("plan", race_file, "--out", tmp_path / "out").startswith("ttt-opt: ")
    assert list((tmp_path / "out").iterdir()) == []


TIMES = ("2031-01-01T00:00:00Z", "1970-01-01T00:00:00Z", "2020-13-45T99:00:00+99:00")


def over_the_pole(sign: float) -> str:
    """Straight over a pole: up one meridian and down the one opposite; 111,694 m to the degree there."""
    metres = [30.0 * i - 1500.0 for i in range(101)]
    return track(*((sign * (90.0 - abs(m) / 111_694.0), 4.0 if m < 0.0 else -176.0, 2.0) for m in metres))


ODD_COURSES = {
    "duplicated points": track(*(point for point in northwards() for _ in range(20))),
    "time-travelling points": "".join(
        f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>2</ele><time>{TIMES[i % 3]}</time></trkpt>'
        for i, (lat, lon, _) in enumerate(northwards())
    ),
    "antimeridian": track(*((10.0, (359.99 + 30.0 * i / 109_640.0) % 360.0 - 180.0, 2.0) for i in range(101))),
    "north pole": over_the_pole(1.0),
    "south pole": over_the_pole(-1.0),
}


@pytest.mark.parametrize("course", ODD_COURSES)
def test_course_that_is_odd_but_right(
    course: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Three kilometres of plain road wherever they lie, and however often and when points were recorded."""
    race_file = write_race(tmp_path)
    race_file.with_name("course.gpx").write_text(gpx(ODD_COURSES[course]), encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["ttt-opt", "check", str(race_file)])
    with pytest.raises(SystemExit) as ended:
        cli.run()
    told = capfd.readouterr()
    assert (ended.value.code or 0, told.err) == (0, "")
    assert "3.00 km" in told.out


# --- race and team ----------------------------------------------------------------------------------------

BAD_TOML: dict[str, tuple[str, str | bytes, str]] = {
    # file, its content, what the sentence must hold
    "drag area of 25": ("team", TEAM.replace("0.250", "25"), "cda_m2 (Zoë): 25 is not within the allowed 0.12 to 0.6"),
    "mass of 0.7": ("team", TEAM.replace("mass_kg = 77", "mass_kg = 0.7"), "mass_kg (Zoë): 0.7 is not within"),
    "critical power of 3000": ("team", TEAM.replace("cp_w = 316", "cp_w = 3000"), "cp_w (Zoë): 3000 is not within"),
    "W' in kilojoules": ("team", TEAM.replace("20000", "20"), "w_prime_j (Zoë): 20 is not within"),
    "mass that is not a number": ("team", TEAM.replace("mass_kg = 77", "mass_kg = nan"), "nan is not within"),
    "mass that is infinite": ("team", TEAM.replace("mass_kg = 77", "mass_kg = inf"), "inf is not within"),
    "mass as text": ("team", TEAM.replace("mass_kg = 77", 'mass_kg = "77"'), '"77" is not a number'),
    "unknown key of a rider": ("team", TEAM.replace("cda_m2 = 0.250", "CdA_m2 = 0.25"), "did you mean cda_m2?"),
    "two riders of one name": ("team", TEAM.replace("Ben", "Zoë"), "is there twice"),
    "name that turns the text round": ("team", TEAM.replace("Zoë", "Zo\u202eë"), "direction-changing"),
    "name of a megabyte": ("team", TEAM.replace("Zoë", "Z" * 900_000), "characters; allowed:"),
    "wind of 80 m/s": ("race", RACE.replace("wind_speed_mps = 4", "wind_speed_mps = 80"), "80 is not within"),
    "wind from nowhere": ("race", RACE.replace("wind_from_deg = 270", "wind_from_deg = 3e300"), "is not within"),
    "unknown section": ("race", RACE.replace("[weather]", "[wheather]"), "did you mean weather?"),
    "unknown key of a section": ("race", RACE.replace("speed_mps", "speed_ms"), "did you mean wind_speed_mps?"),
    "course above the race folder": ("race", RACE.replace("course.gpx", "../course.gpx"), "leaves the folder"),
    "course at an absolute path": ("race", RACE.replace("course.gpx", "/etc/passwd"), "is not a relative path"),
    "team above the race folder": ("race", RACE.replace("team.toml", "sub/../../team.toml"), "leaves the folder"),
    "race file as its own team": ("race", RACE.replace("team.toml", "race.toml"), "race.toml: "),
    "nested too deeply": ("race", RACE + "x = " + "[\n" * 4_000 + "]\n" * 4_000, "nested too deeply"),
    "dotted key without end": ("race", RACE + "a." * 450_000 + "b = 1\n", "line "),
    "key given twice": ("race", RACE + "wind_speed_mps = 5\n", "appears twice"),
    "truncated text": ("race", RACE[:-3] + '\nx = "', "is not valid TOML"),
    "empty race": ("race", "", "name: is missing"),
    "wrong encoding": ("team", TEAM.encode("latin-1"), "is not UTF-8"),
    "UTF-16": ("team", TEAM.encode("utf-16"), "UTF-16"),
    "larger than allowed": ("race", RACE + "#" + "\n#" * 600_000, "larger than the allowed"),
}  # fmt: skip


@pytest.mark.parametrize("fault", BAD_TOML)
def test_race_and_team(fault: str, tmp_path: Path, refusal: RunHere) -> None:
    which, content, says = BAD_TOML[fault]
    folder = tmp_path / "race"
    race_file = write_race(folder)
    (tmp_path / "course.gpx").write_text("secret")
    (tmp_path / "team.toml").write_text("secret")
    file = folder / f"{which}.toml"
    write(file, content)
    told = refusal("check", race_file)
    assert says in told
    assert "secret" not in told
    assert refusal("plan", race_file, "--out", tmp_path / "out") == told
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no symbolic links")
@pytest.mark.parametrize("name", ["course.gpx", "team.toml"])
def test_link_out_of_the_race_folder(name: str, tmp_path: Path, refusal: RunHere) -> None:
    folder = tmp_path / "race"
    race_file = write_race(folder)
    (tmp_path / name).write_bytes((folder / name).read_bytes())
    (folder / name).unlink()
    (folder / name).symlink_to(tmp_path / name)
    assert "leaves the folder" in refusal("check", race_file)


# --- tables and plans -------------------------------------------------------------------------------------

BAD_TABLES: dict[str, Content] = {
    "empty": b"",
    "truncated": "seconds,watts\n180,400\n300",
    "wrong encoding": "rider,seconds,watts\nZoë,180,400\n".encode("latin-1"),
    "UTF-16": "seconds,watts\n180,400\n".encode("utf-16"),
    "power is not a number": "seconds,watts\n180,400\n300,nan\n",
    "power is infinite": "seconds,watts\n180,400\n300,inf\n",
    "power in kilowatts": "seconds,watts\n180,0.400\n300,0.360\n600,0.330\n",
    "power of a horse": "seconds,watts\n180,40000\n300,36000\n600,33000\n",
    "time backwards": "seconds,watts\n-180,400\n300,360\n",
    "unknown column": "hours,watts\n3,400\n5,360\n",
    "formula": "seconds,watts\n180,=1+1\n300,360\n",
    "unclosed quote": 'seconds,watts\n180,"400\n300,360\n',
    "zeros": b"seconds,watts\n180,\0\0\n",
    "line of a megabyte": "seconds,watts\n180," + "4" * 1_000_000 + "\n",
    "thousand columns": "seconds,watts" + ",x" * 1_000 + "\n",
    "million rows": lambda: "seconds,watts\n" + "180,400\n" * 1_000_001,
    "web page": "<!DOCTYPE html><html></html>",
    "heading that moves the cursor": "seconds,watts,\x1b[2J\n180,400\n",
    "only a header": "seconds,watts\n",
}


@pytest.mark.parametrize("fault", BAD_TABLES)
@pytest.mark.parametrize("words", [("fit",), ("drag",)])
def test_table(words: tuple[str, ...], fault: str, tmp_path: Path, refusal: RunHere) -> None:
    file = tmp_path / "table.csv"
    write(file, BAD_TABLES[fault])
    assert "table.csv: " in refusal(*words, file)


BAD_PLANS: dict[str, Content] = {
    "empty": b"",
    "truncated": '{"finish_time_s": 1',
    "nested too deeply": "[" * 200_000,
    "a number without end": '{"finish_time_s": ' + "9" * 100_000 + "}",
    "not a number": '{"finish_time_s": NaN}',
    "another document": json.dumps({"a": [1, 2, {"b": None}]}),
    "key given twice": '{"race": 1, "race": 2}',
    "wrong encoding": '{"race": "Zoë"}'.encode("latin-1"),
    "a list": "[]",
    "larger than allowed": lambda: "[" + " " * 60_000_000 + "]",
}


@pytest.mark.parametrize("fault", BAD_PLANS)
def test_plan_file(fault: str, tmp_path: Path, refusal: RunHere) -> None:
    file = tmp_path / "plan.json"
    write(file, BAD_PLANS[fault])
    assert "plan.json: " in refusal("simulate", file)


# --- bounded time and memory ------------------------------------------------------------------------------


def largest_table(file: Path) -> None:
    with file.open("w") as stream:
        stream.write("seconds,watts,speed_mps\n")
        stream.writelines(f"{i},{200 + i % 90},{10 + i % 3}\n" for i in range(1_000_000))


def largest_team(file: Path) -> None:
    riders = "".join(f"[[riders]]\nname = 'R{i}'\n" for i in range(38_000))
    file.write_text('[team]\nname = "T"\n' + riders, encoding="utf-8")


MEASURED = """
import atexit, os, re, time
from pathlib import Path
from ttt_opt import cli

def used():
    peak_kb = re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text()).group(1)
    Path(os.environ["USED"]).write_text(f"{time.process_time()} {1024 * int(peak_kb)}")

atexit.register(used)
cli.run()
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from /proc")
@pytest.mark.parametrize("which", ["a million rows", "a megabyte of riders"])
def test_largest_files_take_bounded_time_and_memory(which: str, tmp_path: Path) -> None:
    """Time of the processor, and memory of this process alone. Of a course: see tests/unit/test_gpx.py."""
    race_file = write_race(tmp_path)
    words: tuple[str | Path, ...] = ("check", race_file)
    if which == "a megabyte of riders":
        largest_team(race_file.with_name("team.toml"))
    else:
        largest_table(tmp_path / "ride.csv")
        words = ("drag", tmp_path / "ride.csv")
    told = subprocess.run(
        [sys.executable, "-c", MEASURED, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "USED": str(tmp_path / "used")},
    )
    assert told.returncode in (0, 2)
    assert "Traceback" not in told.stderr
    seconds, memory_bytes = map(float, (tmp_path / "used").read_text().split())
    assert seconds < LONGEST_S
    assert 1e7 < memory_bytes < MOST_BYTES
