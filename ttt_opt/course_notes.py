"""What riders should know of the road: bends to brake for, climbs and descents, stretches of one wind."""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.course import Course
from ttt_opt.rotation_problem import Road

NOTABLE_WIND_MPS = 0.5
"""Head, tail or cross wind counts from this speed at rider height on (m/s)."""
SHORTEST_WIND_SHARE = 0.02
"""Stretches of one wind shorter than this share of the course go to a neighbour (our choice)."""
TURN_ROUND_DEG = 150.0
"""From this change of direction on a bend is a turn-around (our choice)."""
BESIDE_BEND_M = 20.0
"""So far before and after a bend the direction is looked up (m, our choice)."""


@dataclass(frozen=True)
class Bend:
    """A bend that riders may have to brake for.

    Attributes
    ----------
    start_m, end_m : float
        Where its first segment starts and its last one ends (m).
    turn_deg : float
        Change of direction (degrees), to the right positive.
    speed_mps : float
        Highest speed through its slowest segment (m/s).
    """

    start_m: float
    end_m: float
    turn_deg: float
    speed_mps: float

    @property
    def side(self) -> str:
        """``left`` or ``right``."""
        return "right" if self.turn_deg > 0.0 else "left"

    @property
    def turns_round(self) -> bool:
        """The road goes back where it came from."""
        return abs(self.turn_deg) >= TURN_ROUND_DEG


@dataclass(frozen=True)
class Slope:
    """A climb or a descent.

    Attributes
    ----------
    terrain : str
        ``climb`` or ``descent``.
    start_m, end_m : float
        (m)
    rise_m : float
        Rise from start to end (m), negative downhill.
    """

    terrain: str
    start_m: float
    end_m: float
    rise_m: float

    @property
    def length_m(self) -> float:
        """Length (m)."""
        return self.end_m - self.start_m

    @property
    def grade(self) -> float:
        """Mean rise over run."""
        return self.rise_m / self.length_m


@dataclass(frozen=True)
class WindStretch:
    """A stretch on which the wind comes from about one side.

    Attributes
    ----------
    start_m, end_m : float
        (m)
    headwind_mps, crosswind_mps : float
        Mean wind at rider height (m/s); head wind positive, from the right positive.
    """

    start_m: float
    end_m: float
    headwind_mps: float
    crosswind_mps: float


def bends(course: Course, road: Road) -> tuple[Bend, ...]:
    """The bends that riders may have to brake for, in the order of the road."""
    segments = road.segments
    direction_deg = np.degrees(np.unwrap(np.radians(course.heading_deg)))
    found = []
    for part in _runs(segments.bend.tolist()):
        if not segments.bend[part.start]:
            continue
        start_m, end_m = float(segments.start_m[part.start]), float(segments.end_m[part.stop - 1])
        before_deg, after_deg = np.interp(
            [start_m - BESIDE_BEND_M, end_m + BESIDE_BEND_M], course.distance_m, direction_deg
        )
        found.append(Bend(start_m, end_m, float(after_deg - before_deg), float(segments.speed_cap_mps[part].min())))
    return tuple(found)


def slopes(road: Road) -> tuple[Slope, ...]:
    """The climbs and descents, in the order of the road."""
    segments = road.segments
    return tuple(
        Slope(
            terrain=segments.terrain[part.start],
            start_m=float(segments.start_m[part.start]),
            end_m=float(segments.end_m[part.stop - 1]),
            rise_m=float(road.length_m[part] @ segments.grade[part]),
        )
        for part in _runs(segments.terrain)
        if segments.terrain[part.start] != "flat"
    )


def wind_stretches(road: Road) -> tuple[WindStretch, ...]:
    """Stretches of about one wind, in the order of the road; short ones are added to the neighbour before them."""
    sides = np.column_stack([_side(road.headwind_mps), _side(road.crosswind_mps)])
    parts = _runs([tuple(side) for side in sides.tolist()])
    shortest_m = SHORTEST_WIND_SHARE * float(road.length_m.sum())
    kept: list[slice] = []
    for part in parts:
        short = float(road.length_m[part].sum()) < shortest_m
        if kept and (short or (sides[part.start] == sides[kept[-1].start]).all()):
            kept[-1] = slice(kept[-1].start, part.stop)
        else:
            kept.append(part)
    return tuple(_wind_on(road, part) for part in kept)


def wind_words(stretch: WindStretch) -> str:
    """The wind of a stretch in words, along the road and then across it."""
    parts = []
    for speed_mps, positive, negative in (
        (stretch.headwind_mps, "head wind", "tail wind"),
        (stretch.crosswind_mps, "from the right", "from the left"),
    ):
        if abs(speed_mps) >= NOTABLE_WIND_MPS:
            parts.append(f"{positive if speed_mps > 0.0 else negative} {abs(speed_mps):.1f} m/s")
    return ", ".join(parts) or "next to none"


def _side(wind_mps: NDArray[np.float64]) -> NDArray[np.int64]:
    """1, -1, or 0 where there is next to no wind."""
    return np.where(np.abs(wind_mps) < NOTABLE_WIND_MPS, 0, np.sign(wind_mps)).astype(np.int64)


def _wind_on(road: Road, part: slice) -> WindStretch:
    length_m = road.length_m[part]
    share = length_m / length_m.sum()
    return WindStretch(
        start_m=float(road.segments.start_m[part.start]),
        end_m=float(road.segments.end_m[part.stop - 1]),
        headwind_mps=float(share @ road.headwind_mps[part]),
        crosswind_mps=float(share @ road.crosswind_mps[part]),
    )


def _runs(values: Sequence[Hashable]) -> list[slice]:
    """Neighbours of equal value."""
    runs = []
    for _, group in itertools.groupby(range(len(values)), key=lambda index: values[index]):
        members = list(group)
        runs.append(slice(members[0], members[-1] + 1))
    return runs
