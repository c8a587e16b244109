from __future__ import annotations

import numpy as np
import pytest

from ttt_opt.smoothing import GAP_WEIGHT, ORDER, on_seconds, smoothed


def test_a_steady_acceleration_passes_unchanged() -> None:
    t = np.arange(300.0)
    values = 3.0 + 0.5 * t + 0.02 * t**2
    np.testing.assert_allclose(smoothed(values, 20.0), values, rtol=1e-9)


def test_the_period_keeps_half_its_height() -> None:
    t = np.arange(2000.0)
    for period, low, high in ((20.0, 0.49, 0.51), (80.0, 0.99, 1.0), (8.0, 0.0, 0.02)):
        wave = np.sin(2.0 * np.pi * t / period)
        kept = float(smoothed(wave, 20.0)[500:1500] @ wave[500:1500] / (wave[500:1500] @ wave[500:1500]))
        assert low <= kept <= high, period


def test_it_is_the_penalised_least_squares_of_a_dense_solver() -> None:
    """Whittaker 1923, solved with numpy's dense routines; in gaps a straight line with less weight."""
    values = np.random.default_rng(2).normal(size=60)
    values[[5, 6, 30]] = np.nan
    difference = np.diff(np.eye(60), n=ORDER, axis=0)
    known = np.isfinite(values)
    weight = np.diag(np.where(known, 1.0, GAP_WEIGHT))
    bridged = np.interp(np.arange(60.0), np.flatnonzero(known), values[known])
    penalty = (2.0 * np.sin(np.pi / 15.0)) ** (-2 * ORDER) * difference.T @ difference
    expected = np.linalg.solve(weight + penalty, weight @ bridged)
    np.testing.assert_allclose(smoothed(values, 15.0), expected, atol=1e-9)
    both = smoothed(np.column_stack([values, values]), 15.0)
    np.testing.assert_allclose(both[:, 1], smoothed(values, 15.0))


def test_columns_without_values_and_short_ones() -> None:
    assert np.isnan(smoothed(np.full(20, np.nan), 10.0)).all()
    few = np.full(20, np.nan)
    few[3] = 4.0
    np.testing.assert_allclose(smoothed(few, 10.0), 4.0)
    np.testing.assert_allclose(smoothed(np.array([1.0, 2.0]), 10.0), 1.5)


def test_values_at_moments_end_where_samples_are_too_far_apart() -> None:
    time = np.array([0.0, 1.0, 2.0, 20.0, 21.0])
    values = np.array([0.0, 10.0, np.nan, 40.0, 50.0])
    found = on_seconds(time, values, np.array([-1.0, 0.0, 0.5, 1.0, 5.0, 20.0, 20.5, 22.0]), 8.0)
    np.testing.assert_allclose(found, [np.nan, 0.0, 5.0, 10.0, np.nan, 40.0, 45.0, np.nan])
    assert np.isnan(on_seconds(time, np.full(5, np.nan), time, 8.0)).all()


def test_a_wait_without_samples_does_not_run_backwards() -> None:
    """Recorders that stop while standing leave a gap between two moving parts."""
    place = np.concatenate([11.0 * np.arange(100.0), np.full(60, np.nan), 1089.0 + 11.0 * np.arange(100.0)])
    smooth = smoothed(place, 15.0)
    assert np.diff(smooth).min() > -1.5
    assert np.abs(np.diff(smooth)[115:145]).max() < 1.0


@pytest.mark.parametrize("gap_s", [1.0, 7.0])
def test_smart_sampling_has_no_gaps(gap_s: float) -> None:
    time = np.arange(0.0, 100.0, gap_s)
    assert np.isfinite(on_seconds(time, time, np.arange(0.0, time[-1]), 8.0)).all()
