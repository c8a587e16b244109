"""What must hold for every race, on random tiny ones that are solved to proven optimality."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tiny_rotations import (
    FloatArray,
    TinyRider,
    TinyRotation,
    compiled,
    make_rotation,
    optimum_s,
    random_rotation,
)

from ttt_models.rotation import build_rotation
from ttt_opt.rotation_paths import CompiledRotation, compile_rotation
from ttt_opt.rotation_problem import FINE_GRID
from ttt_opt.solver import solve

TOLERANCE_S = 5e-4
seeds = st.integers(1_000, 100_000)
few = settings(max_examples=10, derandomize=True, deadline=None)
"""Each example takes two proven optima, 0.1 s or so; always the same ones, so that a run is like another."""


def race_of(seed: int) -> TinyRotation:
    """A random race that has a pull to begin with."""
    tiny = random_rotation(seed)
    assume(any(arc.first == 0 for arc in tiny.data.arcs))
    return tiny


def no_slower(easier: TinyRotation, tiny: TinyRotation) -> bool:
    """Also where the tighter race has no plan."""
    return optimum_s(easier) <= optimum_s(tiny) + TOLERANCE_S


@few
@given(seed=seeds, rider=st.integers(0, 1), figure=st.sampled_from(["cp_w", "w_prime_j"]), factor=st.floats(1.0, 1.3))
def test_more_critical_power_or_w_prime_for_anyone_never_makes_the_team_slower(
    seed: int, rider: int, figure: str, factor: float
) -> None:
    tiny = race_of(seed)
    more = getattr(tiny.data, figure).copy()
    more[rider] *= factor
    assert no_slower(tiny.changed(**{figure: more}), tiny)


def loosened(tiny: TinyRotation, limit: str, by: float) -> TinyRotation:
    """The race with one limit less tight."""
    data = tiny.data
    changes: dict[str, Any] = {
        "surge of power": {"surge_w": data.surge_w * by},
        "drop of power": {"drop_w": data.drop_w * by},
        "surge of speed": {"surge_mps": data.surge_mps * by},
        "power on a wheel": {"on_wheel_w": data.on_wheel_w * by},
        "peak power": {"peak_w": data.peak_w * by},
        "reserve": {"reserve_j": data.reserve_j / by},
        "reserve within segments": {"dip_j": data.dip_j / by},
        "longest pull": {"per_longest": data.per_longest / by},
        "shortest pull": {"per_shortest": data.per_shortest * by},
        "changes at all places": {"change_allowed": np.ones_like(data.change_allowed)},
        "recovery": {"recovery_share": np.minimum(data.recovery_share * by, 1.0)},
        "work of changeovers": {"changeover_j": data.changeover_j / by},
    }
    return tiny.changed(**changes[limit])


LIMITS = (
    "surge of power",
    "drop of power",
    "surge of speed",
    "power on a wheel",
    "peak power",
    "reserve",
    "reserve within segments",
    "longest pull",
    "shortest pull",
    "changes at all places",
    "recovery",
    "work of changeovers",
)


@pytest.mark.parametrize("limit", LIMITS)
@settings(max_examples=4, derandomize=True, deadline=None)
@given(seed=seeds, by=st.floats(1.0, 1.5))
def test_looser_limit_never_makes_the_team_slower(limit: str, seed: int, by: float) -> None:
    tiny = race_of(seed)
    assert no_slower(loosened(tiny, limit, by), tiny)


RIDERS = (
    TinyRider(mass_kg=84.0, cda_m2=0.25, cp_w=370.0, spare_j=6000.0),
    TinyRider(mass_kg=75.0, cda_m2=0.24, cp_w=330.0, spare_j=6500.0),
    TinyRider(mass_kg=68.0, cda_m2=0.22, cp_w=285.0, spare_j=5000.0),
)


def a_race(riders: tuple[TinyRider, ...], order: tuple[int, ...], seed: int, n_segments: int = 5) -> TinyRotation:
    """A race that is a pure function of the people in their order."""
    draw = np.random.default_rng(seed)
    return make_rotation(
        riders,
        draw.uniform(150.0, 250.0, n_segments),
        order=order,
        grade=draw.uniform(-0.02, 0.02, n_segments),
        speed_mps=(9.5, 11.5, 13.5),
        on_wheel_share=1.2,
        surge_w=float(draw.choice([80.0, 300.0])),
        longest_s=60.0,
    )


@few
@given(seed=seeds, place=st.permutations(range(3)))
def test_renaming_riders_changes_nothing(seed: int, place: list[int]) -> None:
    """Rider i becomes rider ``place[i]``; the people and their order stay."""
    riders = tuple(RIDERS[place.index(j)] for j in range(3))
    there = optimum_s(a_race(RIDERS, (0, 1, 2), seed))
    assert optimum_s(a_race(riders, tuple(place), seed)) == pytest.approx(there, abs=TOLERANCE_S)


@few
@given(seed=seeds, order=st.permutations(range(3)), rider=st.sampled_from(RIDERS))
def test_equal_riders_are_interchangeable(seed: int, order: list[int], rider: TinyRider) -> None:
    """Also where the third is unlike the two who change places."""
    equal = (rider,) * 3
    there = optimum_s(a_race(equal, (0, 1, 2), seed, 4))
    assert optimum_s(a_race(equal, tuple(order), seed, 4)) == pytest.approx(there, abs=TOLERANCE_S)
    twins = (rider, rider, replace(rider, cp_w=0.9 * rider.cp_w))
    first, second = (optimum_s(a_race(twins, line, seed, 4)) for line in ((0, 1, 2), (1, 0, 2)))
    assert first == pytest.approx(second, abs=TOLERANCE_S)


@few
@given(seed=seeds)
def test_w_prime_in_the_model_is_never_above_capacity_or_below_reserve(seed: int) -> None:
    """W' above the reserve is a variable; it is bounded by what a fresh rider has above it, at every boundary."""
    tiny = race_of(seed)
    matrix: CompiledRotation = compile_rotation(tiny.data)
    outcome = solve(matrix.model, gap=1e-6)
    if outcome.values is None:
        assert outcome.stopped_because == "infeasible"
        return
    full_kj = (tiny.data.w_prime_j - tiny.data.reserve_j) / 1000.0
    spare = build_rotation(tiny.data).columns["spare"]
    assert spare.size >= tiny.data.n_segments
    for rider, spare_kj in zip(spare.index[:, 1], outcome.values[spare.numbers], strict=True):
        assert -1e-6 <= spare_kj <= full_kj[rider] + 1e-6


