"""A bounded, seeded fuzz run over the readers of files from outside: valid files, damaged at random.

Whatever comes, a reader gives data that check themselves, or one printable sentence. What a run finds becomes a test
by the name of the fault, beside the reader or in ``tests/end_to_end/test_untrusted_files.py``. ``TTT_OPT_FUZZ_CASES``
asks for more cases, ``TTT_OPT_FUZZ_SEED`` for others.
"""

from __future__ import annotations

import os
import random
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import numpy as np
import pytest
from conftest import RACE, TEAM, straight_road_gpx

from ttt_opt.course import Course, read_course
from ttt_opt.critical_power_fit import fit_critical_power
from ttt_opt.efforts import read_efforts
from ttt_opt.errors import InputError
from ttt_opt.plan_reading import read_plan
from ttt_opt.race import Race, read_race
from ttt_opt.recorded_ride import read_recorded_ride
from ttt_opt.team import Team, read_team

N_CASES = int(os.environ.get("TTT_OPT_FUZZ_CASES", "300"))
SEED = int(os.environ.get("TTT_OPT_FUZZ_SEED", "7"))
LONGEST_CASE_S = 10

EFFORTS = "rider,seconds,watts\n" + "".join(
    f"{name},{seconds},{power}\n" for name in ("Zoë", "Ben") for seconds, power in ((180, 411), (300, 367), (720, 328))
)
RIDE = "seconds,watts,speed_mps,elevation_m,latitude,longitude\n" + "".join(
    f"{i},{200 + i % 50},{9.5 + i % 3},{10 + i % 7},{54 + i * 1e-4:.5f},4.0\n" for i in range(60)
)
COURSE = straight_road_gpx(900.0)
RECORDING = (
    "<gpx><trk><trkseg>"
    + "".join(
        f'<trkpt lat="{54 + i * 1e-4:.5f}" lon="4.0"><ele>{10 + i % 7}</ele>'
        f"<time>2031-06-01T10:{i // 60:02d}:{i % 60:02d}Z</time>"
        f"<extensions><power>{200 + i % 50}</power></extensions></trkpt>"
        for i in range(90)
    )
    + "</trkseg></trk></gpx>"
)

TOKENS = [
    *("nan", "inf", "-inf", "1e999", "-1e999", "-0", "0", "1_0", "0x1F", "٣", "９", "1e-320", "9" * 400, "-"),
    *("\0", "\x1b[2J", "\u202e", "\ufeff", "\ud7ff", "\U0001f6b2", "é", "\r", "\n\n", "\t", " ", "'", '"', '"""'),
    *("<", ">", "&", "&x;", "<!--", "]]>", "<![CDATA[", "<?xml?>", "<!DOCTYPE gpx>", "/>", "</gpx>", "xmlns=''"),
    *("=", "[", "]", "[[", "]]", "{", "}", ",", ";", "#", "\\", "\\u0000", "../", "/etc/passwd", "%s", "${HOME}"),
    *("true", "null", "[riders]", "[[riders]]", "name = 1", "seconds", "watts", "lat", "lon", "ele", "trkpt"),
]


def damaged(content: bytes, draw: random.Random) -> bytes:
    """A valid file with one to eight pieces changed, moved, repeated, cut out or cut off."""
    for _ in range(draw.choice((1, 1, 1, 2, 3, 5, 8))):
        if not content:
            break
        a, b = sorted((draw.randrange(len(content) + 1), draw.randrange(len(content) + 1)))
        b = min(b, a + draw.choice((1, 3, 10, 200)))
        piece, token = content[a:b], draw.choice(TOKENS).encode("utf-8", "surrogatepass")
        lines = content.splitlines(keepends=True)
        line = draw.randrange(len(lines))
        numbers = [i for i, byte in enumerate(content) if 48 <= byte <= 57]
        at = draw.choice(numbers) if numbers else a
        content = draw.choice(
            (
                lambda c=content, a=a, b=b: c[:a] + c[b:],
                lambda c=content, a=a, t=token: c[:a] + t + c[a:],
                lambda c=content, a=a, b=b, t=token: c[:a] + t + c[b:],
                lambda c=content, a=a, p=piece: c[:a] + p * draw.choice((2, 5, 50)) + c[a:],
                lambda c=content, a=a: c[:a] + bytes([c[a - 1] ^ (1 << draw.randrange(8))]) + c[a:],
                lambda c=content, a=a: c[:a],
                lambda c=content, at=at, t=token: c[:at] + t + c[at + 1 :],
                lambda c=content, at=at: c[:at] + str(draw.randrange(10**6)).encode() + c[at + 1 :],
                lambda ls=lines, n=line: b"".join(ls[:n] + ls[n + 1 :]),
                lambda ls=lines, n=line: b"".join(ls[: n + 1] + ls[n:]),
                lambda ls=lines: b"".join(draw.sample(ls, len(ls))),
                lambda c=content: c.decode("utf-8", "replace").encode(draw.choice(("utf-16", "cp500")), "replace"),
            )
        )()
    return content


