"""Solving many cases: on all cores of this machine, or on a cluster; finished ones are kept and not solved again."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass

from ttt_opt.errors import SolverFailureError
from ttt_opt.interrupts import interrupts_noted
from ttt_opt.study_case import Case, Outcome, key_of
from ttt_opt.study_store import Store
from ttt_opt.worker_process import worker_pool

Tell = Callable[[str], None]
"""Told what has been done."""

POLL_S = 0.2


@dataclass(frozen=True)
class Workers:
    """Who solves the cases.

    Attributes
    ----------
    scheduler : str or None
        Address of a Dask scheduler; ``None``: processes on this machine.
    processes : int or None
        Processes on this machine; ``None``: one per core.
    """

    scheduler: str | None = None
    processes: int | None = None


def solve_all(cases: Sequence[Case], store: Store, workers: Workers, tell: Tell) -> list[Outcome]:
    """Solve cases side by side, each in one process.

    Parameters
    ----------
    cases : sequence of Case
        Equal ones are solved once.
    store : Store
        What is in it is not solved again; what is solved goes into it at once.
    workers : Workers
    tell : callable

    Returns
    -------
    list of Outcome
        In the order of the cases.

    Raises
    ------
    SolverFailureError
        A case could not be solved; what was finished is kept.
    """
    found = {number: outcome for number, outcome in solving(cases, store, workers, tell) if outcome is not None}
    return [found[number] for number in range(len(cases))]


def solving(
    cases: Sequence[Case], store: Store, workers: Workers, tell: Tell, needless: Callable[[int], bool] | None = None
) -> Iterator[tuple[int, Outcome | None]]:
    """As :func:`solve_all`, the first case first, but each outcome as soon as it is there, with the number of its case.

    Parameters
    ----------
    cases, store, workers, tell
        See :func:`solve_all`.
    needless : callable, optional
        Asked with the number of a case just before it would be solved, when the outcomes of others may have made it
        needless: then its outcome is ``None``.
    """
    numbers: dict[str, list[int]] = {}
    for number, case in enumerate(cases):
        numbers.setdefault(key_of(case), []).append(number)
    waiting: list[str] = []
    n_done = 0
    for key, alike in numbers.items():
        outcome = store.kept(key)
        if outcome is None:
            waiting.append(key)
            continue
        n_done += len(alike)
        for number in alike:
            yield number, outcome
    n_kept = n_done
    if not waiting:
        return
    began = time.perf_counter()
    running: dict[Future[Outcome], str] = {}
    with _executor(workers, len(waiting)) as (executor, n_at_once), interrupts_noted() as was_interrupted:
        while waiting or running:
            if was_interrupted():
                raise KeyboardInterrupt
            while waiting and len(running) < n_at_once:
                key = waiting.pop(0)
                if needless is not None and all(needless(number) for number in numbers[key]):
                    n_done += len(numbers[key])
                    for number in numbers[key]:
                        yield number, None
                    continue
                running[executor.submit(solve_case, cases[numbers[key][0]])] = key
            done, _ = wait(running, timeout=POLL_S, return_when="FIRST_COMPLETED")
            for job in done:
                key = running.pop(job)
                outcome = _result(job)
                store.keep(key, outcome)
                n_done += len(numbers[key])
                for number in numbers[key]:
                    yield number, outcome
            seconds = time.perf_counter() - began
            known = f", {n_kept} of them known from before" if n_kept else ""
            tell(f"{n_done} of {len(cases)} cases{known}, {len(running)} being solved ({seconds:.0f} s)")
        if was_interrupted():
            raise KeyboardInterrupt


def _result(job: Future[Outcome]) -> Outcome:
    try:
        return job.result()
    except BrokenExecutor as error:
        raise SolverFailureError(
            "a process of the study ended without an answer; what is finished is kept: start the same command again"
        ) from error


def solve_case(case: Case) -> Outcome:
    """What a worker does."""
    return case.solve()


@contextlib.contextmanager
def _executor(workers: Workers, n_cases: int) -> Iterator[tuple[Executor, int]]:
    """Something that solves cases, and how many it gets at once."""
    if workers.scheduler is not None:
        from ttt_opt.study_cluster import cluster_executor

        with cluster_executor(workers.scheduler) as (executor, n_at_once):
            yield executor, n_at_once
        return
    n_processes = min(workers.processes or os.cpu_count() or 1, n_cases)
    pool = worker_pool(n_processes)
    try:
        yield pool, n_processes
        pool.shutdown()
    except BaseException:
        for process in multiprocessing.active_children():
            process.terminate()
        pool.shutdown(cancel_futures=True)
        raise
