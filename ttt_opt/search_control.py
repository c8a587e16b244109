"""Settings of a search, the time it has used, and the wish to stop it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from ttt_opt.errors import SolverFailureError
from ttt_opt.interrupts import interrupts_handled

Progress = Callable[[str, float, float], None]
"""Told what is being done, the best finish time so far (s, ``inf`` without one) and the proven bound (s)."""

MOST_KEPT_BACK = 0.4
"""Of the time limit, for fitting plans at the end."""


@dataclass(frozen=True)
class Settings:
    """How long and how well to search.

    Attributes
    ----------
    time_limit_s : float
        Seconds after which the best plan so far is returned.
    gap : float
        Gap to the proven bound at which the search may stop, as share of the finish time.
    seed : int
        Same seed, same plan.
    processes : int or None
        Processes that search line orders side by side; 1: all in this process; ``None``: one per core.
    """

    time_limit_s: float = 240.0
    gap: float = 0.001
    seed: int = 0
    processes: int | None = None


@dataclass
class SearchClock:
    """Time used, the wish to stop, and how many processes work alongside the search."""

    settings: Settings
    began: float = field(default_factory=time.perf_counter)
    interrupted: bool = False
    solver_failed: bool = False
    build_seconds: float = 0.0
    longest_fit_s: float = 0.0
    n_alongside: int = 0

    @property
    def left_s(self) -> float:
        """Seconds left for the search; what fitting plans at the end takes is kept back."""
        kept_back = min(self.longest_fit_s, MOST_KEPT_BACK * self.settings.time_limit_s)
        return self.left_in_all_s - kept_back

    @property
    def left_in_all_s(self) -> float:
        """Seconds left of the time limit."""
        return self.settings.time_limit_s - (time.perf_counter() - self.began)

    @property
    def is_over(self) -> bool:
        """All of the time limit has gone by, also what was kept back."""
        return self.left_in_all_s < 0.0

    @contextmanager
    def building(self) -> Iterator[None]:
        """Counts the time within as that of building a model."""
        began = time.perf_counter()
        yield
        self.build_seconds += time.perf_counter() - began

    @contextmanager
    def fitting(self) -> Iterator[None]:
        """Measures how long a plan takes to be fitted to its ride: so long is kept back for the last one."""
        began = time.perf_counter()
        yield
        self.longest_fit_s = max(self.longest_fit_s, time.perf_counter() - began)

    def stop(self) -> bool:
        """Time is up, Ctrl-C was pressed, or the solver failed."""
        return self.interrupted or self.solver_failed or self.left_s <= 0.0

    @property
    def stopped_because(self) -> str:
        """What ended a search that had to stop."""
        if self.solver_failed:
            return "solver failure"
        return "interrupted" if self.interrupted else "time limit"

    def refuse_to_judge(self) -> None:
        """End a search that was stopped before it could tell whether there is a plan.

        Raises
        ------
        KeyboardInterrupt
            It was interrupted.
        SolverFailureError
            Time was up.
        """
        if self.interrupted:
            raise KeyboardInterrupt
        if self.left_s <= 0.0:
            raise SolverFailureError(
                f"the {self.settings.time_limit_s:g} s of --time-limit were over before any plan was found; allow more"
            )


@contextmanager
def interrupts(clock: SearchClock) -> Iterator[None]:
    """While the search runs, Ctrl-C means: stop and give the best plan so far; a second one really interrupts."""

    def handle() -> None:
        if clock.interrupted:
            raise KeyboardInterrupt
        clock.interrupted = True

    with interrupts_handled(handle):
        yield
