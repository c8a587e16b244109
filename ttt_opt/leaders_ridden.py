"""Who was in front when, from recorded power and places: a hidden Markov model solved by the Viterbi algorithm.

The state of a second is who leads, who led before him, and for how many seconds the latter has been on his way to the
last wheel. Two things speak for it:

- *Power*. The leader's power explains the whole drag of his own, that of the others a part of it. What the speed, the
  gradient or the wind are wrong by is common to all riders, and is left open as two unknowns with a prior: an error of
  acceleration or gradient, and one of the air. Below zero nobody pedals: a model that asks for less than nothing
  predicts nothing. A rider on his way back first eases off, then is in the wind a little slower than the line,
  then accelerates, with larger errors.
- *Places*. The leader is ahead. A wheel is 2 m, receivers are 3 m off for a minute, so a level says little; but when
  a rider drifts from the front to the back within some 10 s, his place relative to the others moves by the length of
  the line. That speaks for a change of leader at that moment.

Seconds are not independent, and power does strange things for a moment; so what one second can say is bounded and
counts a part. Pulls last about as long as in the plan; who follows whom is learned from a first round.

References
----------
From memory: Viterbi 1967, IEEE Transactions on Information Theory 13, 260-269; Rabiner 1989, Proceedings of the IEEE
77, 257-286.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.changeover import BICYCLE_LENGTH_M, DRIFT_SPEED_MPS, RAMP_S
from ttt_opt.line_ridden import LineRidden
from ttt_opt.road_balance import Balance

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

NOBODY = -1
"""Nobody of those recorded leads."""

POWER_ERROR, SHARE_ERROR, WHEEL_SHARE_ERROR, LEAST_ERROR_N = 0.02, 0.06, 0.08, 1.0
"""Errors (standard deviations) of power as a share of it, of the drag in front and on a wheel as a share of the solo
drag, and of any force at least (N)."""
MOVING_BACK_ERROR_N, MOVING_BACK_SHARE_ERROR = (12.0, 8.0, 25.0), 0.15
"""Errors of what is expected of a rider who swings off, drifts back, and comes to the last wheel (N; share)."""
SHORTEST_PULL_S = 4
COMMON_ACCELERATION_MPS2, COMMON_AIR = 0.12, 0.25
"""Errors that all riders share: acceleration (m/s2), and the air's part as a share of the drag."""
PLACE_ERROR_M, DRIFT_ERROR_M = 3.5, 2.5
"""Errors of a receiver's place, and of how far a rider has drifted back (m)."""
POWER_COUNTS, PLACE_COUNTS, DRIFT_COUNTS = 0.3, 1.0 / 30.0, 0.7
"""What one second's evidence counts: seconds are not independent."""
LARGEST_DIFFERENCE, LARGEST_DRIFT = 6.0, 8.0
"""Most that one second of power, and one change of places, may say (logarithm of likelihood)."""


@dataclass(frozen=True)
class Leaders:
    """Who led.

    Attributes
    ----------
    leader : ndarray (n_seconds,) of int
        Rider in front, :data:`NOBODY` for one who was not recorded, or outside the race.
    place : ndarray (n_seconds, n_riders) of int
        Place in the line, 0 in front; -1 outside the race. Where not all riders of the line are recorded, 1 for every
        wheel.
    moving_back : ndarray (n_seconds, n_riders) of bool
        The rider has led until a moment ago and is on his way to the last wheel.
    """

    leader: IntArray
    place: IntArray
    moving_back: BoolArray


