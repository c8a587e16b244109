"""What two searches of one team come to together."""

from __future__ import annotations

from typing import Any

import pytest

from ttt_opt.lineups import _both


def plan(time_s: float, bound_s: float | None, passed: bool = True) -> dict[str, Any]:
    gap = None if bound_s is None else (time_s - bound_s) / time_s
    return {
        "state": "planned", "finish_time_s": time_s, "best_possible_s": bound_s, "gap": gap, "passed": passed
    }  # fmt: skip


@pytest.mark.parametrize(
    ("first", "again", "time_s", "bound_s"),
    [
        (plan(100.0, 98.0), plan(100.0, 99.0), 100.0, 99.0),
        (plan(100.0, 98.0), plan(101.0, 99.0), 100.0, 99.0),
        (plan(101.0, 99.0), plan(100.0, 98.0), 100.0, 99.0),
        (plan(101.0, 100.5), plan(100.0, 98.0), 100.0, 98.0),  # a bound above the plan is that of other constants
        (plan(100.0, None), plan(101.0, 99.0), 100.0, 99.0),
        (plan(100.0, None), plan(101.0, None), 100.0, None),
        (plan(100.0, 98.0, passed=False), plan(101.0, 97.0), 101.0, 98.0),
        (None, plan(101.0, 97.0), 101.0, 97.0),
    ],
)
def test_the_faster_plan_and_the_higher_bound(
    first: dict[str, Any] | None, again: dict[str, Any], time_s: float, bound_s: float | None
) -> None:
    both = _both(first, again)
    assert (both["finish_time_s"], both["best_possible_s"]) == (time_s, bound_s)
    assert both["gap"] == (None if bound_s is None else pytest.approx((time_s - bound_s) / time_s))


def test_a_search_without_a_plan_changes_nothing() -> None:
    none = {"state": "no plan", "why": "too steep"}
    assert _both(plan(100.0, 98.0), none) == plan(100.0, 98.0)
    assert _both(none, none) == none
