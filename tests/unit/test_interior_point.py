"""What the interior point method does when it is to stop; its answers are examined in tests/models."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csc_array

from ttt_opt.interior_point import solve_by_interior_point
from ttt_opt.solver import LinearModel


def three_at_least_one() -> LinearModel:
    """The least sum of three columns of which each is at least 1: it is 3."""
    n = 3
    return LinearModel(
        cost=np.ones(n),
        offset=0.0,
        matrix=csc_array(np.eye(n)),
        row_lower=np.ones(n),
        row_upper=np.full(n, np.inf),
        lower=np.zeros(n),
        upper=np.full(n, 10.0),
        integer=np.zeros(n, dtype=bool),
    )


def test_nobody_wants_it_to_stop() -> None:
    outcome = solve_by_interior_point(three_at_least_one(), interrupted=lambda: False)
    assert outcome.stopped_because == "optimal"
    assert outcome.objective == pytest.approx(3.0)


def test_it_stops_without_a_solution_when_it_is_asked_to() -> None:
    outcome = solve_by_interior_point(three_at_least_one(), interrupted=lambda: True)
    assert (outcome.stopped_because, outcome.values) == ("interrupted", None)
    assert outcome.bound <= 3.0


def test_ctrl_c_between_two_iterations_is_not_lost(capfd: pytest.CaptureFixture[str]) -> None:
    """The solver itself would print a traceback and go on."""

    def pressed() -> bool:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        solve_by_interior_point(three_at_least_one(), interrupted=pressed)
    assert capfd.readouterr().err == ""
