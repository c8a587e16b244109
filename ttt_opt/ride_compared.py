"""A recorded ride beside its plan: time by stretches and why, pulls, surges, gaps, W' as ridden.

Why time was lost on a stretch
------------------------------
A force that is missing, or added, changes the speed at which the line is in balance: at a given power by its share of
*twice the air's force plus the force of the legs*. So the seconds lost are, summed over seconds with a leader who
pedals,

- by *front power*: the force that the planned leader's planned power would have had beyond what his own weight and drag
  take, less that of the leader there was, over that sum;
- by *air*: the force of the air as ridden, less what the plan's weather and the team file's drag area give at the speed
  ridden, over that sum; rolling, gradient and drag of a rider who sat up look the same; neither counts in bends and
  near the top speed of the race, where brakes set the speed, nor does air while the line brakes or coasts;
- by *stops*: seconds slower than 3 m/s after the start where the plan rides faster than 6 m/s, less what the way
  ridden in them takes at the planned speed;
- the *rest*: braking, bends, getting up to speed again, and what small changes do not explain.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.changeover import BICYCLE_LENGTH_M
from ttt_opt.leaders_ridden import NOBODY, Leaders
from ttt_opt.line_ridden import LineRidden
from ttt_opt.physics import DRIVETRAIN_EFFICIENCY
from ttt_opt.physiology import w_prime_balance
from ttt_opt.plan import Plan
from ttt_opt.ride import sustainable_cp_w
from ttt_opt.road_balance import Balance
from ttt_opt.smoothing import smoothed

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

STOPPED_MPS, MOVING_MPS, START_S = 3.0, 6.0, 20.0
"""Slower than the first where the plan is faster than the second, not so soon after the start, is a stop (m/s, s)."""
PEDALLING_W = 30.0
NEAR_TOP_SPEED = 0.96
"""From this share of the race's top speed on riders sit up or brake."""
SHORTEST_STRETCH_S, USUAL_STRETCH_S = 60.0, 150.0
BEFORE_AFTER_S = 10
SETTLING_S = 2
"""A change of leader is not compared within so many seconds (s)."""
STEADY_RATIO, LARGEST_ACCELERATION_MPS2 = 1.2, 0.3
"""Where speeds before and after a change of leader differ by more, or the line brakes, a surge says nothing."""
SMEARED_S = 4
GAP_M, GAP_S = 10.0, 10
"""A gap counts from so many metres beyond a rider's place on, for so many seconds: receivers are 3 m off."""
GAP_PERIOD_S = 20.0
LONGEST_POWER_GAP_S = 30
"""Power that was not recorded is taken from its neighbours for so long (s), else from the rider's mean."""


@dataclass(frozen=True)
class RiddenStretch:
    """A stretch of the course, planned and ridden.

    Attributes
    ----------
    start_m, end_m : float
    terrain : str
        Of most of it.
    planned_s : float
    ridden_s : float or None
        ``None``: not recorded; then nothing below is known.
    by_power_s, by_air_s, by_stops_s, rest_s : float or None
        What of the time lost is due to what (s); ``None`` where it is not known who led.
    planned_w, ridden_w : float or None
        Mean front power; without leaders, mean power of the riders.
    """

    start_m: float
    end_m: float
    terrain: str
    planned_s: float
    ridden_s: float | None
    by_power_s: float | None
    by_air_s: float | None
    by_stops_s: float | None
    rest_s: float | None
    planned_w: float | None
    ridden_w: float | None

    @property
    def lost_s(self) -> float | None:
        """Time lost against the plan (s)."""
        return None if self.ridden_s is None else self.ridden_s - self.planned_s


@dataclass(frozen=True)
class RiddenPull:
    """A pull as ridden.

    Attributes
    ----------
    rider : str or None
        ``None``: somebody without a recording.
    start_m, end_m, start_s, duration_s, speed_kmh : float
    power_w, share_of_cp : float or None
        Mean at the front; ``None`` where it was not recorded.
    surge_w : float or None
        Rise of the front power of the average rider at its beginning, beyond what the road asks (W); ``None`` where
        that says nothing.
    too_much : bool
        The surge is above the limit of the race.
    """

    rider: str | None
    start_m: float
    end_m: float
    start_s: float
    duration_s: float
    speed_kmh: float
    power_w: float | None
    share_of_cp: float | None
    surge_w: float | None
    too_much: bool


