"""Results of a run: rows, where and with what they were measured, and their files."""

from __future__ import annotations

import csv
import io
import json
import os
import platform
import subprocess
from dataclasses import asdict, dataclass, field, fields
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from ttt_opt.writing import write_results

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("highspy", "pyomo", "numpy", "scipy", "pyscipopt", "nevergrad", "cma")
GAPS = (0.005, 0.003, 0.002, 0.001)
"""Gaps for which the time until they are reached is kept."""


@dataclass(frozen=True)
class Row:
    """One method on one instance.

    Attributes
    ----------
    instance, method : str
    n_riders, n_segments, seed : int
    length_km, time_limit_s : float
    finish_time_s : float or None
        Of the ride (s); ``None``: no plan.
    missed : list of str
        Checks of the ride that are not met.
    model_time_s, bound_s, gap : float or None
        Time of the plan in the method's own model, its proven bound (s) and the gap between them (share).
    stopped_because : str
    seconds, build_s : float
        In all, without riding the answer of a peer; what of it went into building models.
    first_plan_s : float or None
    until_proven_s, until_good_s : dict
        For each gap: seconds until it was proven; until the plan was that close to the final bound.
    peak_memory_mb : float
        Upper bound: of the process, and of as many of its largest children as there are cores.
    cpu_s : float or None
        Processor time that the process and its children got (s).
    n_rides : int or None
        Plans that were ridden by an evolutionary optimiser.
    trace : list
        Seconds, what was done, best time and bound (s; ``None`` without), as told on the way.
    """

    instance: str
    method: str
    n_riders: int
    n_segments: int
    length_km: float
    seed: int
    time_limit_s: float
    finish_time_s: float | None = None
    missed: list[str] = field(default_factory=list)
    model_time_s: float | None = None
    bound_s: float | None = None
    gap: float | None = None
    stopped_because: str = ""
    seconds: float = 0.0
    build_s: float = 0.0
    first_plan_s: float | None = None
    until_proven_s: dict[str, float] = field(default_factory=dict)
    until_good_s: dict[str, float] = field(default_factory=dict)
    peak_memory_mb: float = 0.0
    cpu_s: float | None = None
    n_rides: int | None = None
    trace: list[list[Any]] = field(default_factory=list)


def surroundings(settings: dict[str, Any]) -> dict[str, Any]:
    """When, from which commit, on what and with what a run was made; no names of machines or folders."""

    def git(*arguments: str) -> str:
        return subprocess.run(["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()

    def installed(package: str) -> str | None:
        try:
            return version(package)
        except PackageNotFoundError:
            return None

    memory_gb = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "date": datetime.now(UTC).isoformat(timespec="seconds"),
        "commit": git("rev-parse", "--short", "HEAD"),
        "changed_since": bool(git("status", "--porcelain", "--untracked-files=no")),
        "cores": os.cpu_count(),
        "memory_gb": round(memory_gb, 1),
        "machine": f"{platform.system()} {platform.machine()}",
        "load_before": round(os.getloadavg()[0], 2),
        "python": platform.python_version(),
        "versions": {package: installed(package) for package in PACKAGES},
        "settings": settings,
    }


def run_name(about: dict[str, Any], what: str) -> str:
    """Name of a run's files: date and minute, commit, and what was run."""
    return f"{about['date'][:16].replace(':', '')}-{about['commit']}-{what}"


def write_run(folder: Path, name: str, about: dict[str, Any], rows: list[Row]) -> Path:
    """Write a run as JSON, all of it, and as CSV, without traces; the JSON file."""
    document = {"about": about, "rows": [asdict(row) for row in rows]}
    left_out = ("trace", "until_proven_s", "until_good_s")
    columns = [item.name for item in fields(Row) if item.name not in left_out]
    columns += [f"{what}_{100 * gap:g}_percent_s" for what in ("proven", "good") for gap in GAPS]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        values = asdict(row) | {"missed": "; ".join(row.missed)}
        for what in ("proven", "good"):
            for gap in GAPS:
                values[f"{what}_{100 * gap:g}_percent_s"] = values[f"until_{what}_s"].get(f"{gap:g}")
        writer.writerow([values[column] for column in columns])
    whole = json.dumps(document, indent=None, allow_nan=False).replace('{"instance"', '\n{"instance"') + "\n"
    write_results(folder, {f"{name}.json": whole, f"{name}.csv": text.getvalue()})
    return folder / f"{name}.json"


def read_results(file: Path) -> tuple[dict[str, Any], list[Row]]:
    """Read a run back."""
    document = json.loads(file.read_text(encoding="utf-8"))
    return document["about"], [Row(**row) for row in document["rows"]]
