"""Races that differ from a given one in one thing: other riders, other figures of a rider, other weather or rules."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace

from ttt_opt.race import Race
from ttt_opt.team import Rider


def with_riders(race: Race, change: Callable[[Rider], Rider]) -> Race:
    """The race with every rider changed."""
    return replace(race, team=replace(race.team, riders=tuple(change(rider) for rider in race.team.riders)))


def with_rider(race: Race, name: str, change: Callable[[Rider], Rider]) -> Race:
    """The race with one rider changed."""
    return with_riders(race, lambda rider: change(rider) if rider.name == name else rider)


def with_team_of(race: Race, names: Collection[str]) -> Race:
    """The race with only some of the riders; where fewer start than would count, the last one counts."""
    riders = tuple(rider for rider in race.team.riders if rider.name in names)
    counting = race.rules.counting_rider if race.rules.counting_rider <= len(riders) else 0
    return replace(
        race,
        team=replace(race.team, riders=riders),
        rules=replace(race.rules, team_size=len(riders), counting_rider=counting),
        start_order=tuple(name for name in race.start_order if name in names),
    )


def with_counting(race: Race, counting_rider: int) -> Race:
    """The race with another counting rider; 0, or more than start, is the last one."""
    counting = counting_rider if counting_rider < len(race.team.riders) else 0
    return replace(race, rules=replace(race.rules, counting_rider=counting))


def scaled(rider: Rider, cp: float = 1.0, w_prime: float = 1.0) -> Rider:
    """The rider with critical power and W' times a factor.

    Peak power stays what it was, but not below the new critical power; a peak power that the team file leaves to
    critical power and W' is kept at what these gave.
    """
    if cp == 1.0 and w_prime == 1.0:
        return rider
    new_cp = rider.cp_w * cp
    return replace(rider, cp_w=new_cp, w_prime_j=rider.w_prime_j * w_prime, peak_power_w=max(rider.peak_w, new_cp))


def with_wind(race: Race, speed_mps: float, from_deg: float | None = None) -> Race:
    """The race with another wind at 10 m (m/s, degrees)."""
    direction = race.weather.wind_from_deg if from_deg is None else from_deg % 360.0
    return replace(race, weather=replace(race.weather, wind_speed_mps=speed_mps, wind_from_deg=direction))
