"""Run the benchmarks: our search and its peers on the same instances, with the same time, each in a process of its own.

    python benchmarks/run.py [--instance NAME] [--peer NAME] [--time-limit S] [--seeds N] [--out FOLDER]

Solvers as peers get the constants and the cyclic order of our best plan, so our search always runs first.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import resource
import tempfile
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import TimeoutError as TakesTooLong
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from instances import REGISTRY
from peer_coach import COACHES, coach_plan
from peer_evolution import OPTIMISERS, evolve
from peer_solvers import SolverAnswer, solve_network, solve_network_by_scip, solve_positions
from results import GAPS, ROOT, Row, run_name, surroundings, write_run
from solver_core import (
    Problem,
    Told,
    constants,
    fit_pulls,
    order_of,
    pulls_of,
    read_problem,
    ride_of,
    search,
    settled_assumptions,
)
from ttt_opt.ride_check import RideCheck
from ttt_opt.schedule import Schedule
from ttt_opt.search_control import Settings

OURS = "ours"
SOLVERS: dict[str, Callable[..., SolverAnswer]] = {
    "places by HiGHS": solve_positions,
    "network by HiGHS": solve_network,
    "network by SCIP": solve_network_by_scip,
}
EVOLUTION = "evolution: "
COACH = "coach: "
PEERS = {
    "positions": ("places by HiGHS",),
    "network": ("network by HiGHS",),
    "scip": ("network by SCIP",),
    "evolution": tuple(f"{EVOLUTION}{optimiser}" for optimiser in OPTIMISERS),
    "coach": COACHES,
}
"""Methods by the name of ``--peer``."""
GRACE_S = 600.0
"""Time beyond three times its limit after which a method is stopped from outside (s)."""
MOST_MEMORY_BYTES = 12 * 2**30
"""Address space of a method: a model beyond it is a result of its own, not the end of the run."""
Answer = TypeVar("Answer")


def finite(value: float) -> float | None:
    """A number for JSON; ``None`` for none."""
    return float(value) if math.isfinite(value) else None


def peak_memory_mb() -> float:
    """Upper bound on the memory that this process and its children held at once (MB)."""
    own, children = (resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return round((own + (os.cpu_count() or 1) * children) / 1024.0, 1)


def cpu_s() -> float:
    """Processor time that this process and its children have had (s)."""
    both = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return round(sum(used.ru_utime + used.ru_stime for used in both), 1)


def empty_row(problem: Problem, method: str, seed: int, time_limit_s: float) -> Row:
    """A row that says nothing of a result yet."""
    return Row(
        instance=problem.instance.name,
        method=method,
        n_riders=problem.instance.n_riders,
        n_segments=problem.road.n_segments,
        length_km=round(problem.course.length_m / 1000.0, 2),
        seed=seed,
        time_limit_s=time_limit_s,
    )


def ridden(row: Row, check: RideCheck) -> Row:
    """The row with what the ride of its plan says."""
    return replace(row, finish_time_s=check.finish_time_s, missed=[failed.name for failed in check.failed])


def until_within(told: list[Told], gap: float, bound_s: float | None = None) -> float | None:
    """Seconds until the plan is that close to a bound, by default the one known by then."""
    for moment in told:
        known_s = moment.bound_s if bound_s is None else bound_s
        if math.isfinite(moment.best_s) and moment.best_s - known_s <= gap * moment.best_s:
            return round(moment.seconds, 2)
    return None


def run_ours(problem: Problem, seed: int, time_limit_s: float) -> tuple[Row, Schedule]:
    """Our search, and its plan."""
    optimum, told = search(problem, Settings(time_limit_s=time_limit_s, gap=0.0, seed=seed))
    bound_s = optimum.best_possible_s
    check = problem.ride(optimum.schedule, optimum.w_prime_j)
    proven = {f"{gap:g}": until_within(told, gap) for gap in GAPS}
    good = {f"{gap:g}": until_within(told, gap, bound_s) for gap in GAPS}
    row = replace(
        empty_row(problem, OURS, seed, time_limit_s),
        model_time_s=optimum.finish_time_s,
        bound_s=finite(bound_s),
        gap=finite(optimum.gap),
        stopped_because=optimum.stopped_because,
        seconds=optimum.solve_seconds,
        build_s=optimum.build_seconds,
        first_plan_s=next((round(t.seconds, 2) for t in told if math.isfinite(t.best_s)), None),
        until_proven_s={gap: when for gap, when in proven.items() if when is not None},
        until_good_s={gap: when for gap, when in good.items() if when is not None},
        trace=[[round(t.seconds, 2), t.what, finite(t.best_s), finite(t.bound_s)] for t in told],
        peak_memory_mb=peak_memory_mb(),
        cpu_s=cpu_s(),
    )
    return ridden(row, check), optimum.schedule


def run_solver(problem: Problem, method: str, seed: int, time_limit_s: float, plan: Schedule) -> Row:
    """A solver on the model with the constants and the order of our plan; its pulls ridden as ours are."""
    assumptions = settled_assumptions(problem, plan)
    data = constants(problem, order_of(problem, pulls_of(plan)), assumptions)
    answer = SOLVERS[method](data, time_limit_s, seed)
    found = answer.pulls is not None
    row = replace(
        empty_row(problem, method, seed, time_limit_s),
        model_time_s=finite(answer.objective_s),
        bound_s=finite(answer.bound_s),
        gap=finite((answer.objective_s - answer.bound_s) / answer.objective_s) if found else None,
        stopped_because=answer.stopped_because,
        seconds=answer.build_s + answer.solve_s,
        build_s=answer.build_s,
        peak_memory_mb=peak_memory_mb(),
        cpu_s=cpu_s(),
    )
    fitted = None if answer.pulls is None else fit_pulls(problem, answer.pulls, assumptions, seed)
    return row if fitted is None else ridden(row, ride_of(problem, fitted))


def run_evolution(problem: Problem, method: str, seed: int, time_limit_s: float, plan: Schedule) -> Row:
    """An evolutionary optimiser, given the order of our plan."""
    began = time.perf_counter()
    order = order_of(problem, pulls_of(plan))
    evolved = evolve(problem, order, method.removeprefix(EVOLUTION), time_limit_s, seed)
    row = replace(
        empty_row(problem, method, seed, time_limit_s),
        seconds=time.perf_counter() - began,
        stopped_because="time limit",
        peak_memory_mb=peak_memory_mb(),
        cpu_s=cpu_s(),
        n_rides=None if evolved is None else evolved.n_ridden,
    )
    return row if evolved is None else ridden(row, evolved.check)


def run_coach(problem: Problem, method: str, time_limit_s: float) -> Row:
    """A coach's plan at its fastest pace."""
    began = time.perf_counter()
    plan = coach_plan(problem, method)
    row = replace(
        empty_row(problem, method, 0, time_limit_s),
        seconds=time.perf_counter() - began,
        stopped_because=f"effort {plan.effort:.3f}",
        peak_memory_mb=peak_memory_mb(),
        cpu_s=cpu_s(),
    )
    return ridden(row, plan.check)


