"""Hunting against sinusoids in closed form, noise, and swings that a clutch makes."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features.block_grids import Grid
from features.transient_hunting import hunting

BLOCK_S = 5.0
N_BLOCKS = 120
SCHEMA = {"test_number": pl.UInt32(), "time_s": pl.Float64(), "kind_code": pl.String()}
NO_EVENTS = pl.DataFrame(schema=SCHEMA)
# half of the distance from the 5 to the 95 % point of a sine: sin(0.45 pi)
HALF_RANGE = np.sin(0.45 * np.pi)


def laid(superheat):
    n_tests = superheat.shape[0]
    return Grid(np.arange(n_tests), np.zeros(n_tests), BLOCK_S, {"superheat_k": superheat})


def swings(amplitude, period_s, n_tests=1, seed=3):
    """Block means of sinusoids of any phase, by their integral."""
    phase = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, (n_tests, 1))
    angle = 2.0 * np.pi * BLOCK_S * np.arange(N_BLOCKS + 1)[None, :] / period_s + phase
    integral = -np.cos(angle) * period_s / (2.0 * np.pi)
    return 8.0 + amplitude * np.diff(integral, axis=1) / BLOCK_S


@pytest.mark.parametrize("period_s", [27.0, 40.0, 63.0, 100.0])
@pytest.mark.parametrize("amplitude", [1.0, 5.0])
def test_a_sinusoid_has_its_period_and_its_half_range(amplitude, period_s):
    found = hunting(laid(swings(amplitude, period_s, n_tests=20)), NO_EVENTS)
    assert found["superheat_hunting_s"] == pytest.approx(period_s, rel=0.03)
    assert found["superheat_swing_k"] == pytest.approx(amplitude * HALF_RANGE, rel=0.06)


def test_a_drift_is_no_swing():
    drift = 8.0 + np.linspace(0.0, 6.0, N_BLOCKS)[None, :]
    found = hunting(laid(drift), NO_EVENTS)
    assert found["superheat_swing_k"] == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(found["superheat_hunting_s"]).all()


def test_noise_has_no_period():
    noise = 8.0 + np.random.default_rng(5).normal(0.0, 1.0, (1000, N_BLOCKS))
    found = hunting(laid(noise), NO_EVENTS)
    assert np.isfinite(found["superheat_hunting_s"]).mean() <= 0.01
    # 5 and 95 % points of the normal distribution: 1.645 standard deviations
    assert np.median(found["superheat_swing_k"]) == pytest.approx(1.645, rel=0.05)


def test_a_short_stretch_tells_nothing():
    superheat = swings(3.0, 40.0)
    superheat[:, 35:] = np.nan
    assert np.isnan(hunting(laid(superheat), NO_EVENTS)["superheat_swing_k"]).all()


@pytest.mark.parametrize(("every_s", "is_told"), [(40.0, False), (20.0, False), (150.0, True)])
def test_swings_that_come_with_the_clutch_are_not_the_valve_s(every_s, is_told):
    times = np.arange(10.0, 600.0, every_s)
    clutch = pl.DataFrame(
        {
            "test_number": np.zeros(times.size, dtype=np.uint32),
            "time_s": times,
            "kind_code": ["compressor_on"] * times.size,
        },
        schema=SCHEMA,
    )
    found = hunting(laid(swings(3.0, 40.0)), clutch)
    assert np.isfinite(found["superheat_hunting_s"]).all() == is_told
    # how far it swings is told anyway
    assert np.isfinite(found["superheat_swing_k"]).all()


def turning(turn_s, size):
    """Block means of sines whose turns last so long each, and are of such a size over time."""
    step_s = 0.5
    time_s = step_s * (np.arange(N_BLOCKS * BLOCK_S / step_s) + 0.5)
    ends_s = np.cumsum(turn_s, axis=1) - turn_s[:, :1]
    angle = np.stack([np.interp(time_s, row, 2.0 * np.pi * np.arange(row.size)) for row in ends_s])
    fine = size * np.sin(angle)
    return 8.0 + fine.reshape(fine.shape[0], N_BLOCKS, -1).mean(axis=2)


@pytest.mark.parametrize("jitter", [0.05, 0.1, 0.15])
def test_the_error_of_the_period_is_that_of_turns_that_differ(jitter):
    rng = np.random.default_rng(5)
    turn_s = 50.0 * (1.0 + jitter * rng.standard_normal((300, 40)).clip(-3.0, 3.0))
    found = hunting(laid(turning(turn_s, 3.0)), NO_EVENTS)
    period_s, stated = found["superheat_hunting_s"], found["u:superheat_hunting_s"]
    assert np.isfinite(period_s).all()
    assert period_s.mean() == pytest.approx(50.0, rel=0.02)
    assert period_s.std() / 2.0 <= np.median(stated) <= 2.0 * period_s.std()


def test_the_error_of_the_swing_covers_swings_that_come_and_go():
    # size as the length of two independent first-order noises of 60 s: Rayleigh's distribution
    rng, n_steps, keep = np.random.default_rng(9), 1200, np.exp(-0.5 / 60.0)
    parts = rng.standard_normal((2, 300, n_steps))
    parts[:, :, 1:] *= np.sqrt(1.0 - keep**2)
    for step in range(1, n_steps):
        parts[:, :, step] += keep * parts[:, :, step - 1]
    size = 3.0 * np.hypot(*parts)
    found = hunting(laid(turning(np.full((300, 40), 50.0), size)), NO_EVENTS)
    swing, stated = found["superheat_swing_k"], np.median(found["u:superheat_swing_k"])
    assert swing.std() / 2.0 <= stated <= 2.0 * swing.std()


def test_noise_moves_period_and_swing_by_less_than_is_stated():
    rng = np.random.default_rng(11)
    read = swings(3.0, 50.0, n_tests=400) + rng.normal(0.0, 0.5, (400, N_BLOCKS))
    found = hunting(laid(read), NO_EVENTS)
    for name in ("superheat_hunting_s", "superheat_swing_k"):
        assert np.isfinite(found[name]).mean() >= 0.99
        assert np.nanstd(found[name]) <= np.nanmedian(found[f"u:{name}"])
