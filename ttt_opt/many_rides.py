"""A fixed schedule ridden many times on days that differ: how the finish time spreads, and who cracks where.

What differs from day to day is drawn from published spreads where there are any (:class:`Spread`). Nobody changes the
plan on the way: the leader holds the planned power, so in a head wind the line is slower and everybody works longer. A
rider who has used up W' is counted as cracked there; what the others would then do is not simulated, so the finish
time of such a ride is that of riders who hold on.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ttt_opt.course import Course
from ttt_opt.race import Race
from ttt_opt.race_changes import scaled, with_wind
from ttt_opt.ride import ride
from ttt_opt.schedule import Schedule
from ttt_opt.study_case import Outcome, plain, race_data, schedule_data

FloatArray = NDArray[np.float64]

RIDES_A_CASE = 50
LEAST_FACTOR = 0.3
"""Whatever is drawn, nobody has less than this share of critical power or W'."""


@dataclass(frozen=True)
class Spread:
    """Standard deviations of what a plan takes as known.

    Attributes
    ----------
    form : float
        Critical power on the day over that of the file, each rider for himself (share).
    w_prime : float
        W' over that of the file, each rider for himself (share).
    wind_mps, wind_deg : float
        Wind on the day beside the forecast (m/s at 10 m; degrees).

    References
    ----------
    Karsten et al. 2015: critical power from repeated field tests varies by 2.4 to 6.5 % (the lower end is the default).
    Johnson et al. 2011: typical error of W' from one short test 28 %. Wind: our assumption, no source.
    """

    form: float = 0.024
    w_prime: float = 0.28
    wind_mps: float = 1.0
    wind_deg: float = 15.0


@dataclass(frozen=True)
class RidesCase:
    """Some of the rides; which draws a ride has depends on seed and number alone.

    Attributes
    ----------
    race : Race
    course : Course
    schedule : Schedule
    spread : Spread
    seed, first, n_rides : int
        Rides number ``first`` to ``first + n_rides - 1``.
    """

    race: Race
    course: Course
    schedule: Schedule
    spread: Spread
    seed: int
    first: int
    n_rides: int

    def inputs(self) -> dict[str, Any]:
        """See :class:`ttt_opt.study_case.Case`."""
        return {
            "rides": race_data(self.race),
            "course": dataclasses.asdict(self.course),
            "schedule": schedule_data(self.schedule),
            "spread": dataclasses.asdict(self.spread),
            "numbers": [self.seed, self.first, self.n_rides],
        }

    def solve(self) -> Outcome:
        """See :class:`ttt_opt.study_case.Case`."""
        rides = [self._ride(number) for number in range(self.first, self.first + self.n_rides)]
        outcome: Outcome = plain(
            {"finish_time_s": [time for time, _ in rides], "cracked_at_m": [at for _, at in rides]}
        )
        return outcome

    def _ride(self, number: int) -> tuple[float, list[float | None]]:
        race = race_of_the_day(self.race, self.spread, np.random.default_rng([self.seed, number]))
        ridden = ride(self.course, race.team, race, self.schedule)
        cracked: list[float | None] = []
        for column in ridden.w_prime_j.T:
            empty = np.flatnonzero(column < 0.0)
            cracked.append(float(ridden.distance_m[empty[0]]) if len(empty) else None)
        return ridden.finish_time_s, cracked


def race_of_the_day(race: Race, spread: Spread, draw: np.random.Generator) -> Race:
    """The race as one day may bring it."""
    riders = tuple(
        scaled(
            rider,
            max(1.0 + spread.form * draw.standard_normal(), LEAST_FACTOR),
            max(1.0 + spread.w_prime * draw.standard_normal(), LEAST_FACTOR),
        )
        for rider in race.team.riders
    )
    weather = race.weather
    speed = abs(weather.wind_speed_mps + spread.wind_mps * draw.standard_normal())
    direction = weather.wind_from_deg + spread.wind_deg * draw.standard_normal()
    return with_wind(dataclasses.replace(race, team=dataclasses.replace(race.team, riders=riders)), speed, direction)


def rides_cases(
    race: Race, course: Course, schedule: Schedule, spread: Spread, seed: int, n_rides: int
) -> list[RidesCase]:
    """So many rides, in parts that can be ridden side by side."""
    return [
        RidesCase(race, course, schedule, spread, seed, first, min(RIDES_A_CASE, n_rides - first))
        for first in range(0, n_rides, RIDES_A_CASE)
    ]


@dataclass(frozen=True)
class ManyRides:
    """What many rides of one schedule came to.

    Attributes
    ----------
    finish_time_s : ndarray (n_rides,)
    cracked_at_m : ndarray (n_rides, n_riders)
        Where each rider's W' was used up (m), nan: nowhere.
    finishers : ndarray (n_riders,) of bool
        Whom the schedule has in the line at the finish.
    needed : int
        Riders who must come through for the time to count.
    """

    finish_time_s: FloatArray
    cracked_at_m: FloatArray
    finishers: NDArray[np.bool_]
    needed: int

    @property
    def intact(self) -> NDArray[np.bool_]:
        """Rides in which enough riders come through ``(n_rides,)``."""
        through = np.isnan(self.cracked_at_m) & self.finishers
        return np.asarray(through.sum(axis=1) >= self.needed)

    @property
    def crack_share(self) -> FloatArray:
        """Share of the rides in which each rider cracks ``(n_riders,)``."""
        return np.asarray((~np.isnan(self.cracked_at_m)).mean(axis=0), dtype=np.float64)


def many_rides(race: Race, schedule: Schedule, outcomes: Sequence[Outcome]) -> ManyRides:
    """The outcomes of all parts together."""
    n_riders = len(race.team.riders)
    times = [time for outcome in outcomes for time in outcome["finish_time_s"]]
    cracked = [row for outcome in outcomes for row in outcome["cracked_at_m"]]
    last = schedule.pulls[-1].line
    return ManyRides(
        np.array(times, dtype=np.float64),
        np.array(cracked, dtype=np.float64),  # None becomes nan
        np.array([rider in last for rider in range(n_riders)]),
        race.rules.counting_rider or n_riders,
    )