def on_instance(
    name: str, method: str, seed: int, time_limit_s: float, plan: Schedule | None
) -> tuple[Row, Schedule | None]:
    """One method on one instance, in this process."""
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, hard))
    with tempfile.TemporaryDirectory() as folder:
        problem = read_problem(REGISTRY[name], Path(folder))
        try:
            if method == OURS:
                return run_ours(problem, seed, time_limit_s)
            if method.startswith(COACH):
                return run_coach(problem, method, time_limit_s), None
            if plan is None:
                return replace(empty_row(problem, method, seed, time_limit_s), stopped_because="no plan of ours"), None
            run = run_evolution if method.startswith(EVOLUTION) else run_solver
            return run(problem, method, seed, time_limit_s, plan), None
        except Exception as error:  # a peer that fails is a result, and must not end the run
            traceback.print_exc()
            row = empty_row(problem, method, seed, time_limit_s)
            return replace(row, stopped_because=f"{type(error).__name__}: {error}"), None


def isolated(function: Callable[..., Answer], *arguments: object, within_s: float) -> Answer | None:
    """The answer of a function called in a fresh process; ``None`` where it does not come in time."""
    pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
    try:
        return pool.submit(function, *arguments).result(timeout=within_s)
    except TakesTooLong:
        for process in pool._processes.values():  # nothing public ends a worker that is busy
            process.kill()
        return None
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def measure(
    names: list[str], methods: list[str], n_seeds: int, time_limit_s: float, tell: Callable[[Row], None]
) -> list[Row]:
    """All methods on all instances; our search with every seed, the plan of the first for the peers."""
    rows = []
    for name in names:
        plan: Schedule | None = None
        jobs = [(OURS, seed) for seed in range(n_seeds)] if needs_ours(methods) else []
        for method in methods:
            if method != OURS:
                deterministic = method.startswith(COACH)
                jobs += [(method, seed) for seed in range(1 if deterministic else n_seeds)]
        for method, seed in jobs:
            within_s = 3.0 * time_limit_s + GRACE_S
            answer = isolated(on_instance, name, method, seed, time_limit_s, plan, within_s=within_s)
            if answer is None:
                with tempfile.TemporaryDirectory() as folder:
                    problem = read_problem(REGISTRY[name], Path(folder))
                row = replace(empty_row(problem, method, seed, time_limit_s), stopped_because="stopped from outside")
            else:
                row, found = answer
                plan = plan or found
            rows.append(row)
            tell(row)
    return rows