def find_leaders(
    line: LineRidden,
    balance: Balance,
    cda_m2: FloatArray,
    shares: FloatArray,
    pulls: Sequence[bool],
    wheel_gap_m: float,
    mean_pull_s: float,
) -> Leaders:
    """Find who led when.

    Parameters
    ----------
    line : LineRidden
    balance : Balance
    cda_m2 : ndarray (n_riders,)
        Drag area of each rider alone (m2).
    shares : ndarray (n_line,)
        Share of the solo drag by place, for as many riders as were in the line, recorded or not.
    pulls : sequence of bool
        Which riders lead at all.
    wheel_gap_m : float
    mean_pull_s : float
        Expected length of a pull (s).
    """
    racing = np.flatnonzero(line.racing)
    n_riders, n_line = len(cda_m2), len(shares)
    states = [rider for rider in range(n_riders) if pulls[rider]]
    if n_line > n_riders or not states:
        states.append(NOBODY)
    said = _power_says(balance, cda_m2, shares, states)[racing]
    said += _places_say(line, states, n_line, wheel_gap_m)[racing][:, :, np.newaxis, np.newaxis]
    gone = ~line.with_line[racing]
    for column, rider in enumerate(states):
        if rider != NOBODY:
            said[gone[:, rider], column] -= 3.0 * LARGEST_DIFFERENCE
    drift = _drifts(line, states, n_line, wheel_gap_m)[racing]
    way_s = max(round(_way_back_s(n_line, wheel_gap_m)), SHORTEST_PULL_S + 1)
    path = _viterbi(said, drift, np.ones((len(states), len(states))) / max(len(states) - 1, 1), mean_pull_s, way_s)
    path = _viterbi(said, drift, _learned(path, len(states)), mean_pull_s, way_s)
    leader = np.full(len(line.time_s), NOBODY, dtype=np.int64)
    leader[racing] = np.array(states)[path]
    place, moving = _places(line, leader, racing, n_line, wheel_gap_m)
    return Leaders(leader, place, moving)


def _way_back_s(n_line: int, wheel_gap_m: float) -> float:
    """From swinging off to being on the last wheel (s)."""
    return n_line * (BICYCLE_LENGTH_M + wheel_gap_m) / DRIFT_SPEED_MPS + RAMP_S


def _power_says(balance: Balance, cda_m2: FloatArray, shares: FloatArray, states: Sequence[int]) -> FloatArray:
    """Log-likelihood by power of each leader and each rider who moves back, ``(n_seconds, n_states, n_states, 3)``.

    Leader and mover alike: nobody moves back. Last come swinging off, drifting back, coming to the last wheel.
    """
    air_n = balance.pressure_pa[:, np.newaxis] * cda_m2
    wheel_share = float(shares[1:].mean()) if len(shares) > 1 else 1.0
    error = np.hypot(POWER_ERROR * balance.wheel_n, LEAST_ERROR_N)
    result = np.empty((len(balance.pressure_pa), len(states), len(states), 3))
    slower = 1.0 - np.maximum(1.0 - DRIFT_SPEED_MPS / balance.speed_mps, 0.0) ** 2
    for column, leader in enumerate(states):
        share = np.full(len(cda_m2), wheel_share)
        spread = np.full(len(cda_m2), WHEEL_SHARE_ERROR)
        if leader != NOBODY:
            share[leader], spread[leader] = shares[0], SHARE_ERROR
        kept = 1.0 - (1.0 - share) * balance.kept[:, np.newaxis]
        asked = balance.other_n + kept * air_n
        miss = balance.wheel_n - np.maximum(asked, 0.0)
        pedalling = (balance.wheel_n > 0.0) | (asked > 0.0)
        common = np.stack([balance.mass_kg * COMMON_ACCELERATION_MPS2 * pedalling, air_n * COMMON_AIR * pedalling], -1)
        variance = error**2 + (spread * air_n) ** 2
        alone = _log_likelihood(miss, balance.known / variance, common)
        for second, mover in enumerate(states):
            result[:, column, second] = alone[:, np.newaxis]
            if mover in (leader, NOBODY):
                continue
            ease_n = balance.mass_kg[mover] * DRIFT_SPEED_MPS / RAMP_S
            drifting = balance.other_n[:, mover] + shares[0] * (1.0 - slower) * air_n[:, mover]
            for phase, (change_n, error_n) in enumerate(zip((-ease_n, 0.0, ease_n), MOVING_BACK_ERROR_N, strict=True)):
                own, of_mover = variance.copy(), miss.copy()
                of_mover[:, mover] = balance.wheel_n[:, mover] - np.maximum(drifting + change_n, 0.0)
                own[:, mover] = error[:, mover] ** 2 + error_n**2 + (MOVING_BACK_SHARE_ERROR * air_n[:, mover]) ** 2
                result[:, column, second, phase] = _log_likelihood(of_mover, balance.known / own, common)
    return _bounded(result) * POWER_COUNTS


