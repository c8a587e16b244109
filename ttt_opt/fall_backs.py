"""Fall-backs that are prepared before the race: a pattern without each rider, and one for wind from the other side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ttt_opt.allowance import ENDLESS, Allowance
from ttt_opt.course import Course
from ttt_opt.course_notes import NOTABLE_WIND_MPS
from ttt_opt.pattern_plan import RideablePlan, described
from ttt_opt.race import Race
from ttt_opt.rideable_plan import (
    better_patterns,
    evened_and_allowed,
    fastest,
    reach_of,
    settled,
    situation_at,
    situation_of,
)
from ttt_opt.rotation_problem import Road, road_of
from ttt_opt.schedule import Schedule
from ttt_opt.stretch_search import Stretch, best_chain, relaxed_choice, ridden_columns, ride_chain, rotated, scaled
from ttt_opt.team import Team

FACTORS = (0.7, 0.78, 0.84, 0.89, 0.93, 0.97, 1.01)
"""Watts of the first patterns tried, over those of the rideable plan."""
FEWEST_WHO_PULL = 2
CURE_SHARE = 0.006
"""Time for curing what the ride of a fall-back misses, as share of the finish time."""


@dataclass(frozen=True)
class FallBack:
    """A prepared pattern for what may happen.

    Attributes
    ----------
    without : str or None
        The rider who is missing; ``None``: the wind has turned.
    has_result : bool
        Under the rules the team still has a result.
    plan : RideablePlan or None
        ``None``: no pattern keeps the reserves, or fewer than two riders are left who pull.
    """

    without: str | None
    has_result: bool
    plan: RideablePlan | None


def has_result_without_one(race: Race) -> bool:
    """Whether a team that misses one rider at the finish has a result: the counting rider is still there."""
    counting = race.rules.counting_rider or len(race.team.riders)
    return counting < len(race.team.riders)


def race_without(race: Race, name: str) -> Race | None:
    """The race for the other riders, whose last one counts; ``None`` where they are too few for a rotation."""
    riders = tuple(rider for rider in race.team.riders if rider.name != name)
    if sum(rider.pulls for rider in riders) < FEWEST_WHO_PULL:
        return None
    return replace(
        race,
        team=Team(race.team.name, riders),
        rules=replace(race.rules, counting_rider=0, team_size=None),
        start_order=(),
    )


def race_with_wind_turned(race: Race) -> Race:
    """The race in wind of the same strength from the opposite direction."""
    weather = race.weather
    return replace(race, weather=replace(weather, wind_from_deg=(weather.wind_from_deg + 180.0) % 360.0))


def fall_backs(
    course: Course,
    road: Road,
    race: Race,
    schedule: Schedule,
    plan: RideablePlan,
    allowed: Allowance = ENDLESS,
) -> tuple[FallBack, ...]:
    """The pattern without each rider and, where there is wind, the one for wind from the other side.

    Parameters
    ----------
    course : Course
    road : Road
    race : Race
    schedule : Schedule
        The detailed plan.
    plan : RideablePlan
        Its stretches stay; seconds and watts are chosen anew.
    allowed : Allowance
        Each of the patterns may take its part of what is left of it, and then be cured of what its ride misses
        (:data:`CURE_SHARE`).
    """
    result = has_result_without_one(race)
    found = []
    windy = float(np.hypot(road.headwind_mps, road.crosswind_mps).max()) >= NOTABLE_WIND_MPS
    n_left = len(race.team.riders) + windy
    for rider in race.team.riders:
        smaller, own = race_without(race, rider.name), allowed.part(1.0 / n_left)
        other = None if smaller is None else _pattern_for(course, road, race, smaller, schedule, plan, own)
        found.append(FallBack(rider.name, result, other))
        n_left -= 1
    if windy:
        turned = race_with_wind_turned(race)
        blown = road_of(road.segments, turned, float(course.elevation_m[0]))
        own = allowed.part(1.0)
        found.append(FallBack(None, True, _pattern_for(course, blown, race, turned, schedule, plan, own)))
    return tuple(found)


def _pattern_for(
    course: Course,
    road: Road,
    race: Race,
    changed: Race,
    schedule: Schedule,
    plan: RideablePlan,
    allowed: Allowance,
) -> RideablePlan | None:
    """The best patterns for a changed race on the stretches of the plan."""
    ridden = plan.ridden
    names = [rider.name for rider in changed.team.riders]
    kept = [place for place, i in enumerate(ridden.line) if race.team.riders[i].name in names]
    line = [names.index(race.team.riders[ridden.line[place]].name) for place in kept]
    pulling = [place for place in kept if place < ridden.n_pulling]
    if len(pulling) < FEWEST_WHO_PULL:
        return None
    order, sitting = tuple(line[: len(pulling)]), tuple(line[len(pulling) :])
    start_leaders = (0,) if len(names) == len(race.team.riders) else tuple(range(len(order)))
    situation = situation_of(
        course, road, changed, order, sitting, start_leaders, schedule.speed_mps, schedule.finish_time_s
    )
    stretches = [_only(stretch, pulling) for stretch in ridden.stretches]
    tried = evened_and_allowed(situation, [scaled(s, factor) for s in stretches for factor in FACTORS])
    if not tried:
        return None
    columns = ridden_columns(situation, rotated(tried, len(order)))
    relaxed = relaxed_choice(situation, columns, len(stretches))
    best = None if relaxed is None else best_chain(situation, columns, relaxed, len(stretches))
    if best is None:
        return None
    chain = ride_chain(situation, best)
    situation = situation_at(situation, chain)
    if not allowed.over():
        better = better_patterns(situation, chain, rounds=1, reach=reach_of(situation))
        chain = fastest(situation, [chain, *better])
    final = settled(
        course, road, situation, chain, schedule.speed_mps, for_rounds=allowed, cure_share=CURE_SHARE
    )
    return described(course, road, changed, schedule, final)


def _only(stretch: Stretch, places: list[int]) -> Stretch:
    """The pattern of some of its riders."""
    return replace(
        stretch,
        first=0,
        seconds=tuple(stretch.seconds[place] for place in places),
        watts=tuple(tuple(row[place] for place in places) for row in stretch.watts),
    )
