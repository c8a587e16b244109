"""Do tests see a wrong sign, unit or index? One line at a time is made wrong in a copy, and its tests are run there.

``python tests/mutations.py [COMMIT]``: the copy is that of a commit (``HEAD``), and what is printed is the table of
DEVELOPERS.md. Not collected by pytest: it takes minutes.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PHYSICS = ("tests/reference/test_physics.py", "tests/property/test_physics_properties.py")
MODEL = (
    "tests/models/test_rotation_closed_forms.py",
    "tests/models/test_rotation_tiny.py",
    "tests/models/test_rotation_other_solver.py",
    "tests/models/test_rotation_blocks.py",
)
CONSTANTS = ("tests/unit/test_rotation_constants.py", "tests/unit/test_rotation_problem.py")
RIDE = ("tests/reference/test_ride_reference.py", "tests/unit/test_ride.py", "tests/unit/test_ride_check.py")


@dataclass(frozen=True)
class Mutation:
    """A line made wrong, in words and in text, and the tests that are near it."""

    what: str
    kind: str
    file: str
    before: str
    after: str
    tests: tuple[str, ...]


MUTATIONS = (
    Mutation(
        "head wind pushes",
        "sign",
        "ttt_opt/physics.py",
        "along = np.asarray(speed_mps, dtype=np.float64) + headwind_mps\n    force",
        "along = np.asarray(speed_mps, dtype=np.float64) - headwind_mps\n    force",
        PHYSICS,
    ),
    Mutation(
        "bearings in W per 0.001",
        "unit",
        "ttt_opt/physics.py",
        "bearings = (91.0 + 8.7 * speed) * 1e-3",
        "bearings = (91.0 + 8.7 * speed) * 1e-2",
        PHYSICS,
    ),
    Mutation(
        "wheels take mass away",
        "sign",
        "ttt_opt/physics.py",
        "dtype=np.float64) + WHEEL_INERTIA",
        "dtype=np.float64) - WHEEL_INERTIA",
        PHYSICS,
    ),
    Mutation(
        "tenth rider as the last",
        "index",
        "ttt_opt/drafting.py",
        "[shares[-2]] * max",
        "[shares[-1]] * max",
        ("tests/reference/test_drafting.py",),
    ),
    Mutation(
        "rest empties W'",
        "sign",
        "ttt_opt/physiology.py",
        "np.exp(np.minimum(surplus, 0.0) / full)",
        "np.exp(-np.minimum(surplus, 0.0) / full)",
        ("tests/reference/test_physiology.py",),
    ),
    Mutation(
        "drifting back takes the line's road with it",
        "sign",
        "ttt_opt/changeover.py",
        "same_road_s = way.duration_s - way.distance_m / speed",
        "same_road_s = way.duration_s + way.distance_m / speed",
        ("tests/reference/test_changeover.py", *RIDE),
    ),
    Mutation(
        "W' used is W' won",
        "sign",
        "models/ttt_models/rotation.py",
        "balance = balance + Terms.of(use)",
        "balance = balance - Terms.of(use)",
        MODEL,
    ),
    Mutation(
        "surge of speed against the segment itself",
        "index",
        "models/ttt_models/rotation.py",
        "earlier.take(rows - 1)",
        "earlier.take(rows)",
        MODEL,
    ),
    Mutation(
        "peak power in W instead of kW times time",
        "unit",
        "models/ttt_models/rotation.py",
        '("below_peak", peak, ~held_on_wheel)',
        '("below_peak", 1000.0 * peak, ~held_on_wheel)',
        MODEL,
    ),
    Mutation(
        "leaders who are late go easier",
        "sign",
        "ttt_opt/ride.py",
        "1.0 + correction), peak_w)",
        "1.0 - correction), peak_w)",
        RIDE,
    ),
    Mutation(
        "rises of speed in m/s against a limit in km/h",
        "unit",
        "ttt_opt/ride_check.py",
        "_worst(3.6 * np.diff(schedule.speed_mps)",
        "_worst(np.diff(schedule.speed_mps)",
        RIDE,
    ),
    Mutation(
        "drivetrain gives work",
        "unit",
        "ttt_opt/rotation_problem.py",
        "/ speed / DRIVETRAIN_EFFICIENCY",
        "/ speed * DRIVETRAIN_EFFICIENCY",
        CONSTANTS,
    ),
    Mutation(
        "cross wind from ahead",
        "index",
        "ttt_opt/rotation_problem.py",
        "road.headwind_mps[:, *extra], road.crosswind_mps[:, *extra]",
        "road.crosswind_mps[:, *extra], road.headwind_mps[:, *extra]",
        CONSTANTS,
    ),
    Mutation(
        "km/h for m/s in the limit of speed",
        "unit",
        "ttt_opt/rotation_problem.py",
        "limits.surge_kmh / 3.6",
        "limits.surge_kmh",
        CONSTANTS,
    ),
    Mutation(
        "standing start takes the time of a flying one",
        "unit",
        "ttt_opt/rotation_problem.py",
        "time_s[0] *= np.sqrt(2.0)",
        "time_s[0] *= 1.0",
        CONSTANTS,
    ),
    Mutation(
        "own bounds on all terrain",
        "index",
        "ttt_opt/rotation_problem.py",
        "longest[flat, i] = rider.longest_pull_s",
        "longest[:, i] = rider.longest_pull_s",
        CONSTANTS,
    ),
)


def copy_of(commit: str, folder: Path) -> None:
    """The files of a commit."""
    archive = subprocess.run(["git", "archive", commit], cwd=ROOT, capture_output=True, check=True).stdout
    subprocess.run(["tar", "-x", "-C", str(folder)], input=archive, check=True)


def first_failure(folder: Path, tests: tuple[str, ...]) -> str:
    """The test that fails first, empty where all pass."""
    there = [name for name in tests if (folder / name).exists()]
    environment = {**os.environ, "PYTHONPATH": f"{folder}{os.pathsep}{folder / 'models'}"}
    words = [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", "--tb=no", *there]
    result = subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True, timeout=1800)
    found = re.search(r"^(?:FAILED|ERROR) (\S+)", result.stdout, flags=re.MULTILINE)
    return found[1] if found else ("" if result.returncode == 0 else f"exit code {result.returncode}")


def main() -> None:
    """Print the table, one row as soon as it is known."""
    commit = sys.argv[1] if len(sys.argv) > 1 else "HEAD"
    print("| what is made wrong | kind | in | caught by |\n|---|---|---|---|", flush=True)
    missed = 0
    for mutation in MUTATIONS:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            copy_of(commit, folder)
            file = folder / mutation.file
            text = file.read_text(encoding="utf-8")
            assert text.count(mutation.before) == 1, f"{mutation.file} holds {mutation.before!r} not exactly once"
            file.write_text(text.replace(mutation.before, mutation.after), encoding="utf-8")
            caught = first_failure(folder, mutation.tests)
        missed += not caught
        told = f"`{caught}`" if caught else "nothing"
        print(f"| {mutation.what} | {mutation.kind} | `{mutation.file}` | {told} |", flush=True)
    sys.exit(missed > 0)


if __name__ == "__main__":
    main()
