"""Who was in front when, from recorded power and places: a hidden Markov model solved by the Viterbi algorithm.

The state of a second is who leads. Two things speak for it:

- *Power*. The leader's power explains the whole drag of his own, that of the others a part of it. What the speed, the
  gradient or the wind are wrong by is common to all riders, and is left open as two unknowns with a prior: an error of
  acceleration or gradient, and one of the air. Below zero nobody pedals: a model that asks for less than nothing
  predicts nothing.
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

POWER_ERROR = 0.02
SHARE_ERROR, WHEEL_SHARE_ERROR = 0.06, 0.08
LEAST_ERROR_N = 1.0
COMMON_ACCELERATION_MPS2 = 0.12
COMMON_AIR = 0.25
LARGEST_DIFFERENCE = 6.0
POWER_COUNTS, PLACE_COUNTS = 0.3, 1.0 / 30.0
PLACE_ERROR_M = 3.5
DRIFT_ERROR_M = 2.5
DRIFT_COUNTS = 0.7
LARGEST_DRIFT = 8.0
UNSEEN_LEADER = 3.0
"""Log-odds against a leader without a recording where all in the line are recorded but one was lost."""


@dataclass(frozen=True)
class Leaders:
    """Who led.

    Attributes
    ----------
    leader : ndarray (n_seconds,) of int
        Rider in front, :data:`NOBODY` for one who was not recorded, or outside the race.
    place : ndarray (n_seconds, n_riders) of int
        Place in the line, 0 in front; -1 where it is not known, or outside the race.
    moving_back : ndarray (n_seconds, n_riders) of bool
        The rider has led until a moment ago and is on his way to the last wheel.
    sureness : float
        Mean probability of the leader found, in the model.
    """

    leader: IntArray
    place: IntArray
    moving_back: BoolArray
    sureness: float


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
    said += _places_say(line, states, n_line, wheel_gap_m)[racing]
    gone = ~line.with_line[racing]
    for column, rider in enumerate(states):
        if rider != NOBODY:
            said[gone[:, rider], column] -= 3.0 * LARGEST_DIFFERENCE
    drift = _drifts(line, states, n_line, wheel_gap_m)[racing]
    follows = np.full((len(states), len(states)), 1.0 / max(len(states) - 1, 1))
    path = _viterbi(said, drift, follows, mean_pull_s)
    follows = _learned(path, len(states))
    path = _viterbi(said, drift, follows, mean_pull_s)
    leader = np.full(len(line.time_s), NOBODY, dtype=np.int64)
    leader[racing] = np.array(states)[path]
    place, moving = _places(line, leader, racing, n_line, wheel_gap_m)
    return Leaders(leader, place, moving, _sureness(said, drift, follows, mean_pull_s, path))


def _power_says(balance: Balance, cda_m2: FloatArray, shares: FloatArray, states: Sequence[int]) -> FloatArray:
    """Log-likelihood of each state by power, ``(n_seconds, n_states)``."""
    air_n = balance.pressure_pa[:, np.newaxis] * cda_m2
    wheel_share = float(shares[1:].mean()) if len(shares) > 1 else 1.0
    error = np.hypot(POWER_ERROR * balance.wheel_n, LEAST_ERROR_N)
    result = np.empty((len(balance.pressure_pa), len(states)))
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
        weight = balance.known / (error**2 + (spread * air_n) ** 2)
        result[:, column] = _log_likelihood(miss, weight, common)
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
    bounded: FloatArray = np.maximum(likelihood - likelihood.max(axis=1, keepdims=True), -LARGEST_DIFFERENCE)
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
    way_s = round(n_line * wheel_m / DRIFT_SPEED_MPS + RAMP_S)
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


def _change_cost(follows: FloatArray, mean_pull_s: float) -> tuple[float, FloatArray]:
    """Log-probabilities of staying in front for a second, and of each change."""
    change = 1.0 / mean_pull_s
    with np.errstate(divide="ignore"):
        return float(np.log(1.0 - change)), np.log(change * follows)


def _viterbi(said: FloatArray, drift: FloatArray, follows: FloatArray, mean_pull_s: float) -> IntArray:
    """The most probable path of states."""
    n_seconds, n_states = said.shape
    stay, change = _change_cost(follows, mean_pull_s)
    np.fill_diagonal(change, stay)
    leaving = 1.0 - np.eye(n_states)
    best = said[0].copy()
    came_from = np.zeros((n_seconds, n_states), dtype=np.int64)
    columns = np.arange(n_states)
    for second in range(1, n_seconds):
        total = best[:, np.newaxis] + change + leaving * drift[second][:, np.newaxis]
        came_from[second] = np.argmax(total, axis=0)
        best = total[came_from[second], columns] + said[second]
    path = np.empty(n_seconds, dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for second in range(n_seconds - 1, 0, -1):
        path[second - 1] = came_from[second, path[second]]
    return path


def _sureness(
    said: FloatArray, drift: FloatArray, follows: FloatArray, mean_pull_s: float, path: IntArray
) -> float:
    """Mean probability of the states of a path, by the forward-backward algorithm."""
    n_seconds, n_states = said.shape
    stay, change = _change_cost(follows, mean_pull_s)
    np.fill_diagonal(change, stay)
    leaving = 1.0 - np.eye(n_states)
    moves = np.exp(change + leaving * drift[:, :, np.newaxis])
    odds = np.exp(said)
    forward, backward = np.empty_like(odds), np.ones_like(odds)
    forward[0] = odds[0] / odds[0].sum()
    for second in range(1, n_seconds):
        forward[second] = forward[second - 1] @ moves[second] * odds[second]
        forward[second] /= forward[second].sum()
    for second in range(n_seconds - 2, -1, -1):
        backward[second] = moves[second + 1] @ (odds[second + 1] * backward[second + 1])
        backward[second] /= backward[second].sum()
    both = forward * backward
    both /= both.sum(axis=1, keepdims=True)
    return float(both[np.arange(n_seconds), path].mean())


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
    if n_line > n_riders or not len(racing):  # who is between those recorded is not known
        return place, moving
    leaders = leader[racing]
    led = [np.flatnonzero(leaders == rider) for rider in range(n_riders)]
    first = [int(seconds[0]) if len(seconds) else len(leaders) for seconds in led]
    sitting = {rider for rider in range(n_riders) if first[rider] == len(leaders)}
    order = sorted(range(n_riders), key=lambda rider: first[rider])
    way_s = n_line * (BICYCLE_LENGTH_M + wheel_gap_m) / DRIFT_SPEED_MPS + RAMP_S
    edges = np.append(np.flatnonzero(np.diff(leaders, prepend=leaders[0] - 1)), len(leaders))
    last = None
    for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        now = int(leaders[begin])
        if last is not None:
            order.remove(last)
            order.insert(len(order) - len(sitting), last)
            moving[racing[begin : min(begin + round(way_s), len(leaders))], last] = True
        order.remove(now)
        order.insert(0, now)
        for second in racing[begin:end]:
            there = [rider for rider in order if line.with_line[second, rider]]
            place[second, there] = np.arange(len(there))
        last = now
    moving &= place != 0
    return place, moving
