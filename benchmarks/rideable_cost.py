"""What riding a plan in a few stretches costs against the detailed plan: ``python benchmarks/rideable_cost.py``.

    python benchmarks/rideable_cost.py [NAME or race.toml ...] [--time-limit S] [--pattern-limit S] [--plans FOLDER]
    python benchmarks/rideable_cost.py --table

Names are those of the registry, all but those for growth where none is given. In one process, one race after the other.
With ``--plans`` plans and briefings are kept in FOLDER/NAME, and a detailed plan that is there is taken as it is. The
second form writes results/rideable-cost.csv as a table into README.md.
"""

from __future__ import annotations

import argparse
import csv
import io
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from instances import REGISTRY, write_instance
from report import clock, table
from results import ROOT, surroundings
from ttt_opt.allowance import Allowance
from ttt_opt.briefing import briefing_html
from ttt_opt.pattern_plan import described
from ttt_opt.plan import MOST_SEGMENTS_FOR_PATTERNS, PATTERN_SECONDS, RIDEABLE_SHARE, Plan, make_plan, seconds_for
from ttt_opt.plan_document import document_text, plan_document
from ttt_opt.plan_reading import read_plan
from ttt_opt.plan_text import plan_text
from ttt_opt.race import read_race
from ttt_opt.rideable_plan import make_rideable_plan
from ttt_opt.search_control import Settings
from ttt_opt.writing import prepare_folder, write_results

README = ROOT / "benchmarks" / "README.md"
BEGIN, END = "<!-- rideable plans: written by benchmarks/rideable_cost.py -->", "<!-- end of rideable plans -->"
DETAILED = "detailed.json"
RESULTS = "rideable-cost.csv"


@dataclass(frozen=True)
class Row:
    """The rideable plan of one race.

    Attributes
    ----------
    race, date, commit, machine : str
    n_riders, n_segments : int
    length_km, search_s : float
        Length (km) and the search for the detailed plan (s, wall-clock).
    detailed_s, rideable_s : float or None
        Finish times of the rides (s).
    detailed_missed, rideable_missed : str
        Checks of the ride that are not met.
    n_stretches : int
    patterns_cpu_s : float
        Processor time for the rideable plan (s).
    """

    race: str
    n_riders: int
    length_km: float
    n_segments: int
    search_s: float
    detailed_s: float
    detailed_missed: str
    rideable_s: float | None
    rideable_missed: str
    n_stretches: int
    patterns_cpu_s: float
    date: str
    commit: str
    machine: str


def race_file_of(word: str, folder: Path) -> tuple[str, Path]:
    """Name and race file of an instance, written into a folder, or of a race file."""
    if word in REGISTRY:
        return word, write_instance(REGISTRY[word], folder / word)
    return Path(word).parent.name, Path(word)


def detailed_plan(race_file: Path, kept: Path | None, time_limit_s: float) -> Plan:
    """The detailed plan: one that was kept, else a new one."""
    if kept is not None and (kept / DETAILED).exists():
        return read_plan(kept / DETAILED)
    plan = make_plan(read_race(race_file), Settings(time_limit_s=time_limit_s, processes=1))
    if kept is not None:
        prepare_folder(kept)
        write_results(kept, {DETAILED: document_text(plan_document(plan))})
    return plan


def missed(plan: Any) -> str:
    """The checks that the ride of a plan does not meet."""
    return "; ".join(f"{check.name}: {check.detail}" for check in plan.check.failed)


def with_rideable(plan: Plan, limit_s: float) -> Plan:
    """The plan with its rideable plan, searched as ``plan`` does, but limited by processor time; no fall-backs."""
    race, course, road, schedule = plan.race, plan.course, plan.road, plan.optimum.schedule
    if road.n_segments > MOST_SEGMENTS_FOR_PATTERNS:
        return plan
    allowed = Allowance.of(seconds_for(limit_s, race), time.process_time)
    ridden = make_rideable_plan(course, road, race, schedule, plan.optimum.w_prime_j, allowed)
    return plan if ridden is None else replace(plan, rideable=described(course, road, race, schedule, ridden))


def measured(name: str, detailed: Plan, pattern_limit_s: float, kept: Path | None) -> Row:
    """Search patterns for a detailed plan."""
    began = time.process_time()
    plan = with_rideable(detailed, pattern_limit_s)
    cpu_s = time.process_time() - began
    if kept is not None:
        results = {"plan.json": document_text(plan_document(plan)), "plan.txt": plan_text(plan)}
        write_results(kept, results | {"briefing.html": briefing_html(plan)})
    about, rideable = surroundings({}), plan.rideable
    return Row(
        race=name,
        n_riders=len(plan.race.team.riders),
        length_km=round(plan.course.length_m / 1000.0, 2),
        n_segments=plan.road.n_segments,
        search_s=round(plan.optimum.solve_seconds, 1),
        detailed_s=round(plan.check.finish_time_s, 2),
        detailed_missed=missed(plan),
        rideable_s=None if rideable is None else round(rideable.finish_time_s, 2),
        rideable_missed="" if rideable is None else missed(rideable),
        n_stretches=0 if rideable is None else len(rideable.stretches),
        patterns_cpu_s=round(cpu_s, 1),
        date=datetime.now(UTC).isoformat(timespec="minutes"),
        commit=about["commit"] + ("+" if about["changed_since"] else ""),
        machine=f"{about['machine']}, {about['cores']} cores",
    )


