"""Constants of the rotation model that a closed form or a limit settles."""

from __future__ import annotations

import numpy as np
import pytest
from ride_examples import make_course, make_race, make_team

from ttt_opt.race import Limits, Race
from ttt_opt.rotation_problem import (
    FINE_GRID,
    NARROW_GRID,
    WIDE_GRID,
    Road,
    reference_speed,
    road_of,
    segments_of,
    speed_grid,
)


def steep_road(top_speed_kmh: float) -> tuple[Road, Race]:
    """One kilometre of 9 % down between two of level road each."""
    x = np.linspace(0.0, 5_000.0, 501)
    course = make_course(5_000.0, 100.0 - 0.09 * np.clip(x - 2_000.0, 0.0, 1_000.0))
    race = make_race(make_team(), limits=Limits(top_speed_kmh=top_speed_kmh))
    return road_of(segments_of(course, race), race, 100.0), race


@pytest.mark.parametrize("top_speed_kmh", [40.0, 70.0])
def test_reference_speed_and_grid_keep_the_top_speed(top_speed_kmh: float) -> None:
    free, without = steep_road(110.0)
    assert 3.6 * reference_speed(free, without, 1.0).max() > 75.0
    road, race = steep_road(top_speed_kmh)
    reference = reference_speed(road, race, 1.0)
    assert 3.6 * reference.max() == pytest.approx(top_speed_kmh)
    for steps in (WIDE_GRID, NARROW_GRID, FINE_GRID):
        grid = speed_grid(road, race.limits, reference, steps)
        assert 3.6 * grid.max() == pytest.approx(top_speed_kmh)
        assert (np.diff(grid, axis=1) > 0.0).all()
        assert (grid[:, 0] < reference).all()
        assert (reference <= grid[:, -1] + 1e-9).all()


def test_top_speed_that_nobody_reaches_changes_nothing() -> None:
    road, race = steep_road(110.0)
    higher, other = steep_road(150.0)
    np.testing.assert_array_equal(road.segments.boundary_m, higher.segments.boundary_m)
    np.testing.assert_array_equal(reference_speed(road, race, 1.0), reference_speed(higher, other, 1.0))
