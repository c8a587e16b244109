"""The charts of the briefing page: who leads where, wind, speed and power, and each rider's race."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.charts import (
    Axes,
    area,
    axes_around,
    block,
    curve,
    distances_below,
    drawing,
    label,
    level,
    stairs,
    upright,
    values_beside,
)
from ttt_opt.course import Course
from ttt_opt.course_notes import bends
from ttt_opt.html_text import Html, element, name_of
from ttt_opt.palette import rider_colour
from ttt_opt.plan import Plan
from ttt_opt.team_marks import chip, team_marks
from ttt_opt.text_table import short_clock

FloatArray = NDArray[np.float64]

MOST_POINTS = 300
"""Points of a curve: more cannot be told apart."""
POINTS_A_STRIP = 100
"""Points of the profile in a strip, a few kilometres long."""
PULLS_A_STRIP = 12
"""So many pulls a strip shows on average: with more their marks would not fit on a phone."""
LEAST_RELIEF_M = 40.0
"""A profile shows at least this range of elevations (m), so that a flat road looks flat."""


@dataclass(frozen=True)
class Curves:
    """The ride check against distance, as means between places in equal steps.

    Attributes
    ----------
    middle_m : ndarray (n_points,)
        Middle of each step (m).
    speed_kmh : ndarray (n_points,)
    power_w, w_prime_j : ndarray (n_points, n_riders)
        Mean power (W) and W' at the middle (J); nan once a rider has left.
    """

    middle_m: FloatArray
    speed_kmh: FloatArray
    power_w: FloatArray
    w_prime_j: FloatArray


def curves(plan: Plan) -> Curves:
    """The ride check as curves that a page can show."""
    ride, length_m = plan.ride, plan.course.length_m
    edges = np.linspace(0.0, length_m, min(MOST_POINTS, math.ceil(length_m / 20.0)) + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    distance = np.append(0.0, ride.distance_m)
    seconds = np.diff(np.interp(edges, distance, np.append(0.0, ride.time_s)))
    powers, stores = [], []
    for rider, left_at_m in zip(range(ride.power_w.shape[1]), ride.left_at_m, strict=True):
        work = np.append(0.0, np.cumsum(np.nan_to_num(ride.power_w[:, rider]) * ride.step_s))
        there = ~np.isnan(ride.w_prime_j[:, rider])
        gone = middle > (math.inf if left_at_m is None else left_at_m)
        powers.append(np.where(gone, np.nan, np.diff(np.interp(edges, distance, work)) / seconds))
        full = plan.race.team.riders[rider].w_prime_j
        known = np.append(full, ride.w_prime_j[there, rider])
        stores.append(np.where(gone, np.nan, np.interp(middle, np.append(0.0, ride.distance_m[there]), known)))
    return Curves(middle, 3.6 * np.diff(edges) / seconds, np.column_stack(powers), np.column_stack(stores))


def leaders(plan: Plan) -> Html:
    """The course in strips that begin with a change of leader: profile, bends, and who leads where."""
    length_m = plan.course.length_m
    starts = np.array([pull.start_m for pull in plan.pulls])
    even = np.arange(1, math.ceil(len(starts) / PULLS_A_STRIP)) * PULLS_A_STRIP * length_m / len(starts)
    nearest = {float(starts[np.argmin(np.abs(starts - place))]) for place in even} - {0.0}
    cuts = [0.0, *sorted(nearest), length_m]
    relief = _relief(plan.course)
    strips = [_strip(plan, *relief, start_m, end_m) for start_m, end_m in itertools.pairwise(cuts)]
    return element("div", *strips, class_="strips")


def _strip(plan: Plan, low_m: float, high_m: float, start_m: float, end_m: float) -> Html:
    """Profile and leaders on one stretch of the course."""
    axes = Axes(start_m, end_m, low_m, high_m)
    places, marks = np.linspace(start_m, end_m, POINTS_A_STRIP), team_marks(plan.race.team)
    elevation = np.interp(places, plan.course.distance_m, plan.course.elevation_m)
    brakes = [bend.start_m for bend in bends(plan.course, plan.road) if start_m <= bend.start_m < end_m]
    profile = drawing(
        "low",
        f"Profile from km {start_m / 1000:.2f} to {end_m / 1000:.2f}",
        [
            area(axes, places, elevation, "land", low_m),
            curve(axes, places, elevation, "road"),
            *(upright(axes, place, "brake") for place in brakes),
        ],
        [values_beside(axes, 2)],
    )
    number = {rider.name: index for index, rider in enumerate(plan.race.team.riders)}
    blocks, labels = [], []
    for turn, pull in enumerate(plan.pulls):
        first_m, last_m = max(pull.start_m, start_m), min(pull.end_m, end_m)
        if first_m >= last_m:
            continue
        colour = rider_colour(number[pull.rider])
        blocks.append(block(axes, first_m, last_m, fill=colour, class_="band"))
        middle = axes.x(0.5 * (first_m + last_m))
        labels.append(label(marks[pull.rider], "mark", left=middle, top=0.28 + 0.44 * (turn % 2)))
    told = f"Who leads from km {start_m / 1000:.2f} to {end_m / 1000:.2f}; the table of pulls says the same"
    return element("div", profile, drawing("bands", told, blocks, [*labels, distances_below(axes)]), class_="strip")


def _relief(course: Course) -> tuple[float, float]:
    """Lowest and highest elevation that a profile shows (m)."""
    low, high = float(course.elevation_m.min()), float(course.elevation_m.max())
    lacking = max(LEAST_RELIEF_M - (high - low), 0.0)
    around = axes_around(0.0, 1.0, [low - 0.2 * lacking, high + 0.8 * lacking])
    return around.low, around.high


def whole_course(plan: Plan) -> Html:
    """Profile, wind, speed and front power one below the other, against the same distance."""
    course, road, schedule = plan.course, plan.road, plan.optimum.schedule
    places, boundary_m = np.linspace(0.0, course.length_m, MOST_POINTS), schedule.boundary_m
    elevation = np.interp(places, course.distance_m, course.elevation_m)
    relief = Axes(0.0, course.length_m, *_relief(course))
    parts = [
        _titled("Profile (m)"),
        drawing(
            "low",
            "Profile of the course",
            [area(relief, places, elevation, "land", relief.low), curve(relief, places, elevation, "road")],
            [values_beside(relief, 2)],
        ),
    ]
    strongest = max(float(np.abs(road.headwind_mps).max()), float(np.abs(road.crosswind_mps).max()), 1.0)
    wind = axes_around(0.0, course.length_m, [-strongest, strongest])
    for title, speed_mps, kind in (
        ("Wind along the road (m/s): head wind above the line, tail wind below", road.headwind_mps, "first"),
        ("Wind across (m/s): from the right above the line, from the left below", road.crosswind_mps, "second"),
    ):
        steps = np.repeat(boundary_m, 2)[1:-1]
        shapes = [
            area(wind, steps, np.repeat(speed_mps, 2), f"{kind}-area", 0.0),
            stairs(wind, boundary_m, speed_mps, kind),
            level(wind, 0.0, "axis"),
        ]
        parts += [_titled(title), drawing("low", title, shapes, [values_beside(wind, 2)])]
    ridden = curves(plan)
    speed = axes_around(0.0, course.length_m, [0.0, *ridden.speed_kmh])
    title = "Speed in the ride check (km/h)"
    shapes = [curve(speed, ridden.middle_m, ridden.speed_kmh, "first")]
    parts += [_titled(title), drawing("high", title, shapes, [values_beside(speed)])]
    power = axes_around(0.0, course.length_m, [0.0, *schedule.front_power_w])
    title = "Front power as planned (W)"
    shapes = [stairs(power, boundary_m, schedule.front_power_w, "second")]
    parts += [_titled(title), drawing("high", title, shapes, [values_beside(power), distances_below(power)])]
    return element("figure", *parts, element("p", "km", class_="unit"), class_="chart")


def _titled(title: str) -> Html:
    return element("p", title, class_="of-chart")


def riders_races(plan: Plan) -> Html:
    """Power and W' of every rider over the course, all on the same scales."""
    ridden = curves(plan)
    end_m = plan.course.length_m
    power = axes_around(0.0, end_m, [0.0, *ridden.power_w[~np.isnan(ridden.power_w)]])
    largest_kj = max(rider.w_prime_j for rider in plan.race.team.riders) / 1000.0
    left_kj = ridden.w_prime_j[~np.isnan(ridden.w_prime_j)] / 1000.0
    store = axes_around(0.0, end_m, [0.0, largest_kj, *left_kj])
    panels = [_race_of(plan, rider, ridden, power, store) for rider in range(len(plan.riders))]
    return element("div", *panels, class_="riders")


