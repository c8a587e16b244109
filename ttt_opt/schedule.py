"""A schedule: who leads from where to where, and how fast; what optimiser and ride check have in common."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ScheduledPull:
    """One pull, over whole segments.

    Attributes
    ----------
    line : tuple of int
        Riders in line order, the leader first, as indices into the team.
    first_segment, end_segment : int
        The pull covers segments ``first_segment`` to ``end_segment - 1``.
    leader_leaves : bool
        After this pull the leader leaves the line for good.
    n_sitting : int
        Riders at the end of the line who share no pulls, or none any more.
    """

    line: tuple[int, ...]
    first_segment: int
    end_segment: int
    leader_leaves: bool = False
    n_sitting: int = 0

    @property
    def leader(self) -> int:
        """Index of the rider at the front."""
        return self.line[0]

    @property
    def pulling(self) -> tuple[int, ...]:
        """Riders who share the pulls, the leader first."""
        return self.line[: len(self.line) - self.n_sitting]

    @property
    def sitting(self) -> tuple[int, ...]:
        """Riders behind them who do not."""
        return self.line[len(self.line) - self.n_sitting :]


@dataclass(frozen=True)
class Schedule:
    """A complete plan of who leads where and how fast.

    Attributes
    ----------
    boundary_m : ndarray (n_segments + 1,)
        Distance of the segment boundaries from the start (m).
    speed_mps : ndarray (n_segments,)
        Mean speed of each segment (m/s), without the time lost.
    exit_speed_mps : ndarray (n_segments,)
        Speed at which each segment is left (m/s); into a bend, before braking.
    front_power_w : ndarray (n_segments,)
        Mean power of the leader in each segment, acceleration included (W).
    lost_s : ndarray (n_segments,)
        Time lost to a changeover at the start of the segment (s).
    pulls : tuple of ScheduledPull
        In the order of the road; each starts where the one before ends.
    """

    boundary_m: FloatArray
    speed_mps: FloatArray
    exit_speed_mps: FloatArray
    front_power_w: FloatArray
    lost_s: FloatArray
    pulls: tuple[ScheduledPull, ...]

    def __post_init__(self) -> None:
        n_segments = len(self.speed_mps)
        if len(self.boundary_m) != n_segments + 1 or not (
            len(self.exit_speed_mps) == len(self.front_power_w) == len(self.lost_s) == n_segments
        ):
            raise ValueError("boundary_m and the arrays over segments do not fit together")
        ends = [0, *(pull.end_segment for pull in self.pulls)]
        starts = [*(pull.first_segment for pull in self.pulls), n_segments]
        if ends != starts:
            raise ValueError("pulls must cover the segments without gap or overlap")

    @property
    def sits_on_from_m(self) -> dict[int, float]:
        """Riders who sit on, from the start (0) or from where they stop pulling to the finish (m)."""
        found = dict.fromkeys(self.pulls[0].sitting, 0.0)
        for pull, following in itertools.pairwise(self.pulls):
            if pull.leader in following.sitting:
                found[pull.leader] = float(self.boundary_m[pull.end_segment])
        return found

    @property
    def duration_s(self) -> FloatArray:
        """Time spent in each segment (s)."""
        return np.asarray(np.diff(self.boundary_m) / self.speed_mps + self.lost_s, dtype=np.float64)

    @property
    def finish_time_s(self) -> float:
        """Time of the line at the end of the course (s)."""
        return float(self.duration_s.sum())
