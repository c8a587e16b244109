"""Plans that a coach would ride without an optimiser, each at the fastest pace that its ride allows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ridden_schedule import PullChooser, leaders, pace_power_w, ride_powers
from solver_core import FloatArray, Problem, Pulls, constants, first_assumptions
from ttt_opt.ride_check import RideCheck
from ttt_opt.rotation_problem import reference_speed

USUAL_PULL_S, LONG_PULL_S, SHORT_PULL_S = 30.0, 60.0, 20.0
"""Pulls in a settled rotation; of the strongest and of the others where the strongest pulls longest (common practice,
no source)."""
EASIEST, HARDEST = 0.4, 1.3
"""Efforts between which the fastest pace is looked for: power of the average rider over critical power."""
RIDERS_LIMITS = ("W' reserve", "Power on a wheel", "Peak power")
"""Checks that set the pace: what riders can do. Others that a plan misses belong to its pattern, and are reported."""
USUAL_EFFORT = 0.9
"""Effort at whose speeds pulls are measured when they are laid out."""
CLOSE_ENOUGH = 0.0005
"""Share of the effort to which the fastest pace is found."""


@dataclass(frozen=True)
class CoachPlan:
    """A plan of a coach at its fastest pace.

    Attributes
    ----------
    pulls : tuple
    effort : float
        Over sustainable power of the team's average rider.
    check : RideCheck
    """

    pulls: Pulls
    effort: float
    check: RideCheck


Powers = Callable[[FloatArray, float], FloatArray]
"""Front powers ``(n_segments,)`` (W) for the speeds of a pace and its effort."""


def within_the_riders(check: RideCheck) -> bool:
    """Nobody is asked for more than he has."""
    return not any(failed.name.startswith(RIDERS_LIMITS) for failed in check.failed)


def fastest(problem: Problem, pulls: Pulls, powers: Powers) -> CoachPlan:
    """The hardest effort at which no rider is asked for more than he has.

    Raises
    ------
    RuntimeError
        Not even the easiest effort will do.
    """

    def ridden(effort: float) -> RideCheck:
        speed_mps = reference_speed(problem.road, problem.race, effort)
        return ride_powers(problem, pulls, powers(speed_mps, effort), speed_mps)

    low, high, best = EASIEST, HARDEST, ridden(EASIEST)
    if not within_the_riders(best):
        raise RuntimeError(f"{problem.instance.name}: even at the easiest effort {best.failed} are missed")
    while high - low > CLOSE_ENOUGH * low:
        middle = 0.5 * (low + high)
        check = ridden(middle)
        if within_the_riders(check):
            low, best = middle, check
        else:
            high = middle
    return CoachPlan(pulls, low, best)


def _order(problem: Problem) -> tuple[int, ...]:
    """The order of the team file, those who sit on left out."""
    return tuple(i for i, rider in enumerate(problem.race.team.riders) if rider.pulls)


EQUAL, BY_THRESHOLD, STRONGEST = (
    "coach: equal pulls, one pace",
    "coach: pulls by threshold, one W/kg",
    "coach: strongest pulls longest",
)
COACHES = (EQUAL, BY_THRESHOLD, STRONGEST)


def coach_plan(problem: Problem, name: str) -> CoachPlan:
    """One of :data:`COACHES` at its fastest pace.

    Raises
    ------
    RuntimeError
        No chain of pulls reaches the finish, or not even the easiest effort will do.
    """
    riders = problem.race.team.riders
    cp_w = np.array([rider.cp_w for rider in riders])
    mass_kg = np.array([rider.mass_kg for rider in riders])
    strongest = int(np.argmax(cp_w))
    wished_s = {
        EQUAL: np.full(len(riders), USUAL_PULL_S),
        BY_THRESHOLD: USUAL_PULL_S * cp_w / cp_w.mean(),
        STRONGEST: np.where(np.arange(len(riders)) == strongest, LONG_PULL_S, SHORT_PULL_S),
    }[name]
    usual_mps = reference_speed(problem.road, problem.race, USUAL_EFFORT)
    chooser = PullChooser.of(constants(problem, _order(problem), first_assumptions(problem, usual_mps)))
    pulls = chooser.pulls(0, lambda rider, _first: float(wished_s[rider]))
    if pulls is None:
        raise RuntimeError(f"{problem.instance.name}: no chain of pulls reaches the finish")
    leader = leaders(problem, pulls)

    def one_pace(speed_mps: FloatArray, effort: float) -> FloatArray:
        return pace_power_w(problem, speed_mps, effort, leader)

    def one_watt_per_kg(speed_mps: FloatArray, effort: float) -> FloatArray:
        """What one pace asks of the riders on average, shared out by mass."""
        each = [pace_power_w(problem, speed_mps, effort, np.full(len(speed_mps), i)) for i in range(len(riders))]
        return np.asarray(np.mean(each, axis=0) * mass_kg[leader] / mass_kg.mean(), dtype=np.float64)

    return fastest(problem, pulls, one_watt_per_kg if name == BY_THRESHOLD else one_pace)
