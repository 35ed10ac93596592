"""The noise that frozen readings are held against: known noise in, no more of it out."""

from __future__ import annotations

import numpy as np
import pytest

from features.stuck import Stacked, noise_between, readings_per_update, stuck_readings


def estimates(make, resolution, *, tests=200):
    """Noise found in many series of known noise, each rounded to the resolution."""
    found = []
    for seed in range(tests):
        values = make(np.random.default_rng(seed))
        found.append(noise_between(np.round(values / resolution) * resolution, resolution))
    return np.array(found)


@pytest.mark.parametrize(("sd", "resolution"), [(1.0, 0.01), (1.0, 0.5), (1.0, 1.0)])
def test_white_noise_is_found_from_below(sd, resolution):
    found = estimates(lambda rng: rng.normal(50.0, sd, 900), resolution)
    # the quarter quantile of blocks of 20 lies below the mean, never above it
    assert 0.7 * sd < found.mean() < sd
    assert np.quantile(found, 0.99) < sd


def test_a_ramp_and_a_smooth_curve_are_no_noise():
    time_s = np.arange(900.0)
    assert noise_between(20.0 + 0.05 * time_s, 0.05) < 1e-6
    assert noise_between(20.0 + 30.0 * np.exp(-time_s / 60.0), 1e-6) < 1e-6


def test_rounding_alone_is_hardly_noise():
    # a slow ramp on a coarse display steps once every five readings
    found = noise_between(np.round(np.arange(900) * 0.2), 1.0)
    assert found == 0.0


def test_restless_stretches_do_not_count():
    def restless(rng):
        values = rng.normal(0.0, 1.0, 900)
        values[:450] *= 20.0
        return values

    assert estimates(restless, 0.01).mean() < 1.0


def test_slow_noise_counts_for_less_than_it_is():
    def slow(rng):
        values = rng.normal(0.0, 1.0, 900)
        for i in range(1, 900):
            values[i] = 0.9 * values[i - 1] + np.sqrt(1 - 0.81) * values[i]
        return values

    assert estimates(slow, 0.01, tests=50).max() < 0.6


def test_too_few_readings_tell_no_noise():
    assert noise_between(np.random.default_rng(1).normal(0, 1, 60), 0.1) == 0.0
    assert noise_between(np.full(900, np.nan), 0.1) == 0.0


@pytest.mark.parametrize("every", [1, 3, 10])
def testreadings_per_update(every):
    values = np.repeat(np.random.default_rng(2).normal(0, 1, 90), every)
    assert readings_per_update(values) == every


def test_a_run_is_cut_by_an_unknown_reading():
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, 1.0, 900)
    values[400:440] = 0.5
    stacked = Stacked(np.arange(900.0), np.array([0, 900]), np.ones(900, dtype=np.bool_))
    assert set(np.flatnonzero(stuck_readings(values, stacked))) == set(range(400, 440))
    values[420] = np.nan
    assert not stuck_readings(values, stacked).any()
