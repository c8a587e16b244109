"""The rideable plan as riders and coach get it: stretches with their patterns, what it costs, and its ride check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ttt_opt.course import Course
from ttt_opt.course_notes import NOTABLE_WIND_MPS, WindStretch, bends, slopes, wind_words
from ttt_opt.pattern_ride import ACCELERATING, CLIMB, DESCENT, EASING, FLAT, STEEP, PatternRoad, pattern_road
from ttt_opt.race import Race
from ttt_opt.ride import Ride
from ttt_opt.ride_check import RideCheck
from ttt_opt.rideable_plan import RiddenPlan, ridden_plan, situation_of
from ttt_opt.rotation_problem import Road, pull_bounds
from ttt_opt.schedule import Schedule
from ttt_opt.stretch_search import Stretch, ride_chain

SLOPES = {"flat": FLAT, "uphill": CLIMB, "steep": STEEP, "downhill": DESCENT}
"""Slopes for which a rider has watts of his own, and their kinds of road."""
LANDMARK_WITHIN_M = 90.0
"""A stretch begins at a bend or at the end of a slope that is no farther away than this (our choice)."""
MOSTLY = 0.6
"""Share of a stretch that names it (our choice)."""
BAND = (0.1, 0.9)
"""The speed band leaves out the slowest and the fastest tenth of the time."""


@dataclass(frozen=True)
class StretchRider:
    """What one rider does in a stretch.

    Attributes
    ----------
    rider : str
    pull_s : int
        Each of his pulls (s).
    n_pulls : int
        How many fall into the stretch.
    front_power_w : dict of str to int
        At the front, by slope: ``flat``, ``uphill``, ``steep``, ``downhill``; those that the stretch has, the longest
        first (W).
    """

    rider: str
    pull_s: int
    n_pulls: int
    front_power_w: dict[str, int]


@dataclass(frozen=True)
class StretchPattern:
    """A stretch and its pattern.

    Attributes
    ----------
    start_m, end_m, start_s, duration_s : float
    landmark, road : str
        Where it begins and what it is, in words.
    line : tuple of str
        Line order when it begins, the leader first.
    riders : tuple of StretchRider
        Those who pull, in line order.
    downhill_s : int or None
        Pull of everyone downhill (s); ``None`` without a descent.
    lowest_kmh, highest_kmh : float
        Band of speeds, without starts and bends (km/h).
    swing_off : str
        ``left``, ``right`` or ``either``.
    """

    start_m: float
    end_m: float
    start_s: float
    duration_s: float
    landmark: str
    road: str
    line: tuple[str, ...]
    riders: tuple[StretchRider, ...]
    downhill_s: int | None
    lowest_kmh: float
    highest_kmh: float
    swing_off: str


@dataclass(frozen=True)
class RideablePlan:
    """A plan of few stretches.

    Attributes
    ----------
    stretches : tuple of StretchPattern
    start_power_w : int
        What the first leader holds while the line accelerates from standstill (W).
    ridden : RiddenPlan
    """

    stretches: tuple[StretchPattern, ...]
    start_power_w: int
    ridden: RiddenPlan

    @property
    def finish_time_s(self) -> float:
        """Time of its ride (s)."""
        return self.ridden.ride.finish_time_s

    @property
    def check(self) -> RideCheck:
        """Its ride check."""
        return self.ridden.check


def described(course: Course, road: Road, race: Race, schedule: Schedule, plan: RiddenPlan) -> RideablePlan:
    """A ridden plan of stretches in words and figures for riders, given the detailed plan on whose road it was made."""
    fine = pattern_road(course, road, race, pull_bounds(road.segments, race), schedule.speed_mps)
    names = [race.team.riders[i].name for i in plan.line]
    m = plan.n_pulling
    stretches = []
    for stretch, changes in zip(plan.chain.stretches, plan.chain.changes, strict=True):
        start_m, end_m = float(plan.node_m[stretch.begin]), float(plan.node_m[stretch.end])
        start_s, end_s = _times(plan.ride, [start_m, end_m])
        turns = [(stretch.first + turn) % m for turn in range(m)]
        led = [leader for _, leader in changes]
        present = _slopes_in(fine, stretch)
        low, high = _speed_band(fine, plan.ride, stretch)
        wind = _wind_on(road, start_m, end_m)
        stretches.append(
            StretchPattern(
                start_m=start_m,
                end_m=end_m,
                start_s=start_s,
                duration_s=end_s - start_s,
                landmark=landmark(course, road, start_m),
                road=_road_words(fine, stretch, wind),
                line=(*(names[r] for r in turns), *names[m:]),
                riders=tuple(
                    StretchRider(
                        names[r],
                        stretch.seconds[r],
                        led.count(r),
                        {slope: stretch.watts[SLOPES[slope]][r] for slope in present},
                    )
                    for r in turns
                ),
                downhill_s=stretch.downhill_s if fine.downhill[stretch.begin : stretch.end].any() else None,
                lowest_kmh=low,
                highest_kmh=high,
                swing_off=side_of(wind.crosswind_mps),
            )
        )
    first = plan.chain.stretches[0]
    return RideablePlan(tuple(stretches), first.watts[ACCELERATING][first.first], plan)


def rideable_from(
    course: Course,
    road: Road,
    race: Race,
    schedule: Schedule,
    order: tuple[int, ...],
    sitting: tuple[int, ...],
    stretches: Sequence[Stretch],
) -> RideablePlan:
    """The plan of stretches that are known, ridden again.

    Parameters
    ----------
    course : Course
    road : Road
    race : Race
    schedule : Schedule
        The detailed plan, on whose road the stretches were made.
    order, sitting : tuple of int
        Riders of the race's team who pull, in cyclic order, and who sit on.
    stretches : sequence of Stretch
    """
    situation = situation_of(course, road, race, order, sitting, (0,), schedule.speed_mps, schedule.finish_time_s)
    plan = ridden_plan(course, road, situation, ride_chain(situation, stretches), schedule.speed_mps)
    return described(course, road, race, schedule, plan)


def side_of(crosswind_mps: float) -> str:
    """Side on which to leave the front: towards the wind, so that the rider who drifts back shelters the line."""
    if abs(crosswind_mps) < NOTABLE_WIND_MPS:
        return "either"
    return "right" if crosswind_mps > 0.0 else "left"


def landmark(course: Course, road: Road, place_m: float) -> str:
    """What riders can see where a stretch begins."""
    if place_m == 0.0:
        return "start"
    for bend in bends(course, road):
        if bend.start_m - LANDMARK_WITHIN_M <= place_m <= bend.end_m + LANDMARK_WITHIN_M:
            return f"{'turn-around' if bend.turns_round else 'bend'} {bend.side}"
    for slope in slopes(road):
        climb = slope.terrain == "climb"
        if abs(slope.start_m - place_m) <= LANDMARK_WITHIN_M:
            return "climb begins" if climb else "descent begins"
        if abs(slope.end_m - place_m) <= LANDMARK_WITHIN_M:
            return "climb ends" if climb else "descent ends"
    return f"km {place_m / 1000:.1f}"


def _times(ride: Ride, places_m: Sequence[float]) -> list[float]:
    found = np.interp(places_m, np.append(0.0, ride.distance_m), np.append(0.0, ride.time_s))
    return [float(t) for t in found]


def _slopes_in(fine: PatternRoad, stretch: Stretch) -> tuple[str, ...]:
    kind = fine.kind[stretch.begin : stretch.end]
    length_m = np.diff(fine.node_m)[stretch.begin : stretch.end]
    metres = {slope: float(length_m[kind == k].sum()) for slope, k in SLOPES.items()}
    return tuple(sorted((s for s in metres if metres[s] > 0.0), key=lambda s: -metres[s])) or ("flat",)


def _speed_band(fine: PatternRoad, ride: Ride, stretch: Stretch) -> tuple[float, float]:
    """Band of speeds (km/h) where the road is steady, in all of the stretch if it is nowhere."""
    piece = np.clip(np.searchsorted(fine.node_m, ride.distance_m - 1e-6) - 1, 0, len(fine.kind) - 1)
    inside = (piece >= stretch.begin) & (piece < stretch.end)
    steady = inside & (fine.closed[piece] == 0) & (fine.kind[piece] != EASING)
    chosen = steady if steady.any() else inside
    order = np.argsort(ride.speed_mps[chosen])
    speed, weight = ride.speed_mps[chosen][order], np.cumsum(ride.step_s[chosen][order])
    low, high = (3.6 * float(np.interp(share * weight[-1], weight, speed)) for share in BAND)
    return low, high


def _wind_on(road: Road, start_m: float, end_m: float) -> WindStretch:
    cut = road.segments
    common = np.maximum(np.minimum(cut.end_m, end_m) - np.maximum(cut.start_m, start_m), 0.0)
    share = common / common.sum()
    return WindStretch(start_m, end_m, float(share @ road.headwind_mps), float(share @ road.crosswind_mps))


def _road_words(fine: PatternRoad, stretch: Stretch, wind: WindStretch) -> str:
    """Slope and wind of a stretch in words."""
    kind = fine.kind[stretch.begin : stretch.end]
    length_m = np.diff(fine.node_m)[stretch.begin : stretch.end]
    share = {slope: float(length_m[kind == k].sum()) / float(length_m.sum()) for slope, k in SLOPES.items()}
    up = share["uphill"] + share["steep"]
    if up > MOSTLY:
        slope = "uphill"
    elif share["downhill"] > MOSTLY:
        slope = "downhill"
    elif up + share["downhill"] > 1.0 - MOSTLY:
        slope = "up and down"
    else:
        slope = "flat"
    words = wind_words(wind)
    return slope if words == "next to none" else f"{slope}, {words}"