@dataclass(frozen=True)
class Gap:
    """A gap that opened in front of a rider.

    Attributes
    ----------
    rider : str
    start_m, start_s, duration_s : float
    largest_m : float
        Beyond the rider's place in the line (m).
    closed : bool
        The rider came back.
    """

    rider: str
    start_m: float
    start_s: float
    duration_s: float
    largest_m: float
    closed: bool


@dataclass(frozen=True)
class RiderRidden:
    """One rider's ride beside the plan.

    Attributes
    ----------
    name : str
    n_pulls : int or None
    front_s, front_power_w : float or None
        ``None`` where it is not known who led, or power was not recorded.
    mean_power_w, peak_power_w : float or None
        Mean while riding, highest mean over 5 s.
    w_prime_min_j, w_prime_end_j : float or None
        By the recovery model of the plan; ``None`` without power.
    w_prime_min_at_m : float or None
    below_reserve_s : float or None
        Time with less W' than the plan keeps (s).
    heart_rate_bpm, highest_heart_rate_bpm : float or None
    power_missing_s : float
        Time without power (s).
    """

    name: str
    n_pulls: int | None
    front_s: float | None
    front_power_w: float | None
    mean_power_w: float | None
    peak_power_w: float | None
    w_prime_min_j: float | None
    w_prime_end_j: float | None
    w_prime_min_at_m: float | None
    below_reserve_s: float | None
    heart_rate_bpm: float | None
    highest_heart_rate_bpm: float | None
    power_missing_s: float


def stretch_bounds(plan: Plan) -> IntArray:
    """Segments of the plan at which stretches begin, and the end: one terrain each, some 2.5 minutes long."""
    segments, duration = plan.road.segments, plan.optimum.schedule.duration_s
    clock = np.append(0.0, np.cumsum(duration))
    n_segments = len(duration)
    bounds = [0]
    for s in range(1, n_segments):
        since, left = clock[s] - clock[bounds[-1]], clock[-1] - clock[s]
        other = segments.terrain[s] != segments.terrain[s - 1]
        if left >= SHORTEST_STRETCH_S and (since >= USUAL_STRETCH_S or (other and since >= SHORTEST_STRETCH_S)):
            bounds.append(s)
    return np.array([*bounds, n_segments])


def passing_times(line: LineRidden, places_m: FloatArray) -> FloatArray:
    """When the front of the line passed places on the course (s); nan where that was not recorded."""
    racing = line.time_s <= line.finish_s + 1.0
    along = np.maximum.accumulate(line.line_m[racing])
    rising = np.append(True, np.diff(along) > 0.0)
    times = line.time_s[racing][rising]
    passed: FloatArray = np.interp(places_m, along[rising], times, left=np.nan, right=np.nan)
    if line.from_standstill or along[0] < 5.0:
        passed[places_m <= 0.0] = 0.0
    if line.finished:
        passed[places_m >= places_m[-1]] = line.finish_s
    return passed


