"""The constants of the rotation model: what each speed costs each rider in each place, computed outside it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ttt_models.rotation import Arc, Line, RotatingLines, RotationData, rotating_lines
from ttt_opt.changeover import BICYCLE_LENGTH_M, changeover_work, manoeuvre, time_lost
from ttt_opt.course import Course
from ttt_opt.drafting import sheltered_share
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.physics import (
    DRIVETRAIN_EFFICIENCY,
    air_density_at,
    braking_deceleration,
    kinetic_mass,
    rider_height_wind,
    road_load_power,
    speed_at_power,
    wind_components,
    yaw_angle,
)
from ttt_opt.race import Limits, Race
from ttt_opt.rotation_paths import best_path
from ttt_opt.segments import Segments, cut_segments
from ttt_opt.surge import (
    STEADY_RATIO,
    power_asked_by_road_w,
    power_surge_applies,
    speed_surge_applies,
    unsteady,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

WIDE_GRID = (0.55, 0.72, 0.84, 0.91, 0.96, 1.0, 1.05, 1.13)
"""Speeds of the grid over the reference speed, while little is known."""
NARROW_GRID = (0.75, 0.86, 0.93, 0.97, 1.0, 1.03, 1.07, 1.14)
"""The same once a first plan is known."""
FINE_GRID = (0.91, 0.94, 0.965, 0.985, 1.0, 1.015, 1.035, 1.06)
"""The same for the final search: the closer the speeds, the sharper the bounds on the duration of pulls."""
WIDER_GRID: dict[tuple[float, ...], tuple[float, ...]] = {FINE_GRID: NARROW_GRID}
MOST_MAY_SIT_ON = 2
"""Riders who may sit on from a point; of more, the slowest alone. Each multiplies the lines that a search looks at: of
four there are 7 with one, 14 with two, 25 with three for 4 without; of eight 15, 34 and 95 for 8."""
LOWEST_GRID_SPEED_MPS = 1.5
MOST_OF_A_PULL, LEAST_OF_A_PULL = 0.8, 0.4
"""Share of the longest pull for which bends may keep riders from changing; after the second, one in them may come."""
ALL_MAY_LEAVE = 5
"""Up to so many riders who pull, any of them may be dropped where not all count."""
EASIEST_ACCELERATION_MPS2 = 0.45
"""Acceleration that the reference speed assumes at the start and out of bends."""
REFERENCE_STEP_M = 10.0
TABLE_SPEEDS_MPS = np.geomspace(0.3, 40.0, 200)


class KeptPull(NamedTuple):
    """A pull of a plan: its segments, riders in line order, and how many of them, at its end, share no pulls."""

    first: int
    end: int
    line: Line
    n_sitting: int = 0


@dataclass(frozen=True)
class Assumptions:
    """What the model's constants assume of the plan that they lead to; they are settled by iteration.

    Attributes
    ----------
    centre_mps : ndarray (n_segments,)
        Speeds around which the grid lies, and at which changeovers are evaluated (m/s).
    exit_mps : ndarray (n_segments,)
        Speeds at which segments are left, from which riders brake where a bend follows (m/s).
    steps : tuple of float
        Grid over the centre.
    closeness : float
        Times the distance of its speeds from the centre.
    time_share : ndarray (n_segments,)
        Time of a ride over that of the model's speeds: both have the same kinetic energy on average, not the same mean.
    recovery_share : ndarray (n_segments, n_riders)
        Share of the power below critical power that refills W'.
    spent_kept : ndarray (n_segments, n_riders)
        Share of the W' spent that is still spent after the segment, whatever is ridden there: who has spent more
        recovers faster.
    also_used_j : ndarray (n_segments, n_riders)
        W' used besides (J): what ``spent_kept`` takes off where as much is spent as the recovery share assumes, and
        what a ride of a plan used beyond what the model says.
    also_work_j : ndarray (n_segments, n_riders)
        Work that riders on a wheel did in that ride beyond what the model says (J).
    also_changeover_j : ndarray (n_riders,)
        W' that a rider who swings off used in that ride beyond what the model says, at his median changeover (J).
    sustainable_share : float
        Share of critical power that counts as sustainable.
    dip_j : ndarray (n_segments, n_riders)
        How far W' fell in that ride within each segment below the lower of what was left at its ends (J).
    kept_pulls : tuple of KeptPull
        Pulls of the plan that the constants fit, possible whatever their duration. Those of other cyclic orders do not
        matter.
    """

    centre_mps: FloatArray
    exit_mps: FloatArray
    steps: tuple[float, ...]
    closeness: float
    time_share: FloatArray
    recovery_share: FloatArray
    spent_kept: FloatArray
    also_used_j: FloatArray
    also_work_j: FloatArray
    also_changeover_j: FloatArray
    sustainable_share: float
    dip_j: FloatArray
    kept_pulls: tuple[KeptPull, ...] = ()


@dataclass(frozen=True)
class Road:
    """Segments with what the weather makes of them.

    Attributes
    ----------
    segments : Segments
    length_m, headwind_mps, crosswind_mps, air_density : ndarray (n_segments,)
        Length (m), wind at rider height along and across the road (m/s), air density (kg/m3).
    """

    segments: Segments
    length_m: FloatArray
    headwind_mps: FloatArray
    crosswind_mps: FloatArray
    air_density: FloatArray

    @property
    def n_segments(self) -> int:
        """Number of segments."""
        return len(self.length_m)


def segments_of(course: Course, race: Race) -> Segments:
    """Cut a course into segments for this team, without wind."""
    riders = race.team.riders
    weather = race.weather
    density = float(air_density_at(weather.temperature_c, weather.pressure_hpa * 100.0, weather.humidity, 0.0))
    shares = race.draft_shares(len(riders))

    def speed(grade: FloatArray) -> FloatArray:
        steady_mps = speed_at_power(
            float(np.mean([rider.cp_w for rider in riders])),
            mass_kg=float(np.mean([rider.total_mass_kg for rider in riders])),
            drag_area_m2=float(np.mean([rider.cda_m2 for rider in riders])) * float(np.mean(shares)),
            grade=grade,
            headwind_mps=0.0,
            air_density=density,
            crr=race.crr,
        )
        return np.minimum(steady_mps, race.limits.top_speed_mps)

    return cut_segments(course, wet=race.weather.wet, reference_speed=speed, pulls=race.limits.pulls)


def road_of(segments: Segments, race: Race, start_elevation_m: float) -> Road:
    """Wind and air density of each segment."""
    weather = race.weather
    headwind, crosswind = wind_components(
        rider_height_wind(weather.wind_speed_mps, weather.shelter), weather.wind_from_deg, segments.heading_deg
    )
    density = air_density_at(
        weather.temperature_c,
        weather.pressure_hpa * 100.0,
        weather.humidity,
        segments.elevation_m - start_elevation_m,
    )
    return Road(segments, segments.end_m - segments.start_m, headwind, crosswind, density)


def reference_speed(road: Road, race: Race, sustainable_share: float) -> FloatArray:
    """Speed of the team's average rider, averaged over the places of the line, at sustainable power from the start on.

    Returns
    -------
    ndarray (n_segments,)
        Root mean square (m/s), not above the top speed nor the caps of bends, and rising no faster than riders
        accelerate without strain where they accelerate. The way carries: at the foot of a climb the line is still fast.

    Notes
    -----
    Backward Euler in the kinetic energy, in steps of at most 10 m, on a table of the forces at
    :data:`TABLE_SPEEDS_MPS`. Steady speeds would not do: the model's speed squared is linear along a segment, so that
    no speed near the steady one is in reach on a short steep segment behind a descent.
    """
    riders = race.team.riders
    power = sustainable_share * float(np.mean([rider.cp_w for rider in riders])) * DRIVETRAIN_EFFICIENCY
    mass = float(np.mean([rider.total_mass_kg for rider in riders]))
    shares = race.draft_shares(len(riders))
    load = road_load_power(
        TABLE_SPEEDS_MPS[None, :],
        mass_kg=mass,
        drag_area_m2=float(np.mean([rider.cda_m2 for rider in riders])) * float(np.mean(shares)),
        grade=road.segments.grade[:, None],
        headwind_mps=road.headwind_mps[:, None],
        air_density=road.air_density[:, None],
        crr=race.crr,
        efficiency=1.0,
    )
    resistance = (load - power) / TABLE_SPEEDS_MPS
    n_steps = np.ceil(road.length_m / REFERENCE_STEP_M).astype(int)
    step_m = road.length_m / n_steps
    energy_per_m = 0.5 * float(kinetic_mass(mass)) / step_m
    rising = energy_per_m[:, None] * TABLE_SPEEDS_MPS**2 + resistance
    mean_square = np.empty(road.n_segments)
    square = 0.0
    for s in range(road.n_segments):
        cap_square = float(road.segments.speed_cap_mps[s]) ** 2
        in_bend = bool(road.segments.bend[s])
        before = square = min(square, cap_square) if in_bend else square
        most = before + 2.0 * EASIEST_ACCELERATION_MPS2 * road.length_m[s]
        for _ in range(n_steps[s]):
            square = float(np.interp(energy_per_m[s] * square, rising[s], TABLE_SPEEDS_MPS)) ** 2
        if road.segments.accelerating[s]:
            square = min(square, most)
        square = min(square, race.limits.top_speed_mps**2)
        square = min(square, before if in_bend else max(2.0 * cap_square - before, 0.0))
        mean_square[s] = 0.5 * (before + square)
    return np.maximum(np.sqrt(mean_square), LOWEST_GRID_SPEED_MPS)


def speed_grid(
    road: Road, limits: Limits, centre_mps: FloatArray, steps: Sequence[float], closeness: float = 1.0
) -> FloatArray:
    """Speeds that the model mixes in each segment.

    Parameters
    ----------
    road : Road
    limits : Limits
        Of the race, for the top speed.
    centre_mps : ndarray (n_segments,)
    steps : sequence of float, rising
        Speeds over the centre's; where the speed changes along the road :data:`WIDER_GRID` replaces fine ones: there
        each leader has his own speed.
    closeness : float
        Times the distance of the speeds from the centre.

    Returns
    -------
    ndarray (n_segments, len(steps))
        Rising along the second axis; where a bend's cap or the top speed cuts off the upper steps, the grid is squeezed
        below it.
    """
    changing = road.segments.accelerating | road.segments.bend | unsteady(centre_mps, STEADY_RATIO)
    share = np.where(changing[:, None], np.array(WIDER_GRID.get(tuple(steps), tuple(steps))), np.array(steps))
    grid = centre_mps[:, None] * (1.0 + closeness * (share - 1.0))
    low, high = grid[:, :1], grid[:, -1:]
    top = np.minimum(high, np.minimum(road.segments.speed_cap_mps, limits.top_speed_mps)[:, None])
    bottom = np.maximum(low, LOWEST_GRID_SPEED_MPS)
    bottom = np.where(top < high, np.minimum(bottom, 0.9 * top), bottom)
    return np.asarray(bottom + (grid - low) / (high - low) * (top - bottom), dtype=np.float64)


def rotation_data(
    road: Road, race: Race, order: tuple[int, ...], assumptions: Assumptions, *, only_kept: bool = False
) -> RotationData:
    """Constants of the rotation model for one cyclic order of the riders who pull.

    Parameters
    ----------
    road : Road
    race : Race
    order : tuple of int
        Riders who pull, in cyclic order (indices into the team).
    assumptions : Assumptions
    only_kept : bool
        No pulls but ``assumptions.kept_pulls`` are possible.

    Raises
    ------
    NoFeasiblePlanError
        The pulls that the bounds allow do not add up to the course.
    """
    reference_mps = assumptions.centre_mps
    widest_mps = speed_grid(road, race.limits, reference_mps, assumptions.steps)
    speed_mps = speed_grid(road, race.limits, reference_mps, assumptions.steps, assumptions.closeness)
    riders = race.team.riders
    segments = road.segments
    place = {name: p for p, name in enumerate(race.start_order)}
    sitters = tuple(
        sorted((i for i, rider in enumerate(riders) if not rider.pulls), key=lambda i: place.get(riders[i].name, i))
    )
    counting = race.rules.counting_rider or len(riders)
    may_sit_on = _may_sit_on(road, race, order, assumptions.kept_pulls if only_kept else None)
    rotating = rotating_lines(order, sitters, counting, _may_leave(road, race, order, counting), may_sit_on)
    lines = rotating.lines
    number_of = {state: q for q, state in enumerate(zip(lines, rotating.n_sitting, strict=True))}
    start_lines = rotating.of_the_full_team
    if race.start_order:
        names = [riders[i].name for i in lines[0]]
        fixed = tuple(race.start_order)
        start_lines = tuple(q for q in start_lines if tuple(riders[i].name for i in lines[q]) == fixed)
        if not start_lines:
            raise ValueError(f"order {names} does not contain the start order {fixed}")
    cp_w = assumptions.sustainable_share * np.array([rider.cp_w for rider in riders])
    road_work_j, changeover = _work(
        road, race, rotating, speed_mps, reference_mps, cp_w, assumptions.recovery_share
    )
    also_changeover = assumptions.also_changeover_j[[line[0] for line in lines]]
    braking_s = braking_time(road, race, assumptions.exit_mps)
    shortest_s, longest_s = pull_bounds(segments, race)
    mass = np.array([rider.total_mass_kg for rider in riders])
    reference_mean_mps = reference_mps / assumptions.time_share
    slowness = assumptions.time_share[:, None] / speed_mps
    mean_mps = reference_mean_mps[:, None] * (2.0 - reference_mean_mps[:, None] * slowness)
    asked_w, given_w = _by_the_road(road, race, mean_mps, reference_mean_mps)
    surge_w, surge_mps = _surge_limits(road, race, reference_mps)
    data = RotationData(
        lines=lines,
        n_sitting=rotating.n_sitting,
        start_lines=start_lines,
        successors=rotating.successors,
        time_s=riding_time(road, speed_mps) * assumptions.time_share[:, None] + braking_s[:, None],
        speed_mps=speed_mps,
        mean_mps=mean_mps,
        fastest_mps=np.maximum(widest_mps, speed_mps).max(axis=1),
        road_work_j=road_work_j,
        kinetic_j_per_v2=0.5 * kinetic_mass(mass) / DRIVETRAIN_EFFICIENCY,
        changeover_j=changeover.work_j,
        changeover_use_j=np.maximum(changeover.use_j + also_changeover, 0.0),
        changeover_dip_j=changeover.dip_j,
        changeover_s=time_lost(reference_mps, race.wheel_gap_m),
        cp_w=cp_w,
        peak_w=np.array([rider.peak_w for rider in riders]),
        on_wheel_w=race.limits.on_wheel_share_of_cp * np.array([rider.cp_w for rider in riders]),
        w_prime_j=np.array([rider.w_prime_j for rider in riders]),
        reserve_j=np.full(len(riders), race.limits.w_prime_reserve_j),
        dip_j=assumptions.dip_j,
        recovery_share=assumptions.recovery_share,
        spent_kept=assumptions.spent_kept,
        also_used_j=assumptions.also_used_j,
        also_work_j=assumptions.also_work_j,
        per_longest=1.0 / longest_s,
        per_shortest=1.0 / shortest_s,
        on_wheel_applies=~segments.accelerating,
        bend=segments.bend,
        average_load_w=_average_load(road, race, slice(None), mean_mps, reference_mean_mps),
        average_kinetic_j_per_v2=float(0.5 * kinetic_mass(float(np.mean(mass))) / DRIVETRAIN_EFFICIENCY),
        reference_s=riding_time(road, reference_mps[:, None])[:, 0] * assumptions.time_share + braking_s,
        asked_w=asked_w,
        given_w=given_w,
        surge_w=surge_w,
        surge_mps=surge_mps,
        drop_w=surge_w,
        kept_pulls=tuple(
            (first, end, number_of[line, n_sitting])
            for first, end, line, n_sitting in assumptions.kept_pulls
            if (line, n_sitting) in number_of
        ),
        only_kept=only_kept,
        change_allowed=_change_allowed(road, longest_s.min(axis=1), reference_mps),
    )
    if not only_kept:
        return _with_a_chain(data, segments)
    if len(data.kept_pulls) < len(assumptions.kept_pulls):
        raise ValueError(f"kept pulls with lines that the order {order} has not")
    return data


def kept_pulls(data: RotationData, arcs: Iterable[Arc]) -> tuple[KeptPull, ...]:
    """Pulls of a model in a form that does not depend on which lines it has."""
    return tuple(KeptPull(arc.first, arc.end, data.lines[arc.line], data.n_sitting[arc.line]) for arc in arcs)


def _may_leave(road: Road, race: Race, order: tuple[int, ...], counting: int) -> tuple[int, ...]:
    """Riders who may leave the line: all who pull; in large teams as many of the slowest as need not count."""
    if len(order) <= ALL_MAY_LEAVE:
        return order
    return _slowest_first(road, race, order)[: len(race.team.riders) - counting]


def _may_sit_on(
    road: Road, race: Race, order: tuple[int, ...], kept: tuple[KeptPull, ...] | None
) -> tuple[int, ...]:
    """Riders who may sit on from a point, of more than :data:`MOST_MAY_SIT_ON` the slowest; or who do in kept pulls."""
    wanted = tuple(i for i in order if race.team.riders[i].may_sit_on)
    if kept is not None:
        return tuple(i for i in wanted if any(i in pull.line[len(pull.line) - pull.n_sitting :] for pull in kept))
    if len(wanted) <= MOST_MAY_SIT_ON:
        return wanted
    return tuple(i for i in _slowest_first(road, race, order) if i in wanted)[:MOST_MAY_SIT_ON]


def _slowest_first(road: Road, race: Race, order: tuple[int, ...]) -> tuple[int, ...]:
    """Riders by how long they take over the road, each alone at critical power in the shelter of the last wheel."""
    riders = race.team.riders
    share = float(race.draft_shares(len(riders))[-1])

    def alone_s(i: int) -> float:
        speed = speed_at_power(
            riders[i].cp_w,
            mass_kg=riders[i].total_mass_kg,
            drag_area_m2=riders[i].cda_m2 * share,
            grade=road.segments.grade,
            headwind_mps=road.headwind_mps,
            air_density=road.air_density,
            crr=race.crr,
        )
        return float((road.length_m / np.minimum(speed, race.limits.top_speed_mps)).sum())

    return tuple(sorted(order, key=alone_s, reverse=True))


def riding_time(road: Road, speed_mps: FloatArray) -> FloatArray:
    """Time of each segment (s) at root-mean-square speeds ``(n_segments, n_speeds)``.

    From standstill, at constant acceleration, the mean speed is the root mean square over the square root of two;
    elsewhere the two differ by less than 1 %.
    """
    time_s = road.length_m[:, None] / speed_mps
    time_s[0] *= np.sqrt(2.0)
    return np.asarray(time_s, dtype=np.float64)


def pull_bounds(segments: Segments, race: Race) -> tuple[FloatArray, FloatArray]:
    """Shortest and longest pull of each rider on the terrain of each segment (s), each (n_segments, n_riders)."""
    shortest = np.array([race.limits.pulls[terrain].shortest_s for terrain in segments.terrain])
    longest = np.array([race.limits.pulls[terrain].longest_s for terrain in segments.terrain])
    flat = np.array([terrain == "flat" for terrain in segments.terrain])
    n_riders = len(race.team.riders)
    shortest, longest = (np.repeat(bound[:, None], n_riders, axis=1) for bound in (shortest, longest))
    for i, rider in enumerate(race.team.riders):
        if rider.shortest_pull_s is not None:
            shortest[flat, i] = rider.shortest_pull_s
        if rider.longest_pull_s is not None:
            longest[flat, i] = rider.longest_pull_s
    return shortest, longest


def _wheel_work(road: Road, race: Race, rider: int, share: float, speed: FloatArray) -> FloatArray:
    """Work for the road load per segment at speeds ``(n_segments, n_speeds)`` over the drivetrain's efficiency (J).

    The share of the solo drag is that in still air. Below zero it stays a balance at the wheel that pays for a rise of
    kinetic energy.
    """
    who = race.team.riders[rider]
    yaw = yaw_angle(speed, road.headwind_mps[:, None], road.crosswind_mps[:, None])
    power = road_load_power(
        speed,
        mass_kg=who.total_mass_kg,
        drag_area_m2=who.cda_m2 * sheltered_share(share, yaw),
        grade=road.segments.grade[:, None],
        headwind_mps=road.headwind_mps[:, None],
        air_density=road.air_density[:, None],
        crr=race.crr,
        efficiency=1.0,
    )
    return np.asarray(power * road.length_m[:, None] / speed / DRIVETRAIN_EFFICIENCY, dtype=np.float64)


@dataclass(frozen=True)
class _Changeover:
    """What changeovers cost, as in :class:`RotationData`."""

    work_j: FloatArray
    use_j: FloatArray
    dip_j: FloatArray


def _work(
    road: Road,
    race: Race,
    rotating: RotatingLines,
    speed_mps: FloatArray,
    reference_mps: FloatArray,
    cp_w: FloatArray,
    recovery_share: FloatArray,
) -> tuple[FloatArray, _Changeover]:
    """``road_work_j`` and the ``changeover_…_j`` of :class:`RotationData`."""
    riders, lines = race.team.riders, rotating.lines
    shape = (road.n_segments, len(lines), speed_mps.shape[1], len(riders))
    road_work = np.zeros(shape)
    at_reference = np.zeros((road.n_segments, len(lines), len(riders)))
    reference = reference_mps[:, None]
    shares = [race.line_shares([riders[i] for i in line]) for line in lines]
    known: dict[tuple[int, float], tuple[FloatArray, FloatArray]] = {}
    for q, line in enumerate(lines):
        for i, share in zip(line, shares[q].tolist(), strict=True):
            if (i, share) not in known:
                known[i, share] = (
                    _wheel_work(road, race, i, share, speed_mps),
                    _wheel_work(road, race, i, share, reference)[:, 0],
                )
            road_work[:, q, :, i], at_reference[:, q, i] = known[i, share]
    yaw = yaw_angle(reference_mps, road.headwind_mps, road.crosswind_mps)
    per_metre = np.maximum(at_reference, 0.0) / road.length_m[:, None, None]
    changeover = np.zeros((road.n_segments, len(lines), len(riders)))
    changeover_use, changeover_dip = (np.zeros((road.n_segments, len(lines))) for _ in range(2))
    for q, line in enumerate(lines):
        leader, n_pulling, following = line[0], len(line) - rotating.n_sitting[q], rotating.successors[q][0]
        # the new leader is a bicycle and a gap behind: that much more road for all
        changeover[:, q] = per_metre[:, following] * (BICYCLE_LENGTH_M + race.wheel_gap_m)
        if n_pulling > 1:
            way, who = manoeuvre(n_pulling, race.wheel_gap_m), riders[leader]
            swing_off = changeover_work(
                np.maximum(reference_mps, way.drift_speed_mps + 0.5),
                mass_kg=who.total_mass_kg,
                cda_m2=who.cda_m2,
                last_wheel_share=sheltered_share(shares[following][lines[following].index(leader)], yaw),
                grade=road.segments.grade,
                headwind_mps=road.headwind_mps,
                air_density=road.air_density,
                crr=race.crr,
                n_riders=n_pulling,
                wheel_gap_m=race.wheel_gap_m,
            )
            # and that much less, in all, for the one who drifts back past the others
            changeover[:, q, leader] += swing_off - per_metre[:, following, leader] * way.distance_m
            on_wheel_w = per_metre[:, following, leader] * reference_mps
            drifting_j = swing_off + on_wheel_w * (way.duration_s - way.distance_m / reference_mps)
            rest_s = np.maximum(road.length_m / reference_mps - way.duration_s, 0.0)
            changeover_dip[:, q] = np.maximum(drifting_j - cp_w[leader] * way.duration_s, 0.0)
            changeover_use[:, q] = _use_beyond_mean(
                drifting_j - cp_w[leader] * way.duration_s,
                (on_wheel_w - cp_w[leader]) * rest_s,
                recovery_share[:, leader],
            )
    return road_work, _Changeover(changeover, changeover_use, changeover_dip)


def _use_beyond_mean(first_j: FloatArray, second_j: FloatArray, recovery_share: FloatArray) -> FloatArray:
    """W' that two stretches of work above critical power (J, negative below) use beyond that of their sum (J)."""

    def use(above_j: FloatArray) -> FloatArray:
        return np.where(above_j > 0.0, above_j, above_j * recovery_share)

    return np.asarray(use(first_j) + use(second_j) - use(first_j + second_j), dtype=np.float64)


