"""Faults while the command works: interrupted, no room, no permission, a solver that fails, limits nobody can keep.

Whatever happens, the answer is one sentence and an exit code, and the files of an output folder are those of one run.
"""

from __future__ import annotations

import contextlib
import json
import math
import multiprocessing
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from conftest import RACE, answer_with, write_race

from ttt_opt import cli, pull_bound, rotation_optimum
from ttt_opt.course import read_course
from ttt_opt.errors import InputError, NoFeasiblePlanError, SolverFailureError
from ttt_opt.plan import Plan, plan_on, ride_and_check
from ttt_opt.race import read_race
from ttt_opt.search_control import Settings
from ttt_opt.terminal_names import is_unsafe
from ttt_opt.writing import prepare_folder, write_results

ROOT = Path(__file__).resolve().parents[2]
FILES = {"plan.json", "plan.txt", "schedule.csv", "briefing.html", "cards.html", "cues.gpx"}
pytestmark = pytest.mark.usefixtures("listens_to_ctrl_c")
needs_posix = pytest.mark.skipif(os.name != "posix", reason="signals, resource limits and devices of POSIX")


def command(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "ttt_opt.cli", *map(str, words)]


def sentence_of(told: str) -> str:
    """The one line on standard error."""
    lines = told.splitlines()
    assert len(lines) == 1, told
    assert lines[0].startswith("ttt-opt: ")
    assert not any(is_unsafe(character) for character in lines[0])
    return lines[0].removeprefix("ttt-opt: ")