def compare_stretches(
    plan: Plan, line: LineRidden, balance: Balance, leaders: Leaders | None, columns: tuple[int, ...]
) -> tuple[RiddenStretch, ...]:
    """Time by stretches, and why.

    Parameters
    ----------
    plan : Plan
    line : LineRidden
    balance : Balance
        With the plan's weather.
    leaders : Leaders or None
    columns : tuple of int
        Rider of the team in each column of the line.
    """
    schedule, segments = plan.optimum.schedule, plan.road.segments
    bounds = stretch_bounds(plan)
    places = schedule.boundary_m[bounds]
    passed = passing_times(line, places)
    clock = np.append(0.0, np.cumsum(schedule.duration_s))[bounds]
    stopped = _lost_standing(plan, line)
    why = None if leaders is None else _why(plan, line, balance, leaders, columns)
    ridden_w = _front_power(line, leaders)
    known: BoolArray = np.asarray(np.isfinite(line.along_m).any(axis=1), dtype=np.bool_)
    stretches = []
    for number, (first, end) in enumerate(itertools.pairwise(bounds.tolist())):
        covered = slice(first, end)
        duration = schedule.duration_s[covered]
        terrain = max(
            set(segments.terrain[covered]),
            key=lambda kind: float(duration @ np.array([t == kind for t in segments.terrain[covered]])),
        )
        begin_s, end_s = float(passed[number]), float(passed[number + 1])
        rows: BoolArray = np.asarray((line.time_s > begin_s) & (line.time_s <= end_s), dtype=np.bool_)
        recorded = bool(np.isfinite(begin_s) and np.isfinite(end_s) and rows.any() and known[rows].mean() > 0.5)
        planned_s = float(clock[number + 1] - clock[number])
        ridden_s = end_s - begin_s if recorded else None
        by_power = by_air = by_stops = rest = None
        if ridden_s is not None:
            by_stops = float(stopped[rows].sum())
            if why is not None:
                by_power, by_air = float(why[0][rows].sum()), float(why[1][rows].sum())
                rest = ridden_s - planned_s - by_power - by_air - by_stops
        power = ridden_w[rows] if recorded else np.empty(0)
        stretches.append(
            RiddenStretch(
                start_m=float(places[number]),
                end_m=float(places[number + 1]),
                terrain=terrain,
                planned_s=planned_s,
                ridden_s=ridden_s,
                by_power_s=by_power,
                by_air_s=by_air,
                by_stops_s=by_stops,
                rest_s=rest,
                planned_w=_planned_power(plan, covered, leaders is not None, columns),
                ridden_w=float(np.nanmean(power)) if np.isfinite(power).any() else None,
            )
        )
    return tuple(stretches)


def _lost_standing(plan: Plan, line: LineRidden) -> FloatArray:
    """Seconds lost in each second by standing, or nearly so."""
    planned = np.interp(line.line_m, plan.ride.distance_m, plan.ride.speed_mps)
    standing = line.racing & (line.speed_mps < STOPPED_MPS) & (planned > MOVING_MPS) & (line.time_s > START_S)
    return np.where(standing, 1.0 - line.speed_mps / np.maximum(planned, MOVING_MPS), 0.0)


def _planned_power(plan: Plan, covered: slice, of_leader: bool, columns: tuple[int, ...]) -> float:
    """Mean planned front power of some segments, or of the riders recorded in the plan's ride (W)."""
    schedule = plan.optimum.schedule
    if of_leader:
        return float(np.average(schedule.front_power_w[covered], weights=schedule.duration_s[covered]))
    ridden = plan.ride
    start_m, end_m = schedule.boundary_m[covered.start], schedule.boundary_m[covered.stop]
    rows = (ridden.distance_m > start_m) & (ridden.distance_m <= end_m)
    power = np.nan_to_num(ridden.power_w[rows][:, list(columns)]).mean(axis=1)
    return float(np.average(power, weights=ridden.step_s[rows]))


def _front_power(line: LineRidden, leaders: Leaders | None) -> FloatArray:
    """Power in front each second (W); nan where not known. Without leaders, mean of the riders."""
    if leaders is None:
        count = np.isfinite(line.power_w).sum(axis=1)
        total = np.nansum(line.power_w, axis=1)
        mean: FloatArray = np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0)
        return mean
    led = leaders.leader != NOBODY
    rows = np.arange(len(led))
    return np.where(led, line.power_w[rows, np.maximum(leaders.leader, 0)], np.nan)