def _log_likelihood(miss: FloatArray, weight: FloatArray, common: FloatArray) -> FloatArray:
    """Gaussian log-likelihood of misses with own variances (1 / weight) and common unknowns of variance 1.

    By the matrix determinant lemma and the identity of Woodbury; up to a constant.
    """
    weighted = common * weight[..., np.newaxis]
    inner = np.eye(2) + np.swapaxes(common, -1, -2) @ weighted
    pull = np.einsum("tik,ti->tk", weighted, miss)
    explained = np.einsum("tk,tk->t", pull, np.linalg.solve(inner, pull[..., np.newaxis])[..., 0])
    own = np.where(weight > 0.0, np.log(np.where(weight > 0.0, weight, 1.0)), 0.0).sum(axis=1)
    likelihood: FloatArray = -0.5 * ((weight * miss**2).sum(axis=1) - explained - own + np.linalg.slogdet(inner)[1])
    return likelihood


def _bounded(likelihood: FloatArray) -> FloatArray:
    """Differences from the best, bounded: one second cannot rule anybody out."""
    best = likelihood.max(axis=tuple(range(1, likelihood.ndim)), keepdims=True)
    bounded: FloatArray = np.maximum(likelihood - best, -LARGEST_DIFFERENCE)
    return bounded


def _places_say(line: LineRidden, states: Sequence[int], n_line: int, wheel_gap_m: float) -> FloatArray:
    """Log-likelihood of each state by places, ``(n_seconds, n_states)``."""
    wheel_m = BICYCLE_LENGTH_M + wheel_gap_m
    known = np.isfinite(line.along_m) & line.with_line
    result = np.zeros((len(line.time_s), len(states)))
    spread_m = wheel_m * np.sqrt(max((n_line - 1) ** 2 - 1, 0) / 12.0)
    for column, leader in enumerate(states):
        expected = np.full(line.along_m.shape[1], -0.5 * n_line * wheel_m)
        variance = np.full(line.along_m.shape[1], PLACE_ERROR_M**2 + spread_m**2)
        if leader != NOBODY:
            expected[leader], variance[leader] = 0.0, PLACE_ERROR_M**2
        weight = known / variance
        miss = np.where(known, line.along_m - expected, 0.0)
        total = np.maximum(weight.sum(axis=1), 1e-12)
        mean = (weight * miss).sum(axis=1) / total
        own = np.where(known, np.log(1.0 / variance), 0.0).sum(axis=1) - np.log(total)
        result[:, column] = -0.5 * ((weight * (miss - mean[:, np.newaxis]) ** 2).sum(axis=1) - own)
    return _bounded(result) * PLACE_COUNTS


