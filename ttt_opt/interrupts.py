"""Moments at which Ctrl-C must not cut in: Python may lose an interrupt, or a library turn it into another error.

That happens in start-up code of compiled libraries, in what runs around a fork, and when files take their names.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def interrupts_handled(handle: Callable[[], None]) -> Iterator[None]:
    """While this lasts, Ctrl-C calls ``handle`` and does nothing else; only in the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    old = signal.signal(signal.SIGINT, lambda _signal, _frame: handle())
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, old)


@contextlib.contextmanager
def interrupts_wait() -> Iterator[None]:
    """Let Ctrl-C wait until what is within is done."""
    with interrupts_noted() as was_interrupted:
        yield
    if was_interrupted():
        raise KeyboardInterrupt


@contextlib.contextmanager
def interrupts_noted() -> Iterator[Callable[[], bool]]:
    """Note Ctrl-C, for what is within to ask at moments of its own."""
    noted: list[bool] = []
    with interrupts_handled(lambda: noted.append(True)):
        yield lambda: bool(noted)