def _race_of(plan: Plan, number: int, ridden: Curves, power: Axes, store: Axes) -> Html:
    """One rider's race: own pulls as blocks behind power, then W'."""
    rider, summary = plan.race.team.riders[number], plan.riders[number]
    there = ~np.isnan(ridden.power_w[:, number])
    places = ridden.middle_m[there]
    pulls = [
        block(power, pull.start_m, pull.end_m, fill=rider_colour(number), class_="own")
        for pull in plan.pulls
        if pull.rider == rider.name
    ]
    of_power = [
        *pulls,
        level(power, rider.cp_w, "limit"),
        curve(power, places, ridden.power_w[there, number], "ink"),
    ]
    of_store = [
        *pulls,
        level(store, plan.race.limits.w_prime_reserve_j / 1000.0, "limit"),
        curve(store, places, ridden.w_prime_j[there, number] / 1000.0, "ink"),
    ]
    leaves = "" if summary.leaves_at_m is None else f" Leaves the line at km {summary.leaves_at_m / 1000:.1f}."
    sits_on = f" Sits on from km {summary.sits_on_from_m / 1000:.1f}." if summary.sits_on_from_m else ""
    led = (
        f"{summary.n_pulls} pulls, {short_clock(summary.front_s)} in front ({100 * summary.front_share:.0f} %) at "
        f"{summary.mean_front_power_w:.0f} W ({100 * summary.mean_front_power_share_of_cp:.0f} % of CP). "
        if summary.n_pulls
        else "Does not lead. "
    )
    full_kj = rider.w_prime_j / 1000.0
    told = (
        f"{led}Mean {summary.mean_power_w:.0f} W, peak over 5 s {summary.peak_power_w:.0f} W. W′ "
        f"{summary.w_prime_min_j / 1000:.1f} of {full_kj:.1f} kJ at its lowest, "
        f"{summary.w_prime_end_j / 1000:.1f} kJ at the end.{sits_on}{leaves}"
    )
    return element(
        "figure",
        element("figcaption", chip(plan.race.team, rider.name), " ", element("b", name_of(rider.name))),
        _titled("Power (W), dashed: critical power"),
        drawing("low", f"Power over the course, {rider.name}", of_power, [values_beside(power, 2)]),
        _titled("W′ left (kJ), dashed: the reserve"),
        drawing(
            "low", f"W′ over the course, {rider.name}", of_store, [values_beside(store, 2), distances_below(store, 4)]
        ),
        element("p", told, class_="told"),
        class_="chart rider",
    )
