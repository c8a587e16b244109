"""Processes that work for another one: how they are started, and when they end."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from concurrent.futures import ProcessPoolExecutor

PARENT_WATCH_S = 1.0


def worker_pool(n_processes: int) -> ProcessPoolExecutor:
    """A pool of processes that leave Ctrl-C to this one, which ends them; and when this one is gone, so are they.

    Forked where the system can, so that callers need no guard around their main module.
    """
    can_fork = "fork" in multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("fork" if can_fork else None)
    return ProcessPoolExecutor(n_processes, context, initializer=_begin_work, initargs=(os.getpid(),))


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
