"""Race day with a rider who has less than usual: start without, leave, sit on, pull short, the old plan."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ttt_opt.course import Course
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.race import Race
from ttt_opt.race_changes import scaled, with_counting, with_rider, with_team_of
from ttt_opt.ride import ride
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.search_control import Settings
from ttt_opt.study_case import Outcome, PlanCase, SamePullsCase, schedule_from
from ttt_opt.study_pool import Tell, Workers, solve_all
from ttt_opt.study_store import Store
from ttt_opt.team import Rider

SHORT_PULL_S = 20.0
"""Longest pull on the flat of a rider who pulls short (s; common practice, no source)."""
MOST_PLACES = 8
"""Places to leave the line that are tried."""

CAUTION = (
    "Fever, chest pain, palpitations, a cough from the chest, aching muscles or feeling unwell: do not start, and "
    "ask a doctor. Riding with an infection can damage the heart. Nothing below is advice to ride when ill: it plans "
    "only what riders who are fit do. The team then starts without, which is the first row."
)


@dataclass(frozen=True)
class OldPlan:
    """The plan of the healthy team, ridden unchanged by the weakened one.

    Attributes
    ----------
    finish_time_s : float
        Of a team that would hold on (s).
    lowest_j : float
        Lowest W' of the rider (J); below zero: cracked.
    breaks_at_m : float or None
        Where the rider's W' is used up (m), ``None``: nowhere.
    below_reserve_at_m : float or None
        Where it first falls below the reserve (m).
    """

    finish_time_s: float
    lowest_j: float
    breaks_at_m: float | None
    below_reserve_at_m: float | None


@dataclass(frozen=True)
class Weakened:
    """What can be done at one reduction.

    Attributes
    ----------
    reduction : float
        Share by which critical power and W' are lower.
    replanned, all_finish, short_pulls : Outcome
        The plan searched anew with the rider as he is, under the race's rule; with everybody in the line to the finish;
        with the rider pulling short.
    sitting_on, sitting_on_later : Outcome or None
        On the last wheel throughout, or from a point that the plan chooses; ``None``: fewer than two would pull.
    leaving : tuple of (float, Outcome)
        Where the rider leaves after a last pull (m), and the plan; empty where the rules do not allow it.
    old_plan : OldPlan
    """

    reduction: float
    replanned: Outcome
    all_finish: Outcome
    sitting_on: Outcome | None
    sitting_on_later: Outcome | None
    short_pulls: Outcome
    leaving: tuple[tuple[float, Outcome], ...]
    old_plan: OldPlan

    @property
    def best_leaving(self) -> tuple[float, Outcome] | None:
        """The fastest plan in which the rider leaves, and where (m)."""
        known = [(at, outcome) for at, outcome in self.leaving if usable(outcome)]
        return min(known, key=lambda pair: pair[1]["finish_time_s"]) if known else None


@dataclass(frozen=True)
class RaceDay:
    """All that the study found.

    Attributes
    ----------
    race : Race
    name : str
        The rider.
    healthy : Outcome
        The plan with everybody as in the team file.
    without : Outcome or None
        The plan without the rider; ``None``: fewer than two would pull.
    may_leave : bool
        The counting rule lets one rider leave.
    rows : tuple of Weakened
    """

    race: Race
    name: str
    healthy: Outcome
    without: Outcome | None
    may_leave: bool
    rows: tuple[Weakened, ...]


def usable(outcome: Outcome | None) -> bool:
    """There is a plan and it passed its ride check."""
    return outcome is not None and outcome["state"] == "planned" and bool(outcome["passed"])


def study_weakened_rider(
    race: Race,
    course: Course,
    name: str,
    reductions: Sequence[float],
    settings: Settings,
    store: Store,
    workers: Workers,
    tell: Tell,
) -> RaceDay:
    """Plan every way of riding with a weakened rider, for each reduction.

    Parameters
    ----------
    race : Race
        Its counting rule says whether the rider may leave the line.
    course : Course
    name : str
        The rider, as in the team file.
    reductions : sequence of float
        Shares by which critical power and W' are lower.
    settings : Settings
        Of each search.
    store : Store
    workers : Workers
    tell : callable

    Raises
    ------
    NoFeasiblePlanError
        The healthy team has no plan.
    """
    number = next(i for i, rider in enumerate(race.team.riders) if rider.name == name)
    n_riders = len(race.team.riders)
    may_leave = 0 < race.rules.counting_rider < n_riders
    others = with_team_of(race, [rider.name for rider in race.team.riders if rider.name != name])
    others_suffice = sum(rider.pulls for rider in others.team.riders) >= 2
    weaker = {
        share: with_rider(race, name, partial(scaled, cp=1.0 - share, w_prime=1.0 - share)) for share in reductions
    }
    wanted = {("healthy", 0.0): race}
    for share, changed in weaker.items():
        wanted |= {("replanned", share): changed, ("short pulls", share): _pulls_short(changed, name)}
        wanted |= {("all finish", share): with_counting(changed, 0)}
        if others_suffice:
            wanted |= {("sitting on", share): _sits_on(changed, name)}
            wanted |= {("sitting on later", share): with_rider(changed, name, _may_sit_on)}
    wanted |= {("without", 0.0): others} if others_suffice else {}
    cases = [PlanCase(each, course, settings) for each in wanted.values()]
    solved = solve_all(cases, store, workers, lambda text: tell(f"plans: {text}"))
    plans = dict(zip(wanted, solved, strict=True))
    healthy = plans["healthy", 0.0]
    if healthy["state"] != "planned":
        raise NoFeasiblePlanError(healthy["why"])
    leaving: Leaving = {share: [] for share in reductions}
    if may_leave:
        bases = {share: [plans["replanned", share], plans["all finish", share]] for share in reductions}
        leaving = _leaving(race, course, number, weaker, bases, store, workers, tell)
    schedule = schedule_from(healthy["schedule"])
    rows = tuple(
        Weakened(
            reduction=share,
            replanned=plans["replanned", share],
            all_finish=plans["all finish", share],
            sitting_on=plans.get(("sitting on", share)),
            sitting_on_later=plans.get(("sitting on later", share)),
            short_pulls=plans["short pulls", share],
            leaving=tuple(leaving[share]),
            old_plan=_old_plan(course, changed, number, schedule),
        )
        for share, changed in weaker.items()
    )
    return RaceDay(race, name, healthy, plans.get(("without", 0.0)), may_leave, rows)


Leaving = dict[float, list[tuple[float, Outcome]]]
"""For each reduction: where the rider leaves (m), and the plan."""


def _sits_on(race: Race, name: str) -> Race:
    """The rider on the last wheel; a start order keeps its order, with the rider at its end."""
    order = tuple(other for other in race.start_order if other != name)
    return replace(
        with_rider(replace(race, start_order=()), name, lambda rider: replace(rider, pulls=False, may_sit_on=False)),
        start_order=(*order, name) if order else (),
    )


def _may_sit_on(rider: Rider) -> Rider:
    return replace(rider, may_sit_on=rider.pulls)


def _pulls_short(race: Race, name: str) -> Race:
    """The rider with short pulls on the flat."""
    shortest = race.limits.pulls["flat"].shortest_s

    def short(rider: Rider) -> Rider:
        least = shortest if rider.shortest_pull_s is None else rider.shortest_pull_s
        return replace(rider, longest_pull_s=min(max(SHORT_PULL_S, least), rider.longest_pull_s or math.inf))

    return with_rider(race, name, short)


def _leaving(
    race: Race,
    course: Course,
    number: int,
    weaker: dict[float, Race],
    bases: dict[float, list[Outcome]],
    store: Store,
    workers: Workers,
    tell: Tell,
) -> Leaving:
    """Plans in which the rider leaves after one of his pulls and the others ride on in the same rotation."""
    asked: list[tuple[float, SamePullsCase]] = []
    found: Leaving = {share: [] for share in weaker}
    for share, outcome in [(share, base) for share, both in bases.items() for base in both]:
        changed = weaker[share]
        if outcome["state"] != "planned":
            continue
        leaves_at_m = outcome["riders"][number]["leaves_at_m"]
        if leaves_at_m is not None:
            found[share].append((leaves_at_m, outcome))
        schedule = schedule_from(outcome["schedule"])
        if number in schedule.pulls[-1].line and len(schedule.pulls[-1].line) > race.rules.counting_rider:
            cuts = [leave_after(schedule, place) for place in leaving_places(schedule, number)]
            asked += [(share, SamePullsCase(changed, changed, course, cut)) for cut in cuts if two_go_on(cut)]
    solved = solve_all([case for _, case in asked], store, workers, lambda text: tell(f"leaving the line: {text}"))
    for (share, case), outcome in zip(asked, solved, strict=True):
        last = next(pull for pull in case.schedule.pulls if pull.leader_leaves and pull.leader == number)
        found[share].append((float(case.schedule.boundary_m[last.end_segment]), outcome))
    return found


def leaving_places(schedule: Schedule, number: int) -> list[int]:
    """Pulls of a rider after which to try leaving: evenly chosen among all but one that ends at the finish."""
    own = [place for place, pull in enumerate(schedule.pulls[:-1]) if pull.leader == number]
    if len(own) <= MOST_PLACES:
        return own
    return [own[round(i)] for i in np.linspace(0, len(own) - 1, MOST_PLACES)]


def two_go_on(schedule: Schedule) -> bool:
    """Whether two riders or more still share the pulls wherever one stops pulling."""
    pairs = itertools.pairwise(schedule.pulls)
    return all(len(after.pulling) >= 2 for before, after in pairs if before.leader in after.sitting)


def leave_after(schedule: Schedule, place: int) -> Schedule:
    """The schedule with its leader gone after one pull.

    The other riders share what is left of the road as they did before: every later pull of the rider who left is added
    to the pull before it or, half and half, to its neighbours.
    """
    leaver = schedule.pulls[place].leader
    later = schedule.pulls[place + 1 :]
    starts = [pull.first_segment for pull in later]
    end = schedule.pulls[-1].end_segment
    stops = [*starts[1:], end]
    merged: list[tuple[int, int, ScheduledPull]] = []
    gap_from: int | None = None
    for start, stop, pull in zip(starts, stops, later, strict=True):
        if pull.leader == leaver:
            gap_from = start
            if stop == end and merged:
                merged[-1] = (merged[-1][0], stop, merged[-1][2])
            continue
        first = start
        if gap_from is not None:
            middle = (gap_from + start) // 2 if merged else gap_from
            if merged:
                merged[-1] = (merged[-1][0], middle, merged[-1][2])
            first, gap_from = middle, None
        merged.append((first, stop, pull))
    pulls = [*schedule.pulls[:place], replace(schedule.pulls[place], leader_leaves=True)]
    for first, stop, pull in merged:
        line = tuple(rider for rider in pull.line if rider != leaver)
        pulls.append(ScheduledPull(line, first, stop, pull.leader_leaves, pull.n_sitting - (leaver in pull.sitting)))
    return replace(schedule, pulls=tuple(pulls))


def _old_plan(course: Course, race: Race, number: int, schedule: Schedule) -> OldPlan:
    """Ride the healthy plan with the weakened rider."""
    ridden = ride(course, race.team, race, schedule)
    left = ridden.w_prime_j[:, number]

    def first(below_j: float) -> float | None:
        places = np.flatnonzero(left < below_j)
        return float(ridden.distance_m[places[0]]) if len(places) else None

    return OldPlan(
        ridden.finish_time_s, float(np.nanmin(left)), first(0.0), first(race.limits.w_prime_reserve_j - 500.0)
    )