def _why(
    plan: Plan, line: LineRidden, balance: Balance, leaders: Leaders, columns: tuple[int, ...]
) -> tuple[FloatArray, FloatArray]:
    """Seconds lost in each second by front power and by air."""
    schedule = plan.optimum.schedule
    riders = plan.race.team.riders
    front_share = float(plan.race.draft_shares(len(riders))[0])
    at = np.clip(line.line_m, 0.0, plan.course.length_m - 1e-6)
    segment = np.clip(np.searchsorted(schedule.boundary_m, at, side="right") - 1, 0, len(schedule.speed_mps) - 1)
    planned_leader = np.zeros(len(schedule.speed_mps), dtype=np.int64)
    for pull in schedule.pulls:
        planned_leader[pull.first_segment : pull.end_segment] = pull.leader
    column_of = np.full(len(riders), NOBODY)
    column_of[list(columns)] = np.arange(len(columns))
    rows = np.arange(len(at))
    led = leaders.leader != NOBODY
    leader = np.maximum(leaders.leader, 0)
    wished = column_of[planned_leader[segment]]
    wished = np.where(wished == NOBODY, leader, wished)
    cda = np.array([riders[rider].cda_m2 for rider in columns])
    air_n = balance.pressure_pa[:, np.newaxis] * cda * front_share
    asked = balance.other_n + air_n
    planned_n = schedule.front_power_w[segment] * DRIVETRAIN_EFFICIENCY / balance.speed_mps
    ridden_n = balance.wheel_n[rows, leader]
    answer = np.maximum(2.0 * air_n[rows, leader] + np.maximum(ridden_n, planned_n), 1.0)
    free = plan.road.segments.bend[segment]
    free |= line.speed_mps > NEAR_TOP_SPEED * plan.race.limits.top_speed_mps
    usable = led & balance.known[rows, leader] & line.racing & (line.speed_mps > STOPPED_MPS) & ~free
    pedalling = ridden_n * balance.speed_mps > PEDALLING_W * DRIVETRAIN_EFFICIENCY
    planned_surplus = planned_n - asked[rows, wished]
    ridden_surplus = ridden_n - asked[rows, leader]
    both_coast = ~pedalling & (schedule.front_power_w[segment] < PEDALLING_W)
    by_power = np.where(usable & ~both_coast, (planned_surplus - ridden_surplus) / answer, 0.0)
    braking = _around(np.abs(line.acceleration_mps2) > LARGEST_ACCELERATION_MPS2) | _around(~pedalling)
    by_air = np.where(usable & ~braking, (ridden_n - asked[rows, leader]) / answer, 0.0)
    return by_power, by_air


def _around(mask: BoolArray) -> BoolArray:
    """A mask that holds also some seconds before and after: speeds are smoothed, so brakes show in what follows."""
    held = np.convolve(mask.astype(np.int64), np.ones(2 * SMEARED_S + 1, dtype=np.int64), mode="same")
    return np.asarray(held > 0, dtype=np.bool_)


def ridden_pulls(
    plan: Plan, line: LineRidden, balance: Balance, leaders: Leaders, columns: tuple[int, ...]
) -> tuple[RiddenPull, ...]:
    """The pulls as ridden, with the surges at their beginnings; arguments as for :func:`compare_stretches`."""
    racing = np.flatnonzero(line.racing)
    if not len(racing):
        return ()
    leader = leaders.leader[racing]
    edges = np.append(np.flatnonzero(np.diff(leader, prepend=leader[0] - 1)), len(leader))
    riders = plan.race.team.riders
    power = _front_power(line, leaders)
    surges = _Surges(plan, line, balance, leaders, columns)
    pulls = []
    for number, (begin, end) in enumerate(itertools.pairwise(edges.tolist())):
        rows = racing[begin:end]
        rider = None if leader[begin] == NOBODY else riders[columns[leader[begin]]]
        start_m = max(float(line.line_m[rows[0]]), 0.0) if number else 0.0
        end_m = min(float(line.line_m[racing[min(end, len(racing) - 1)]]), plan.course.length_m)
        held = power[rows]
        mean = float(np.nanmean(held)) if np.isfinite(held).any() else None
        surge = surges.at(int(rows[0]), len(rows)) if number else None
        pulls.append(
            RiddenPull(
                rider=None if rider is None else rider.name,
                start_m=start_m,
                end_m=end_m,
                start_s=float(line.time_s[rows[0]]) if number else 0.0,
                duration_s=float(len(rows)),
                speed_kmh=3.6 * float(line.speed_mps[rows].mean()),
                power_w=mean,
                share_of_cp=None if mean is None or rider is None else mean / rider.cp_w,
                surge_w=surge,
                too_much=surge is not None and surge > plan.race.limits.surge_w,
            )
        )
    return tuple(pulls)