def _drifts(line: LineRidden, states: Sequence[int], n_line: int, wheel_gap_m: float) -> FloatArray:
    """What speaks for a rider beginning to drift back at each second, ``(n_seconds, n_states)``."""
    wheel_m = BICYCLE_LENGTH_M + wheel_gap_m
    way_s = round(_way_back_s(n_line, wheel_gap_m))
    result = np.zeros((len(line.time_s), len(states)))
    if line.along_m.shape[1] < 2 or n_line < 2:
        return result
    known = np.isfinite(line.along_m) & line.with_line
    along = np.where(known, line.along_m, np.nan)
    for column, rider in enumerate(states):
        if rider == NOBODY:
            continue
        others = np.delete(along, rider, axis=1)
        count = np.isfinite(others).sum(axis=1)
        mean = np.divide(np.nansum(others, axis=1), count, out=np.full(len(count), np.nan), where=count > 0)
        ahead = along[:, rider] - mean
        before, after = _window_mean(ahead, -5, 0), _window_mean(ahead, way_s, way_s + 5)
        moved = before - after
        expected = n_line * wheel_m  # the others move up by one wheel on average, in part before and in part after
        gain = (moved * expected - 0.5 * expected**2) / (2.0 * DRIFT_ERROR_M**2)
        result[:, column] = np.nan_to_num(np.clip(DRIFT_COUNTS * gain, -LARGEST_DRIFT, LARGEST_DRIFT))
    return result


def _window_mean(values: FloatArray, first: int, last: int) -> FloatArray:
    """Mean of known values from so many seconds after each to so many."""
    n = len(values)
    known = np.isfinite(values)
    total = np.append(0.0, np.cumsum(np.where(known, values, 0.0)))
    count = np.append(0, np.cumsum(known))
    begin = np.clip(np.arange(n) + first, 0, n)
    end = np.clip(np.arange(n) + last + 1, 0, n)
    held = count[end] - count[begin]
    mean: FloatArray = np.divide(total[end] - total[begin], held, out=np.full(n, np.nan), where=held > 0)
    return mean


def _viterbi(
    said: FloatArray, drift: FloatArray, follows: FloatArray, mean_pull_s: float, way_s: int
) -> IntArray:
    """The most probable leaders.

    Parameters
    ----------
    said : ndarray (n_seconds, n_states, n_states, 3)
        Log-likelihood by leader, rider who moves back (the leader himself for nobody), and what he does.
    drift : ndarray (n_seconds, n_states)
        What speaks for each to begin to move back.
    follows : ndarray (n_states, n_states)
        Probability that the second follows the first.
    mean_pull_s : float
    way_s : int
        Seconds of the way back.

    Returns
    -------
    ndarray (n_seconds,) of int
    """
    n_seconds, n_states = said.shape[:2]
    does = np.ones(way_s, dtype=np.int64)
    does[: round(RAMP_S)], does[-round(RAMP_S) :] = 0, 2
    stay = float(np.log(1.0 - 1.0 / mean_pull_s))
    with np.errstate(divide="ignore"):
        change = np.log(follows / mean_pull_s)
    np.fill_diagonal(change, -np.inf)
    alone = np.arange(n_states)
    steady = said[0, alone, alone, 0].copy()  # leader, nobody moving back
    moving = np.full((way_s, n_states, n_states), -np.inf)  # seconds since the change, leader, who moves back
    led_before = np.zeros((n_seconds, n_states), dtype=np.int64)  # how the best way to lead ended: see below
    arrived = np.full((n_seconds, n_states), -1, dtype=np.int64)
    for second in range(1, n_seconds):
        able = moving[SHORTEST_PULL_S:].transpose(1, 0, 2).reshape(n_states, -1)
        ways = np.column_stack([steady, able])
        led_before[second] = np.argmax(ways, axis=1)
        leaving = ways[alone, led_before[second]] + drift[second]
        back = moving[-1]
        last = np.argmax(back, axis=1)
        arriving = back[alone, last]
        arrived[second] = np.where(arriving > steady, last, -1)
        steady = np.maximum(steady, arriving) + stay + said[second, alone, alone, 0]
        by_step = said[second][:, :, does].transpose(2, 0, 1)
        moving[1:] = moving[:-1] + stay + by_step[1:]
        moving[0] = (leaving[:, np.newaxis] + change).T + by_step[0]
    return _traced(steady, moving, led_before, arrived)


