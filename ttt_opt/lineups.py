"""The best teams of a roster: every team of the size is planned, or proven to be no better than the best."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from ttt_opt.course import Course
from ttt_opt.race import Race
from ttt_opt.race_changes import with_team_of
from ttt_opt.search_control import Settings
from ttt_opt.study_case import BoundCase, Case, Outcome, PlanCase, RelaxedCase
from ttt_opt.study_pool import Tell, Workers, solve_all, solving
from ttt_opt.study_store import Store

MANY_TEAMS, FEWEST_TO_RELAX = 8, 3
"""So that bounds have something to be above, the team of the lowest bound is planned first, with so many teams two; how
many others there must be for bounding each by its relaxations, which is a fifth of the work of planning it."""
RELAXED_SHARE = 0.9975
"""What is taken of such a bound, as it belongs to the constants of a first plan. Measured on three teams of the demo's
squad, those of the best plan gave bounds that were 0.00, 0.03 and 0.19 % higher; of four teams over 3 km, bounds that
were 0.01, 0.02, 0.13 and 0.23 % lower."""


@dataclass(frozen=True)
class Team:
    """A team that could start.

    Attributes
    ----------
    names : tuple of str
        In the order of the team file.
    race : Race
        Its race.
    bound_s : float
        Time below which no plan of it can be (s).
    outcome : Outcome or None
        Its plan; ``None``: not searched, since the bound is above the time of another team.
    """

    names: tuple[str, ...]
    race: Race
    bound_s: float
    outcome: Outcome | None

    @property
    def time_s(self) -> float:
        """Finish time (s), ``inf`` without a plan that passed its ride check."""
        return _time(self.outcome)


@dataclass(frozen=True)
class Ranking:
    """All teams of a roster.

    Attributes
    ----------
    ranked : tuple of Team
        Those that could be the best, by their bound, the fastest first.
    cut_off : tuple of Team
        Those whose bound is above the best time, the lowest bound first.
    """

    ranked: tuple[Team, ...]
    cut_off: tuple[Team, ...]

    @property
    def best(self) -> Team:
        """The fastest team."""
        return self.ranked[0]

    @property
    def proven_s(self) -> float:
        """No team of the roster can be faster than this (s)."""
        return min(lower_bound_s(team) for team in (*self.ranked, *self.cut_off))

    @property
    def gap(self) -> float:
        """By how much the fastest team may be slower than the best there is, as share of its time; 0 without a plan."""
        time_s = self.best.time_s
        return (time_s - self.proven_s) / time_s if math.isfinite(time_s) else 0.0


def lower_bound_s(team: Team) -> float:
    """Time below which no plan of a team can be: by the search where it gave one, else by the quick bound (s)."""
    searched = team.outcome.get("best_possible_s") if team.outcome is not None else None
    return team.bound_s if searched is None else max(team.bound_s, searched)


def possible_teams(
    race: Race, size: int, fixed: Collection[str] = (), unavailable: Collection[str] = ()
) -> list[tuple[str, ...]]:
    """Names of all teams of a size in which two at least pull, each in the order of the team file."""
    riders = [rider for rider in race.team.riders if rider.name not in unavailable]
    teams = []
    for chosen in itertools.combinations(riders, size):
        names = tuple(rider.name for rider in chosen)
        if set(fixed) <= set(names) and sum(rider.pulls for rider in chosen) >= 2:
            teams.append(names)
    return teams


def rank_teams(
    groups: Sequence[tuple[Course, Sequence[Race]]],
    settings: Settings,
    store: Store,
    workers: Workers,
    tell: Tell,
    *,
    best_once_more: bool = False,
) -> list[Ranking]:
    """Rank the teams of each group among themselves.

    Parameters
    ----------
    groups : sequence of (Course, sequence of Race)
        A course, and one race for each team on it.
    settings : Settings
        Of each search.
    store : Store
    workers : Workers
    tell : callable
    best_once_more : bool
        Where the gap asked for is not reached, plan the best team of a group again, on all cores.

    Returns
    -------
    list of Ranking
        One a group. A quick bound of every team comes first, then a plan of the most promising; those whose bound is
        not above its time are bounded by their relaxations, and planned in the order of these bounds, as long as
        they can be the best. Which teams are cut off depends on the bounds and the best time alone, not on which
        searches ended first.
    """
    flat = [(number, course, race) for number, (course, races) in enumerate(groups) for race in races]
    places = range(len(flat))
    best, bounds = [math.inf] * len(groups), [0.0] * len(flat)
    outcomes: list[Outcome | None] = [None] * len(flat)

    def cut(i: int) -> bool:
        return bounds[i] > best[flat[i][0]]

    def bound(what: str, cases: Sequence[Case], teams: Sequence[int], share: float = 1.0) -> None:
        for place, outcome in enumerate(solve_all(cases, store, workers, lambda text: tell(f"{what}: {text}"))):
            bounds[teams[place]] = max(bounds[teams[place]], share * float(outcome["bound_s"]))

    def plan(teams: Sequence[int], *, all_of_them: bool) -> None:
        cases = [PlanCase(flat[i][2], flat[i][1], settings) for i in teams]
        needless = None if all_of_them else lambda place: cut(teams[place])
        for place, outcome in solving(cases, store, workers, told, needless):
            i = teams[place]
            outcomes[i] = outcome
            best[flat[i][0]] = min(best[flat[i][0]], _time(outcome))

    def told(text: str) -> None:
        known = [time for time in best if math.isfinite(time)]
        tell(f"planning teams: {text}" + (f", best so far {min(known):.1f} s" if len(groups) == 1 and known else ""))

    def promising(teams: Iterable[int]) -> list[int]:
        """The lowest bounds of each group first."""
        members: list[list[int]] = [[] for _ in groups]
        for i in sorted(teams, key=lambda i: (bounds[i], i)):
            members[flat[i][0]].append(i)
        return [i for row in itertools.zip_longest(*members) for i in row if i is not None]

    bound("quick bounds", [BoundCase(race, course) for _, course, race in flat], places)
    first = promising(places)[: (2 if len(flat) >= MANY_TEAMS * len(groups) else 1) * len(groups)]
    plan(first, all_of_them=True)
    others = [i for i in places if i not in first and not cut(i)]
    if len(others) >= FEWEST_TO_RELAX:
        bound("bounds", [RelaxedCase(flat[i][2], flat[i][1], settings.seed) for i in others], others, RELAXED_SHARE)
    plan(promising(others), all_of_them=False)

    def ranking(group: int) -> Ranking:
        teams = [
            Team(tuple(rider.name for rider in race.team.riders), race, bounds[i], outcomes[i])
            for i, (number, _, race) in enumerate(flat)
            if number == group
        ]
        limit = min(team.time_s for team in teams)
        ranked = sorted((team for team in teams if team.bound_s <= limit), key=lambda team: (team.time_s, team.names))
        cut_off = sorted((team for team in teams if team.bound_s > limit), key=lambda team: (team.bound_s, team.names))
        return Ranking(tuple(ranked), tuple(cut_off))

    def planned_again(found: Ranking) -> None:
        i = next(i for i in places if flat[i][2] is found.best.race)
        case = PlanCase(flat[i][2], flat[i][1], settings, on_all_cores=True)
        one = Workers(workers.scheduler, 1)
        (again,) = solve_all([case], store, one, lambda text: tell(f"the best team once more: {text}"))
        outcomes[i] = _both(outcomes[i], again)

    rankings = []
    for group in range(len(groups)):
        found = ranking(group)
        if best_once_more and found.gap > settings.gap:
            planned_again(found)
            found = ranking(group)
        rankings.append(found)
    return rankings


def roster_races(race: Race, size: int, fixed: Collection[str] = (), unavailable: Collection[str] = ()) -> list[Race]:
    """The race of each possible team of a roster."""
    return [with_team_of(race, names) for names in possible_teams(race, size, fixed, unavailable)]


def _both(first: Outcome | None, again: Outcome) -> Outcome:
    """The faster plan of two searches of one team, with the higher bound of the two where the plan is not below it."""
    best = again if first is None or _time(again) <= _time(first) else first
    time_s = _time(best)
    bounds = [each["best_possible_s"] for each in (first, again) if each is not None and "best_possible_s" in each]
    proven_s = max((bound_s for bound_s in bounds if bound_s is not None and bound_s <= time_s), default=None)
    if proven_s is None or not math.isfinite(time_s):
        return best
    return {**best, "best_possible_s": proven_s, "gap": (time_s - proven_s) / time_s}


def _time(outcome: Outcome | None) -> float:
    """Finish time of a plan that passed its ride check (s), else ``inf``."""
    if outcome is None or outcome["state"] != "planned" or not outcome["passed"]:
        return math.inf
    return float(outcome["finish_time_s"])
