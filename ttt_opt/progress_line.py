"""Telling how far the search is: one line that updates in place, or now and then a line of its own."""

from __future__ import annotations

import math
import shutil
import time
from collections.abc import Callable
from typing import TextIO

from ttt_opt.text_table import clock, display_width, fitted

SECONDS_BETWEEN_LINES = 5.0
SECONDS_BETWEEN_UPDATES = 0.1


class ProgressLine:
    """A progress function (:data:`ttt_opt.rotation_optimum.Progress`) that writes to a stream.

    Parameters
    ----------
    stream : text stream
        On a terminal one line is written over again and again; elsewhere there is a line at most every 5 s.
    now : callable
        Clock (s).
    """

    def __init__(self, stream: TextIO, now: Callable[[], float] = time.monotonic) -> None:
        self._stream, self._now = stream, now
        self._began = now()
        self._last = -math.inf
        self._in_place = stream.isatty()
        self._shown = 0

    def __call__(self, what: str, best_s: float, bound_s: float) -> None:
        """Tell what is being done, best finish time and bound (s); infinite ones are not known yet."""
        moment = self._now()
        if moment - self._last < (SECONDS_BETWEEN_UPDATES if self._in_place else SECONDS_BETWEEN_LINES):
            return
        self._last = moment
        text = progress_text(moment - self._began, what, best_s, bound_s)
        if not self._in_place:
            self._write(text + "\n")
            return
        text = fitted(text, shutil.get_terminal_size().columns - 1)
        width = display_width(text)
        self._write("\r" + text + " " * (self._shown - width))
        self._shown = width

    def close(self) -> None:
        """Wipe the line, so that what follows starts on a clean one."""
        if self._in_place and self._shown:
            self._write("\r" + " " * self._shown + "\r")
            self._shown = 0

    def _write(self, text: str) -> None:
        self._stream.write(text)
        self._stream.flush()


def progress_text(elapsed_s: float, what: str, best_s: float, bound_s: float) -> str:
    """How far the search is, in one line."""
    parts = [f"{elapsed_s:4.0f} s  {what}"]
    if math.isfinite(best_s):
        parts.append(f"best {clock(best_s)}")
    if math.isfinite(bound_s):
        parts.append(f"no plan below {clock(bound_s)}")
    if math.isfinite(best_s) and math.isfinite(bound_s):
        parts.append(f"gap {100 * (best_s - bound_s) / best_s:.2f} %")
    return " · ".join(parts)