@pytest.fixture
def run_here(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    """Run the entry point in this process: exit code and the sentence on standard error, empty without one."""

    def run(*words: str | Path) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["ttt-opt", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            cli.run()
        told = capfd.readouterr().err
        code = ended.value.code
        assert isinstance(code, int)
        return code, sentence_of(told) if told else ""

    return run


RunHere = Callable[..., tuple[int, str]]


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """An output folder with results of an older run and a file of somebody else."""
    out = tmp_path / "out"
    out.mkdir()
    for name in FILES:
        (out / name).write_text("older")
    (out / "notes.txt").write_text("older")
    return out


def assert_untouched(out: Path) -> None:
    assert {path.name: path.read_text(encoding="utf-8") for path in out.iterdir()} == dict.fromkeys(
        FILES | {"notes.txt"}, "older"
    )


def interrupting(monkeypatch: pytest.MonkeyPatch, module: str, name: str, *, at_call: int = 1, times: int = 1) -> None:
    """Before the given call of a function, the process gets SIGINT, as from Ctrl-C."""
    holder = sys.modules.get(module) or __import__(module, fromlist=[name])
    original = getattr(holder, name)
    calls = []

    def pressed(*args: Any, **kwargs: Any) -> Any:
        calls.append(name)
        if len(calls) == at_call:
            for _ in range(times):
                signal.raise_signal(signal.SIGINT)
        return original(*args, **kwargs)

    monkeypatch.setattr(holder, name, pressed)


# --- interrupted -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("ttt_opt.race", "read_race"),
        ("ttt_opt.race", "read_toml"),
        ("ttt_opt.plan", "read_course"),
        ("ttt_opt.course", "read_track"),
        ("ttt_opt.plan", "segments_of"),
        ("ttt_opt.writing", "prepare_folder"),
    ],
)
def test_interrupted_while_reading(
    module: str,
    name: str,
    small_race_file: Path,
    older: Path,
    run_here: RunHere,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    interrupting(monkeypatch, module, name)
    assert run_here("plan", small_race_file, "--out", older, "--quiet") == (130, "interrupted")
    assert_untouched(older)


@pytest.mark.parametrize("at_build", [1, 2])
def test_interrupted_in_the_search_gives_the_plan_so_far(
    at_build: int, small_race_file: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the first model is built there is no plan yet: the search goes on until there is one."""
    interrupting(monkeypatch, "ttt_opt.rotation_optimum", "compile_rotation", at_call=at_build)
    code, _ = run_here("plan", small_race_file, "--out", older, "--quiet", "--time-limit", "60")
    assert code in (0, 1)  # 1: the plan so far may fail its ride check
    document = json.loads((older / "plan.json").read_text(encoding="utf-8"))
    assert document["stopped_because"] == "interrupted"
    assert document["best_possible_s"] is None
    assert {path.name for path in older.iterdir()} == FILES | {"notes.txt"}
    assert "older" not in {(older / name).read_text(encoding="utf-8") for name in FILES}


def test_interrupted_twice_in_the_search_ends_the_program(
    small_race_file: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    interrupting(monkeypatch, "ttt_opt.rotation_optimum", "compile_rotation", times=2)
    assert run_here("plan", small_race_file, "--out", older, "--quiet") == (130, "interrupted")
    assert_untouched(older)


@needs_posix
@pytest.mark.parametrize(("times", "code"), [(1, (0, 1)), (2, (130,))])
def test_interrupted_while_other_processes_are_busy(
    times: int,
    code: tuple[int, ...],
    small_race_file: Path,
    older: Path,
    run_here: RunHere,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nobody waits for the solver in other processes: here each would take two minutes; nor for a second Ctrl-C."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    here, original = os.getpid(), rotation_optimum.search_order

    def search_order(_road: Any, _race: Any, order: tuple[int, ...], *_: Any) -> None:
        assert os.getpid() != here
        told_to_end: list[int] = []
        signal.signal(signal.SIGTERM, lambda number, _frame: told_to_end.append(number))  # when all are sent
        for _ in range(times if order == (0, 1, 2) else 0):
            os.kill(here, signal.SIGINT)
            time.sleep(0.5)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        if told_to_end:
            os._exit(1)
        time.sleep(120.0)

    search_order.__module__, search_order.__qualname__ = original.__module__, original.__qualname__
    monkeypatch.setattr(rotation_optimum, "search_order", search_order)
    began = time.monotonic()
    ended, _ = run_here("plan", small_race_file, "--out", older, "--quiet", "--time-limit", "200")
    assert time.monotonic() - began < 60.0
    assert ended in code
    told = time.monotonic()
    while multiprocessing.active_children():  # told to end, maybe not gone yet
        assert time.monotonic() - told < 10.0
        time.sleep(0.05)


def test_interrupted_while_the_only_order_is_bounded(
    small_race_file: Path, tmp_path: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The solver works in this process then, and asks whether to stop."""
    shutil.copytree(small_race_file.parent, tmp_path / "race")
    race_file = tmp_path / "race" / "race.toml"
    race_file.write_text('start_order = ["Ben", "Cas", "Zoë"]\n' + RACE, encoding="utf-8")
    solve, asked = rotation_optimum.solve_by_interior_point, []

    def interrupted_solve(*args: Any, interrupted: Callable[[], bool], **kwargs: Any) -> Any:
        assert not interrupted()
        signal.raise_signal(signal.SIGINT)
        outcome = solve(*args, interrupted=interrupted, **kwargs)
        asked.append(outcome.stopped_because)
        return outcome

    monkeypatch.setattr(rotation_optimum, "solve_by_interior_point", interrupted_solve)
    code, _ = run_here("plan", race_file, "--out", older, "--quiet", "--time-limit", "60")
    assert code in (0, 1)
    assert asked == ["interrupted"]
    assert json.loads((older / "plan.json").read_text(encoding="utf-8"))["stopped_because"] == "interrupted"


@pytest.mark.parametrize(
    ("module", "name"), [("ttt_opt.plan_text", "plan_text"), ("ttt_opt.plan_document", "plan_document")]
)
def test_interrupted_after_the_search(
    module: str,
    name: str,
    small_race_file: Path,
    small_plan: Plan,
    older: Path,
    run_here: RunHere,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    answer_with(monkeypatch, small_plan)
    interrupting(monkeypatch, module, name)
    assert run_here("plan", small_race_file, "--out", older, "--quiet") == (130, "interrupted")
    assert_untouched(older)


@pytest.mark.parametrize("at_file", [1, 3, 6])
def test_interrupted_while_writing(
    at_file: int,
    small_race_file: Path,
    small_plan: Plan,
    older: Path,
    run_here: RunHere,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    answer_with(monkeypatch, small_plan)
    interrupting(monkeypatch, "ttt_opt.writing", "_write_synced", at_call=at_file + 2)  # after two probes
    assert run_here("plan", small_race_file, "--out", older, "--quiet") == (130, "interrupted")
    assert_untouched(older)


@pytest.mark.parametrize("at_file", [1, 3, 6])
def test_interrupted_while_files_take_their_names(
    at_file: int,
    small_race_file: Path,
    small_plan: Plan,
    older: Path,
    run_here: RunHere,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Half of the results would be of this run, half of an older one: so all are done first."""
    answer_with(monkeypatch, small_plan)
    original, calls = Path.replace, []

    def replace(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == at_file:
            signal.raise_signal(signal.SIGINT)
        return original(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    assert run_here("plan", small_race_file, "--out", older, "--quiet") == (130, "interrupted")
    texts = {path.name: path.read_text(encoding="utf-8") for path in older.iterdir()}
    assert texts.pop("notes.txt") == "older"
    assert texts.keys() == FILES
    assert "older" not in texts.values()
    assert json.loads(texts["plan.json"])["finish_time_s"] == pytest.approx(small_plan.finish_time_s)


class _HitWhileLoading:
    """A module whose start-up code turns an interrupt into another error, as compiled libraries do."""

    def find_spec(self, name: str, *_: object) -> None:
        if name == "ttt_opt.cues":
            try:
                signal.raise_signal(signal.SIGINT)
            except KeyboardInterrupt:
                raise ImportError("initialization failed") from None


def test_interrupted_while_libraries_are_loaded(
    small_race_file: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A compiled library may answer Ctrl-C during its start-up with an import error of its own, or swallow it."""
    monkeypatch.delitem(sys.modules, "ttt_opt.cues", raising=False)
    monkeypatch.setattr(sys, "meta_path", [_HitWhileLoading(), *sys.meta_path])
    assert run_here("plan", small_race_file, "--out", older, "--quiet") == (130, "interrupted")
    assert {path.read_text(encoding="utf-8") for path in older.iterdir()} == {"older"}


@needs_posix
@pytest.mark.parametrize("which", ["check", "plan"])
def test_interrupted_while_a_large_file_is_read(which: str, tmp_path: Path) -> None:
    """A real signal to a real process, in the middle of a course that takes seconds to read."""
    race_file = write_race(tmp_path / "race")
    with (race_file.parent / "course.gpx").open("w") as stream:
        stream.write("<gpx><trk><trkseg>")
        for i in range(900_000):
            stream.write(f'<trkpt lat="{50 + i * 1e-6:.6f}" lon="6"><ele>1</ele></trkpt>')
        stream.write("</trkseg></trk></gpx>")
    out = tmp_path / "out"
    words = ("check", race_file) if which == "check" else ("plan", race_file, "--out", out, "--quiet")
    read_bytes = Path(f"/proc/{os.getpid()}/io").exists()
    with subprocess.Popen(command(*words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        if read_bytes:  # until it has read a good part of the file
            while running.poll() is None and _characters_read(running.pid) < 30_000_000:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    running.wait(0.02)
        running.send_signal(signal.SIGINT)
        told = running.communicate(timeout=120)
    assert running.returncode == 130
    assert sentence_of(told[1]) == "interrupted"
    assert told[0] == ""
    assert not (out / "plan.json").exists()


def _characters_read(pid: int) -> int:
    with contextlib.suppress(OSError):
        return int(re.search(r"rchar: (\d+)", Path(f"/proc/{pid}/io").read_text())[1])  # type: ignore[index]
    return 0


# --- no room ----------------------------------------------------------------------------------------------


def limited(largest_file_bytes: int) -> Callable[[], None]:
    """What a new process does first: files beyond so many bytes fail, as on a full disk."""
    import resource

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file_bytes, largest_file_bytes))

    return limit


@needs_posix
def test_disk_full_while_results_are_written(older: Path, shortest_race_file: Path) -> None:
    result = subprocess.run(
        command("plan", shortest_race_file, "--out", older, "--quiet", "--time-limit", "60"),
        capture_output=True,
        text=True,
        timeout=240,
        preexec_fn=limited(8_000),
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert result.returncode == 2
    assert re.search(r"out: cannot be written: .*; choose another folder with --out", sentence_of(result.stderr))
    assert_untouched(older)


@needs_posix
def test_disk_full_while_lines_of_a_team_file_are_written(tmp_path: Path) -> None:
    result = subprocess.run(
        command("fit", "--threshold-power", "300", "--out", tmp_path / "lines.toml"),
        capture_output=True,
        text=True,
        timeout=120,
        preexec_fn=limited(10),
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert result.returncode == 2
    assert "cannot be written" in sentence_of(result.stderr)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
@pytest.mark.parametrize("buffered", [True, False])
def test_disk_full_while_the_answer_is_printed(buffered: bool) -> None:
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    if not buffered:
        environment["PYTHONUNBUFFERED"] = "1"
    with Path("/dev/full").open("w") as full:
        result = subprocess.run(
            command("check", ROOT / "data" / "demo" / "race.toml"),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            env=environment,
        )
    assert result.returncode == 2
    assert sentence_of(result.stderr) == "cannot write: No space left on device; make room and run again"


@pytest.mark.parametrize("buffered", [True, False])
def test_reader_of_the_answer_went_away(buffered: bool) -> None:
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    if not buffered:
        environment["PYTHONUNBUFFERED"] = "1"
    with subprocess.Popen(
        command("check", ROOT / "data" / "demo" / "race.toml"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == ""
    assert running.returncode == 1


# --- no permission ----------------------------------------------------------------------------------------


@contextlib.contextmanager
def not_as_root() -> Iterator[None]:
    """Root may write everywhere, so that root tries it as nobody."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(user)


@needs_posix
def test_output_folder_is_read_only() -> None:
    """As nobody the command itself could not be loaded here, so that its two steps are taken one by one."""
    with tempfile.TemporaryDirectory() as name:
        out = Path(name)
        (out / "plan.json").write_text("older")
        out.chmod(0o555)
        for folder in (out, out / "below"):
            for step in (prepare_folder, lambda folder: write_results(folder, {"plan.json": "newer"})):
                with not_as_root(), pytest.raises(InputError) as caught:
                    step(folder)
                assert str(caught.value) == (
                    f"{folder}: cannot be written: Permission denied; choose another folder with --out"
                )
        assert [(path.name, path.read_text()) for path in out.iterdir()] == [("plan.json", "older")]


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder that nobody can write to")
def test_output_folder_cannot_be_made(small_race_file: Path, run_here: RunHere) -> None:
    code, told = run_here("plan", small_race_file, "--out", "/proc/out")
    assert code == 2
    assert told.startswith("/proc/out: cannot be written: ")


# --- two runs ---------------------------------------------------------------------------------------------

WRITER = """
import sys
from pathlib import Path
from ttt_opt.writing import write_results
for number in range(40):
    write_results(Path(sys.argv[1]), {name: f"{sys.argv[2]} {number}" for name in ("a", "b", "c", "d", "e", "f")})
"""


@needs_posix
def test_two_runs_in_one_folder_at_once(tmp_path: Path) -> None:
    """Whoever looks while nobody gives names sees the files of one run, never some of each."""
    import fcntl

    with contextlib.ExitStack() as running:
        writers = [
            running.enter_context(subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), name], cwd=ROOT))
            for name in ("first", "second")
        ]
        looks = 0
        descriptor = os.open(tmp_path, os.O_RDONLY)
        while any(writer.poll() is None for writer in writers):
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            seen = {path.read_text() for path in tmp_path.glob("[a-f]")}
            fcntl.flock(descriptor, fcntl.LOCK_UN)
            assert len(seen) <= 1, seen
            looks += len(seen)
        os.close(descriptor)
    assert [writer.returncode for writer in writers] == [0, 0]
    assert looks > 5
    texts = {path.name: path.read_text() for path in tmp_path.iterdir()}
    assert texts.keys() == set("abcdef")
    assert set(texts.values()) in ({"first 39"}, {"second 39"})


# --- the solver -------------------------------------------------------------------------------------------


@contextlib.contextmanager
def failing_from_call(
    monkeypatch: pytest.MonkeyPatch, name: str, at_call: int, fail: Callable[[], None]
) -> Iterator[None]:
    original, calls = getattr(rotation_optimum, name), []

    def call(*args: Any, **kwargs: Any) -> Any:
        calls.append(name)
        if len(calls) >= at_call:
            fail()
        return original(*args, **kwargs)

    monkeypatch.setattr(rotation_optimum, name, call)
    yield
    assert len(calls) >= at_call


def give_up() -> None:
    raise SolverFailureError("the solver stopped with status 'Unknown'")


def test_solver_fails_before_there_is_a_plan(
    small_race_file: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    with failing_from_call(monkeypatch, "follow_prices", 1, give_up):
        code, told = run_here("plan", small_race_file, "--out", older, "--quiet")
    assert (code, told) == (4, "the solver stopped with status 'Unknown'")
    assert_untouched(older)


@needs_posix
@pytest.mark.usefixtures("first_patterns")
@pytest.mark.parametrize("crash", [give_up, lambda: os._exit(139)], ids=["gives up", "process dies"])
def test_solver_fails_when_there_is_a_plan(
    crash: Callable[[], None], small_race_file: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The processes that search line orders are forked, and each of them fails: the plan of before is not lost."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    here, original = os.getpid(), rotation_optimum.search_order

    def search_order(*args: Any) -> Any:
        assert os.getpid() != here
        crash()
        return original(*args)

    search_order.__module__, search_order.__qualname__ = original.__module__, original.__qualname__
    monkeypatch.setattr(rotation_optimum, "search_order", search_order)
    code, _ = run_here("plan", small_race_file, "--out", older, "--quiet", "--time-limit", "60")
    assert code in (0, 1)
    document = json.loads((older / "plan.json").read_text(encoding="utf-8"))
    assert document["stopped_because"] == "solver failure"
    assert document["search"]["quick_bound"]
    assert "the solver failed; this is the best plan until then" in " ".join(
        (older / "plan.txt").read_text(encoding="utf-8").split()
    )


@pytest.mark.parametrize("only_at_first", [False, True])
def test_an_order_in_which_no_pulls_add_up_ends_no_search(
    only_at_first: bool, small_race_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In other orders they do; and where they do at first, they need not at the speeds of the plan."""
    data_of, orders = rotation_optimum.rotation_data, []

    def rotation_data(road: Any, race: Any, order: tuple[int, ...], *args: Any, **kwargs: Any) -> Any:
        orders.append(order)
        if order != (0, 1, 2) or (only_at_first and len(orders) > 1):
            raise NoFeasiblePlanError("the pulls do not add up")
        return data_of(road, race, order, *args, **kwargs)

    monkeypatch.setattr(rotation_optimum, "rotation_data", rotation_data)
    race = read_race(small_race_file)
    made = plan_on(read_course(race.course_file), race, Settings(time_limit_s=30.0, processes=1))
    assert made.start_order[made.start_order.index("Zoë") - 2] == "Ben"
    assert (0, 2, 1) in orders
    assert only_at_first or made.optimum.n_orders_discarded == 1
    orders.clear()
    rides = partial(ride_and_check, race, made.course, made.road)
    bound_s = rotation_optimum.relaxed_bound(made.road, race, rides, Settings(time_limit_s=60.0, processes=1))
    if only_at_first:  # nothing is bounded, which must not read as a team without a plan
        assert bound_s == -math.inf
    else:
        assert 0.95 * made.finish_time_s < bound_s < 1.01 * made.finish_time_s


def test_a_relaxation_cut_short_gives_no_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its prices bound too, but far too low: a quick bound must be able to take its place."""
    solve = rotation_optimum.solve_by_interior_point

    def cut_short(*args: Any, **kwargs: Any) -> Any:
        found = solve(*args, **kwargs)
        poor = None if found.row_duals is None else 0.5 * found.row_duals
        return replace(found, stopped_because="time limit", values=None, bound=-5000.0, row_duals=poor)

    for module in (rotation_optimum, pull_bound):
        monkeypatch.setattr(module, "solve_by_interior_point", cut_short)
    race = read_race(write_race(tmp_path, length_m=1500.0))
    made = plan_on(read_course(race.course_file), race, Settings(time_limit_s=30.0, processes=1))
    assert made.optimum.best_possible_s == -math.inf


@pytest.mark.usefixtures("first_patterns")
def test_time_is_up_with_a_plan(small_race_file: Path, older: Path, run_here: RunHere) -> None:
    code, _ = run_here("plan", small_race_file, "--out", older, "--quiet", "--time-limit", "1", "--gap", "0")
    assert code in (0, 1)
    document = json.loads((older / "plan.json").read_text(encoding="utf-8"))
    assert document["stopped_because"] == "time limit"


def test_time_is_up_before_there_is_a_plan(
    small_race_file: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever has not looked long enough must not say that no plan keeps the limits."""
    monkeypatch.setattr(rotation_optimum, "follow_prices", lambda *_, **__: None)
    monkeypatch.setattr("ttt_opt.search_control.SearchClock.left_s", 0.0)
    code, told = run_here("plan", small_race_file, "--out", older, "--quiet", "--time-limit", "5")
    assert (code, told) == (4, "the 5 s of --time-limit were over before any plan was found; allow more")
    assert_untouched(older)


def test_interrupted_before_there_is_a_plan(
    small_race_file: Path, older: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rotation_optimum, "follow_prices", lambda *_, **__: None)
    interrupting(monkeypatch, "ttt_opt.rotation_optimum", "compile_rotation")
    assert run_here("plan", small_race_file, "--out", older, "--quiet") == (130, "interrupted")
    assert_untouched(older)
