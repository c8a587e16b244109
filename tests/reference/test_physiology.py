"""Critical power and W' against published protocols."""

from __future__ import annotations

import numpy as np
import pytest

from ttt_opt import physiology

# Five times 60 s at 400 W and 60 s at 100 W, CP 250 W, W' 20 kJ: exact piecewise-exponential solution of the
# differential form (Skiba et al. 2015) by an independent script (references, 3.2).
AFTER_WORK_J = [11000.0, 5261.0, 1602.0, -731.0, -2219.0]
AFTER_REST_J = [14261.0, 10602.0, 8269.0, 6781.0, 5833.0]


@pytest.mark.parametrize("dt_s", [60.0, 1.0, 0.5])
def test_differential_recovery_protocol(dt_s: float) -> None:
    steps = round(60.0 / dt_s)
    power = np.tile(np.repeat([400.0, 100.0], steps), 5)
    balance = physiology.w_prime_balance(power, dt_s, 250.0, 20_000.0, "differential", 0.5)
    assert balance[steps - 1 :: 2 * steps] == pytest.approx(AFTER_WORK_J, abs=0.6)
    assert balance[2 * steps - 1 :: 2 * steps] == pytest.approx(AFTER_REST_J, abs=0.6)


def test_riders_side_by_side_are_riders_one_by_one() -> None:
    power = np.column_stack([np.repeat([400.0, 100.0], 60), np.repeat([100.0, 400.0], 60)])
    cp, full = np.array([250.0, 300.0]), np.array([20_000.0, 15_000.0])
    together = physiology.w_prime_balance(power, 1.0, cp, full, "differential", 0.5)
    for rider in range(2):
        alone = physiology.w_prime_balance(power[:, rider], 1.0, cp[rider], full[rider], "differential", 0.5)
        assert together[:, rider] == pytest.approx(alone)


def test_constant_recovery() -> None:
    # by hand: 60 s at 150 W above cost 9000 J; 60 s at 150 W below give back half; then full again and no
    # more
    power = np.array([400.0, 100.0, 100.0, 100.0])
    balance = physiology.w_prime_balance(power, 60.0, 250.0, 20_000.0, "constant", 0.5)
    assert balance == pytest.approx([11_000.0, 15_500.0, 20_000.0, 20_000.0])


def test_steps_may_differ_in_length() -> None:
    power = np.array([400.0, 100.0])
    balance = physiology.w_prime_balance(power, np.array([60.0, 120.0]), 250.0, 20_000.0, "differential", 0.5)
    # closed form: 9000 J spent, times exp(-150 * 120 / 20000)
    assert balance == pytest.approx([11_000.0, 20_000.0 - 9_000.0 * np.exp(-0.9)])


def recovered_share(minutes: float, below_cp_w: float) -> float:
    """Share of W' that is back after full depletion and a rest."""
    power = np.array([500.0, 250.0 - below_cp_w])
    steps = np.array([80.0, 60.0 * minutes])
    balance = physiology.w_prime_balance(power, steps, 250.0, 20_000.0, "differential", 0.5)
    assert balance[0] == pytest.approx(0.0)
    return float(balance[1] / 20_000.0)


def test_recovery_after_depletion_orders_as_measured() -> None:
    # Ferguson et al. 2010, JAP 108, 866-874: half back after 234 s; 37 +/- 5, 65 +/- 6, 86 +/- 4 % after 2,
    # 6, 15 min
    below_cp_w = 20_000.0 * np.log(2.0) / 234.0
    two, six, fifteen = (recovered_share(minutes, below_cp_w) for minutes in (2.0, 6.0, 15.0))
    assert recovered_share(3.9, below_cp_w) == pytest.approx(0.5)
    # single time constant of 338 s (references, 3.2): 29.9, 65.6, 93.0 %
    assert (two, six, fifteen) == pytest.approx((0.299, 0.656, 0.930), abs=0.001)
    # which is too slow at first, right at six minutes and too fast later: no single constant fits the
    # measurements
    assert two < 0.37 - 0.05
    assert six == pytest.approx(0.65, abs=0.06)
    assert fifteen > 0.86 + 0.04


