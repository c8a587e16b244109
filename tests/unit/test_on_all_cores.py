"""Jobs of a search side by side: what is kept of those that run when the search stops."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
from numpy.typing import NDArray

from ttt_opt.errors import SolverFailureError
from ttt_opt.rotation_optimum import _on_all_cores
from ttt_opt.search_control import SearchClock, Settings
from ttt_opt.worker_process import Alongside

TAKES_S = 0.4
LARGE = 3_000_000
"""Bytes beyond what a pipe holds: a process ended while it sends them leaves the receiver waiting."""


def large(number: int, stop: Callable[[], bool] | None = None) -> tuple[int, NDArray[np.uint8]]:
    time.sleep(TAKES_S)
    return number, np.full(LARGE, number, dtype=np.uint8)


@pytest.mark.parametrize("let_finish", [True, False])
def test_jobs_that_run_when_the_search_stops(let_finish: bool) -> None:
    began = time.perf_counter()
    kept: dict[int, NDArray[np.uint8]] = {}
    _on_all_cores(
        [partial(large, number) for number in range(5)],
        SearchClock(Settings(processes=2)),
        lambda found: kept.__setitem__(*found),
        stop=lambda: time.perf_counter() - began > 0.5 * TAKES_S,
        let_finish=let_finish,
    )
    assert sorted(kept) == ([0, 1] if let_finish else [])  # the others have not begun
    assert all(len(found) == LARGE and (found == number).all() for number, found in kept.items())


@pytest.mark.parametrize("processes", [1, 2, 3])
def test_all_jobs_are_done_where_nothing_stops_them(processes: int) -> None:
    kept: list[int] = []
    _on_all_cores(
        [partial(large, number) for number in range(3)],
        SearchClock(Settings(processes=processes)),
        lambda found: kept.append(found[0]),
    )
    assert sorted(kept) == [0, 1, 2]


def fail() -> None:
    raise SolverFailureError("no progress")


def end_at_once() -> None:
    os._exit(1)


def never() -> bool:
    return False


def test_a_job_alongside_outlives_the_jobs_that_are_ended() -> None:
    alongside = Alongside(partial(large, 7))
    _on_all_cores([partial(large, number) for number in range(2)], SearchClock(Settings(processes=2)), print, never)
    began = time.perf_counter()
    _on_all_cores(
        [partial(large, number) for number in range(2)],
        SearchClock(Settings(processes=2)),
        print,
        stop=lambda: time.perf_counter() - began > 0.1 * TAKES_S,
    )
    found = alongside.result(never)
    alongside.end()
    assert found is not None and found[0] == 7 and len(found[1]) == LARGE


def test_a_job_alongside_is_not_waited_for_when_told_to_stop() -> None:
    alongside = Alongside(partial(time.sleep, 60.0))
    began = time.perf_counter()
    assert alongside.result(lambda: True) is None
    alongside.end()
    assert time.perf_counter() - began < 30.0


@pytest.mark.parametrize(("job", "told"), [(fail, "no progress"), (end_at_once, "without an answer")])
def test_a_job_alongside_that_fails_says_so(job: Callable[[], None], told: str) -> None:
    alongside = Alongside(job)
    with pytest.raises(SolverFailureError, match=told):
        alongside.result(never)
    alongside.end()
