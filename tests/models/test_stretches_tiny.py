"""The stretch model against every chain of tiny races, tried one by one."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from ttt_models.stretches import SPARE_S_PER_KJ, StretchData, build_stretches
from ttt_opt.solver import compile_model, solve

N_RIDERS = 2


def tiny_data(seed: int) -> StretchData:
    """Columns between four places, two leaders; random times, W' and efforts."""
    random = np.random.default_rng(seed)
    arcs = [
        (begin, end, first, following)
        for begin, end in itertools.combinations(range(4), 2)
        for first in range(2)
        for following in range(2)
        for _ in range(2)
    ]
    begin, end, first, following = np.array(arcs).T
    n = len(arcs)
    limits = np.array([np.inf, 30.0, 15.0, np.inf])
    return StretchData(
        begin=begin,
        end=end,
        first=first,
        following=following,
        time_s=100.0 * (end - begin) + random.normal(0.0, 8.0, n),
        spent_j=random.uniform(0.0, 9000.0, (n, N_RIDERS)),
        kept=random.uniform(0.1, 0.9, (n, N_RIDERS)),
        room_j=random.uniform(0.0, 9000.0, (n, N_RIDERS)),
        effort_in_w=random.normal(350.0, 15.0, n),
        effort_out_w=random.normal(350.0, 15.0, n),
        rise_w=limits,
        fall_w=limits[::-1].copy(),
        n_places=4,
        start_leaders=(0,),
        most_stretches=2,
    )


def chains(data: StretchData, at: int = 0) -> list[list[int]]:
    """All chains of columns from a place to the finish, whatever they break."""
    if at == data.n_places - 1:
        return [[]]
    return [
        [c, *rest] for c in np.flatnonzero(data.begin == at).tolist() for rest in chains(data, int(data.end[c]))
    ]


def worth(data: StretchData, chain: list[int]) -> float:
    """Objective of a chain, ``inf`` where it breaks a rule; written without the model."""
    if len(chain) > data.most_stretches or data.first[chain[0]] not in data.start_leaders:
        return math.inf
    spent = np.zeros(N_RIDERS)
    for number, c in enumerate(chain):
        if number:
            before = chain[number - 1]
            change_w = data.effort_in_w[c] - data.effort_out_w[before]
            place = data.begin[c]
            if data.following[before] != data.first[c]:
                return math.inf
            if change_w > data.rise_w[place] or -change_w > data.fall_w[place]:
                return math.inf
            if (spent > data.room_j[c]).any():
                return math.inf
        spent = data.spent_j[c] + data.kept[c] * spent
    return float(data.time_s[chain].sum()) + SPARE_S_PER_KJ * float(spent.sum()) / 1000.0


@pytest.mark.parametrize("seed", range(12))
def test_best_of_all_chains(seed: int) -> None:
    data = tiny_data(seed)
    best = min(worth(data, chain) for chain in chains(data))
    model, names = compile_model(lambda: build_stretches(data))
    outcome = solve(model, gap=1e-9)
    assert outcome.objective == pytest.approx(best, abs=1e-6)
    if outcome.values is not None:
        ridden = [index for (name, index), x in zip(names, outcome.values, strict=True) if name == "ride" and x > 0.5]
        assert worth(data, sorted(ridden, key=lambda c: data.begin[c])) == pytest.approx(best, abs=1e-6)


def test_some_tiny_races_have_a_plan_and_limits_bind() -> None:
    """Else the test above would compare nothing: limits cost time in some races and none is all impossible."""
    free = [replace(tiny_data(seed), room_j=np.full_like(tiny_data(seed).room_j, 1e6)) for seed in range(12)]
    with_limits = [min(worth(d, c) for c in chains(d)) for d in map(tiny_data, range(12))]
    without = [min(worth(d, c) for c in chains(d)) for d in free]
    assert any(math.isfinite(value) for value in with_limits)
    assert any(a > b + 1.0 for a, b in zip(with_limits, without, strict=True))


def test_stretches_that_lead_nowhere_are_refused() -> None:
    data = tiny_data(0)
    with pytest.raises(ValueError, match="later one"):
        replace(data, end=data.begin)
    with pytest.raises(ValueError, match="shares"):
        replace(data, kept=data.kept + 1.0)
    with pytest.raises(ValueError, match="most_stretches"):
        replace(data, most_stretches=0)