@contextmanager
def bounded_time() -> Iterator[None]:
    """Ends a case that takes longer than any file may."""

    def too_long(_signal: int, _frame: FrameType | None) -> None:
        raise AssertionError(f"longer than {LONGEST_CASE_S} s")

    if sys.platform == "win32":
        yield
        return
    old = signal.signal(signal.SIGVTALRM, too_long)
    signal.setitimer(signal.ITIMER_VIRTUAL, LONGEST_CASE_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, old)


def read_and_use(read: Callable[[Path], object], file: Path) -> bool:
    """Whether a file is taken; if not it is refused in one printable sentence."""
    try:
        with bounded_time():
            taken = read(file)
    except InputError as refused:
        told = str(refused)
        assert told.isprintable(), told
        assert len(told) < 1000 + len(str(file))
        return False
    if isinstance(taken, Course):
        for values in (taken.elevation_m, taken.latitude_deg, taken.longitude_deg, taken.heading_deg):
            assert np.isfinite(values).all()
        assert taken.name.isprintable()
    if isinstance(taken, Race):
        assert taken.course_file.resolve().is_relative_to(file.parent.resolve())
    if isinstance(taken, Race | Team):
        team = taken.team if isinstance(taken, Race) else taken
        assert all(35.0 <= rider.mass_kg <= 150.0 and rider.name.isprintable() for rider in team.riders)
    return True


def efforts_fitted(file: Path) -> object:
    """As the command does it: a fit that is refused is a refusal."""
    read = read_efforts(file, None)
    for name, efforts in read.items():
        try:
            fit_critical_power(efforts, "duration")
        except ValueError as error:
            raise InputError("efforts.csv", name, str(error)) from error
    return read


READERS: dict[str, tuple[str, str, Callable[[Path], object]]] = {
    "course": ("course.gpx", COURSE, read_course),
    "race": ("race.toml", RACE, read_race),
    "team": ("team.toml", TEAM, read_team),
    "efforts": ("efforts.csv", EFFORTS, efforts_fitted),
    "ride": ("ride.csv", RIDE, read_recorded_ride),
    "recording": ("ride.gpx", RECORDING, read_recorded_ride),
}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("which", READERS)
def test_damaged_file_is_read_or_refused(which: str, tmp_path: Path) -> None:
    name, content, read = READERS[which]
    draw = random.Random(f"{SEED} {which}")
    for file, text in (("course.gpx", COURSE), ("team.toml", TEAM)):
        (tmp_path / file).write_text(text, encoding="utf-8")
    path = tmp_path / name
    path.write_text(content, encoding="utf-8")
    assert read_and_use(read, path)
    taken = 0
    for number in range(N_CASES):
        hurt = damaged(content.encode(), draw)
        path.write_bytes(hurt)
        try:
            taken += read_and_use(read, path)
        except BaseException as error:
            error.add_note(f"case {number} of seed {SEED}: {hurt[:4000]!r}")
            raise
    assert N_CASES // 50 < taken < N_CASES  # the damage is neither always fatal nor always harmless


def test_damaged_plan_is_read_or_refused(tmp_path: Path, short_plan_text: str) -> None:
    draw = random.Random(f"{SEED} plan")
    path = tmp_path / "plan.json"
    for number in range(N_CASES // 3):
        hurt = damaged(short_plan_text.encode(), draw)
        path.write_bytes(hurt)
        try:
            read_and_use(read_plan, path)
        except BaseException as error:
            error.add_note(f"case {number} of seed {SEED}")
            raise