def needs_ours(methods: list[str]) -> bool:
    """Our search runs where it is asked for, and where a peer needs its plan."""
    return any(not method.startswith(COACH) for method in methods)


def told(row: Row) -> None:
    """One line for each result."""
    time_s = "no plan" if row.finish_time_s is None else f"{row.finish_time_s:9.2f} s"
    gap = "" if row.gap is None else f"gap {100 * row.gap:.2f} %"
    missed = f"misses {len(row.missed)}" if row.missed else ""
    print(
        f"{row.instance:20} {row.method:36} seed {row.seed} {time_s} {gap:11} {missed:9} {row.stopped_because[:60]:20} "
        f"{row.seconds:7.1f} s {row.peak_memory_mb:7.0f} MB",
        flush=True,
    )


def main() -> None:
    """Read the command line, run, write the results."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--instance", action="append", choices=sorted(REGISTRY), help="all but those for growth")
    parser.add_argument("--growth", action="store_true", help="the instances for growth with segments and riders")
    parser.add_argument("--peer", action="append", choices=[OURS, *PEERS], help="default: ours and all peers")
    parser.add_argument("--time-limit", type=float, default=60.0, metavar="S")
    parser.add_argument("--seeds", type=int, default=3, metavar="N")
    parser.add_argument("--out", type=Path, default=ROOT / "benchmarks" / "results", metavar="FOLDER")
    parser.add_argument("--note", default="", help="kept with the results, e.g. what else the machine was doing")
    given = parser.parse_args()
    usual = [name for name, instance in REGISTRY.items() if ("growth" in instance.purpose) == given.growth]
    names = given.instance or usual
    peers = given.peer or [OURS, *PEERS]
    methods = [method for peer in peers for method in PEERS.get(peer, (OURS,))]
    about = surroundings({"time_limit_s": given.time_limit, "seeds": given.seeds, "note": given.note})
    name = run_name(about, f"{given.time_limit:g}s{'-growth' if given.growth else ''}")
    rows: list[Row] = []

    def keep(row: Row) -> None:
        rows.append(row)
        told(row)
        write_run(given.out, name, about, rows)

    measure(names, methods, given.seeds, given.time_limit, keep)


if __name__ == "__main__":
    main()