def read_rows(file: Path) -> list[Row]:
    """Rows that were written before; none where there is no file."""
    if not file.exists():
        return []
    kinds: dict[str, Callable[[str], Any]] = {
        "int": int,
        "float": float,
        "float | None": lambda text: float(text) if text else None,
        "str": str,
    }
    with file.open(encoding="utf-8", newline="") as lines:
        return [
            Row(**{item.name: kinds[str(item.type)](row[item.name]) for item in fields(Row)})
            for row in csv.DictReader(lines)
        ]


def write_rows(file: Path, rows: list[Row]) -> None:
    """Write rows, the last of each race, in the order of the registry."""
    last = {row.race: row for row in rows}
    places = {name: place for place, name in enumerate(REGISTRY)}
    text = io.StringIO()
    writer = csv.DictWriter(text, [item.name for item in fields(Row)], lineterminator="\n")
    writer.writeheader()
    writer.writerows(asdict(row) for row in sorted(last.values(), key=lambda row: places.get(row.race, len(places))))
    write_results(file.parent, {file.name: text.getvalue()})


def table_lines(rows: list[Row]) -> list[str]:
    """The table for the page, and when and on what it was measured."""
    headings = ["race", "riders", "km", "segments", "detailed", "stretches", "slower s", "slower", "CPU s", "missed by"]
    cells = []
    for row in rows:
        slower_s = None if row.rideable_s is None else row.rideable_s - row.detailed_s
        plans = {"the detailed plan": row.detailed_missed, "the rideable plan": row.rideable_missed}
        cells.append(
            [
                row.race,
                f"{row.n_riders}",
                f"{row.length_km:g}",
                f"{row.n_segments}",
                clock(row.detailed_s),
                "none" if slower_s is None else f"{row.n_stretches}",
                "–" if slower_s is None else f"{slower_s:+.1f}",
                "–" if slower_s is None else f"{100.0 * slower_s / row.detailed_s:+.2f} %",
                f"{row.patterns_cpu_s:.0f}",
                "; ".join(f"{plan}: {missed}" for plan, missed in plans.items() if missed) or "–",
            ]
        )
    measured_at = sorted({f"{row.date[:10]}, commit {row.commit}, {row.machine}" for row in rows})
    return [*table(headings, cells), "", f"{'; '.join(measured_at)}."]


def write_table(rows: list[Row]) -> None:
    """Put the table between its marks."""
    before, _, rest = README.read_text(encoding="utf-8").partition(BEGIN)
    _, found, after = rest.partition(END)
    if not found:
        sys.exit(f"{README.name} has no lines {BEGIN} and {END}")
    write_results(README.parent, {README.name: "\n".join([before + BEGIN, "", *table_lines(rows), "", END + after])})


def told(row: Row) -> str:
    """One line for a result."""
    if row.rideable_s is None:
        return f"{row.race:20} {row.detailed_s:8.1f} s  no rideable plan, {row.patterns_cpu_s:.0f} s of CPU"
    slower_s = row.rideable_s - row.detailed_s
    return (
        f"{row.race:20} {row.detailed_s:8.1f} s {slower_s:+6.1f} s {100.0 * slower_s / row.detailed_s:+5.2f} %, "
        f"{row.n_stretches} stretches, {row.patterns_cpu_s:.0f} s of CPU; "
        f"detailed misses [{row.detailed_missed}], rideable [{row.rideable_missed}]"
    )


def main() -> None:
    """Read the command line, run, write the results."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("race", nargs="*", help="instances or race files")
    parser.add_argument("--time-limit", type=float, default=60.0, metavar="S", help="for the detailed plan")
    usual_limit_s = RIDEABLE_SHARE * PATTERN_SECONDS
    parser.add_argument("--pattern-limit", type=float, default=usual_limit_s, metavar="S", help="for four riders")
    parser.add_argument("--plans", type=Path, metavar="FOLDER", help="where plans are kept")
    parser.add_argument("--out", type=Path, default=ROOT / "benchmarks" / "results", metavar="FOLDER")
    parser.add_argument("--table", action="store_true", help="only write the table into README.md")
    given = parser.parse_args()
    if given.table:
        write_table(read_rows(given.out / RESULTS))
        return
    usual = [name for name, instance in REGISTRY.items() if "growth" not in instance.purpose]
    with tempfile.TemporaryDirectory() as folder:
        for word in given.race or usual:
            name, race_file = race_file_of(word, Path(folder))
            kept = None if given.plans is None else given.plans / name
            row = measured(name, detailed_plan(race_file, kept, given.time_limit), given.pattern_limit, kept)
            print(told(row), flush=True)
            write_rows(given.out / RESULTS, [*read_rows(given.out / RESULTS), row])


if __name__ == "__main__":
    main()
