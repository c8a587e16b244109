"""The rotation model against answers known beforehand: equal or renamed riders, looser limits, one alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from tiny_rotations import (
    FloatArray,
    TinyRider,
    TinyRotation,
    compiled,
    make_rotation,
    optimum_s,
    road_power_w,
)

from ttt_models.rotation import RotationData
from ttt_opt.rotation_paths import CompiledRotation, boundary_squares, compile_rotation, lines_of, path_of
from ttt_opt.solver import solve

TOLERANCE_S = 2e-4
EQUAL = TinyRider(mass_kg=78.0, cda_m2=0.24, cp_w=290.0, spare_j=9000.0)
GRID = (11.0, 12.5, 13.5, 14.5, 16.0)


def segments_led(tiny: TinyRotation) -> list[int]:
    """Segments that each rider leads in the optimal plan."""
    matrix: CompiledRotation = compile_rotation(tiny.data)
    outcome = solve(matrix.model, gap=1e-6)
    assert outcome.values is not None
    leaders = [tiny.data.lines[q][0] for q in lines_of(tiny.data, path_of(matrix, outcome.values))]
    return [leaders.count(i) for i in range(tiny.data.n_riders)]


def equal_riders_on_the_flat(
    n_riders: int, n_segments: int, order: tuple[int, ...] | None = None
) -> TinyRotation:
    """So fast that nobody recovers on a wheel; changes of speed and of leader cost nothing."""
    return make_rotation(
        (EQUAL,) * n_riders,
        (150.0,) * n_segments,
        order=order,
        speed_mps=GRID,
        kinetic=False,
        flying_start=True,
        changeover_j=0.0,
        swing_off_j=0.0,
        changeover_s=0.0,
    ).changed(cp_w=np.full(n_riders, 180.0))


@pytest.mark.parametrize(("n_riders", "n_segments"), [(2, 8), (2, 7), (3, 9), (3, 8)])
def test_equal_riders_share_the_front_equally_within_one_segment(n_riders: int, n_segments: int) -> None:
    led = segments_led(equal_riders_on_the_flat(n_riders, n_segments))
    assert max(led) - min(led) == (0 if n_segments % n_riders == 0 else 1)


def test_equal_riders_ride_as_fast_as_their_common_store_lasts() -> None:
    """Nobody recovers, so that the team's W' is one store, spent at one speed: first principles."""
    tiny = equal_riders_on_the_flat(3, 9)
    powers = [sum(road_power_w(EQUAL, share, 0.0, v) for share in (1.0, 0.68, 0.61)) for v in GRID]
    length_m, cp_w, spare_j = 9 * 150.0, 3 * 180.0, 3 * EQUAL.spare_j
    spent = [(power - cp_w) * length_m / v for power, v in zip(powers, GRID, strict=True)]
    times = [length_m / v for v in GRID]
    assert spent[0] < spare_j < spent[-1]
    assert optimum_s(tiny) == pytest.approx(float(np.interp(spare_j, spent, times)), abs=TOLERANCE_S)


def test_order_of_equal_riders_is_irrelevant() -> None:
    times = [optimum_s(equal_riders_on_the_flat(3, 5, order)) for order in ((0, 1, 2), (0, 2, 1), (2, 0, 1))]
    assert times == pytest.approx([times[0]] * 3, abs=TOLERANCE_S)


RIDERS = (
    TinyRider(mass_kg=84.0, cda_m2=0.25, cp_w=380.0, spare_j=5600.0),
    TinyRider(mass_kg=75.0, cda_m2=0.24, cp_w=330.0, spare_j=5900.0),
    TinyRider(mass_kg=68.0, cda_m2=0.22, cp_w=280.0, spare_j=4950.0),
)
LENGTHS = (120.0, 180.0, 210.0, 170.0, 200.0, 190.0)
GRADE = (0.002, 0.012, -0.004, 0.019, 0.004, 0.019)


def uneven(riders: tuple[TinyRider, ...] = RIDERS, **changes: Any) -> TinyRotation:
    """Unlike riders on a rolling road; the limits and the W' of all bind."""
    settings: dict[str, Any] = {
        "grade": GRADE,
        "speed_mps": (8.0, 10.5, 12.5, 14.5),
        "recovery": 0.3,
        "on_wheel_share": 1.0,
        "surge_w": 15.0,
        "drop_w": 25.0,
        "surge_mps": 0.1,
        "shortest_s": 22.0,
        "longest_s": 38.0,
        "swing_off_j": 1500.0,
    }
    return make_rotation(riders, LENGTHS, **settings | changes)


