"""A study on a Dask cluster: a real scheduler, two workers as processes of their own, one of them killed."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from distributed import Client

from ttt_opt.errors import InputError
from ttt_opt.many_rides import Spread, rides_cases
from ttt_opt.plan import Plan
from ttt_opt.study_case import key_of
from ttt_opt.study_pool import Workers, solve_all
from ttt_opt.study_store import FOLDER, Store

N_RIDES, RIDES_A_CASE = 36, 2

Cluster = tuple[str, list[subprocess.Popen[bytes]]]


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    """Address of a scheduler, and its two workers, one process each."""
    found = tmp_path / "scheduler.json"
    log = (tmp_path / "cluster.log").open("wb")
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker"]
    scheduler = subprocess.Popen(
        [*dask, "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(found)],
        stdout=log, stderr=log,
    )  # fmt: skip
    end = time.monotonic() + 60.0
    while not found.exists():
        assert time.monotonic() < end, "the scheduler does not start"
        time.sleep(0.1)
    workers = [
        subprocess.Popen(
            [*worker, "--scheduler-file", str(found), "--no-nanny", "--nthreads", "1", "--no-dashboard"],
            stdout=log, stderr=log, cwd=tmp_path,
        )
        for _ in range(2)
    ]  # fmt: skip
    address = json.loads(found.read_text(encoding="utf-8"))["address"]
    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=60)
    yield address, workers
    for process in [*workers, scheduler]:
        process.terminate()
        process.wait(timeout=30)
    log.close()


@pytest.mark.slow
def test_one_worker_is_killed_and_nothing_is_lost_or_doubled(
    cluster: Cluster, small_plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ttt_opt.many_rides.RIDES_A_CASE", RIDES_A_CASE)
    address, (first, second) = cluster
    race, course, schedule = small_plan.race, small_plan.course, small_plan.optimum.schedule
    cases = rides_cases(race, course, schedule, Spread(), 0, N_RIDES)
    here = solve_all(cases, Store(tmp_path / "here"), Workers(processes=1), lambda _: None)
    there = tmp_path / "there"

    def kill_one(_text: str) -> None:
        if first.poll() is None and len(list((there / FOLDER).glob("*.json"))) >= 3:
            first.send_signal(signal.SIGKILL)

    outcomes = solve_all(cases, Store(there), Workers(scheduler=address), kill_one)
    assert first.wait(timeout=30) == -signal.SIGKILL
    assert second.poll() is None
    assert outcomes == here
    assert sorted(path.stem for path in (there / FOLDER).iterdir()) == sorted({key_of(case) for case in cases})


@pytest.mark.slow
def test_a_scheduler_without_workers_is_told_as_such(
    cluster: Cluster, small_plan: Plan, tmp_path: Path
) -> None:
    address, workers = cluster
    for worker in workers:
        worker.kill()
        worker.wait()
    cases = rides_cases(small_plan.race, small_plan.course, small_plan.optimum.schedule, Spread(), 0, 1)
    end = time.monotonic() + 60.0
    while True:
        try:
            solve_all(cases, Store(tmp_path / "x"), Workers(scheduler=address), lambda _: None)
        except InputError as error:
            assert "has no workers" in str(error)
            return
        assert time.monotonic() < end


def test_nobody_at_the_address(small_plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ttt_opt.study_cluster.CONNECTING_S", 0.5)
    cases = rides_cases(small_plan.race, small_plan.course, small_plan.optimum.schedule, Spread(), 0, 1)
    with pytest.raises(InputError, match="does not answer"):
        solve_all(cases, Store(tmp_path), Workers(scheduler="tcp://127.0.0.1:9"), lambda _: None)
    with pytest.raises(InputError, match="does not answer"):
        solve_all(cases, Store(tmp_path), Workers(scheduler="no address"), lambda _: None)
