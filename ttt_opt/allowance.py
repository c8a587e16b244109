"""Time that a piece of work may take, and the parts of it that belong to the parts of the work."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Allowance:
    """Seconds on a clock.

    Attributes
    ----------
    seconds : float
        ``inf``: as long as it takes.
    clock : callable
        ``time.perf_counter``, or ``time.process_time`` where other work on the machine is not to count.
    began : float
        What the clock said.
    """

    seconds: float
    clock: Callable[[], float]
    began: float

    @classmethod
    def of(cls, seconds: float, clock: Callable[[], float] = time.perf_counter) -> Allowance:
        """So many seconds from now on."""
        return cls(seconds, clock, clock())

    def part(self, share: float) -> Allowance:
        """A share of what is left, from now on; nothing where it is over."""
        now = self.clock()
        left = max(self.seconds - (now - self.began), 0.0)
        return Allowance(share * left, self.clock, now)

    def over(self) -> bool:
        """Whether the time has gone by."""
        return self.clock() - self.began > self.seconds


ENDLESS = Allowance.of(math.inf)
