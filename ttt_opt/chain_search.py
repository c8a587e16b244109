"""Local search on whole chains of stretches: every neighbour is ridden to the finish, what it misses has a price."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ttt_opt.pattern_ride import Patterns, ride_patterns
from ttt_opt.stretch_search import (
    Chain,
    Situation,
    Stretch,
    bounded,
    changes_allowed,
    efforts_at_ends,
    kinds_in,
    neighbours,
    ride_chain,
    scaled,
    surges_within,
)

FloatArray = NDArray[np.float64]

S_PER_KJ, S_PER_SECOND_AMISS, S_PER_WHEEL_SHARE, S_PER_SURGE_W = 15.0, 5.0, 100.0, 0.5
"""Price of W' below the reserve (s/kJ) and, for each stretch, of a pull beyond its bounds (s/s), of powers on wheels
beyond their limit (s per critical power) and of surges beyond theirs (s/W): more than missing a limit gains."""
AMISS_ALLOWED_S = 0.5
"""A pull may miss its bounds by this (s); the ride check allows 2 s."""
LEAST_GAIN_S = 0.02
FACTORS = (0.97, 0.985, 1.015, 1.03)
BORDER_STEPS = (-6, -3, -2, -1, 1, 2, 3, 6)
"""By how many pieces of road a border is moved."""
SHORTEST_M = 400.0


def merits(situation: Situation, chain: Chain, first: int, tails: Sequence[tuple[Stretch, ...]]) -> FloatArray:
    """Time to the finish and the price of what is missed, for other stretches from one on (s).

    Parameters
    ----------
    situation : Situation
    chain : Chain
        Ridden until there.
    first : int
        Number of the first stretch that may differ.
    tails : sequence of tuple of Stretch
        All of the same number of stretches; who leads first in each is whoever is next.

    Returns
    -------
    ndarray (n_tails,)
    """
    n, road, line = len(tails), situation.road, situation.line
    leader = np.full(n, chain.stretches[first].first, dtype=np.int64)
    speed, spent = np.full(n, chain.entry_mps[first]), np.tile(chain.spent_j[first], (n, 1))
    price, most = np.zeros(n), spent.copy()
    surge_w = _surges_beyond(situation, tails)
    out_w, rise_w, fall_w = np.full((3, n), np.nan)
    if first > 0:
        before = replace(chain.stretches[first - 1])
        _, out = efforts_at_ends(situation, [before], np.array([chain.stretches[first].first]))
        rise, fall = changes_allowed(situation, [0, before.end, len(road.node_m) - 1])
        out_w[:], rise_w[:], fall_w[:] = out[0], rise[1], fall[1]
    for number in range(len(tails[0])):
        rows = [replace(tail[number], first=int(r)) for tail, r in zip(tails, leader, strict=True)]
        one = ride_patterns(road, situation.race, line, _patterns(rows, speed, spent))
        into_w, ends_w = efforts_at_ends(situation, rows, one.next_leader)
        jump = np.maximum(into_w - out_w - rise_w, out_w - into_w - fall_w)
        surge_w += np.maximum(np.nan_to_num(jump, nan=0.0, neginf=0.0), 0.0)
        out_w = ends_w
        places = sorted({0, len(road.node_m) - 1, *(row.end for row in rows)})
        rise, fall = changes_allowed(situation, places)
        at = np.searchsorted(places, [row.end for row in rows])
        rise_w, fall_w = rise[at], fall[at]
        price += one.time_s
        price += S_PER_WHEEL_SHARE * one.on_wheel_beyond
        price += S_PER_SECOND_AMISS * np.maximum(one.amiss_s - AMISS_ALLOWED_S, 0.0)
        most = np.maximum(most, one.most_spent_j)
        speed, spent, leader = one.exit_mps, one.spent_j, one.next_leader
    price += S_PER_KJ * np.maximum(most - situation.spendable_j, 0.0).sum(axis=1) / 1000.0
    return price + S_PER_SURGE_W * surge_w


def _surges_beyond(situation: Situation, tails: Sequence[tuple[Stretch, ...]]) -> FloatArray:
    """Largest surge within each stretch beyond what is allowed, over all stretches (W)."""
    different = list({replace(stretch, first=0): None for tail in tails for stretch in tail})
    beyond = np.maximum(surges_within(situation, different) - situation.surge_w, 0.0)
    of = dict(zip(different, beyond.tolist(), strict=True))
    return np.array([sum(of[replace(stretch, first=0)] for stretch in tail) for tail in tails])


def _patterns(stretches: Sequence[Stretch], entry_mps: FloatArray, spent_j: FloatArray) -> Patterns:
    return Patterns(
        begin=np.array([s.begin for s in stretches], dtype=np.int64),
        end=np.array([s.end for s in stretches], dtype=np.int64),
        first=np.array([s.first for s in stretches], dtype=np.int64),
        seconds=np.array([s.seconds for s in stretches], dtype=np.float64),
        downhill_s=np.array([s.downhill_s for s in stretches], dtype=np.float64),
        watts=np.array([s.watts for s in stretches], dtype=np.float64),
        entry_mps=entry_mps,
        spent_j=spent_j,
    )


def near_tails(situation: Situation, chain: Chain, number: int, reach: int) -> list[tuple[Stretch, ...]]:
    """The chain from the stretch before one on: as it is, in neighbours of its pattern, and with its begin moved."""
    stretches, road = chain.stretches, situation.road
    own, rest = stretches[number], stretches[number + 1 :]
    before = stretches[number - 1 : number] if number else ()
    near = neighbours(own, situation.line.n_pulling, kinds_in(road, own), reach)
    near += [scaled(own, factor) for factor in FACTORS]
    tails = [(*before, one, *rest) for one in dict.fromkeys(near) if one == own or bounded(situation, one)]
    if number:
        for step in BORDER_STEPS:
            node = own.begin + step
            if not 0 < node < len(road.node_m) - 1:
                continue
            pair = replace(before[0], end=node), replace(own, begin=node)
            if all(_long_enough(situation, part) and bounded(situation, part) for part in pair):
                tails.append((*pair, *rest))
    return tails


def _long_enough(situation: Situation, stretch: Stretch) -> bool:
    node_m = situation.road.node_m
    return stretch.begin < stretch.end and float(node_m[stretch.end] - node_m[stretch.begin]) > SHORTEST_M


def ranked(situation: Situation, chain: Chain, number: int, reach: int) -> list[tuple[float, tuple[Stretch, ...]]]:
    """Chains near to one, with what they gain on it (s), the best first."""
    tails, first = near_tails(situation, chain, number, reach), max(number - 1, 0)
    price = merits(situation, chain, first, tails)
    order = np.argsort(price, kind="stable")
    return [(float(price[0] - price[i]), (*chain.stretches[:first], *tails[i])) for i in order]


def improved(situation: Situation, chain: Chain, rounds: int, reach: int) -> Chain:
    """A chain after rounds in which each stretch in turn takes the best of its neighbours."""
    last_change: dict[int, int] = {}
    for turn, number in enumerate(itertools.islice(itertools.cycle(range(len(chain.stretches))), rounds * 8)):
        if turn - max(last_change.values(), default=0) > len(chain.stretches):
            break
        gain_s, stretches = ranked(situation, chain, number, reach)[0]
        if gain_s > LEAST_GAIN_S:
            chain = ride_chain(situation, stretches)
            last_change[number] = turn
    return chain