def braking_time(road: Road, race: Race, exit_mps: FloatArray) -> FloatArray:
    """Time lost by braking at the end of each segment before a bend (s), from the speeds at which segments are left."""
    lost = np.zeros(road.n_segments)
    before, cap = exit_mps[:-1], road.segments.speed_cap_mps[1:]
    slower = before - np.minimum(cap, before)
    lost[:-1] = slower**2 / (2.0 * float(braking_deceleration(race.weather.wet)) * before)
    return lost


def _average_load(
    road: Road, race: Race, places: slice, speed_mps: FloatArray, reference_mps: FloatArray
) -> FloatArray:
    """Steady front power of the team's average rider in some segments at speeds ``(len(places), n_speeds)`` (W).

    On the tangent at the reference speeds ``(len(places),)``: along the curve, which is convex, a mix of a high and a
    low speed would count as more power than the speed between them, and slip through the limits on surges.
    """
    riders = race.team.riders

    def load(speed: FloatArray) -> FloatArray:
        return road_load_power(
            speed,
            mass_kg=float(np.mean([rider.total_mass_kg for rider in riders])),
            drag_area_m2=float(np.mean([rider.cda_m2 for rider in riders])),
            grade=road.segments.grade[places],
            headwind_mps=road.headwind_mps[places],
            air_density=road.air_density[places],
            crr=race.crr,
        )

    at_reference, at_faster = load(reference_mps), load(1.01 * reference_mps)
    slope = (at_faster - load(0.99 * reference_mps)) / (0.02 * reference_mps)
    return np.asarray(at_reference[:, None] + slope[:, None] * (speed_mps - reference_mps[:, None]), dtype=np.float64)


