"""The rotation model against every plan of tiny races, ridden one by one by ``tiny_rotations.py``."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tiny_rotations import (
    INFINITY,
    TinyPull,
    TinyRider,
    TinyRotation,
    all_plans,
    best_mixed_time_s,
    best_ridden,
    boundary_squares,
    fitted_rotation,
    make_rotation,
    optimum_s,
    random_rotation,
    ridden_time_s,
    rises,
    square_limits,
)

from ttt_models.rotation import SPARE_S_PER_KJ, rotating_lines

TOLERANCE_S = 2e-4
"""HiGHS keeps rows to 1e-7 (here kJ and shares of segments); times are some 100 s."""

RANDOM = {f"random {seed}": random_rotation(seed) for seed in range(12)}
FITTED = {f"fitted {seed}": tiny for seed in range(12) if (tiny := fitted_rotation(seed)).nobody_leaves}

STRONG = TinyRider(cp_w=390.0, spare_j=6300.0, mass_kg=82.0, cda_m2=0.25)
MIDDLE = TinyRider(cp_w=330.0, spare_j=6000.0, mass_kg=76.0, cda_m2=0.24)
WEAK = TinyRider(cp_w=270.0, spare_j=5200.0, mass_kg=68.0, cda_m2=0.23)
LENGTHS = (150.0, 210.0, 190.0, 220.0)
GRID = (9.0, 13.0, 17.0)


def four_segments(**changes: Any) -> TinyRotation:
    return make_rotation((STRONG, MIDDLE, WEAK), LENGTHS, speed_mps=GRID, **changes)


LIMITS: dict[str, dict[str, Any]] = {
    "longest pull": {"longest_s": 25.0},
    "shortest pull": {"shortest_s": 55.0},
    "surge of power": {"surge_w": 40.0},
    "surge of speed": {"surge_mps": 0.0},
    "drop of power": {"drop_w": 30.0},
    "a bend": {"bends": (3,)},
    "no changes late": {"no_change_at": (2, 3)},
    "power on a wheel": {"on_wheel_share": 0.8},
    "swing-off costs work": {"swing_off_j": 2500.0},
    "swing-off uses W' beyond the mean power": {"changeover_use_j": 1000.0},
    "hard swing-off uses W' beyond the mean power": {"changeover_use_j": 1000.0},
    "every changeover costs work": {"changeover_j": 1200.0},
    "changeovers cost time": {"changeover_s": 1.5},
    "slow recovery": {"recovery": 0.05},
    "one must sit on": {"sitters": (0,)},
    "the start order is given": {"start_lines": (1,)},
}
BESIDES: dict[str, dict[str, Any]] = {
    "drop of power": {"no_change_at": (1, 3)},
    "swing-off uses W' beyond the mean power": {"longest_s": 25.0, "recovery": 0.3},
    "hard swing-off uses W' beyond the mean power": {"longest_s": 25.0, "recovery": 0.3, "swing_off_j": 2500.0},
}
"""Races in which a limit binds that would not in the free one."""
FREE: dict[str, Any] = {
    "changeover_j": 0.0,
    "swing_off_j": 0.0,
    "changeover_s": 0.0,
    "recovery": 1.0,
}


def assert_oracle_agrees(tiny: TinyRotation) -> tuple[float, float]:
    """Model and oracle agree, with and without mixes of speeds; their optima (s) with and without."""
    ridden, _ = best_ridden(tiny)
    unmixed = optimum_s(tiny, one_speed_per_segment=True)
    mixed = optimum_s(tiny)
    assert mixed <= ridden + TOLERANCE_S
    if tiny.data.bend.any():  # the oracle leaves every bend at its mean speed, the model may leave it more slowly
        assert mixed - TOLERANCE_S <= unmixed <= ridden + TOLERANCE_S
    else:
        assert unmixed == pytest.approx(ridden, abs=TOLERANCE_S)
    one_by_one = min(best_mixed_time_s(tiny, plan) for plan in all_plans(tiny))
    assert mixed == pytest.approx(one_by_one, abs=TOLERANCE_S)
    return mixed, unmixed


def test_enough_fitted_races_are_tried() -> None:
    assert len(FITTED) >= 4


@pytest.mark.parametrize("name", RANDOM | FITTED)
def test_random_race_has_the_optimum_that_trying_everything_finds(name: str) -> None:
    mixed, unmixed = assert_oracle_agrees((RANDOM | FITTED)[name])
    assert np.isfinite(mixed)
    assert mixed <= unmixed + TOLERANCE_S


def some_pull_breaks(tiny: TinyRotation, bound: str) -> bool:
    """Whether there are more pulls without this bound."""
    none = 1e-6 if bound == "per_longest" else 1e6
    free = tiny.changed(**{bound: np.full_like(tiny.data.per_longest, none)})
    return len(free.data.arcs) > len(tiny.data.arcs)


def test_random_races_cover_what_the_model_can_express() -> None:
    tinies = list(RANDOM.values())
    assert any(tiny.sitters for tiny in tinies)
    assert any(tiny.counting < tiny.data.n_riders for tiny in tinies)
    assert any(len(tiny.data.start_lines) == 1 for tiny in tinies)
    assert any(some_pull_breaks(tiny, "per_longest") for tiny in tinies)
    assert any(some_pull_breaks(tiny, "per_shortest") for tiny in tinies)
    assert any(not tiny.data.change_allowed.all() for tiny in tinies)
    assert any((tiny.data.road_work_j < 0.0).any() for tiny in tinies)
    assert any(tiny.data.bend.any() for tiny in tinies)
    assert any(np.isfinite(tiny.data.drop_w).any() for tiny in tinies)
    assert all((tiny.data.changeover_use_j > 0.0).all() for tiny in tinies)
    assert sum(np.isfinite(best_ridden(tiny)[0]) for tiny in tinies) > len(tinies) / 2
    assert {tiny.data.n_riders for tiny in tinies} == {2, 3}
    assert {tiny.data.n_segments for tiny in tinies} == {3, 4, 5}


@pytest.fixture(scope="module")
def free_s() -> float:
    """Optimum of the race in which no limit binds and changeovers cost nothing (s)."""
    return optimum_s(four_segments(**FREE))


@pytest.mark.parametrize("limit", LIMITS)
def test_limit_binds_and_the_oracle_agrees(limit: str, free_s: float) -> None:
    without_s = optimum_s(four_segments(**FREE | BESIDES[limit])) if limit in BESIDES else free_s
    mixed, _ = assert_oracle_agrees(four_segments(**FREE | BESIDES.get(limit, {}) | LIMITS[limit]))
    assert mixed > without_s + 10.0 * TOLERANCE_S


def test_weak_rider_who_may_leave_does_and_the_oracle_agrees() -> None:
    riders = (STRONG, MIDDLE, TinyRider(cp_w=210.0, spare_j=6500.0))
    grid = (9.0, 12.0, 14.5)
    together = make_rotation(riders, LENGTHS, speed_mps=grid)
    two_count = make_rotation(riders, LENGTHS, speed_mps=grid, counting=2)
    mixed, _ = assert_oracle_agrees(two_count)
    assert mixed < optimum_s(together) - 0.1
    _, plan = best_ridden(two_count)
    assert plan is not None
    assert plan[-1].line in ((0, 1), (1, 0))


def test_weak_rider_who_may_sit_on_does_and_the_oracle_agrees() -> None:
    riders = (STRONG, MIDDLE, TinyRider(cp_w=210.0, spare_j=6500.0))
    rigid: dict[str, Any] = {"speed_mps": (9.0, 12.0, 14.5), "longest_s": 25.0, "shortest_s": 5.0, "start_lines": (2,)}
    throughout_s = optimum_s(make_rotation(riders, LENGTHS, **rigid))
    may_sit_on = make_rotation(riders, LENGTHS, may_sit_on=(2,), **rigid)
    mixed, _ = assert_oracle_agrees(may_sit_on)
    assert mixed < throughout_s - 0.1
    best = min(all_plans(may_sit_on), key=lambda plan: best_mixed_time_s(may_sit_on, plan))
    assert best[-1].stopped == {2}
    assert all(pull.line[0] != 2 for pull in best[1:])


@pytest.mark.parametrize("seed", range(6))
def test_random_races_in_which_riders_may_sit_on_or_leave(seed: int) -> None:
    draw = np.random.default_rng(seed)
    riders = [replace(rider, cp_w=float(draw.uniform(230.0, 390.0))) for rider in (STRONG, MIDDLE, WEAK)]
    tiny = make_rotation(
        riders,
        LENGTHS,
        speed_mps=GRID,
        counting=int(draw.integers(2, 4)),
        may_sit_on=tuple(i for i in range(3) if draw.random() < 0.6),
        longest_s=float(draw.uniform(27.0, 60.0)),
        recovery=draw.uniform(0.1, 1.0, (4, 3)),
    )
    mixed, _ = assert_oracle_agrees(tiny)
    assert np.isfinite(mixed)


def test_lines_of_riders_who_may_sit_on() -> None:
    """By hand: 2 stops after his pull and keeps the wheel behind 1; then 0 and 1 take turns in front of him."""
    rotating = rotating_lines((0, 1, 2), may_sit_on=(2,))
    state = dict(enumerate(zip(rotating.lines, rotating.n_sitting, strict=True)))
    follows = {state[q]: {state[r] for r in row} for q, row in enumerate(rotating.successors)}
    assert follows == {
        ((0, 1, 2), 0): {((1, 2, 0), 0)},
        ((1, 2, 0), 0): {((2, 0, 1), 0)},
        ((2, 0, 1), 0): {((0, 1, 2), 0), ((0, 1, 2), 1)},
        ((0, 1, 2), 1): {((1, 0, 2), 1)},
        ((1, 0, 2), 1): {((0, 1, 2), 1)},
    }
    everybody = rotating_lines((0, 1, 2), may_sit_on=(0, 1, 2))
    assert max(everybody.n_sitting) == 1  # two go on
    assert rotating.of_the_full_team == (0, 1, 2, 3, 4)
    assert rotating_lines((0, 1, 2), (), 2).of_the_full_team == (0, 1, 2)


def test_rider_who_would_hold_up_the_line_sits_on_from_the_start() -> None:
    riders = (STRONG, MIDDLE, TinyRider(cp_w=210.0, spare_j=5200.0))
    tiny = make_rotation(riders, LENGTHS, may_sit_on=(2,), speed_mps=(9.0, 12.0, 14.5), longest_s=25.0)
    assert_oracle_agrees(tiny)
    best = min(all_plans(tiny), key=lambda plan: best_mixed_time_s(tiny, plan))
    assert {pull.line[0] for pull in best} == {0, 1}
    assert best[0].stopped == {2}


def test_nobody_can_ride_with_too_little_w_prime() -> None:
    tiny = four_segments()
    empty = tiny.changed(w_prime_j=tiny.data.reserve_j + 100.0, cp_w=0.25 * tiny.data.cp_w)
    assert best_ridden(empty) == (INFINITY, None)
    assert optimum_s(empty) == INFINITY


def test_unlike_bounds_on_pulls_of_riders_and_terrain(free_s: float) -> None:
    tiny = four_segments(**FREE)
    longest_s = np.array([[16.0, 60.0, 30.0], [16.0, 60.0, 30.0], [40.0, 60.0, 20.0], [40.0, 60.0, 20.0]])
    shortest_s = np.array([[5.0, 35.0, 5.0], [5.0, 35.0, 5.0], [5.0, 18.0, 30.0], [5.0, 18.0, 30.0]])
    bounded = tiny.changed(per_longest=1.0 / longest_s, per_shortest=1.0 / shortest_s)
    mixed, _ = assert_oracle_agrees(bounded)
    assert mixed > free_s + 0.01


def test_unlike_changeovers_and_limits_along_the_road() -> None:
    tiny = four_segments(surge_w=60.0, surge_mps=1.0)
    data = tiny.data
    uneven = tiny.changed(
        changeover_j=data.changeover_j * np.array([0.0, 0.2, 4.0, 1.0])[:, None, None],
        changeover_use_j=np.outer([900.0, 50.0, 700.0, 200.0], [1.0, 0.2, 0.6]),
        changeover_s=np.array([9.0, 0.9, 0.1, 0.4]),
        surge_w=np.array([0.0, INFINITY, 30.0, 80.0]),
        surge_mps=np.array([0.0, 2.0, INFINITY, 0.5]),
        drop_w=np.array([0.0, INFINITY, 60.0, 30.0]),
        change_allowed=np.array([True, True, False, True]),
        on_wheel_w=0.85 * data.cp_w,
        on_wheel_applies=np.array([False, False, True, False]),
    )
    assert_oracle_agrees(uneven)


def test_pull_that_no_speed_makes_long_enough_lasts_to_the_finish() -> None:
    tiny = four_segments(shortest_s=1e4)
    assert {arc.end for arc in tiny.data.arcs} == {4}
    assert [[pull.end for pull in plan] for plan in all_plans(tiny)] == [[4], [4], [4]]
    assert_oracle_agrees(tiny)


def test_rider_whom_nobody_can_relieve_pulls_to_the_finish_however_long_that_is() -> None:
    riders = (STRONG, TinyRider(cp_w=150.0, spare_j=5000.0))
    tiny = make_rotation(riders, LENGTHS, speed_mps=(9.0, 12.0, 14.5), counting=1, longest_s=25.0)
    mixed, _ = assert_oracle_agrees(tiny)
    last = min(all_plans(tiny), key=lambda plan: best_mixed_time_s(tiny, plan))[-1]
    assert last == TinyPull((0,), 1, 4)
    assert mixed < INFINITY
    assert sum(tiny.data.time_s[1:].min(axis=1)) > 25.0


def test_kept_pulls_are_possible_whatever_their_duration() -> None:
    tiny = four_segments(longest_s=25.0)
    too_long = ((0, 3, 0), (3, 4, 1))
    kept = tiny.changed(kept_pulls=too_long, start_lines=(0,))
    assert len(kept.data.arcs) == len(tiny.data.arcs) + 1  # the second exists anyway
    plan = (TinyPull((0, 1, 2), 0, 3), TinyPull((1, 2, 0), 3, 4))
    assert plan in all_plans(kept)
    assert plan not in all_plans(tiny)
    mixed, _ = assert_oracle_agrees(kept)
    assert mixed < optimum_s(tiny) - 0.1


def test_one_rider_who_pulls_for_all_makes_one_pull() -> None:
    tiny = four_segments(sitters=(1, 2), longest_s=20.0, changeover_s=5.0)
    assert [(arc.first, arc.end) for arc in tiny.data.arcs if arc.first == 0] == [(0, 4)]
    assert list(all_plans(tiny)) == [(TinyPull((0, 1, 2), 0, 4),)]
    mixed, _ = assert_oracle_agrees(tiny)
    assert mixed == pytest.approx(optimum_s(four_segments(sitters=(1, 2))), abs=TOLERANCE_S)


def test_oracle_knows_that_speed_squared_is_linear_between_boundaries() -> None:
    """The oracle itself, by hand: mean squares 50, 125, 110, 60 (a bend), 80 with 0 at the start."""
    tiny = make_rotation((STRONG,), (100.0,) * 5, speed_mps=(8.0, 13.0), bends=(3,))
    square = [50.0, 125.0, 110.0, 60.0, 80.0]
    at_start, at_end = boundary_squares(tiny.data, square)
    assert at_start == [0.0, 100.0, 150.0, 70.0, 60.0]  # 10 m/s are braked off at the bend
    assert at_end == [100.0, 150.0, 70.0, 60.0, 100.0]

    def possible(square: list[float]) -> bool:
        limits = square_limits(tiny.data, square, *boundary_squares(tiny.data, square))
        return all(value <= limit for value, limit in limits)

    assert possible(square)
    assert not possible([50.0, 125.0, 110.0, 75.0, 80.0])  # comes to the bend with 70
    out_of_bend = [0.0, 0.0, 0.0, 56.0, 0.0]
    at_start, at_end = boundary_squares(tiny.data, square, out_of_bend)
    assert (at_start[3:], at_end[3:]) == ([70.0, 56.0], [56.0, 104.0])
    assert rises(tiny.data, square, at_start, at_end)[3] == 56.0 - 64.0  # braked from 70 to 64, then slower by itself
    assert not possible([50.0, 40.0, 110.0, 60.0, 80.0])  # 100 and -20 are 40 in the mean
    assert not possible([50.0, 140.0, 110.0, 20.0, 80.0])  # 180 is faster than 13 m/s


def test_oracle_knows_braking_recovery_and_leaving() -> None:
    """The oracle itself, on figures worked out by hand."""
    rider = TinyRider(mass_kg=80.0, cp_w=300.0, spare_j=1000.0, peak_w=2000.0)
    tiny = make_rotation(
        (rider, rider),
        (100.0, 100.0),
        speed_mps=(10.0,),
        counting=1,
        kinetic=False,
        flying_start=True,
        recovery=0.5,
        changeover_j=0.0,
        swing_off_j=100.0,
        changeover_s=2.0,
    )
    work = np.zeros((2, len(tiny.data.lines), 1, 2))
    work[0, tiny.data.lines.index((0, 1)), 0] = 3900.0, 2500.0
    work[1, tiny.data.lines.index((1, 0)), 0] = 3700.0, 3500.0
    work[1, tiny.data.lines.index((1,)), 0] = 0.0, 4700.0
    exact = tiny.changed(road_work_j=work, start_lines=(tiny.data.lines.index((0, 1)),))
    stays = (TinyPull((0, 1), 0, 1), TinyPull((1, 0), 1, 2))
    leaves = (TinyPull((0, 1), 0, 1), TinyPull((1,), 1, 2))
    # Rider 0: 1000 - 900 = 100 J left, then 3700 + 100 - 12 s 300 W = 200 J needed: 100 J short.
    assert ridden_time_s(exact, stays, (0, 0)) == INFINITY
    # Alone, rider 1 needs 4700 - 3600 = 1100 J and has 1000: recovering while full adds nothing.
    assert ridden_time_s(exact, leaves, (0, 0)) == INFINITY
    easier = exact.changed(road_work_j=work - np.array([0.0, 100.0]))
    # Rider 0 keeps 100 J, worth SPARE_S_PER_KJ each kJ.
    assert ridden_time_s(easier, leaves, (0, 0)) == pytest.approx(22.0 - 0.1 * SPARE_S_PER_KJ)
    # With 100 J less each, rider 0 has 1000 - 800 - (3600 + 100 - 3600) = 100 J left where he stays, rider 1 is full.
    less = exact.changed(road_work_j=work - 100.0)
    assert ridden_time_s(less, stays, (0, 0)) == pytest.approx(22.0 - 1.1 * SPARE_S_PER_KJ)
    # Swinging off takes 60 J beyond the mean power of him alone, and of nobody where he leaves; 101 J are too much.
    swings_off = np.zeros_like(less.data.changeover_use_j)
    swings_off[1, tiny.data.lines.index((0, 1))] = 60.0
    beyond = less.changed(changeover_use_j=swings_off)
    assert ridden_time_s(beyond, stays, (0, 0)) == pytest.approx(22.0 - 1.04 * SPARE_S_PER_KJ)
    assert ridden_time_s(beyond, leaves, (0, 0)) == ridden_time_s(less, leaves, (0, 0)) < INFINITY
    assert ridden_time_s(less.changed(changeover_use_j=swings_off * 101.0 / 60.0), stays, (0, 0)) == INFINITY
    assert set(all_plans(exact)) == {stays, leaves, (TinyPull((0, 1), 0, 2),)}