@pytest.fixture(scope="module")
def uneven_s() -> float:
    time_s = optimum_s(uneven())
    assert np.isfinite(time_s)
    return time_s


@pytest.mark.parametrize("place", [*permutations(range(3))][1:])
def test_renaming_riders_changes_nothing(place: tuple[int, ...], uneven_s: float) -> None:
    """Rider i of the team becomes rider ``place[i]``; the cyclic order of the people stays."""
    riders = tuple(RIDERS[place.index(j)] for j in range(3))
    renamed = uneven(riders, order=place)
    assert optimum_s(renamed) == pytest.approx(uneven_s, abs=TOLERANCE_S)


def test_starting_elsewhere_in_the_same_cyclic_order_changes_nothing(uneven_s: float) -> None:
    assert optimum_s(uneven(order=(1, 2, 0))) == pytest.approx(uneven_s, abs=TOLERANCE_S)


def stronger(tiny: TinyRotation, rider: int, **factors: float) -> TinyRotation:
    """One rider's figures multiplied."""
    changed: dict[str, FloatArray] = {}
    for name, factor in factors.items():
        changed[name] = getattr(tiny.data, name).copy()
        changed[name][rider] *= factor
    return tiny.changed(**changed)


@pytest.mark.parametrize("rider", range(3))
@pytest.mark.parametrize("figure", ["cp_w", "w_prime_j", "peak_w", "on_wheel_w"])
def test_stronger_rider_never_makes_the_team_slower(figure: str, rider: int, uneven_s: float) -> None:
    assert optimum_s(stronger(uneven(), rider, **{figure: 1.08})) <= uneven_s + TOLERANCE_S


def test_all_riders_stronger_makes_the_team_faster(uneven_s: float) -> None:
    for figure in ("cp_w", "w_prime_j"):
        tiny = uneven()
        assert optimum_s(tiny.changed(**{figure: 1.08 * getattr(tiny.data, figure)})) < uneven_s - 0.1


LOOSER: dict[str, dict[str, Any]] = {
    "surge of power": {"surge_w": 160.0},
    "surge of speed": {"surge_mps": 2.0},
    "drop of power": {"drop_w": 160.0},
    "power on a wheel": {"on_wheel_share": 1.3},
    "shortest pull": {"shortest_s": 12.0},
    "longest pull": {"longest_s": 45.0},
    "swing-off": {"swing_off_j": 100.0},
    "changeovers": {"changeover_j": 0.0},
    "time of changeovers": {"changeover_s": 0.0},
    "recovery": {"recovery": 0.9},
    "two may count": {"counting": 2},
}


OTHER_RACE: dict[str, dict[str, Any]] = {
    "power on a wheel": {"on_wheel_share": 0.95},
    "surge of speed": {"surge_mps": 0.0, "surge_w": 60.0},
}
"""Where a limit does not bind in this race, what makes it do so."""


@pytest.mark.parametrize("limit", LOOSER)
def test_looser_limit_makes_the_team_faster(limit: str, uneven_s: float) -> None:
    """Never slower always; here the limit binds, so that a looser one must gain something."""
    other = OTHER_RACE.get(limit, {})
    tight_s = optimum_s(uneven(**other)) if other else uneven_s
    assert optimum_s(uneven(**other | LOOSER[limit])) < tight_s - 0.01


def test_finer_grid_that_holds_the_coarse_one_never_makes_the_team_slower(uneven_s: float) -> None:
    finer = uneven(speed_mps=(8.0, 9.5, 10.5, 11.5, 12.5, 13.5, 14.5))
    assert optimum_s(finer) <= uneven_s + TOLERANCE_S


ALONE = TinyRider(mass_kg=80.0, cda_m2=0.24, cp_w=330.0, spare_j=15000.0, peak_w=5000.0)
ALONE_LENGTHS = (250.0,) * 12
FAST_MPS = 13.5
"""Needs more than critical power all the way, so that nothing recovers."""


