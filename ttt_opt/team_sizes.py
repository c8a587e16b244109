"""Teams of one size against another, on one or several courses and in several winds: who is faster, and why."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ttt_opt.course import Course
from ttt_opt.lineups import Ranking, rank_teams, roster_races
from ttt_opt.race import Race
from ttt_opt.race_changes import scaled, with_counting, with_rider, with_wind
from ttt_opt.search_control import Settings
from ttt_opt.study_case import Outcome, PlanCase
from ttt_opt.study_pool import Tell, Workers, solve_all
from ttt_opt.study_store import Store
from ttt_opt.team import Rider

STRENGTHS = (0.85, 0.925, 1.0, 1.075)
"""Critical power and W' of the rider who makes the difference, as a share of the team file's."""


@dataclass(frozen=True)
class Setting:
    """A course in one wind under one rule.

    Attributes
    ----------
    race : Race
        With the whole roster.
    course : Course
    wind_mps : float
        (m/s at 10 m)
    counting_rider : int
        0: the last rider's time counts.
    """

    race: Race
    course: Course
    wind_mps: float
    counting_rider: int


@dataclass(frozen=True)
class Comparison:
    """Best larger and best smaller team in one setting.

    Attributes
    ----------
    setting : Setting
    larger, smaller : Ranking
    """

    setting: Setting
    larger: Ranking
    smaller: Ranking

    @property
    def difference_s(self) -> float:
        """Time of the best larger team over that of the best smaller one (s): negative where the larger is faster."""
        difference = self.larger.best.time_s - self.smaller.best.time_s
        return difference if math.isfinite(difference) else math.nan

    @property
    def uncertain_s(self) -> float:
        """What the plans may be from the best, together (s); ``inf`` where a bound is missing."""
        return sum(ranking.best.time_s - ranking.proven_s for ranking in (self.larger, self.smaller))


@dataclass(frozen=True)
class Cause:
    """Why the larger team is faster or slower: one thing added after the other.

    Attributes
    ----------
    setting : Setting
    names : tuple of str
        The smaller team.
    extra : str
        Who rides only in the larger one.
    shelter_s, w_prime_s, strength_s : float
        Change of the time by a rider who is the mean of the smaller team: one more wheel, and longer rest; by that
        rider having W' of the one who rides; by that one's critical power, mass and drag (s). They add up to the
        difference.
    """

    setting: Setting
    names: tuple[str, ...]
    extra: str
    shelter_s: float
    w_prime_s: float
    strength_s: float

    @property
    def difference_s(self) -> float:
        """All of them together (s)."""
        return self.shelter_s + self.w_prime_s + self.strength_s


@dataclass(frozen=True)
class Strength:
    """The larger team with the rider who makes the difference stronger or weaker.

    Attributes
    ----------
    cause : Cause
    shares : tuple of float
    differences_s : tuple of float
        Larger over smaller team (s).
    """

    cause: Cause
    shares: tuple[float, ...]
    differences_s: tuple[float, ...]


@dataclass(frozen=True)
class Sizes:
    """All that the study found."""

    larger: int
    smaller: int
    comparisons: tuple[Comparison, ...]
    causes: tuple[Cause, ...]
    strengths: tuple[Strength, ...]


def study_sizes(
    races: Sequence[tuple[Race, Course]],
    sizes: tuple[int, int],
    winds_mps: Sequence[float],
    counting_riders: Sequence[int | None],
    settings: Settings,
    store: Store,
    workers: Workers,
    tell: Tell,
) -> Sizes:
    """Compare the best teams of two sizes.

    Parameters
    ----------
    races : sequence of (Race, Course)
        Each with the whole roster.
    sizes : (int, int)
        Larger and smaller.
    winds_mps : sequence of float
        Winds at 10 m from the race's own direction (m/s), besides the race's own.
    counting_riders : sequence of (int or None)
        Rules to compare; ``None``: that of the race file.
    settings : Settings
        Of each search.
    store : Store
    workers : Workers
    tell : callable
    """
    larger, smaller = sizes
    compared = []
    for race, course in races:
        for wind in sorted({race.weather.wind_speed_mps, *winds_mps}):
            for counting in counting_riders:
                rule = race.rules.counting_rider if counting is None else counting
                compared.append(Setting(with_wind(race, wind), course, wind, rule))
    groups = [
        (
            setting.course,
            [with_counting(team, setting.counting_rider) for team in roster_races(setting.race, size)],
        )
        for setting in compared
        for size in sizes
    ]
    rankings = rank_teams(groups, settings, store, workers, tell)
    comparisons = [Comparison(setting, rankings[2 * i], rankings[2 * i + 1]) for i, setting in enumerate(compared)]
    own = [
        comparison
        for comparison in comparisons
        if any(
            comparison.setting.wind_mps == race.weather.wind_speed_mps and comparison.setting.course is course
            for race, course in races
        )
    ]
    explained = [(each, extra) for each in own if (extra := _extra_rider(each)) is not None]
    causes, strengths = _explain(explained, settings, store, workers, tell)
    return Sizes(larger, smaller, tuple(comparisons), tuple(causes), tuple(strengths))


def _extra_rider(comparison: Comparison) -> Rider | None:
    """The rider of the best larger team who is not in the best smaller one, where that is the only difference."""
    if not math.isfinite(comparison.difference_s):
        return None
    small = set(comparison.smaller.best.names)
    extra = [rider for rider in comparison.larger.best.race.team.riders if rider.name not in small]
    return extra[0] if len(extra) == 1 and small < set(comparison.larger.best.names) else None


def _replaced(race: Race, rider: Rider) -> Race:
    """The race with one rider in the place of the one of the same name."""
    return with_rider(race, rider.name, lambda _: rider)


def _explain(
    explained: Sequence[tuple[Comparison, Rider]], settings: Settings, store: Store, workers: Workers, tell: Tell
) -> tuple[list[Cause], list[Strength]]:
    """Causes of the differences, and how they depend on the rider who makes them."""
    cases = []
    for comparison, extra in explained:
        race, course = comparison.larger.best.race, comparison.setting.course
        mean = mean_rider(comparison.smaller.best.race.team.riders, extra)
        others = [mean, replace(mean, w_prime_j=extra.w_prime_j), *(scaled(extra, share, share) for share in STRENGTHS)]
        cases += [PlanCase(_replaced(race, rider), course, settings) for rider in others]
    outcomes = solve_all(cases, store, workers, lambda text: tell(f"causes: {text}"))
    causes, strengths = [], []
    each = 2 + len(STRENGTHS)
    for number, (comparison, extra) in enumerate(explained):
        with_mean, with_w_prime, *stronger = [
            _time(outcome) for outcome in outcomes[each * number : each * (number + 1)]
        ]
        small_s, large_s = comparison.smaller.best.time_s, comparison.larger.best.time_s
        cause = Cause(
            comparison.setting,
            comparison.smaller.best.names,
            extra.name,
            with_mean - small_s,
            with_w_prime - with_mean,
            large_s - with_w_prime,
        )
        causes.append(cause)
        strengths.append(Strength(cause, STRENGTHS, tuple(time - small_s for time in stronger)))
    return causes, strengths


def mean_rider(riders: Sequence[Rider], extra: Rider) -> Rider:
    """A rider who is the mean of others, with the name, bicycle and pull bounds of none."""

    def mean(name: str) -> float:
        return float(np.mean([getattr(rider, name) for rider in riders]))

    return Rider(
        extra.name,
        mean("mass_kg"),
        mean("cp_w"),
        mean("w_prime_j"),
        mean("cda_m2"),
        mean("bicycle_mass_kg"),
        peak_power_w=mean("peak_w"),
    )


def crossing(x: Sequence[float], y: Sequence[float]) -> float | None:
    """Where a line through points crosses zero first, ``None`` where it does not."""
    points = [(a, b) for a, b in zip(x, y, strict=True) if math.isfinite(b)]
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        if y0 == 0.0:
            return x0
        if y0 * y1 < 0.0:
            return x0 - y0 * (x1 - x0) / (y1 - y0)
    return None


def _time(outcome: Outcome | None) -> float:
    if outcome is None or outcome["state"] != "planned" or not outcome["passed"]:
        return math.nan
    return float(outcome["finish_time_s"])
