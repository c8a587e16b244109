"""Riding patterns of pulls over stretches of a course, many at once: what each takes in time and W'.

A *pattern* says for how many seconds each rider pulls and how many watts each holds at the front. It is ridden from a
landmark on, until the next landmark ends the stretch. :func:`ride_patterns` rides any number of them side by side, on
the physics of :mod:`ttt_opt.physics`; what it leaves out against :mod:`ttt_opt.ride` is told in its notes.

The rules of a pattern
----------------------
- A stretch begins with a change of leader at its landmark, whatever the clock says.
- A rider at the front swings off when the seconds of the pattern are over. Downhill the pattern has seconds of its own:
  a pull that covers both is over when its shares of both add up to one.
- Nobody changes in a bend or while braking for it, nor while accelerating out of it unless the pull would get too long:
  the leader leads on. Who would be in front too long by the end of the bend swings off before.
- Who would have to take over so shortly before the landmark that the pull were shorter than allowed does not: the
  leader stays in front until the landmark.
- Front power depends on the slope: flat, uphill from :data:`UPHILL_GRADE` on, steep from :data:`STEEP_GRADE` on
  until it is less than :data:`STEEP_ENDS_GRADE`, downhill where the road counts as descent. At the start the first
  leader holds a power of its own until the line is up to speed. Before a bend that has to be braked for nobody pedals
  over the last :data:`EASE_BEFORE_BEND_M`; out of it the leader holds :data:`OUT_OF_BEND` times the watts until the
  line is up to speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.changeover import BICYCLE_LENGTH_M, manoeuvre
from ttt_opt.course import Course
from ttt_opt.physics import (
    DRIVETRAIN_EFFICIENCY,
    GRAVITY_MPS2,
    WHEEL_ROTATION_DRAG_AREA_M2,
    braking_deceleration,
    cornering_speed,
    kinetic_mass,
)
from ttt_opt.race import Race
from ttt_opt.ride import LARGEST_ACCELERATION_MPS2, WALKING_PACE_MPS, road_conditions
from ttt_opt.ride_check import SHORTEST_STAY_S
from ttt_opt.rotation_problem import Road
from ttt_opt.segments import Segments
from ttt_opt.team import Rider

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

KINDS = ("flat", "climb", "steep", "descent", "start", "before a bend")
"""Kinds of road on which the front power of a pattern differs: by slope, at the start, before bends."""
FLAT, CLIMB, STEEP, DESCENT, ACCELERATING, EASING = range(6)
RISING = (FLAT, CLIMB, STEEP)
"""Kinds of road on which riders set the pace, by rising slope."""
UPHILL_GRADE = 0.012
"""From this slope on a rider holds the watts for uphill (our choice: riders see and feel it)."""
STEEP_GRADE, STEEP_ENDS_GRADE = 0.08, 0.06
"""From the first slope on they hold the watts for steep road, until it is less than the second (our choice): on an even
climb nobody can change watts with every metre that is a little steeper."""
PIECE_M, SHORT_PIECE_M = 30.0, 10.0
"""Length of the pieces in which the road is ridden, and of those at the start and around bends (m)."""
EASE_BEFORE_BEND_M = 120.0
"""Riders stop pedalling so far before a bend that has to be braked for (m; our choice)."""
OUT_OF_BEND = 1.4
"""Watts out of a bend that was braked for, over those of the slope (our choice: what detailed plans ask there)."""
SHARE_OF_PEAK = 0.9
"""Out of bends nobody is asked for more than this share of the power that he can hold for a few seconds."""
BRISK_MPS = 12.0
"""Speed at most expected through bends and before them, where riders look how long nobody can change."""
SLOW_MPS = 6.0
"""Speed at least expected where riders wait for open road (m/s)."""
BRAKED_FOR = 0.85
"""Bends whose speed is below this share of the speed planned before them are braked for."""

ON_WHEEL_AIM = 0.06
"""Power on a wheel may be beyond its limit by this (share of critical power); the ride check allows a little more."""
LARGEST_RATIO = 0.5
"""Steps of an iteration that do not shrink by as much are not extrapolated further."""

_BEARING_FORCE_N, _BEARING_FORCE_PER_SPEED = 0.091, 0.0087  # Martin et al. 1998: (91 + 8.7 v) v / 1000 W


@dataclass(frozen=True)
class PatternRoad:
    """A course in short pieces.

    Attributes
    ----------
    node_m : ndarray (n_pieces + 1,)
        Where pieces begin and end (m).
    segment : ndarray (n_pieces,) of int
        Segment of the road that the piece is part of.
    grade, headwind_mps, crosswind_mps, air_density : ndarray (n_pieces,)
    square_allowed : ndarray (n_pieces + 1,)
        Largest square of the speed: top speed, and what the bends to come allow (m2/s2).
    kind : ndarray (n_pieces,) of int
        Index into :data:`KINDS`.
    effort : ndarray (n_pieces,)
        Front power over that of the pattern.
    downhill : ndarray (n_pieces,) of bool
        The piece counts as descent for the duration of pulls.
    wheel_limit : ndarray (n_pieces,)
        Largest power on a wheel aimed at, as share of critical power: less where the ride of a whole plan showed more
        than riding patterns tells.
    steady : ndarray (n_pieces,) of bool
        Riders do not accelerate here: the limit on a wheel holds.
    closed : ndarray (n_pieces,) of int
        2: nobody changes here (bends, and braking for them), 1: nobody changes unless the pull would get too long
        before the road is open, 0: open.
    shortest_s, longest_s : ndarray (n_pieces, n_riders)
        Bounds on pulls.
    """

    node_m: FloatArray
    segment: IntArray
    grade: FloatArray
    headwind_mps: FloatArray
    crosswind_mps: FloatArray
    air_density: FloatArray
    square_allowed: FloatArray
    kind: IntArray
    effort: FloatArray
    downhill: BoolArray
    wheel_limit: FloatArray
    steady: BoolArray
    closed: IntArray
    shortest_s: FloatArray
    longest_s: FloatArray

    def node_at(self, place_m: float) -> int:
        """The node nearest to a place."""
        return int(np.argmin(np.abs(self.node_m - place_m)))


@dataclass(frozen=True)
class Line:
    """Riders of a line, those who pull first and in cyclic order, and what their bodies and bicycles are.

    Attributes
    ----------
    riders : tuple of int
        Indices into the team: those who pull in cyclic order, then those who sit on.
    n_pulling : int
    mass_kg, inertia_kg, cda_m2, w_prime_j, peak_w : ndarray (n_line,)
    cp_w, cp_alone_w : ndarray (n_line,)
        Critical power that lasts for the race, and critical power (W).
    share : ndarray (n_pulling, n_line)
        Draft share of each rider while the rider of the row leads.
    way_back_s, way_back_mps, ramp_mps2, ramp_share : float
        How long a rider who swings off drifts back, and how much slower than the line on average; how he slows down and
        speeds up again, and for what share of the time each. What he has too much while slowing down is lost.
    """

    riders: tuple[int, ...]
    n_pulling: int
    mass_kg: FloatArray
    inertia_kg: FloatArray
    cda_m2: FloatArray
    cp_w: FloatArray
    cp_alone_w: FloatArray
    w_prime_j: FloatArray
    peak_w: FloatArray
    share: FloatArray
    way_back_s: float
    way_back_mps: float
    ramp_mps2: float
    ramp_share: float


@dataclass(frozen=True)
class Patterns:
    """Patterns over stretches, one a row.

    Attributes
    ----------
    begin, end : ndarray (n_patterns,) of int
        Nodes of the road.
    first : ndarray (n_patterns,) of int
        Who leads at the begin, as place in the cyclic order.
    seconds : ndarray (n_patterns, n_pulling)
        Pull of each rider (s).
    downhill_s : ndarray (n_patterns,)
        Pull of every rider downhill (s).
    watts : ndarray (n_patterns, n_kinds, n_pulling)
        Front power (W).
    entry_mps : ndarray (n_patterns,)
        Speed at the begin (m/s).
    spent_j : ndarray (n_patterns, n_line)
        W' spent at the begin (J).
    """

    begin: IntArray
    end: IntArray
    first: IntArray
    seconds: FloatArray
    downhill_s: FloatArray
    watts: FloatArray
    entry_mps: FloatArray
    spent_j: FloatArray


@dataclass(frozen=True)
class Ridden:
    """What riding the patterns gave, one a row.

    Attributes
    ----------
    time_s, exit_mps : ndarray (n_patterns,)
    next_leader : ndarray (n_patterns,) of int
        Who leads after the end, as place in the cyclic order.
    spent_j, kept : ndarray (n_patterns, n_line)
        W' spent at the end (J), and how much of a little more spent at the begin would still be spent at the end.
    most_spent_j, most_kept : ndarray (n_patterns, n_line)
        The same where most is spent.
    amiss_s : ndarray (n_patterns,)
        By how much a pull is too long or too short (s), 0 if none is.
    on_wheel_beyond : ndarray (n_patterns,)
        Power on wheels beyond the limit, each as a mean over a segment or the part of it behind one leader, as share of
        critical power; of all riders and segments together.
    changes : tuple of tuple of (int, int)
        Of each pattern: node and place in the cyclic order of every rider who comes to the front; only where asked for.
    """

    time_s: FloatArray
    exit_mps: FloatArray
    next_leader: IntArray
    spent_j: FloatArray
    kept: FloatArray
    most_spent_j: FloatArray
    most_kept: FloatArray
    amiss_s: FloatArray
    on_wheel_beyond: FloatArray
    changes: tuple[tuple[tuple[int, int], ...], ...]


def pattern_road(
    course: Course, road: Road, race: Race, bounds_s: tuple[FloatArray, FloatArray], planned_mps: FloatArray
) -> PatternRoad:
    """Cut a course into the pieces on which patterns are ridden.

    Parameters
    ----------
    course : Course
    road : Road
    race : Race
    bounds_s : pair of ndarray (n_segments, n_riders)
        Shortest and longest pulls (s).
    planned_mps : ndarray (n_segments,)
        About how fast the segments are ridden (m/s): tells which bends are braked for.
    """
    cut = road.segments
    boundary = cut.boundary_m
    eases = _eases(road, planned_mps)
    fine = np.isfinite(cut.speed_cap_mps) | cut.accelerating | np.append(cut.bend[1:], False)
    nodes: list[float] = [float(boundary[0])]
    owners: list[int] = []
    easing: list[bool] = []
    for s in range(road.n_segments):
        start, end = float(boundary[s]), float(boundary[s + 1])
        turn = max(end - eases[s], start)
        parts = [(start, turn, False), (turn, end, True)] if eases[s] > 0.0 else [(start, end, False)]
        for low, high, ease in parts:
            if high - low < 1.0:
                continue
            count = max(1, round((high - low) / (SHORT_PIECE_M if fine[s] else PIECE_M)))
            nodes += np.linspace(low, high, count + 1)[1:].tolist()
            owners += [s] * count
            easing += [ease] * count
    node, segment, ease_ = np.array(nodes), np.array(owners, dtype=np.int64), np.array(easing)
    node[-1] = boundary[-1]
    elevation = np.interp(node, course.distance_m, course.elevation_m)
    middle = 0.5 * (node[1:] + node[:-1])
    rise = np.interp(middle, course.distance_m, course.elevation_m) - course.elevation_m[0]
    heading = np.degrees(np.interp(middle, course.distance_m, np.unwrap(np.radians(course.heading_deg))))
    air = road_conditions(rise, heading, race.weather)
    kind = kinds_of(cut)
    kind[: int(np.argmin(np.append(cut.accelerating, False)))] = ACCELERATING
    closed = np.where(cut.bend, 2, np.where(cut.accelerating, 1, 0)).astype(np.int64)
    shortest, longest = bounds_s
    return PatternRoad(
        node_m=node,
        segment=segment,
        grade=np.diff(elevation) / np.diff(node),
        headwind_mps=air.headwind_mps,
        crosswind_mps=air.crosswind_mps,
        air_density=air.air_density,
        square_allowed=_square_allowed(course, race, node),
        kind=np.where(ease_, EASING, kind[segment]),
        effort=np.where(_out_of_bends(cut, planned_mps), OUT_OF_BEND, 1.0)[segment],
        downhill=np.array([terrain == "descent" for terrain in cut.terrain])[segment],
        wheel_limit=np.full(len(segment), race.limits.on_wheel_share_of_cp + ON_WHEEL_AIM),
        steady=~cut.accelerating[segment],
        closed=np.where(ease_, 2, closed[segment]),
        shortest_s=shortest[segment],
        longest_s=longest[segment],
    )


def kinds_of(segments: Segments) -> IntArray:
    """Kind of road of each segment by its slope: index of flat, climb, steep or descent in :data:`KINDS`."""
    downhill = np.array([terrain == "descent" for terrain in segments.terrain])
    kind = np.where(downhill, DESCENT, np.where(segments.grade >= UPHILL_GRADE, CLIMB, FLAT)).astype(np.int64)
    steep = False
    for s, grade in enumerate(segments.grade):
        steep = bool(grade >= STEEP_GRADE or (steep and grade >= STEEP_ENDS_GRADE))
        if steep:
            kind[s] = STEEP
    return kind


def _eases(road: Road, planned_mps: FloatArray) -> FloatArray:
    """Length at the end of each segment on which nobody pedals, since a bend follows (m)."""
    cut = road.segments
    before_bend = np.append(cut.bend[1:] & ~cut.bend[:-1], False)
    braked = np.append(cut.speed_cap_mps[1:], np.inf) < BRAKED_FOR * planned_mps
    return np.where(before_bend & braked, np.minimum(EASE_BEFORE_BEND_M, 0.6 * road.length_m), 0.0)


def _out_of_bends(cut: Segments, planned_mps: FloatArray) -> BoolArray:
    """Segments on which the line speeds up after a bend that was braked for."""
    found = np.zeros(len(planned_mps), dtype=bool)
    for bend in np.flatnonzero(cut.bend[:-1] & cut.accelerating[1:]):
        end = int(bend) + 1
        while end < len(found) and cut.accelerating[end]:
            end += 1
        fastest_mps = float(planned_mps[bend + 1 : end + 1].max())
        found[bend + 1 : end] = cut.speed_cap_mps[bend] < BRAKED_FOR * fastest_mps
    return found


def _square_allowed(course: Course, race: Race, node_m: FloatArray) -> FloatArray:
    wet = race.weather.wet
    cap = np.minimum(cornering_speed(course.bend_radius_m, wet), race.limits.top_speed_mps)
    square = np.asarray(cap, dtype=np.float64) ** 2
    deceleration, gaps = float(braking_deceleration(wet)), np.diff(course.distance_m)
    for i in range(len(gaps) - 1, -1, -1):
        square[i] = min(square[i], square[i + 1] + 2.0 * deceleration * gaps[i])
    return np.interp(node_m, course.distance_m, square)


def line_of(race: Race, order: tuple[int, ...], sitting: tuple[int, ...], sustainable_share: float) -> Line:
    """Constants of a line.

    Parameters
    ----------
    race : Race
    order, sitting : tuple of int
        Riders who pull, in cyclic order, and riders who sit on.
    sustainable_share : float
        Share of critical power that lasts for the race.
    """
    members = (*order, *sitting)
    riders = [race.team.riders[i] for i in members]
    mass = np.array([rider.total_mass_kg for rider in riders])
    way = manoeuvre(len(order), race.wheel_gap_m) if len(order) > 1 else None
    return Line(
        riders=members,
        n_pulling=len(order),
        mass_kg=mass,
        inertia_kg=np.asarray(kinetic_mass(mass), dtype=np.float64),
        cda_m2=np.array([rider.cda_m2 for rider in riders]),
        cp_w=sustainable_share * np.array([rider.cp_w for rider in riders]),
        cp_alone_w=np.array([rider.cp_w for rider in riders]),
        w_prime_j=np.array([rider.w_prime_j for rider in riders]),
        peak_w=np.array([rider.peak_w for rider in riders]),
        share=np.array([_shares_behind(race, riders, len(order), lead) for lead in range(len(order))]),
        way_back_s=0.0 if way is None else way.duration_s,
        way_back_mps=0.0 if way is None else way.distance_m / way.duration_s,
        ramp_mps2=0.0 if way is None else way.drift_speed_mps / way.ramp_s,
        ramp_share=0.0 if way is None else way.ramp_s / way.duration_s,
    )


def _shares_behind(race: Race, riders: Sequence[Rider], n_pulling: int, lead: int) -> FloatArray:
    """Draft shares of the riders of a line, as :class:`Line` has them, behind one of those who pull."""
    line = [*range(lead, n_pulling), *range(lead), *range(n_pulling, len(riders))]
    shares = np.empty(len(riders))
    shares[line] = race.line_shares([riders[i] for i in line])
    return shares


def ride_patterns(
    road: PatternRoad, race: Race, line: Line, patterns: Patterns, *, with_changes: bool = False
) -> Ridden:
    """Ride patterns side by side.

    Notes
    -----
    Against :func:`ttt_opt.ride.ride`: pieces of 10 to 30 m instead of steps of half a second; riders change where a
    piece begins; the way back counts with its mean speed, its ramps with the work that is lost in them. On the demo
    course a whole plan comes out within 0.03 % of the time and 0.3 kJ of W'.
    """
    by_length = np.argsort(patterns.begin - patterns.end, kind="stable")
    n_patterns, m, n_line = len(by_length), line.n_pulling, len(line.riders)
    begin, end = patterns.begin[by_length], patterns.end[by_length]
    lengths = end - begin
    seconds, downhill_s = patterns.seconds[by_length], patterns.downhill_s[by_length]
    watts = patterns.watts[by_length]
    leader = patterns.first[by_length].copy()
    speed = patterns.entry_mps[by_length].copy()
    spent = patterns.spent_j[by_length].copy()
    kept = np.ones((n_patterns, n_line))
    most, most_kept = spent.copy(), kept.copy()
    clock, progress, long_share, short_share, in_pull = np.zeros((5, n_patterns))
    amiss = np.zeros(n_patterns)
    back = np.zeros((n_patterns, n_line))
    if m > 1:  # who led until here swings off at the landmark
        later = np.flatnonzero(begin > 0)
        back[later, (leader[later] - 1) % m] = line.way_back_s
    wheel_j, wheel_s = np.zeros((2, n_patterns, n_line))
    wheel_beyond = np.zeros(n_patterns)
    limited, wheel_limit = road.steady, road.wheel_limit
    changes: list[list[tuple[int, int]]] = [[(int(b), int(f))] for b, f in zip(begin, leader, strict=True)]
    places = np.arange(n_line)
    change_road_m = BICYCLE_LENGTH_M + race.wheel_gap_m
    resistance = GRAVITY_MPS2 * (np.sin(np.arctan(road.grade)) + race.crr * np.cos(np.arctan(road.grade)))
    length_m, half_density = np.diff(road.node_m), 0.5 * road.air_density
    crosswind2 = road.crosswind_mps**2
    to_open_m = _to_the_next_open_piece(road)
    shut_s = _until_riders_may_change(road)
    riders = list(line.riders)
    shortest, longest = road.shortest_s[:, riders][:, :m], road.longest_s[:, riders][:, :m]
    per_long, per_short = 1.0 / longest, 1.0 / shortest
    differential = race.recovery == "differential"
    for step in range(int(lengths.max()) if n_patterns else 0):
        n = int(np.searchsorted(-lengths, -step, side="left"))  # those that are not over yet come first
        p = begin[:n] + step
        rows = np.arange(n)
        v = speed[:n]
        if step:
            changed = (road.segment[p] != road.segment[p - 1]) | (road.kind[p] != road.kind[p - 1])
            new_segment = np.flatnonzero(changed)
            if len(new_segment):
                aim = wheel_limit[p[new_segment] - 1]
                _look_at_wheels(wheel_beyond, wheel_j, wheel_s, new_segment, line.cp_alone_w, aim)
        # who leads
        lead = leader[:n]
        one = length_m[p] / np.maximum(v, 3.0)
        own_s = np.where(road.downhill[p], downhill_s[:n], seconds[rows, lead])
        following = (lead + 1) % m
        to_end_s = (road.node_m[end[:n]] - road.node_m[p]) / np.maximum(v, 3.0)
        closed = road.closed[p]
        due = progress[:n] + 0.5 * one / own_s >= 1.0
        until_open_s = to_open_m[p] / np.maximum(v, SLOW_MPS)
        free = (closed == 0) | ((closed == 1) & (long_share[:n] + until_open_s * per_long[p, lead] > 1.0))
        early = (closed < 2) & (long_share[:n] + shut_s[p + 1] * per_long[p, lead] > 1.0) & (short_share[:n] >= 1.0)
        changing = ((due & free) | early) & (to_end_s >= shortest[p, following]) & (m > 1)
        if changing.any():
            c = np.flatnonzero(changing)
            amiss[c] = np.maximum(amiss[c], _amiss(in_pull[c], long_share[c], short_share[c]))
            _look_at_wheels(wheel_beyond, wheel_j, wheel_s, c, line.cp_alone_w, wheel_limit[p[c] - 1])
            back[c, leader[c]] = line.way_back_s
            leader[c] = following[c]
            progress[c] = long_share[c] = short_share[c] = in_pull[c] = 0.0
            if with_changes:
                for i in c:
                    changes[i].append((int(p[i]), int(leader[i])))
        lead = leader[:n]
        # how fast
        ridden_m = length_m[p] + np.where(changing | ((step == 0) & (begin[:n] > 0)), change_road_m, 0.0)
        w = front_power(watts[rows, road.kind[p], lead], road.effort[p], line.peak_w[lead]) * DRIVETRAIN_EFFICIENCY
        mass, inertia = line.mass_kg[lead], line.inertia_kg[lead]
        headwind, cross2, rho = road.headwind_mps[p], crosswind2[p], half_density[p]
        fixed = mass * resistance[p] + _BEARING_FORCE_N
        saving = 1.0 - float(line.share[0, 0])  # the same whoever leads
        square = v * v
        squares = [np.where(v > WALKING_PACE_MPS, square, square + 4.0 * ridden_m)]
        middle = 0.5 * (v + np.sqrt(squares[0]))
        largest = LARGEST_ACCELERATION_MPS2 * mass
        for _ in range(2):
            air = middle + headwind
            air2 = air * air
            sheltered = np.where((air > 0.0) & (air2 > cross2), (air2 - cross2) / (air2 + cross2 + 1e-9), 0.0)
            area = line.cda_m2[lead] * (1.0 - saving * sheltered) + WHEEL_ROTATION_DRAG_AREA_M2
            force = np.minimum(w / middle, largest) - (
                rho * area * air * np.abs(air) + fixed + _BEARING_FORCE_PER_SPEED * middle
            )
            squares.append(np.maximum(square + 2.0 * force * ridden_m / inertia, 0.0))
            middle = np.maximum(0.5 * (v + np.sqrt(squares[-1])), 0.3)
        new = np.clip(_limit_of(*squares), WALKING_PACE_MPS**2, road.square_allowed[p + 1])
        after = np.sqrt(new)
        middle = 0.5 * (v + after)
        dt = ridden_m / middle
        acceleration = (new - square) / (2.0 * ridden_m)
        # what it takes
        place = np.where(places < m, (places - lead[:, None]) % m, places)
        moving = back[:n] > 0.0
        share = np.where(moving, 1.0, 1.0 - (1.0 - line.share[lead]) * sheltered[:, None])
        own = middle[:, None] - np.where(moving, line.way_back_mps, 0.0)
        air = own + headwind[:, None]
        force_all = (
            rho[:, None] * (line.cda_m2 * share + WHEEL_ROTATION_DRAG_AREA_M2) * air * np.abs(air)
            + line.mass_kg * resistance[p][:, None]
            + (_BEARING_FORCE_N + _BEARING_FORCE_PER_SPEED * own)
            + line.inertia_kg * acceleration[:, None]
        )
        wheel_w = np.maximum(force_all * own, 0.0)
        ramp_w = line.inertia_kg * line.ramp_mps2 * own
        unused_w = np.where(moving, np.maximum(ramp_w - wheel_w, 0.0) * line.ramp_share, 0.0)
        power = (wheel_w + unused_w) / DRIVETRAIN_EFFICIENCY
        counts = np.where((place > 0) & ~moving & limited[p][:, None], dt[:, None], 0.0)
        wheel_j[:n] += counts * power
        wheel_s[:n] += counts
        surplus = (power - line.cp_w) * dt[:, None]
        below = np.minimum(surplus, 0.0)
        if differential:
            keeps = np.exp(below / line.w_prime_j)
            spent[:n] *= keeps
        else:
            left = spent[:n] + below * race.recovery_share
            keeps = (left > 0.0).astype(np.float64)
            spent[:n] = np.maximum(left, 0.0)
        kept[:n] *= keeps
        spent[:n] += np.maximum(surplus, 0.0)
        higher = spent[:n] > most[:n]
        most[:n] = np.where(higher, spent[:n], most[:n])
        most_kept[:n] = np.where(higher, kept[:n], most_kept[:n])
        back[:n] = np.maximum(back[:n] - dt[:, None], 0.0)
        speed[:n] = after
        clock[:n] += dt
        in_pull[:n] += dt
        progress[:n] += dt / np.where(road.downhill[p], downhill_s[:n], seconds[rows, lead])
        long_share[:n] += dt * per_long[p, lead]
        short_share[:n] += dt * per_short[p, lead]
    _look_at_wheels(wheel_beyond, wheel_j, wheel_s, np.arange(n_patterns), line.cp_alone_w, wheel_limit[end - 1])
    last = end == len(length_m)
    at_end = _amiss(in_pull, long_share, np.where(last, 1.0, short_share))
    amiss = np.maximum(amiss, at_end if m > 1 else 0.0)
    back_to = np.empty_like(by_length)
    back_to[by_length] = np.arange(n_patterns)
    return Ridden(
        time_s=clock[back_to],
        exit_mps=speed[back_to],
        next_leader=((leader + 1) % m)[back_to],
        spent_j=spent[back_to],
        kept=kept[back_to],
        most_spent_j=most[back_to],
        most_kept=most_kept[back_to],
        amiss_s=amiss[back_to],
        on_wheel_beyond=wheel_beyond[back_to],
        changes=tuple(tuple(changes[i]) for i in back_to) if with_changes else (),
    )


def _limit_of(guess: FloatArray, once: FloatArray, twice: FloatArray) -> FloatArray:
    """Where a fixed-point iteration leads to, from its first two steps: slowly uphill it swings about its limit."""
    step = once - guess
    ratio = np.divide(twice - once, step, out=np.zeros_like(step), where=np.abs(step) > 1e-9)
    return np.asarray(guess + step / (1.0 - np.minimum(ratio, LARGEST_RATIO)), dtype=np.float64)


def _to_the_next_open_piece(road: PatternRoad) -> FloatArray:
    """Distance from the begin of each piece to the next one on which riders change freely, or to the finish (m)."""
    length_m = np.diff(road.node_m)
    ahead = np.zeros(len(length_m))
    left = 0.0
    for piece in range(len(length_m) - 1, -1, -1):
        left = 0.0 if road.closed[piece] == 0 else left + float(length_m[piece])
        ahead[piece] = left
    return ahead


def front_power(watts: FloatArray, effort: FloatArray, peak_w: FloatArray) -> FloatArray:
    """Power in front, given that of the pattern, how much more the road asks, and what the riders can do (W)."""
    return np.minimum(np.maximum(np.minimum(watts * effort, SHARE_OF_PEAK * peak_w), watts), peak_w)


def _until_riders_may_change(road: PatternRoad) -> FloatArray:
    """About how long it takes from each node through bends, and braking for them, that begin there (s)."""
    pace_mps = np.minimum(np.sqrt(road.square_allowed), BRISK_MPS)
    piece_s = np.diff(road.node_m) / (0.5 * (pace_mps[1:] + pace_mps[:-1]))
    ahead_s = np.zeros(len(piece_s) + 1)
    for piece in range(len(piece_s) - 1, -1, -1):
        ahead_s[piece] = ahead_s[piece + 1] + float(piece_s[piece]) if road.closed[piece] == 2 else 0.0
    return ahead_s


def traps_m(road: PatternRoad) -> list[float]:
    """Places (m) amid bends, and braking for them, that take longer than anybody may pull: only a landmark helps."""
    ahead_s = _until_riders_may_change(road)
    begins = np.flatnonzero((ahead_s[:-1] > 0.0) & (np.append(0.0, ahead_s[:-2]) == 0.0))
    found = []
    for begin in begins:
        end = int(begin) + int(np.argmin(ahead_s[begin:]))
        share = np.cumsum(-np.diff(ahead_s[begin : end + 1]) / road.longest_s[begin:end].max(axis=1))
        if share[-1] > 1.0:
            found.append(float(road.node_m[begin + int(np.searchsorted(share, 0.5 * share[-1]))]))
    return found


def _look_at_wheels(
    beyond: FloatArray, work_j: FloatArray, time_s: FloatArray, rows: IntArray, cp_w: FloatArray, limit: FloatArray
) -> None:
    """Add what mean powers on wheels of some rows are beyond the limit, and begin anew."""
    mean = np.where(time_s[rows] >= SHORTEST_STAY_S, work_j[rows] / np.maximum(time_s[rows], 1e-9) / cp_w, 0.0)
    beyond[rows] += np.maximum(mean - limit[:, None], 0.0).sum(axis=1)
    work_j[rows] = time_s[rows] = 0.0


def _amiss(in_pull_s: FloatArray, share_of_longest: FloatArray, share_of_shortest: FloatArray) -> FloatArray:
    """Time beyond the longest or missing to the shortest pull (s), as the ride check counts them."""
    too_long = in_pull_s * (1.0 - 1.0 / np.maximum(share_of_longest, 1e-9))
    too_short = in_pull_s * (1.0 / np.maximum(share_of_shortest, 1e-9) - 1.0)
    return np.maximum(np.maximum(too_long, too_short), 0.0)