def spent_alone_j(speed_mps: float) -> float:
    """W' that the whole course costs at one speed, a flying start."""
    power = road_power_w(ALONE, 1.0, 0.0, speed_mps)
    return (power - ALONE.cp_w) * sum(ALONE_LENGTHS) / speed_mps


def alone(speeds: tuple[float, ...], spare_j: float) -> TinyRotation:
    return make_rotation(
        (replace(ALONE, spare_j=spare_j),), ALONE_LENGTHS, speed_mps=speeds, kinetic=False, flying_start=True
    )


def test_rider_alone_on_a_flat_course_rides_at_the_speed_that_spends_all() -> None:
    """Work is CP times time plus W' (Monod & Scherrer 1965; Moritani et al. 1981: from memory).

    The chord between speeds of the grid lies above the power curve, so that the model is slower, by less
    than a thousandth with steps of 4 %.
    """
    best_mps = float(brentq(lambda v: spent_alone_j(v) - ALONE.spare_j, 8.0, 20.0))
    closed_s = sum(ALONE_LENGTHS) / best_mps
    grid = tuple(best_mps * step for step in (0.78, 0.86, 0.94, 0.98, 1.02, 1.06, 1.14))
    time_s = optimum_s(alone(grid, ALONE.spare_j))
    assert closed_s < time_s < closed_s * 1.001
    on_grid = tuple(best_mps * step for step in (0.8, 0.9, 0.96, 1.0, 1.04, 1.1))
    assert optimum_s(alone(on_grid, ALONE.spare_j)) == pytest.approx(closed_s, abs=2e-3)


def test_rider_alone_holds_one_speed() -> None:
    best_mps = float(brentq(lambda v: spent_alone_j(v) - ALONE.spare_j, 8.0, 20.0))
    tiny = alone(tuple(best_mps * step for step in (0.8, 0.9, 0.96, 1.0, 1.04, 1.1)), ALONE.spare_j)
    matrix = compile_rotation(tiny.data)
    values = solve(matrix.model, gap=1e-6).values
    assert values is not None
    assert values[matrix.mix_column[:, 0, 3]] == pytest.approx(np.ones(12), abs=1e-3)


BRAKED_TO_MPS = 9.0
LITTLE_CP_W = 120.0
"""Less than any speed of these rides needs, so that nothing recovers."""


def assert_ridden_exactly_with(mean_mps: FloatArray, bends: tuple[int, ...], change_of_square: float) -> None:
    """One speed per segment (root mean square, m/s) takes work for the road and for that rise of v²."""
    each_m = ALONE_LENGTHS[0]
    work_j = sum(road_power_w(ALONE, 1.0, 0.0, v) * each_m / v for v in mean_mps)
    time_s = float((each_m / mean_mps).sum() + (np.sqrt(2.0) - 1.0) * each_m / mean_mps[0])
    kinetic_j = 0.5 * ALONE.mass_kg * change_of_square / 0.976
    needed_j = work_j + kinetic_j - LITTLE_CP_W * time_s
    grid = mean_mps * np.where(np.arange(12) == 0, np.sqrt(2.0), 1.0)

    def ride(spare_j: float) -> TinyRotation:
        rider = replace(ALONE, cp_w=LITTLE_CP_W, spare_j=spare_j)
        return make_rotation((rider,), ALONE_LENGTHS, speed_mps=grid[:, None], bends=bends)

    assert optimum_s(ride(needed_j + 0.5)) == pytest.approx(time_s, abs=1e-5)
    assert solve(compiled(ride(needed_j - 0.5))).stopped_because == "infeasible"


def test_standing_start_costs_the_final_kinetic_energy_once() -> None:
    """m v² / 2 over the efficiency, at constant acceleration in the first segment: first principles."""
    mean_mps = np.full(12, FAST_MPS)
    mean_mps[0] /= np.sqrt(2.0)
    assert_ridden_exactly_with(mean_mps, (), FAST_MPS**2)


