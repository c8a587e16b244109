"""The outside judge: the simulator of nevergrad, and our search on it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from track_judge import LEAST_W, MOST_W, Judge, judged, regular, search_by_library, search_ours

pytest.importorskip("nevergrad", reason="the extra bench")
pytestmark = pytest.mark.filterwarnings("ignore::Warning:nevergrad.*", "ignore::Warning:bayes_opt.*")


@pytest.mark.parametrize(
    ("race", "power_w", "changes", "time_s"),
    [
        ("men", 550.0, "never", 282.80),  # published with the library as its own test value
        ("men", 550.0, "every second", 268.10),  # an independent re-implementation
        ("men", 550.0, "always", 269.80),  # "
        ("women", 400.0, "every second", 219.72),  # "
        ("women", 400.0, "always", 227.44),  # "
    ],
)
def test_judge_says_what_is_known_of_simple_plans(race: str, power_w: float, changes: str, time_s: float) -> None:
    judge = Judge(race, 1)
    n_changes = judge.n_half_laps - 1
    pattern = {
        "never": np.zeros(n_changes, dtype=np.bool_),
        "every second": np.arange(n_changes) % 2 == 0,
        "always": np.ones(n_changes, dtype=np.bool_),
    }[changes]
    assert judge.ask(pattern, np.full(judge.n_half_laps, power_w)).time_s == pytest.approx(time_s, abs=0.005)


def test_regular_pattern() -> None:
    assert np.flatnonzero(regular(10, 2, 3)).tolist() == [1, 4, 7]


def test_our_search_uses_its_budget_keeps_the_bounds_and_repeats_itself() -> None:
    first, second = judged("women", "ours", 200, 3), judged("women", "ours", 200, 3)
    assert (first.time_s, first.power_w, first.changes) == (second.time_s, second.power_w, second.changes)
    assert min(first.power_w) >= LEAST_W and max(first.power_w) <= MOST_W
    judge = Judge("women", 2)
    assert judge.ask(np.array(first.changes), np.array(first.power_w)).time_s == first.time_s
    assert first.time_s < 219.72  # the best simple plan above


def test_both_ways_ask_exactly_as_often_as_they_may() -> None:
    ways: tuple[Callable[[Judge], None], ...] = (
        lambda judge: search_ours(judge, 0),
        lambda judge: search_by_library(judge, "DiscreteOnePlusOne", 0),
    )
    for search in ways:
        judge = Judge("women", 160)
        search(judge)
        assert judge.n_asked == 160
        assert judge.best is not None
