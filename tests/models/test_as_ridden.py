"""Constants fitted to a ride give the plan the W' of that ride, and recovery its true slope."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from tiny_rotations import TinyRotation, random_rotation

from ttt_models.rotation import RotationData
from ttt_opt.as_ridden import MOST_TIME_SHARE, Planned, Ridden, fitted_to_ride, time_share
from ttt_opt.race import Race
from ttt_opt.team import Rider, Team

FloatArray = NDArray[np.float64]

RIDER = Rider("Ann", mass_kg=70.0, cp_w=300.0, w_prime_j=20000.0, cda_m2=0.24)
RACE = Race("Invented", Team("Invented", (RIDER, replace(RIDER, name="Bob"))), Path("course.gpx"))
CONSTANT = replace(RACE, recovery="constant", recovery_share=0.4)


def plan_and_ride(seed: int) -> tuple[TinyRotation, Planned, Ridden]:
    """A plan and a ride that differ in everything that the fit looks at, with plausible figures."""
    tiny, draw = random_rotation(seed), np.random.default_rng(seed)
    data = tiny.data
    shape = (data.n_segments, data.n_riders)
    time_s = draw.uniform(8.0, 20.0, data.n_segments)
    work = data.cp_w * time_s[:, None] * draw.uniform(0.5, 1.4, shape)
    planned = Planned(
        leader=draw.integers(0, data.n_riders, data.n_segments),
        time_s=time_s,
        riding_s=time_s - 0.3,
        changeover_s=np.full(data.n_segments, 0.2),
        braking_s=np.full(data.n_segments, 0.1),
        needed_j=work,
        also_work_j=draw.uniform(-50.0, 50.0, shape),
        swing_off_j=draw.uniform(0.0, 100.0, shape),
    )
    left = data.w_prime_j - np.cumsum(np.vstack([np.zeros(data.n_riders), draw.uniform(-100.0, 500.0, shape)]), axis=0)
    ridden = Ridden(
        time_s=time_s * draw.uniform(0.97, 1.05, data.n_segments),
        work_j=work * draw.uniform(0.9, 1.1, shape),
        w_prime_j=np.minimum(left, data.w_prime_j),
        least_j=np.minimum(left[:-1], left[1:]) - draw.uniform(-100.0, 100.0, shape),
    )
    return tiny, planned, ridden


def nowhere_free(tiny: TinyRotation) -> RotationData:
    """The race with the limit on a wheel in force everywhere: where riders accelerate their work is not corrected."""
    return replace(tiny.data, on_wheel_applies=np.ones(tiny.data.n_segments, dtype=bool))


def work_of_model(data: RotationData, planned: Planned) -> FloatArray:
    """Work at the plan's speeds under new constants: on a wheel with what the ride added, in front without."""
    on_wheel = np.arange(data.n_riders) != planned.leader[:, None]
    return planned.needed_j + np.where(on_wheel, data.also_work_j - planned.also_work_j, 0.0)


@pytest.mark.parametrize("race", [RACE, CONSTANT], ids=["differential", "constant"])
@pytest.mark.parametrize("seed", range(4))
def test_plan_uses_the_w_prime_of_its_ride(seed: int, race: Race) -> None:
    tiny, planned, ridden = plan_and_ride(seed)
    data = fitted_to_ride(nowhere_free(tiny), race, planned, ridden)
    work = work_of_model(data, planned)
    above = work - data.cp_w * ridden.time_s[:, None]
    use = np.maximum(above, data.recovery_share * above) + planned.swing_off_j + data.also_used_j
    spent = np.zeros((data.n_segments + 1, data.n_riders))
    for s in range(data.n_segments):
        spent[s + 1] = data.spent_kept[s] * spent[s] + use[s]
    np.testing.assert_allclose(data.w_prime_j - spent, ridden.w_prime_j, atol=1e-6)


def test_riders_on_a_wheel_do_the_work_of_the_ride_and_the_leader_that_of_the_plan() -> None:
    tiny, planned, ridden = plan_and_ride(1)
    work = work_of_model(fitted_to_ride(nowhere_free(tiny), RACE, planned, ridden), planned)
    leads = np.arange(tiny.data.n_riders) == planned.leader[:, None]
    np.testing.assert_allclose(work, np.where(leads, planned.work_j, ridden.work_j))


def test_recovery_has_the_slope_of_the_differential_form() -> None:
    """D' = D exp(-u/W') (Skiba et al. 2015): its derivatives by D and by the energy below critical power, by hand."""
    tiny, planned, ridden = plan_and_ride(2)
    data = fitted_to_ride(tiny.data, RACE, planned, ridden)
    below = np.maximum(data.cp_w * ridden.time_s[:, None] - ridden.work_j, 0.0)
    spent = data.w_prime_j - ridden.w_prime_j[:-1]
    assert (below > 0.0).any() and (below == 0.0).any()

    def after(spent_j: FloatArray, below_j: FloatArray) -> FloatArray:
        return np.asarray(spent_j * np.exp(-below_j / data.w_prime_j), dtype=np.float64)

    by_spent = (after(spent + 1.0, below) - after(spent - 1.0, below)) / 2.0
    by_below = (after(spent, below + 1.0) - after(spent, below - 1.0)) / 2.0
    np.testing.assert_allclose(data.spent_kept, by_spent, rtol=1e-6)
    noticeable = spent > 0.02 * data.w_prime_j
    np.testing.assert_allclose(data.recovery_share[noticeable], -by_below[noticeable], rtol=1e-5)


def test_time_share_leaves_out_what_is_lost_and_is_bounded() -> None:
    _, planned, ridden = plan_and_ride(3)
    slower = replace(ridden, time_s=planned.riding_s * 1.04 + planned.changeover_s + planned.braking_s)
    assert time_share(planned, slower) == pytest.approx(1.04)
    assert time_share(planned, replace(ridden, time_s=10.0 * planned.time_s)) == pytest.approx(MOST_TIME_SHARE)