def _by_the_road(
    road: Road, race: Race, speed_mps: FloatArray, reference_mps: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """``asked_w`` and ``given_w`` of :class:`RotationData`."""
    before = _average_load(road, race, slice(None, -1), speed_mps[:-1], reference_mps[:-1])
    after = _average_load(road, race, slice(1, None), speed_mps[:-1], reference_mps[:-1])
    asked, given = np.zeros(speed_mps.shape), np.zeros(speed_mps.shape)
    asked[1:], given[1:] = power_asked_by_road_w(before, after), power_asked_by_road_w(after, before)
    return asked, given


def _surge_limits(road: Road, race: Race, reference_mps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Largest rise or fall of front power (W) and rise of speed (m/s) at the start of each segment; ``inf``: free."""
    segments, limits = road.segments, race.limits
    surge_w = np.full(road.n_segments, np.inf)
    surge_mps = np.full(road.n_segments, np.inf)
    surge_w[1:][power_surge_applies(segments, reference_mps)] = limits.surge_w
    surge_mps[1:][speed_surge_applies(segments, road.headwind_mps)] = limits.surge_kmh / 3.6
    return surge_w, surge_mps


def _change_allowed(road: Road, longest_s: FloatArray, reference_mps: FloatArray) -> BoolArray:
    """Where pulls may start: not into a bend or while riders accelerate out of it, unless bends follow so closely that
    a pull could hardly last from one free place to the next. Then they may start at the best of the other places.
    """
    share = road.length_m / reference_mps / longest_s
    harm = _harm(road.segments)
    allowed = harm == 0.0
    allowed[0] = True
    used = np.concatenate([[0.0], np.cumsum(share)])
    last = 0
    for s in range(1, road.n_segments):
        if not allowed[s] and used[s + 1] - used[last] > MOST_OF_A_PULL:
            places = np.arange(last + 1, s + 1)
            worth = np.where(used[places] - used[last] > LEAST_OF_A_PULL, -harm[places], -np.inf)
            worth[-1] = -harm[s]
            last = int(places[np.flatnonzero(worth == worth.max())[-1]])
            allowed[last] = True
        if allowed[s]:
            last = s
    return np.asarray(allowed, dtype=np.bool_)


def _harm(segments: Segments) -> FloatArray:
    """How unwelcome a change of leader is at the start of each segment ``(n_segments,)``: 0 welcome, 3 in a bend."""
    out_of_bend = np.append(False, segments.bend[:-1])
    return np.asarray(np.where(segments.bend, 3.0, np.where(segments.accelerating, 1.0 + out_of_bend, 0.0)))


def _with_a_chain(data: RotationData, segments: Segments) -> RotationData:
    """The same, with changes also where the chain of pulls that needs fewest forbidden places has them.

    Raises
    ------
    NoFeasiblePlanError
        The pulls that the bounds allow do not add up to the course, wherever they may start.
    """
    free = replace(data, change_allowed=np.ones(data.n_segments, dtype=np.bool_))
    cost = np.where(data.change_allowed, 0.0, _harm(segments))
    path = best_path(free, np.zeros(len(free.arcs)), np.repeat(cost[:, None], len(data.lines), axis=1))
    if path is None:
        raise NoFeasiblePlanError(
            "the shortest and longest pulls allowed (limits.pulls and the riders' own) do not add up to the course, "
            "wherever riders change"
        )
    allowed = data.change_allowed.copy()
    allowed[[free.arcs[a].first for a in path]] = True
    return replace(data, change_allowed=allowed)