class _Surges:
    """Rises of front power at changes of leader, as of the team's average rider."""

    def __init__(
        self, plan: Plan, line: LineRidden, balance: Balance, leaders: Leaders, columns: tuple[int, ...]
    ) -> None:
        cda = np.array([plan.race.team.riders[rider].cda_m2 for rider in columns])
        rows, leader = np.arange(len(line.time_s)), np.maximum(leaders.leader, 0)
        self.without_air_n = balance.other_n - balance.mass_kg * line.acceleration_mps2[:, np.newaxis]
        self.cda = cda
        self.balance = balance
        steady = self.without_air_n + balance.pressure_pa[:, np.newaxis] * cda
        excess_n = balance.wheel_n[rows, leader] - steady[rows, leader]
        self.front_w = (excess_n + steady.mean(axis=1)) * balance.speed_mps / DRIVETRAIN_EFFICIENCY
        known = (leaders.leader != NOBODY) & balance.known[rows, leader] & line.racing
        segments, schedule = plan.road.segments, plan.optimum.schedule
        segment = np.searchsorted(schedule.boundary_m, line.line_m, side="right") - 1
        segment = np.clip(segment, 0, len(segments.terrain) - 1)
        descent = np.array([kind == "descent" for kind in segments.terrain])
        free: BoolArray = np.asarray(descent | segments.bend | segments.accelerating, dtype=np.bool_)
        steady = np.abs(line.acceleration_mps2) < LARGEST_ACCELERATION_MPS2
        self.known = np.asarray(known & ~free[segment] & steady, dtype=np.bool_)

    def at(self, change: int, n_after: int) -> float | None:
        """The surge at a change of leader (W), which leads for so many seconds; ``None`` where it says nothing."""
        before = slice(max(change - BEFORE_AFTER_S - SETTLING_S, 0), change - SETTLING_S)
        after = slice(change + SETTLING_S, change + min(BEFORE_AFTER_S + SETTLING_S, n_after))
        if not (self.known[before].sum() >= BEFORE_AFTER_S // 2 and self.known[after].sum() >= BEFORE_AFTER_S // 2):
            return None
        if not (self.known[before].all() and self.known[after].all()):
            return None
        balance = self.balance
        slow, fast = sorted((float(balance.speed_mps[before].mean()), float(balance.speed_mps[after].mean())))
        if fast > STEADY_RATIO * slow:
            return None
        speed = float(balance.speed_mps[before].mean())
        loads = []
        for part in (before, after):
            air = balance.speed_mps[part] + balance.headwind_mps[part]
            same_speed = speed + balance.headwind_mps[part]
            pressure = balance.pressure_pa[part] * (same_speed / np.maximum(air, 1.0)) ** 2
            force = self.without_air_n[part].mean(axis=1) + pressure * self.cda.mean()
            loads.append(float(force.mean()) * speed / DRIVETRAIN_EFFICIENCY)
        rise = float(self.front_w[after].mean() - self.front_w[before].mean())
        return rise - max(loads[1] - loads[0], 0.0)


def find_gaps(
    plan: Plan, line: LineRidden, leaders: Leaders, columns: tuple[int, ...]
) -> tuple[Gap, ...]:
    """Gaps that opened in front of riders, the largest first."""
    wheel_m = BICYCLE_LENGTH_M + plan.race.wheel_gap_m
    gaps = []
    for column, rider in enumerate(columns):
        place = leaders.place[:, column]
        behind = line.line_m - line.along_m[:, column] - np.maximum(place, 0) * wheel_m
        behind = np.where(line.racing & ~leaders.moving_back[:, column], behind, np.nan)
        if np.isfinite(behind).sum() < GAP_S:
            continue
        smooth = np.where(np.isfinite(behind), smoothed(behind, GAP_PERIOD_S), 0.0)
        wide = line.racing & ((smooth > GAP_M) | ~line.with_line[:, column])
        edges = np.flatnonzero(np.diff(np.concatenate(([False], wide, [False])).astype(np.int8)))
        for begin, end in edges.reshape(-1, 2).tolist():
            raw = behind[begin:end]
            if end - begin < GAP_S or (np.isfinite(raw).any() and float(np.nanmedian(raw)) < GAP_M):
                continue  # a few fixes on the other side of a turn-around are no gap
            last = int(np.flatnonzero(line.racing)[-1])
            gaps.append(
                Gap(
                    rider=plan.race.team.riders[rider].name,
                    start_m=float(line.line_m[begin]),
                    start_s=float(line.time_s[begin]),
                    duration_s=float(end - begin),
                    largest_m=float(np.nanmax(np.where(wide, behind, np.nan)[begin:end])),
                    closed=end <= last,
                )
            )
    return tuple(sorted(gaps, key=lambda gap: -gap.largest_m))


def w_prime_ridden(
    plan: Plan, line: LineRidden, leaders: Leaders | None, columns: tuple[int, ...]
) -> FloatArray:
    """W' left, ``(n_seconds, n_riders)``; nan without power, and outside the race.

    What was not recorded is filled in. As in the plan's own ride, the way back from the front counts with its mean
    power.
    """
    power = np.full_like(line.power_w, np.nan)
    racing = line.racing
    for column in range(len(columns)):
        own = line.power_w[:, column]
        known = np.flatnonzero(np.isfinite(own) & racing)
        if len(known) < 2:
            continue
        seconds = np.arange(len(own))
        filled = np.interp(seconds, known, own[known])
        after = np.searchsorted(known, seconds)
        width = known[np.minimum(after, len(known) - 1)] - known[np.maximum(after - 1, 0)]
        outside = (seconds < known[0]) | (seconds > known[-1])
        unknown = ~np.isfinite(own) & ((width > LONGEST_POWER_GAP_S) | outside)
        filled[unknown] = own[known].mean()
        if leaders is not None:
            moving = np.concatenate(([False], leaders.moving_back[:, column], [False])).astype(np.int8)
            for begin, end in np.flatnonzero(np.diff(moving)).reshape(-1, 2).tolist():
                filled[begin:end] = filled[begin:end].mean()
        power[:, column] = filled
    team = plan.race.team
    cp = sustainable_cp_w(plan.race, team, max(line.finish_s, 1.0))[list(columns)]
    full = np.array([team.riders[rider].w_prime_j for rider in columns])
    left = np.full_like(power, np.nan)
    if racing.any():
        left[racing] = w_prime_balance(power[racing], 1.0, cp, full, plan.race.recovery, plan.race.recovery_share)
    return left


def describe_riders_ridden(
    plan: Plan, line: LineRidden, leaders: Leaders | None, w_prime_j: FloatArray, columns: tuple[int, ...]
) -> tuple[RiderRidden, ...]:
    """One rider's ride each."""
    racing = line.racing
    riders = []
    for column, rider in enumerate(columns):
        power, left = line.power_w[racing, column], w_prime_j[racing, column]
        known, modelled = np.isfinite(power), np.isfinite(left)
        in_front = None if leaders is None else leaders.leader[racing] == column
        heart = line.heart_rate_bpm[racing, column]
        front = power[in_front] if in_front is not None else np.empty(0)
        lowest = int(np.nanargmin(left)) if modelled.any() else 0
        window = np.convolve(np.nan_to_num(power), np.full(5, 0.2), mode="valid")
        riders.append(
            RiderRidden(
                name=plan.race.team.riders[rider].name,
                n_pulls=None if in_front is None else int((np.diff(in_front.astype(np.int8), prepend=0) == 1).sum()),
                front_s=None if in_front is None else float(in_front.sum()),
                front_power_w=float(np.nanmean(front)) if np.isfinite(front).any() else None,
                mean_power_w=float(power[known].mean()) if known.any() else None,
                peak_power_w=float(window.max()) if known.any() and len(window) else None,
                w_prime_min_j=float(left[lowest]) if modelled.any() else None,
                w_prime_end_j=float(left[modelled][-1]) if modelled.any() else None,
                w_prime_min_at_m=float(line.line_m[racing][lowest]) if modelled.any() else None,
                below_reserve_s=float((left < plan.race.limits.w_prime_reserve_j).sum()) if modelled.any() else None,
                heart_rate_bpm=float(np.nanmean(heart)) if np.isfinite(heart).any() else None,
                highest_heart_rate_bpm=float(np.nanmax(heart)) if np.isfinite(heart).any() else None,
                power_missing_s=float((~known).sum()),
            )
        )
    return tuple(riders)
