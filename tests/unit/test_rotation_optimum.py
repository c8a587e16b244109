"""What the search says of its bounds: one that its own plan refutes, and one proven alongside."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import numpy as np
import pytest
from ride_examples import make_course, make_race

from ttt_opt import rotation_optimum
from ttt_opt.plan import ride_and_check
from ttt_opt.pull_bound import PullBound
from ttt_opt.race import Race
from ttt_opt.rotation_optimum import optimise
from ttt_opt.rotation_problem import Road, road_of, segments_of
from ttt_opt.search_control import Settings
from ttt_opt.team import Rider, Team

TEAM = Team("Example", (Rider("Arne", 80.0, 360.0, 22_000.0, 0.25), Rider("Bela", 68.0, 330.0, 18_000.0, 0.23)))


def test_a_refuted_bound_gives_way_to_the_last_one_that_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the sharp bound held for constants that the plan has left: the relaxation's bound is told instead."""
    race = make_race(TEAM)
    course = make_course(2_000.0, np.zeros(201))
    road = road_of(segments_of(course, race), race, 0.0)
    plain: list[float] = []

    def too_sharp(
        _road: Road, _race: Race, bounds: dict[tuple[int, ...], float], *_others: object
    ) -> dict[tuple[int, ...], PullBound]:
        plain.append(min(bounds.values()))
        bounds.update(dict.fromkeys(bounds, 1e6))
        return {}

    monkeypatch.setattr(rotation_optimum, "_sharpened", too_sharp)
    ride = partial(ride_and_check, race, course, road)
    optimum = optimise(road, race, ride, Settings(time_limit_s=60.0, gap=0.0))
    assert len(plain) > 1
    assert math.isfinite(optimum.best_possible_s)
    assert optimum.best_possible_s == plain[-1] <= optimum.finish_time_s


def test_a_bound_sharpened_alongside_is_the_same_on_any_number_of_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """On one core it is proven when it is asked for; either way the search ends with the same plan and bound."""
    race = make_race(TEAM)
    course = make_course(2_000.0, np.zeros(201))
    road = road_of(segments_of(course, race), race, 0.0)
    ride = partial(ride_and_check, race, course, road)
    asked: list[float] = []
    prove = rotation_optimum.pull_bound

    def counted(*args: Any) -> PullBound:
        found = prove(*args)
        asked.append(found.bound_s)
        return found

    monkeypatch.setattr(rotation_optimum, "pull_bound", counted)
    monkeypatch.setattr(rotation_optimum, "BOUNDING_ROUNDS", rotation_optimum.ROUNDS_ALONGSIDE + 1)
    monkeypatch.setattr(rotation_optimum, "LONG_SHARPENING", 0)
    one, two = (optimise(road, race, ride, Settings(60.0, gap=0.0, processes=n)) for n in (1, 2))
    assert one.schedule.pulls == two.schedule.pulls
    assert (one.schedule.speed_mps == two.schedule.speed_mps).all()
    assert one.best_possible_s == two.best_possible_s
    assert one.best_possible_s in asked and one.best_possible_s <= one.finish_time_s
