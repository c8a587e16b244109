"""The course with cue points for the bicycle computer: ``cues.gpx``."""

from __future__ import annotations

import itertools
import math
import unicodedata
from dataclasses import dataclass

import numpy as np
from gpxpy.gpx import GPX, GPXTrack, GPXTrackPoint, GPXTrackSegment, GPXWaypoint

from ttt_opt.course import Course
from ttt_opt.course_notes import bends, slopes
from ttt_opt.pattern_plan import RideablePlan
from ttt_opt.pattern_text import off_to, place_of, watts_of
from ttt_opt.plan import Plan
from ttt_opt.plan_text import swing_off_words
from ttt_opt.terminal_names import is_unsafe

MOST_CUES = 200
"""Bicycle computers take about so many cue points (common practice, no source)."""
MOST_BENDS, MOST_SLOPES = 60, 40
"""Of these the tightest and the highest are kept, so that room for the changes of leader remains (our choice)."""
LONGEST_NAME = 15
"""Characters of a cue's name that bicycle computers show (common practice, no source)."""
MOST_POINTS = 10_000
"""Points of the track that bicycle computers take (common practice, no source)."""
FALL_BACK_HERE = "A fall-back pattern is taken up here."
KEPT_SIGNS = " .,:()'’-"
"""Signs that may stand in a name beside letters and digits."""


@dataclass(frozen=True)
class Cue:
    """A place on the road at which riders have to know something.

    Attributes
    ----------
    distance_m : float
        From the start (m).
    kind : str
        ``stretch``, ``change of leader``, ``bend``, ``climb`` or ``finish``.
    name : str
        At most 15 characters.
    told : str
        The same in a sentence.
    """

    distance_m: float
    kind: str
    name: str
    told: str


def cues_gpx(plan: Plan) -> str:
    """The course as a GPX 1.1 track, and cue points along it.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        XML text. The track is the course as it was read and resampled, in equal steps of about 10 m, more on courses
        beyond 100 km.
    """
    course = plan.course
    gpx = GPX()
    gpx.creator = "ttt-opt"
    gpx.name = readable(plan.race.name, 80, "Team time trial")
    every = math.ceil(len(course.distance_m) / MOST_POINTS)
    places = [*course.distance_m[:-1:every].tolist(), course.length_m]
    points = [GPXTrackPoint(*position) for position in _positions(course, places)]
    gpx.tracks.append(GPXTrack(name=readable(course.name, 80, "Course")))
    gpx.tracks[0].segments.append(GPXTrackSegment(points))
    along = cues(plan)
    for cue, position in zip(along, _positions(course, [cue.distance_m for cue in along]), strict=True):
        gpx.waypoints.append(GPXWaypoint(*position, name=cue.name, description=cue.told, type=cue.kind))
    return gpx.to_xml(version="1.1") + "\n"


def cues(plan: Plan) -> tuple[Cue, ...]:
    """The cues along the road, at most 200: where stretches begin; without them some or all changes of leader."""
    others = [*_bends(plan), *_slopes(plan), Cue(plan.course.length_m, "finish", "Finish", "Finish")]
    if plan.rideable is not None:
        found = [*_stretches(plan, plan.rideable), *others]
        return tuple(sorted(found, key=lambda cue: cue.distance_m))
    changes = _changes(plan)
    every = math.ceil(len(changes) / (MOST_CUES - len(others))) if changes else 1
    return tuple(sorted([*changes[::every], *others], key=lambda cue: cue.distance_m))


def readable(text: str, longest: int, otherwise: str) -> str:
    """Letters, digits and a few signs of a text from outside, cut to a length; another text where nothing is left."""
    composed = unicodedata.normalize("NFC", text)
    kept = "".join(
        character
        for character in composed
        if not is_unsafe(character) and (unicodedata.category(character)[0] in "LNM" or character in KEPT_SIGNS)
    )
    words = " ".join(kept.split())
    return words[:longest].rstrip() if any(character.isalnum() for character in words) else otherwise


def _stretches(plan: Plan, rideable: RideablePlan) -> list[Cue]:
    """Where stretches begin: the places for new watts, and for a fall-back pattern where one has to be taken up."""
    number = {rider.name: count for count, rider in enumerate(plan.race.team.riders, start=1)}
    found = []
    for count, stretch in enumerate(rideable.stretches, start=1):
        leader = stretch.line[0]
        mark = f"{count} "
        name = readable(leader, LONGEST_NAME - len(mark) - len(" leads"), f"Rider {number[leader]}")
        pulls = ", ".join(
            f"{readable(rider.rider, 80, f'Rider {number[rider.rider]}')} {rider.pull_s} s {watts_of(rider)}"
            for rider in stretch.riders
        )
        told = f"Stretch {count}, {place_of(stretch)}: {off_to(stretch)}. {pulls}. {FALL_BACK_HERE}"
        found.append(Cue(stretch.start_m, "stretch", f"{mark}{name} leads", told))
    return found


def _changes(plan: Plan) -> list[Cue]:
    number = {rider.name: count for count, rider in enumerate(plan.race.team.riders, start=1)}
    found = []
    for before, pull in itertools.pairwise(plan.pulls):
        watts = f" {pull.front_power_w:.0f}W"
        name = readable(pull.rider, LONGEST_NAME - len(watts), f"Rider {number[pull.rider]}")
        told = (
            f"{readable(before.rider, 80, 'The leader')}: {swing_off_words(before)}. "
            f"{readable(pull.rider, 80, name)} leads for {pull.duration_s:.0f} s at {pull.front_power_w:.0f} W."
        )
        found.append(Cue(pull.start_m, "change of leader", f"{name}{watts}", told))
    return found


def _bends(plan: Plan) -> list[Cue]:
    tightest = sorted(bends(plan.course, plan.road), key=lambda bend: bend.speed_mps)[:MOST_BENDS]
    return [
        Cue(
            bend.start_m,
            "bend",
            f"{'Turn' if bend.turns_round else 'Bend'} {bend.side[0].upper()} {3.6 * bend.speed_mps:.0f}km/h",
            f"{'Turn-around' if bend.turns_round else 'Bend'} to the {bend.side}, at most "
            f"{3.6 * bend.speed_mps:.0f} km/h",
        )
        for bend in tightest
    ]


def _slopes(plan: Plan) -> list[Cue]:
    climbs = [slope for slope in slopes(plan.road) if slope.terrain == "climb"]
    found = []
    for slope in sorted(climbs, key=lambda slope: -slope.rise_m)[: MOST_SLOPES // 2]:
        length_km = slope.length_m / 1000
        told = f"Climb of {length_km:.1f} km at {100 * slope.grade:.1f} %"
        name = f"Climb {length_km:.{0 if length_km >= 10 else 1}f}km {100 * slope.grade:.0f}%"
        found += [Cue(slope.start_m, "climb", name, told), Cue(slope.end_m, "climb", "Top of climb", f"Top: {told}")]
    return found


def _positions(course: Course, distance_m: list[float]) -> list[tuple[float, float, float]]:
    """Latitude and longitude (degrees, to 1 cm) and elevation (m) of places on the course."""
    eastwards = np.degrees(np.unwrap(np.radians(course.longitude_deg)))
    columns = (
        np.interp(distance_m, course.distance_m, values).round(digits)
        for values, digits in ((course.latitude_deg, 7), (eastwards, 7), (course.elevation_m, 1))
    )
    latitude, longitude, elevation = (values.tolist() for values in columns)
    within = [round((degrees + 180.0) % 360.0 - 180.0, 7) for degrees in longitude]
    return list(zip(latitude, within, elevation, strict=True))
