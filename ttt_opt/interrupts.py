"""Moments at which Ctrl-C must not cut in."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType


@contextlib.contextmanager
def interrupts_wait() -> Iterator[None]:
    """Let Ctrl-C wait until what is within is done: files taking their names, compiled libraries being loaded.

    A library's own start-up code may swallow an interrupt or turn it into another error.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    waiting: list[int] = []

    def keep(number: int, _frame: FrameType | None) -> None:
        waiting.append(number)

    old = signal.signal(signal.SIGINT, keep)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, old)
    if waiting:
        raise KeyboardInterrupt
