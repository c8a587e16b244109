"""An evolutionary optimiser of a general-purpose library, with the ride simulation as its only judge."""

from __future__ import annotations

import time
import warnings
from dataclasses import dataclass

import numpy as np

from ridden_schedule import PullChooser, leaders, pace_power_w, ride_powers
from solver_core import INFINITY, FloatArray, Problem, Pulls, constants, first_assumptions
from ttt_opt.ride_check import RideCheck
from ttt_opt.rotation_problem import pull_bounds, reference_speed

N_STRETCHES = 8
"""Stretches of the course with an effort of their own."""
USUAL_EFFORT = 0.9
LEAST_EFFORT, MOST_EFFORT = 0.6, 1.2
LEAST_SHARE, MOST_SHARE = 0.85, 1.15
"""Bounds on the effort of a stretch (power of the average rider over critical power) and on a leader's share of it."""
ROUNDS = 2
"""Rides per plan while searching; the best is ridden once more as every other plan of a peer is."""
PENALTY_S, MORE_PENALTY_S = 20.0, 100.0
"""What a missed limit costs, and what it costs more when missed by as much as the limit or its tolerance, whichever is
larger (s)."""
OPTIMISERS = ("DiscreteOnePlusOne",)
"""The best of five (with CMA, DE, TwoPointsDE and PSO) within 20 s on flat-3-15 and rolling-4-40."""


@dataclass(frozen=True)
class Decoder:
    """What the numbers of the optimiser, all within 0 to 1, mean.

    They are: who leads at the start; each rider's pull, between his shortest and longest; each leader's share of the
    effort; the effort of each stretch of the course; and how far riders stay whom the rules let go.
    """

    problem: Problem
    chooser: PullChooser
    shortest_s: FloatArray
    longest_s: FloatArray
    n_leaving: int

    @classmethod
    def of(cls, problem: Problem, order: tuple[int, ...]) -> Decoder:
        """For one cyclic order."""
        race, road = problem.race, problem.road
        usual_mps = reference_speed(road, race, USUAL_EFFORT)
        data = constants(problem, order, first_assumptions(problem, usual_mps))
        shortest, longest = pull_bounds(road.segments, race)
        n_leaving = len(race.team.riders) - (race.rules.counting_rider or len(race.team.riders))
        return cls(problem, PullChooser.of(data), shortest.max(axis=0), longest.max(axis=0), n_leaving)

    @property
    def n_numbers(self) -> int:
        """Numbers that make a plan."""
        n_riders = len(self.shortest_s)
        return 1 + 2 * n_riders + N_STRETCHES + self.n_leaving

    def first_guess(self) -> FloatArray:
        """Pulls of a third of what is allowed, one effort, nobody leaves."""
        n_riders = len(self.shortest_s)
        effort = (USUAL_EFFORT - LEAST_EFFORT) / (MOST_EFFORT - LEAST_EFFORT)
        riders = np.full(n_riders, 0.3), np.full(n_riders, 0.5)
        return np.concatenate([[0.01], *riders, np.full(N_STRETCHES, effort), np.ones(self.n_leaving)])

    def plan(self, numbers: FloatArray) -> tuple[Pulls, FloatArray, FloatArray] | None:
        """Pulls, front powers and speeds to begin with; ``None``: the finish cannot be reached with such pulls."""
        problem, data = self.problem, self.chooser.data
        n_riders, road = len(self.shortest_s), self.problem.road
        start, wished, share, effort, stays = np.split(numbers, np.cumsum([1, n_riders, n_riders, N_STRETCHES]))
        line = data.start_lines[min(int(start[0] * len(data.start_lines)), len(data.start_lines) - 1)]
        wished_s = self.shortest_s + wished * (self.longest_s - self.shortest_s)
        by_strength = sorted(range(n_riders), key=lambda i: problem.race.team.riders[i].cp_w)
        until = {rider: share * road.n_segments for rider, share in zip(by_strength, stays, strict=False)}
        pulls = self.chooser.pulls(
            line,
            lambda rider, _first: float(wished_s[rider]),
            lambda rider, end: end >= until.get(rider, INFINITY),
        )
        if pulls is None:
            return None
        place = np.linspace(0.0, 1.0, N_STRETCHES)
        along = np.interp(road.segments.end_m / road.segments.end_m[-1], place, effort)
        efforts = LEAST_EFFORT + along * (MOST_EFFORT - LEAST_EFFORT)
        leader = leaders(problem, pulls)
        speed_mps = reference_speed(road, problem.race, float(efforts.mean()))
        power_w = pace_power_w(problem, speed_mps, efforts, leader)
        power_w *= (LEAST_SHARE + share * (MOST_SHARE - LEAST_SHARE))[leader]
        return pulls, power_w, speed_mps


def penalised_s(check: RideCheck) -> float:
    """Finish time with what missed limits cost (s)."""
    total = check.finish_time_s
    for failed in check.failed:
        beyond = abs(failed.value - failed.limit) - failed.tolerance
        total += PENALTY_S + MORE_PENALTY_S * min(beyond / max(abs(failed.limit), failed.tolerance, 1e-9), 10.0)
    return total


@dataclass(frozen=True)
class EvolvedPlan:
    """The best plan of an optimiser: its pulls, its last ride, and how many plans were ridden."""

    pulls: Pulls
    check: RideCheck
    n_ridden: int


def evolve(
    problem: Problem, order: tuple[int, ...], optimiser: str, time_limit_s: float, seed: int
) -> EvolvedPlan | None:
    """Let an optimiser of nevergrad look for the fastest ride; ``None``: it found no chain of pulls at all."""
    import nevergrad  # an extra, slow to import

    began = time.perf_counter()
    decoder = Decoder.of(problem, order)
    numbers = nevergrad.p.Array(init=decoder.first_guess(), lower=0.0, upper=1.0)
    numbers.random_state.seed(seed)
    search = nevergrad.optimizers.registry[optimiser](parametrization=numbers, budget=100000)
    best_s, best, n_ridden = INFINITY, None, 0
    while time.perf_counter() - began < time_limit_s:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the library, on its own inner workings
            asked = search.ask()
        plan = decoder.plan(np.asarray(asked.value, dtype=np.float64))
        value_s = 1e5
        if plan is not None:
            value_s = penalised_s(ride_powers(problem, *plan, rounds=ROUNDS))
            n_ridden += 1
            if value_s < best_s:
                best_s, best = value_s, plan
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the same
            search.tell(asked, value_s)
    return None if best is None else EvolvedPlan(best[0], ride_powers(problem, *best), n_ridden)