def _traced(steady: FloatArray, moving: FloatArray, led_before: IntArray, arrived: IntArray) -> IntArray:
    """The path that ends best, traced back."""
    n_seconds, n_states = led_before.shape
    way_s = len(moving)
    path = np.empty(n_seconds, dtype=np.int64)
    leader = int(np.argmax(np.maximum(steady, moving.max(axis=(0, 2)))))
    since, mover = -1, -1  # -1: nobody moves back
    if moving[:, leader].max() > steady[leader]:
        since, mover = (int(k) for k in np.unravel_index(np.argmax(moving[:, leader]), (way_s, n_states)))
    for second in range(n_seconds - 1, -1, -1):
        path[second] = leader
        if since > 0:
            since -= 1
        elif since == 0:
            way = int(led_before[second, mover])
            leader, since, mover = mover, -1, -1
            if way > 0:
                since, mover = SHORTEST_PULL_S + (way - 1) // n_states, (way - 1) % n_states
        elif second > 0 and arrived[second, leader] >= 0:
            since, mover = way_s - 1, int(arrived[second, leader])
    return path


def _learned(path: IntArray, n_states: int) -> FloatArray:
    """Probabilities of who follows whom, from the changes of a path with one change of each kind added."""
    counts = np.ones((n_states, n_states))
    changes = np.flatnonzero(np.diff(path) != 0)
    np.add.at(counts, (path[changes], path[changes + 1]), 1.0)
    np.fill_diagonal(counts, 0.0)
    return np.asarray(counts / np.maximum(counts.sum(axis=1, keepdims=True), 1e-12))


def _places(
    line: LineRidden, leader: IntArray, racing: IntArray, n_line: int, wheel_gap_m: float
) -> tuple[IntArray, BoolArray]:
    """Place of each rider in the line, as it follows from who led: a leader goes to the end of those who lead."""
    n_riders = line.along_m.shape[1]
    place = np.full((len(leader), n_riders), -1, dtype=np.int64)
    moving = np.zeros((len(leader), n_riders), dtype=bool)
    if not len(racing):
        return place, moving
    leaders = leader[racing]
    if n_line > n_riders:  # who is between those recorded is not known: all behind the leader are in the second place
        place[racing] = np.where(leaders[:, np.newaxis] == np.arange(n_riders), 0, 1)
        way = round(_way_back_s(n_line, wheel_gap_m))
        for change in np.flatnonzero(np.diff(leaders) != 0) + 1:
            if leaders[change - 1] != NOBODY:
                moving[racing[change : change + way], leaders[change - 1]] = True
        return place, moving & (place != 0)
    led = [np.flatnonzero(leaders == rider) for rider in range(n_riders)]
    first = [int(seconds[0]) if len(seconds) else len(leaders) for seconds in led]
    sitting = {rider for rider in range(n_riders) if first[rider] == len(leaders)}
    order = sorted(range(n_riders), key=lambda rider: first[rider])
    way_s = _way_back_s(n_line, wheel_gap_m)
    edges = np.append(np.flatnonzero(np.diff(leaders, prepend=leaders[0] - 1)), len(leaders))
    last = None
    for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        now = int(leaders[begin])
        if last is not None:
            order.remove(last)
            order.insert(len(order) - len(sitting), last)
            later = {int(leaders[at]) for at in edges[:-1] if at >= begin}
            for passed in [rider for rider in order[: order.index(now)] if rider not in later]:  # pulls no more
                order.remove(passed)
                order.insert(len(order) - len(sitting), passed)
                sitting.add(passed)
            moving[racing[begin : min(begin + round(way_s), len(leaders))], last] = True
        order.remove(now)
        order.insert(0, now)
        for second in racing[begin:end]:
            there = [rider for rider in order if line.with_line[second, rider]]
            place[second, there] = np.arange(len(there))
        last = now
    moving &= place != 0
    return place, moving