def test_easier_rest_gives_more_back() -> None:
    # Chidnok et al. 2012, MSSE 44, 966: heavy, moderate, light recovery let riders do more, in that order
    assert recovered_share(2.0, 20.0) < recovered_share(2.0, 100.0) < recovered_share(2.0, 200.0)


def test_differential_recovery_share() -> None:
    # Skiba et al. 2015: dW/dt = (CP - P) * (W' - W) / W'
    left = np.array([0.0, 5_000.0, 20_000.0, -2_000.0])
    share = physiology.recovery_share("differential", left, 20_000.0, 0.5)
    assert share == pytest.approx([1.0, 0.75, 0.0, 1.1])
    assert physiology.recovery_share("constant", left, 20_000.0, 0.3) == pytest.approx([0.3] * 4)


def test_time_to_exhaustion_of_the_two_parameter_model() -> None:
    # Monod & Scherrer 1965; synthetic data for CP 300 W, W' 20 kJ (references, 3.1)
    power = np.array([466.667, 411.111, 366.667, 347.619, 327.778, 316.667])
    times = physiology.time_to_exhaustion(power, 300.0, 20_000.0)
    assert times == pytest.approx([120.0, 180.0, 300.0, 420.0, 720.0, 1200.0], rel=3e-5)
    # work against time is a line of slope CP and intercept W'
    slope, intercept = np.polyfit(times, power * times, 1)
    assert slope == pytest.approx(300.0, abs=0.01)
    assert intercept == pytest.approx(20_000.0, abs=1.0)


def test_exhaustion_is_where_the_balance_reaches_zero() -> None:
    duration = float(physiology.time_to_exhaustion(380.0, 300.0, 20_000.0))
    balance = physiology.w_prime_balance(np.array([380.0]), duration, 300.0, 20_000.0, "differential", 0.5)
    assert balance[0] == pytest.approx(0.0, abs=1e-6)


def test_no_exhaustion_up_to_critical_power() -> None:
    assert physiology.time_to_exhaustion(np.array([0.0, 300.0]), 300.0, 20_000.0).tolist() == [np.inf, np.inf]


@pytest.mark.parametrize(
    ("duration_s", "share"), [(60.0, 1.0), (1800.0, 1.0), (3600.0, 0.9526), (7200.0, 0.9075), (1e6, 0.8)]
)
def test_sustainable_share(duration_s: float, share: float) -> None:
    # from memory: power falls with time to the power -0.07 beyond 30 min; 2 ** -0.07 = 0.9526
    assert physiology.sustainable_share(duration_s) == pytest.approx(share, abs=1e-4)


def test_a_rider_who_left_has_no_balance() -> None:
    power = np.array([300.0, np.nan, np.nan])
    balance = physiology.w_prime_balance(power, 10.0, 250.0, 20_000.0, "differential", 0.5)
    assert balance[0] == pytest.approx(19_500.0)
    assert np.all(np.isnan(balance[1:]))


def test_refusals() -> None:
    power = np.array([300.0])
    with pytest.raises(ValueError, match="unknown recovery model 'magic'"):
        physiology.w_prime_balance(power, 1.0, 250.0, 20_000.0, "magic", 0.5)
    with pytest.raises(ValueError, match=r"recovery share 1\.5"):
        physiology.recovery_share("constant", 0.0, 20_000.0, 1.5)
    with pytest.raises(ValueError, match="above 0"):
        physiology.w_prime_balance(power, 0.0, 250.0, 20_000.0, "constant", 0.5)
    with pytest.raises(ValueError, match="above 0"):
        physiology.w_prime_balance(power, 1.0, 250.0, 0.0, "constant", 0.5)
    with pytest.raises(ValueError, match="duration_s"):
        physiology.sustainable_share(0.0)
