"""The two-exponential fit against curves in closed form and the reference library's fit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from features.transient_fit import fit_two_exponentials

STEP_S = 5.0
# level, A1, tau1, A2, tau2
CURVES = np.array([[5.0, 12.0, 25.0, 6.0, 150.0], [8.0, 9.0, 40.0, 4.0, 180.0]])


def curve(t, level, a1, tau1, a2, tau2):  # noqa: PLR0917 - as curve_fit calls it
    return level + a1 * np.exp(-t / tau1) + a2 * np.exp(-t / tau2)


def block_means(row, first_s, n=140):
    """Means over blocks in closed form: the integral of each exponential over the block."""
    level, a1, tau1, a2, tau2 = row
    edge = first_s - STEP_S / 2 + STEP_S * np.arange(n + 1)
    integral = -a1 * tau1 * np.exp(-edge / tau1) - a2 * tau2 * np.exp(-edge / tau2)
    return level + np.diff(integral) / STEP_S


def in_seconds(values):
    found = values.copy()
    found[:, [2, 4]] = np.exp(found[:, [2, 4]])
    return found


def test_known_curves_are_found_exactly():
    first_s = np.array([2.5, 4.1])
    read = np.stack([block_means(row, at) for row, at in zip(CURVES, first_s, strict=True)])
    fit = fit_two_exponentials(first_s, STEP_S, read, np.ones(read.shape, dtype=bool))
    assert in_seconds(fit.values) == pytest.approx(CURVES, rel=1e-5)
    assert np.abs(fit.rest).max() < 1e-6


def test_holes_cost_nothing():
    first_s = np.array([2.5])
    read = block_means(CURVES[0], 2.5)[None, :]
    inside = np.ones(read.shape, dtype=bool)
    inside[0, 17:25] = False
    fit = fit_two_exponentials(first_s, STEP_S, np.where(inside, read, 1e3), inside)
    assert in_seconds(fit.values)[0] == pytest.approx(CURVES[0], rel=1e-5)


def test_values_and_errors_agree_with_the_reference_library():
    # scipy.optimize.curve_fit, least squares with its covariance
    rng = np.random.default_rng(4)
    time_s = 2.5 + STEP_S * np.arange(140)
    read = np.stack([block_means(row, 2.5) for row in CURVES])
    read = read + rng.normal(0.0, 0.05, read.shape)
    fit = fit_two_exponentials(np.full(2, 2.5), STEP_S, read, np.ones(read.shape, dtype=bool))
    for row, values, errors, truth in zip(
        read, in_seconds(fit.values), fit.errors, CURVES, strict=True
    ):
        found, covariance = curve_fit(curve, time_s, row, p0=truth)
        assert values[[0, 2, 4]] == pytest.approx(found[[0, 2, 4]], rel=1e-4)
        # amplitudes of the curve, not of its means: larger by sinh(x) / x there
        half = 0.5 * STEP_S / found[[2, 4]]
        assert values[[1, 3]] == pytest.approx(found[[1, 3]] * half / np.sinh(half), rel=1e-4)
        stated = np.sqrt(np.diag(covariance))
        assert errors[0] == pytest.approx(stated[0], rel=1e-3)
        assert errors[[2, 4]] == pytest.approx(stated[[2, 4]] / found[[2, 4]], rel=1e-3)


def test_the_errors_are_those_of_repeated_noise():
    rng = np.random.default_rng(8)
    one = block_means(CURVES[0], 2.5)
    read = one + rng.normal(0.0, 0.05, (300, one.size))
    fit = fit_two_exponentials(np.full(300, 2.5), STEP_S, read, np.ones(read.shape, dtype=bool))
    off = fit.values - np.median(fit.values, axis=0)
    # 300 repetitions know a spread to 4 %; a fit of five parameters is not quite linear
    assert off.std(axis=0) / np.median(fit.errors, axis=0) == pytest.approx(np.ones(5), abs=0.15)
