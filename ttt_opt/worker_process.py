"""Processes that work for another one: how they are started, and when they end."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing.connection import Connection
from multiprocessing.context import BaseContext
from typing import Any, Generic, TypeVar

from ttt_opt.errors import SolverFailureError

Result = TypeVar("Result")

PARENT_WATCH_S = 1.0
POLL_S = 0.2


def worker_pool(n_processes: int) -> ProcessPoolExecutor:
    """A pool of processes that leave Ctrl-C to this one, which ends them; and when this one is gone, so are they.

    Forked where the system can, so that callers need no guard around their main module.
    """
    return ProcessPoolExecutor(n_processes, _context(), initializer=_begin_work, initargs=(os.getpid(),))


class Alongside(Generic[Result]):
    """A job in a process of its own, while this one goes on; it ends with this one, and leaves Ctrl-C to it."""

    def __init__(self, job: Callable[[], Result]) -> None:
        context: Any = _context()  # typing knows no Process of a context
        self._answer, send = context.Pipe(duplex=False)
        self._process = context.Process(target=_answer, args=(job, send, os.getpid()), daemon=True)
        self._process.start()
        send.close()

    def result(self, stop: Callable[[], bool]) -> Result | None:
        """Wait for the result; ``None`` where told to stop before it is there.

        Raises
        ------
        SolverFailureError
            The solver failed there, or the process ended without an answer.
        """
        while not self._answer.poll(POLL_S):
            if stop():
                return None
        try:
            found: Result | SolverFailureError = self._answer.recv()
        except EOFError:
            raise SolverFailureError("a process that worked alongside ended without an answer") from None
        if isinstance(found, SolverFailureError):
            raise found
        return found

    def end(self) -> None:
        """End it, done or not."""
        self._process.terminate()
        self._process.join()
        self._answer.close()


def _context() -> BaseContext:
    can_fork = "fork" in multiprocessing.get_all_start_methods()
    return multiprocessing.get_context("fork" if can_fork else None)


def _answer(job: Callable[[], object], send: Connection, parent: int) -> None:
    _begin_work(parent)
    try:
        found = job()
    except SolverFailureError as failure:
        found = failure
    send.send(found)


def may_have_workers() -> bool:
    """Whether this process may start others: those of a cluster may not."""
    return not multiprocessing.current_process().daemon


def _begin_work(parent: int) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(PARENT_WATCH_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