STATED_GRID_ERROR = 3e-4
"""As models/ttt_models/rotation.md says: more than eight speeds move the optimum by less than 0.03 %."""


@pytest.mark.parametrize("seed", range(3))
def test_refining_the_grid_of_speeds_moves_the_optimum_by_less_than_the_stated_error(seed: int) -> None:
    steps = np.array(FINE_GRID)
    refined = np.sort(np.concatenate([steps, (steps[1:] + steps[:-1]) / 2.0]))

    def relaxed_s(grid: FloatArray) -> float:
        profile = np.random.default_rng(seed)
        tiny = make_rotation(
            RIDERS,
            np.full(16, 180.0),
            grade=profile.uniform(-0.006, 0.006, 16),
            speed_mps=12.2 * grid,
            on_wheel_share=1.2,
            longest_s=60.0,
            shortest_s=20.0,
        ).changed(w_prime_j=np.full(3, 13_000.0))
        outcome = solve(compiled(tiny), relax=True)
        assert outcome.stopped_because == "optimal"
        return outcome.objective

    coarse_s, fine_s = relaxed_s(steps), relaxed_s(refined)
    assert fine_s <= coarse_s + TOLERANCE_S
    assert coarse_s - fine_s < STATED_GRID_ERROR * fine_s


# --- published facts of pacing, on the model -----------------------------------------------------------------


def test_one_ground_speed_where_only_the_mean_power_is_limited() -> None:
    """Bos et al. (quoted in the design's references): with a limit on mean power alone, one ground speed up any climb.

    So little critical power that nothing recovers leaves a budget of work, and time, only.
    """
    grade = (0.0, 0.01, 0.02, 0.03, 0.04, 0.03, 0.02, 0.035, 0.025, 0.03)
    rider = TinyRider(mass_kg=78.0, cda_m2=0.24, cp_w=150.0, spare_j=60_000.0, peak_w=5_000.0)
    speeds = np.linspace(6.0, 12.0, 13)
    tiny = make_rotation((rider,), (200.0,) * 10, grade=grade, speed_mps=speeds, kinetic=False, flying_start=True)
    # as little W' as makes one speed of the grid just possible: the work of that speed is what there is
    data = tiny.data
    at = 8
    need_j = float(data.road_work_j[:, 0, at, 0].sum() - data.cp_w[0] * data.time_s[:, at].sum())
    assert need_j > 0.0
    bound = tiny.changed(w_prime_j=np.array([1000.0 + need_j + 1.0]))
    best_s = optimum_s(bound)
    assert best_s == pytest.approx(float(data.time_s[:, at].sum()), rel=2e-4)


def test_time_first_falls_then_rises_with_the_length_of_pulls() -> None:
    """A loss for every change speaks for long pulls, W' that is spent in front and won back at a share for short ones.

    Wagner et al. 2013 saw the same in the team pursuit (design's references, 4.1: best near two half-laps).
    """

    def with_pulls_of(segments: int) -> float:
        tiny = make_rotation(
            (replace(RIDERS[0], cp_w=290.0, spare_j=2_000.0),) * 2,
            (125.0,) * 12,
            speed_mps=(9.0, 10.0, 10.5, 11.0, 11.5, 12.0, 12.5, 13.0),
            flying_start=True,
            kinetic=False,
            recovery=0.3,
            changeover_s=0.25,
            changeover_j=0.0,
            swing_off_j=600.0,
        )
        pulls = tuple((b, b + segments, (b // segments) % 2) for b in range(0, 12, segments))
        return optimum_s(
            tiny.changed(kept_pulls=pulls, per_longest=np.full((12, 2), 1e3), per_shortest=np.zeros((12, 2)))
        )

    by_length = [with_pulls_of(segments) for segments in (1, 2, 3, 4, 6)]
    assert min(by_length) < min(by_length[0], by_length[-1]) - 0.05, by_length
