"""Where no plan keeps all limits: the smallest change of one limit that makes a plan possible, found by trying.

A change helps where a search would find its first plan (:func:`ttt_opt.rotation_optimum.refuse_without_a_plan`), which
takes seconds. Each limit is moved as far as it can go; where that helps, halving finds how much of it is needed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ttt_opt.course import Course
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.race import LIMIT_BOUNDS, PULL_BOUNDS, Race
from ttt_opt.rotation_optimum import refuse_without_a_plan
from ttt_opt.rotation_problem import road_of, segments_of
from ttt_opt.search_control import SearchClock
from ttt_opt.team import RIDER_BOUNDS, Rider

LONGER_PULLS, LONGEST_TRIED_S = 4.0, 60.0
"""The longest pulls that are tried: times the longest allowed, or in seconds, whichever is longer."""
FINENESS = 0.02
"""Share of a change by which it may be larger than needed; or one step."""
MOST_TOLD = 4
"""So many changes are told: of limits first, then of what riders are, then of the rules; the smallest first."""
FEWEST_COUNTING = 2

MissedBy = Callable[[Race], Mapping[str, str] | None]
"""Limits that the nearest schedule of a race misses, and who and where; ``None``: there is a plan."""


@dataclass(frozen=True)
class Change:
    """One limit that can be moved in the direction that makes it looser.

    Attributes
    ----------
    limit : str
        As the files name it; a rider's own with the rider.
    now, extreme, step : float
        Value of the files, the loosest that is tried, and the steps between them.
    changed : callable
        The race with another value.
    rank : int
        0: what the coach allows; 1: what a rider is; 2: what the event rules.
    now_in_words : str
        Where the files say it otherwise.
    """

    limit: str
    now: float
    extreme: float
    step: float
    changed: Callable[[Race, float], Race]
    rank: int = 0
    now_in_words: str = ""

    @property
    def n_steps(self) -> int:
        """Steps to the loosest value."""
        return math.ceil(abs(self.extreme - self.now) / self.step - 1e-9)

    def value(self, n_steps: int) -> float:
        """The limit after some steps."""
        if n_steps == self.n_steps:
            return self.extreme
        return round(self.now + math.copysign(n_steps * self.step, self.extreme - self.now), 6)

    def share(self, n_steps: int) -> float:
        """How large a change is."""
        return abs(self.value(n_steps) - self.now) / self.now

    def words(self, n_steps: int, where: str) -> str:
        """What the limit would have to be."""
        most_or_least = "at least" if self.extreme > self.now else "at most"
        needs = f"{self.limit} {most_or_least} {self.value(n_steps):.10g}"
        now = self.now_in_words or f"{self.now:.10g}"
        return f"{needs} (now {now}){', ' if where else ''}{where}"


def with_remedies(course: Course, race: Race, error: NoFeasiblePlanError, clock: SearchClock) -> NoFeasiblePlanError:
    """The error with the smallest changes that make a plan possible: of single limits, or else of several at once.

    As it is where none does, or the clock stopped before one was found.

    Parameters
    ----------
    course : Course
    race : Race
        Of which no schedule keeps all limits.
    error : NoFeasiblePlanError
        What the search said.
    clock : SearchClock
    """

    def missed_by(changed: Race) -> Mapping[str, str] | None:
        road = road_of(segments_of(course, changed), changed, float(course.elevation_m[0]))
        try:
            refuse_without_a_plan(road, changed, clock)
        except NoFeasiblePlanError as found:
            return found.missed
        return None

    changes = list(changes_of(race, set(segments_of(course, race).terrain)))
    named = [change for change in changes if _where(change, error.missed) is not None]
    helpful: list[tuple[int, float, str]] = []
    for change in [*named, *(change for change in changes if change not in named)]:
        if clock.stop():
            break
        found = smallest(change, race, missed_by, clock.stop)
        if found is not None:
            n_steps, where = found
            helpful.append((change.rank, change.share(n_steps), change.words(n_steps, where)))
    told = [words for _, _, words in sorted(helpful)[:MOST_TOLD]]
    why = str(error).partition(";")[0]
    if told:
        makes = "the smallest change that makes" if len(told) == 1 else "any one of these makes"
        ended = "; time was up before all were tried, smaller ones may do" if clock.stop() else ""
        return NoFeasiblePlanError(f"{why}; {makes} one possible: {'; '.join(told)}{ended}", error.missed)
    longer = [change for change in changes if "longest" in change.limit]
    together = smallest_together(named or longer, changes, race, missed_by, clock.stop)
    if together:
        return NoFeasiblePlanError(f"{why}; together these make one possible: {' and '.join(together)}", error.missed)
    return error


def smallest(change: Change, race: Race, missed_by: MissedBy, stop: Callable[[], bool]) -> tuple[int, str] | None:
    """Fewest steps of one limit with which there is a plan, and who and where needs them; ``None``: no step helps.

    Parameters
    ----------
    change : Change
    race : Race
        Without a plan.
    missed_by : callable
        See :data:`MissedBy`.
    stop : callable
        Time is up: the steps found so far are the answer.
    """
    helps, not_enough = change.n_steps, 0
    if helps == 0 or missed_by(change.changed(race, change.value(helps))) is not None:
        return None
    missed: Mapping[str, str] = {}
    while helps - not_enough > max(1.0, FINENESS * helps) and not stop():
        middle = round(math.sqrt(not_enough * helps)) if not_enough else helps // 4
        middle = min(max(middle, not_enough + 1), helps - 1)
        still = missed_by(change.changed(race, change.value(middle)))
        if still is None:
            helps = middle
        else:
            not_enough, missed = middle, still
    if not_enough == 0 and not stop():
        missed = missed_by(race) or {}
    return helps, _where(change, missed) or ""


def _where(change: Change, missed: Mapping[str, str]) -> str | None:
    """Who and where misses the limit of a change; ``None``: nobody does."""
    of_limit = (where for limit, where in missed.items() if f"{change.limit}.".startswith(f"{limit}."))
    return next(of_limit, None)


def smallest_together(
    first: Sequence[Change],
    changes: Sequence[Change],
    race: Race,
    missed_by: MissedBy,
    stop: Callable[[], bool],
) -> list[str]:
    """Changes that make a plan possible together, none of which can be smaller while the others are as they are.

    Parameters
    ----------
    first : sequence of Change
        What to begin with.
    changes : sequence of Change
        Of which those are added whose limits are missed then.
    race, missed_by, stop
        See :func:`smallest`.

    Returns
    -------
    list of str
        In words; empty: even together they do not help, or the time was up.
    """
    steps = {change: change.n_steps for change in first}

    def changed(but: Change | None = None) -> Race:
        other = race
        for change, n_steps in steps.items():
            if change is not but and n_steps > 0:
                other = change.changed(other, change.value(n_steps))
        return other

    while (missed := missed_by(changed())) is not None:
        more = {change: change.n_steps for change in changes if _where(change, missed) is not None}
        if stop() or more.keys() <= steps.keys():
            return []
        steps |= more
    told = []
    for change in tuple(steps):
        others = changed(but=change)
        if missed_by(others) is None:
            steps[change] = 0
            continue
        found = smallest(change, others, missed_by, stop)
        if found is not None:
            steps[change], where = found
            told.append(change.words(steps[change], where))
        if stop():
            return []
    return told


def changes_of(race: Race, terrains: set[str]) -> Iterator[Change]:
    """All limits that can be moved, of the race and of its riders, given the terrains of the course."""
    for key, step, extreme in (
        ("on_wheel_share_of_cp", 0.01, LIMIT_BOUNDS["on_wheel_share_of_cp"].high),
        ("w_prime_reserve_j", 10.0, LIMIT_BOUNDS["w_prime_reserve_j"].low),
        ("surge_w", 1.0, LIMIT_BOUNDS["surge_w"].high),
        ("surge_kmh", 0.1, LIMIT_BOUNDS["surge_kmh"].high),
    ):
        yield Change(f"limits.{key}", getattr(race.limits, key), extreme, step, _limit_setter(key))
    for terrain in sorted(terrains):
        bounds = race.limits.pulls[terrain]
        yield Change(
            f"limits.pulls.{terrain}.longest_s",
            bounds.longest_s,
            _longest_tried_s(bounds.longest_s),
            1.0,
            _pull_setter(terrain, "longest_s"),
        )
        yield Change(
            f"limits.pulls.{terrain}.shortest_s",
            bounds.shortest_s,
            min(PULL_BOUNDS.low, bounds.shortest_s),
            1.0,
            _pull_setter(terrain, "shortest_s"),
        )
    for i, rider in enumerate(race.team.riders):
        yield from _changes_of_rider(i, rider)
    n_counting = race.rules.counting_rider or len(race.team.riders)
    yield Change(
        "rules.counting_rider",
        float(n_counting),
        float(min(FEWEST_COUNTING, n_counting)),
        1.0,
        lambda race, value: replace(race, rules=replace(race.rules, counting_rider=round(value))),
        rank=2,
        now_in_words="" if race.rules.counting_rider else f"0: the last of {n_counting}",
    )


def _changes_of_rider(i: int, rider: Rider) -> Iterator[Change]:
    if rider.longest_pull_s is not None:
        longest_s = rider.longest_pull_s
        yield Change(
            f"longest_pull_s of {rider.name}",
            longest_s,
            _longest_tried_s(longest_s),
            1.0,
            _rider_setter(i, "longest_pull_s"),
        )
    if rider.shortest_pull_s is not None:
        shortest_s = rider.shortest_pull_s
        yield Change(
            f"shortest_pull_s of {rider.name}",
            shortest_s,
            min(PULL_BOUNDS.low, shortest_s),
            1.0,
            _rider_setter(i, "shortest_pull_s"),
        )
    highest_w = max(RIDER_BOUNDS["peak_power_w"].high, rider.peak_w)
    set_peak = _rider_setter(i, "peak_power_w")
    yield Change(f"peak_power_w of {rider.name}", math.ceil(rider.peak_w), highest_w, 5.0, set_peak, rank=1)


def _longest_tried_s(longest_s: float) -> float:
    return max(min(max(LONGER_PULLS * longest_s, LONGEST_TRIED_S), PULL_BOUNDS.high), longest_s)


def _limit_setter(key: str) -> Callable[[Race, float], Race]:
    def changed(race: Race, value: float) -> Race:
        other: dict[str, Any] = {key: value}
        return replace(race, limits=replace(race.limits, **other))

    return changed


def _pull_setter(terrain: str, key: str) -> Callable[[Race, float], Race]:
    def changed(race: Race, value: float) -> Race:
        bounds = replace(race.limits.pulls[terrain], **{key: value})
        return replace(race, limits=replace(race.limits, pulls={**race.limits.pulls, terrain: bounds}))

    return changed


def _rider_setter(i: int, key: str) -> Callable[[Race, float], Race]:
    def changed(race: Race, value: float) -> Race:
        other: dict[str, Any] = {key: value}
        riders = list(race.team.riders)
        riders[i] = replace(riders[i], **other)
        return replace(race, team=replace(race.team, riders=tuple(riders)))

    return changed
