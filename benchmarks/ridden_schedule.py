"""Plans made without a model: pulls and front powers, ridden until the schedule says what the ride does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from solver_core import Problem, Pulls
from ttt_models.rotation import RotationData
from ttt_opt.changeover import time_lost
from ttt_opt.physics import road_load_power
from ttt_opt.plan import ride_and_check
from ttt_opt.ride_check import RideCheck
from ttt_opt.schedule import Schedule, ScheduledPull

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ROUNDS = 4
"""Rides of one plan: each gives the next one its clock; after the last, plan and ride agree."""


@dataclass(frozen=True)
class PullChooser:
    """Chains of possible pulls near wished lengths.

    Attributes
    ----------
    data : RotationData
        Its arcs are the pulls that keep the bounds at the reference speeds.
    ends : dict
        For each (first segment, line): ends from which the finish can be reached.
    """

    data: RotationData
    ends: dict[tuple[int, int], list[int]]

    @classmethod
    def of(cls, data: RotationData) -> PullChooser:
        """Of a model's arcs."""
        by_node: dict[tuple[int, int], list[int]] = {}
        for arc in data.arcs:
            by_node.setdefault((arc.first, arc.line), []).append(arc.end)
        reaches: set[tuple[int, int]] = set()
        ends: dict[tuple[int, int], list[int]] = {}
        for first, line in sorted(by_node, reverse=True):
            good = [
                end
                for end in sorted(by_node[first, line])
                if end == data.n_segments or any((end, after) in reaches for after in data.successors[line])
            ]
            if good:
                reaches.add((first, line))
                ends[first, line] = good
        return cls(data, ends)

    def pulls(
        self,
        start_line: int,
        wished_s: Callable[[int, int], float],
        leaves: Callable[[int, int], bool] = lambda _rider, _end: False,
    ) -> Pulls | None:
        """The chain whose pulls come nearest to their wished lengths, chosen one after the other.

        Parameters
        ----------
        start_line : int
        wished_s : callable
            Wished length (s) of a pull, by rider and first segment.
        leaves : callable
            Whether a rider leaves after a pull with that end, where the rules let him.

        Returns
        -------
        tuple or None
            ``None``: the finish cannot be reached from this line.
        """
        data = self.data
        clock_s = np.append(0.0, np.cumsum(data.reference_s))
        first, line = 0, start_line
        found: list[tuple[int, int, tuple[int, ...]]] = []
        while first < data.n_segments:
            ends = self.ends.get((first, line))
            if ends is None:
                return None
            leader = data.lines[line][0]
            wished_end_s = clock_s[first] + wished_s(leader, first)
            end = ends[int(np.argmin(np.abs(clock_s[ends] - wished_end_s)))]
            found.append((first, end, data.lines[line]))
            if end < data.n_segments:
                after = [q for q in data.successors[line] if (end, q) in self.ends]
                stays = [q for q in after if leader in data.lines[q]]
                gone = [q for q in after if leader not in data.lines[q]]
                line = (gone if gone and (leaves(leader, end) or not stays) else stays)[0]
            first = end
        return tuple(found)


def pace_power_w(problem: Problem, speed_mps: FloatArray, effort: FloatArray | float, leader: IntArray) -> FloatArray:
    """Front power ``(n_segments,)`` (W) with which leaders ride one pace, whoever leads.

    That of the team's average rider in the middle of the line, and what the leader's own mass and the wind in front
    ask more or less at that speed. On descents every leader rides at the effort itself, of his own critical power: no
    coach has a light rider pedal down a hill to keep up a pace.

    Parameters
    ----------
    speed_mps : ndarray (n_segments,)
        The pace: what the average rider reaches at ``effort``.
    effort : float or ndarray (n_segments,)
        Power over critical power.
    leader : ndarray (n_segments,) of int
    """
    road, race = problem.road, problem.race
    riders = race.team.riders
    mass, area, peak_w = (
        np.array([getattr(rider, name) for rider in riders]) for name in ("total_mass_kg", "cda_m2", "peak_w")
    )
    mean_share = float(np.mean(race.draft_shares(len(riders))))

    def load_w(mass_kg: FloatArray, drag_area_m2: FloatArray) -> FloatArray:
        return road_load_power(
            speed_mps,
            mass_kg=mass_kg,
            drag_area_m2=drag_area_m2,
            grade=road.segments.grade,
            headwind_mps=road.headwind_mps,
            air_density=road.air_density,
            crr=race.crr,
        )

    more_w = load_w(mass[leader], area[leader]) - load_w(mass.mean(), area.mean() * mean_share)
    average_w = effort * float(np.mean([rider.cp_w for rider in riders]))
    descent = np.array([terrain == "descent" for terrain in road.segments.terrain])
    own_w = effort * np.array([rider.cp_w for rider in riders])[leader]
    front_w = np.where(descent, own_w, average_w + more_w)
    return np.asarray(np.clip(front_w, 0.0, peak_w[leader]), dtype=np.float64)


def leaders(problem: Problem, pulls: Pulls) -> IntArray:
    """Who leads in each segment ``(n_segments,)``."""
    leader = np.zeros(problem.road.n_segments, dtype=np.int64)
    for first, end, line in pulls:
        leader[first:end] = line[0]
    return leader


def ride_powers(
    problem: Problem, pulls: Pulls, front_power_w: FloatArray, speed_mps: FloatArray, rounds: int = ROUNDS
) -> RideCheck:
    """Ride pulls at front powers, again and again until the schedule's clock is that of the ride; the last check.

    The clock of the first ride is that of the given speeds.
    """
    road, race = problem.road, problem.race
    exit_mps = speed_mps
    begins = np.zeros(road.n_segments, dtype=bool)
    begins[[first for first, _, _ in pulls[1:]]] = True
    scheduled = tuple(
        ScheduledPull(line, first, end, after is not None and line[0] not in after)
        for (first, end, line), after in zip(pulls, [*(line for _, _, line in pulls[1:]), None], strict=True)
    )
    planned_j = np.tile([rider.w_prime_j for rider in race.team.riders], (road.n_segments + 1, 1))
    for _ in range(rounds):
        lost_s = np.where(begins, time_lost(speed_mps, race.wheel_gap_m), 0.0)
        schedule = Schedule(road.segments.boundary_m, speed_mps, exit_mps, front_power_w, lost_s, scheduled)
        ride, check = ride_and_check(race, problem.course, road, schedule, planned_j)
        planned_j = ride.boundary_w_prime_j
        time_s = np.diff(ride.boundary_time_s)
        speed_mps = road.length_m / np.maximum(time_s - lost_s, 0.3 * time_s)
        exit_mps = np.interp(road.segments.end_m, np.append(0.0, ride.distance_m), np.append(0.0, ride.speed_mps))
    return check