def test_brakes_take_what_legs_must_give_again_after_a_bend() -> None:
    mean_mps = np.full(12, FAST_MPS)
    mean_mps[0] /= np.sqrt(2.0)
    mean_mps[5] = BRAKED_TO_MPS
    mean_mps[6] = np.sqrt(0.5 * (BRAKED_TO_MPS**2 + FAST_MPS**2))
    assert_ridden_exactly_with(mean_mps, (5,), 2.0 * FAST_MPS**2 - BRAKED_TO_MPS**2)


def test_slowing_down_without_a_bend_gives_the_kinetic_energy_back() -> None:
    """Half of the change in one segment, half in the next, and back again: what counts is v² at the end."""
    mean_mps = np.full(12, FAST_MPS)
    mean_mps[0] /= np.sqrt(2.0)
    slower, steps = 12.5, np.array([0.75, 0.25, 0.25, 0.75])
    mean_mps[4:8] = np.sqrt(slower**2 + steps * (FAST_MPS**2 - slower**2))
    assert_ridden_exactly_with(mean_mps, (), FAST_MPS**2)


def test_fastest_start_accelerates_no_harder_than_peak_power() -> None:
    """Work in the first segment is peak power times its time: the chord between two speeds of the grid."""
    rider = replace(ALONE, peak_w=350.0, spare_j=50000.0)
    tiny = make_rotation((rider,), ALONE_LENGTHS, speed_mps=(7.0, 15.0))
    data = tiny.data
    slow, fast = data.speed_mps[0] ** 2
    work = data.road_work_j[0, 0, :, 0] + data.kinetic_j_per_v2[0] * 2.0 * data.speed_mps[0] ** 2
    below = work - rider.peak_w * data.time_s[0]
    share = below[0] / (below[0] - below[1])
    assert 0.0 < share < 1.0
    matrix = compile_rotation(data)
    values = solve(matrix.model, gap=1e-6).values
    assert values is not None
    squares = boundary_squares(matrix, values)
    assert squares[0] == pytest.approx(2.0 * (slow + share * (fast - slow)), rel=1e-5)


def test_recovery_share_is_what_a_rest_gives_back() -> None:
    """Spend, rest, spend again: the last effort is possible exactly if the rest gives enough back."""
    tiny = make_rotation((ALONE,), (120.0,) * 3, speed_mps=(12.0,), kinetic=False, flying_start=True)
    work = tiny.data.cp_w[0] * 10.0 + np.array([2000.0, -1000.0, 1400.0])[:, None, None, None]
    for share, possible in ((0.41, True), (0.39, False)):
        tried = tiny.changed(
            road_work_j=work, w_prime_j=np.array([4000.0]), recovery_share=np.full((3, 1), share)
        )
        assert bool(np.isfinite(optimum_s(tried))) is possible


def test_wrong_shapes_are_refused() -> None:
    data: RotationData = uneven().data
    with pytest.raises(ValueError, match="asked_w has shape"):
        replace(data, asked_w=data.asked_w[1:])
    with pytest.raises(ValueError, match="some line must start"):
        replace(data, start_lines=())


WRONG: dict[str, tuple[str, float, str]] = {
    "nothing recovers": ("recovery_share", 0.0, "recovery_share must be above 0"),
    "more recovers than is there": ("recovery_share", 1.01, "recovery_share must be above 0 and at most 1"),
    "no number": ("recovery_share", np.nan, "recovery_share must be"),
    "nobody may start": ("change_allowed", 0.0, "change_allowed must hold at the start"),
    "standstill": ("speed_mps", 0.0, "speed_mps must be above 0"),
    "grid that falls": ("speed_mps", 99.0, "speed_mps must be above 0 and rise"),
} | {
    f"{name} below 0": (name, -1.0, f"{name} must not be below 0")
    for name in (
        "peak_w",
        "on_wheel_w",
        "per_longest",
        "per_shortest",
        "asked_w",
        "given_w",
        "surge_w",
        "drop_w",
        "surge_mps",
    )
}


@pytest.mark.parametrize("fault", WRONG)
def test_wrong_numbers_are_refused(fault: str) -> None:
    name, value, message = WRONG[fault]
    data: RotationData = uneven().data
    changed = getattr(data, name).copy()
    changed.flat[0] = value
    with pytest.raises(ValueError, match=message):
        replace(data, **{name: changed})
