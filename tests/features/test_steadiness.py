"""The trailing line against NumPy's least squares, and how often steadiness is told rightly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from features.steadiness import SteadyLimits, effective_number, fit_trailing_line, is_steady

LIMITS = SteadyLimits(slope_per_block=0.1, spread=0.5)
NO_STEP = np.zeros(1)


def test_slope_and_scatter_are_those_of_numpy_polyfit():
    values = np.random.default_rng(1).normal(1500.0, 5.0, 60)
    fit = fit_trailing_line(values, 12)
    for end in range(11, 60):
        window = values[end - 11 : end + 1]
        (slope, start), ((variance, _), _) = np.polyfit(np.arange(12), window, 1, cov="unscaled")
        residual = window - start - slope * np.arange(12)
        scatter = np.sqrt((residual**2).sum() / (12 - 2))
        assert fit.slope[end] == pytest.approx(slope, rel=1e-6, abs=1e-9)
        assert fit.spread[end] == pytest.approx(scatter, rel=1e-6)
        assert fit.slope_error[end] == pytest.approx(scatter * np.sqrt(variance), rel=1e-6)


def test_a_missing_value_is_unknown_for_its_own_windows_only():
    values = np.ones(20)
    values[7] = np.nan
    unknown = np.isnan(fit_trailing_line(values, 4).slope)
    assert list(np.flatnonzero(unknown)) == [0, 1, 2, 7, 8, 9, 10]
    assert not is_steady(values, 4, LIMITS, NO_STEP)[[7, 8, 9, 10]].any()


def test_fewer_values_than_a_window_are_never_steady():
    assert not is_steady(np.ones(3), 4, LIMITS, NO_STEP).any()


def share_steady(slope_per_block, noise, *, n=400, length=12, seed=2):
    rng = np.random.default_rng(seed)
    ramp = slope_per_block * np.arange(length)
    ends = [
        is_steady(ramp + rng.normal(0, noise, length), length, LIMITS, NO_STEP)[-1]
        for _ in range(n)
    ]
    return np.mean(ends)


def test_dose_response_of_a_ramp():
    # noise 0.1 per block; its slope error over 12 blocks is 0.1 / sqrt(143) = 0.0084, so
    # ramps of half the limit pass, ramps of one and a half times the limit fail
    shares = [
        share_steady(dose * LIMITS.slope_per_block, 0.1) for dose in (0.0, 0.5, 1.0, 1.5, 3.0)
    ]
    assert shares[0] == 1.0
    assert shares[1] > 0.99
    assert 0.2 < shares[2] < 0.8
    assert shares[3] < 0.01
    assert shares[4] == 0.0


def test_dose_response_of_scatter():
    # chi-squared of 10 degrees of freedom: below 10 in 56 % of cases, below 10 / 2.5^2 in 0.1 %
    shares = [share_steady(0.0, dose * LIMITS.spread) for dose in (0.3, 1.0, 2.5)]
    assert shares[0] > 0.99
    assert 0.45 < shares[1] < 0.67
    assert shares[2] < 0.01


def test_one_step_of_a_coarse_logger_is_no_drift():
    # a 1 degF logger: one step of 0.556 K in the middle of 12 blocks is a slope of
    # 1.5 * 12 / 143 * 0.556 = 0.070 per block, over a limit of 0.025
    step = 1.0 / 1.8
    values = np.repeat([8.0, 8.0 + step], 6)
    limits = SteadyLimits(slope_per_block=0.025, spread=0.4)
    assert not is_steady(values, 12, limits, NO_STEP)[-1]
    assert is_steady(values, 12, limits, np.full(12, step))[-1]
    two_steps = np.repeat([8.0, 8.0 + step, 8.0 + 2 * step], 4)
    assert not is_steady(two_steps, 12, limits, np.full(12, step))[-1]


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6])
def test_the_effective_number_is_that_of_autoregression_theory(phi):
    # the mean of n values of a first-order autoregression has the variance of the mean of
    # n (1 - phi) / (1 + phi) independent ones: 20,000 means of 400 values each
    rng = np.random.default_rng(12)
    noise = rng.standard_normal((20_000, 460)) * np.sqrt(1.0 - phi**2)
    series = lfilter([1.0], [1.0, -phi], noise, axis=1)[:, 60:]
    measured = series.var() / series.mean(axis=1).var()
    assert effective_number(400, phi) == pytest.approx(measured, rel=0.05)


def test_neighbours_that_are_alike_make_a_drift_less_certain():
    # 1.3 times the limit: significant among independent values, maybe chance among like ones
    rng = np.random.default_rng(1)
    values = 1.3 * LIMITS.slope_per_block * np.arange(12) + rng.normal(0, 0.15, 12)
    assert not is_steady(values, 12, LIMITS, NO_STEP, 0.0)[-1]
    assert is_steady(values, 12, LIMITS, NO_STEP, 0.8)[-1]


def test_no_likeness_lets_a_large_drift_pass():
    values = 2.0 * LIMITS.slope_per_block * np.arange(12)
    noisy = values + np.random.default_rng(1).normal(0, 0.4, 12)
    assert not is_steady(noisy, 12, LIMITS, NO_STEP, 0.9)[-1]
