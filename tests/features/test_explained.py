"""Explained variation against closed forms, least squares of the reference library, and noise."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features.explained import explain_variation
from features.explained_lags import lag_first_order

BLOCK_S = 5.0
EVENTS = pl.DataFrame(
    schema={"test_number": pl.UInt32(), "time_s": pl.Float64(), "kind_code": pl.String()}
)


def blocks(n=180, **columns):
    """Blocks of tests side by side; each column is test by block."""
    n_tests = next(iter(columns.values())).shape[0]
    number = np.repeat(np.arange(n_tests), n).astype(np.uint32)
    place = np.tile(np.arange(n), n_tests)
    return pl.DataFrame(
        {
            "test_number": number,
            "block_number": place,
            "start_s": place * BLOCK_S,
            "n_samples": np.full(number.size, 5),
            "regime": ["saturated"] * number.size,
            **{name: values.ravel() for name, values in columns.items()},
        }
    )


def wander(rng, shape, tau_s, size):
    """Autocorrelated noise of a known time constant."""
    keep = np.exp(-BLOCK_S / tau_s)
    out = rng.standard_normal(shape)
    out[:, 1:] *= np.sqrt(1 - keep**2)
    for k in range(1, shape[1]):
        out[:, k] += keep * out[:, k - 1]
    return size * out


@pytest.mark.parametrize("tau_s", [4.0, 30.0, 200.0])
def test_a_lag_answers_a_step_as_in_closed_form(tau_s):
    # 1 - exp(-t / tau), mean over each block
    course = np.zeros((60, 1))
    course[10:] = 1.0
    edge = BLOCK_S * np.arange(51)
    expected = 1.0 + np.diff(tau_s * np.exp(-edge / tau_s)) / BLOCK_S
    assert lag_first_order(course, BLOCK_S, tau_s)[10:, 0] == pytest.approx(expected, abs=1e-12)


def intake_ramp(gain, noise, seed=1, n_tests=1):
    rng = np.random.default_rng(seed)
    t = BLOCK_S * (np.arange(180) + 0.5)
    intake = 25.0 + 7.0 * np.clip((t - 300.0) / 60.0, 0.0, 1.0)
    # first order, 30 s, in closed form for the ramp's ends is tedious: fine steps instead
    fine = np.repeat(intake, 50)
    lagged = np.empty_like(fine)
    lagged[0] = fine[0]
    for k in range(1, fine.size):
        lagged[k] = lagged[k - 1] + (fine[k] - lagged[k - 1]) * (0.1 / 30.0)
    duct = 5.0 + gain * (lagged.reshape(180, 50).mean(axis=1) - 25.0)
    duct = duct + rng.normal(0.0, noise, (n_tests, 180))
    return blocks(intake_air_c=np.tile(intake, (n_tests, 1)), duct_air_c=duct)


def test_a_known_cause_explains_what_it_does():
    found = explain_variation(intake_ramp(0.6, 0.1), EVENTS, BLOCK_S)
    row = found.values.row(0, named=True)
    effect = found.effects.row(0, named=True)
    # 7 K times 0.6 is 4.2 K; what is left is the noise of 0.1 K
    assert effect["cause_code"] == "intake_air"
    assert effect["swing"] == pytest.approx(4.2, abs=3 * effect["swing_uncertainty"] + 0.05)
    assert effect["cause_change"] == pytest.approx(7.0, abs=0.01)
    assert effect["time_constant_s"] == pytest.approx(30.0, rel=0.3)
    assert row["duct_air_unexplained_k"] == pytest.approx(0.1, rel=0.2)
    # the definition: 1 - noise variance over variance of all
    assert row["duct_air_explained_share"] == pytest.approx(
        1 - 0.1**2 / row["duct_air_movement_k"] ** 2, abs=0.005
    )


def test_a_cause_of_the_wrong_sign_or_beyond_belief_explains_nothing():
    wrong = explain_variation(intake_ramp(-0.6, 0.1), EVENTS, BLOCK_S)
    # hotter intake air cannot raise the duct by four times as much
    too_large = explain_variation(intake_ramp(4.0, 0.1), EVENTS, BLOCK_S)
    for found in (wrong, too_large):
        assert found.values["duct_air_explained_share"].item() == 0.0
        assert found.effects.is_empty()


def test_a_line_fit_has_the_share_of_ordinary_least_squares():
    # numpy.linalg.lstsq with the whole series seen; left-out stretches cost less than 2 %
    rng = np.random.default_rng(3)
    speed = 1000.0 + np.repeat(rng.choice([0.0, 400.0, 800.0], (1, 18)), 10, axis=1)
    low = 300.0 - 0.04 * lag_first_order(speed.T, BLOCK_S, 12.0).T + rng.normal(0, 3, speed.shape)
    found = explain_variation(blocks(engine_rpm=speed, low_side_kpa=low), EVENTS, BLOCK_S).values
    design = np.stack([np.ones(180), lag_first_order(speed.T, BLOCK_S, 12.0)[:, 0]], axis=1)
    rest = low[0] - design @ np.linalg.lstsq(design, low[0])[0]
    expected = 1.0 - rest.var() / low[0].var()
    assert found["low_side_explained_share"].item() == pytest.approx(expected, abs=0.02)
    assert found["low_side_movement_kpa"].item() == pytest.approx(low[0].std(), rel=1e-6)


@pytest.mark.parametrize(("tau_s", "of_cause_s"), [(0.1, 0.1), (0.1, 12.0), (30.0, 12.0)])
def test_noise_explains_nothing(tau_s, of_cause_s):
    rng, shape = np.random.default_rng(5), (300, 180)
    found = explain_variation(
        blocks(
            duct_air_c=8.0 + wander(rng, shape, tau_s, 0.5),
            intake_air_c=25.0 + wander(rng, shape, of_cause_s, 0.5),
            ambient_air_c=25.0 + wander(rng, shape, of_cause_s, 0.5),
            engine_rpm=800.0 + wander(rng, shape, of_cause_s, 25.0),
            compressor_command_pct=80.0 + wander(rng, shape, of_cause_s, 5.0),
        ),
        EVENTS,
        BLOCK_S,
    ).values["duct_air_explained_share"]
    assert found.mean() <= 0.02
    assert (found > 0).mean() <= 0.05


def test_the_stated_error_of_the_share_is_that_of_repetition():
    found = explain_variation(intake_ramp(0.15, 0.3, n_tests=300), EVENTS, BLOCK_S).values
    share = found["duct_air_explained_share"]
    stated = found["duct_air_explained_share_uncertainty"].median()
    assert share.std() <= stated <= 4.0 * share.std()


def test_a_still_reading_has_no_share():
    rng = np.random.default_rng(1)
    still = blocks(
        duct_air_c=8.0 + rng.normal(0, 0.05, (1, 180)),
        intake_air_c=25.0 + wander(rng, (1, 180), 60.0, 1.0),
    )
    found = explain_variation(still, EVENTS, BLOCK_S).values
    assert found["duct_air_explained_share"].item() is None
    assert found["duct_air_movement_k"].item() == pytest.approx(0.05, rel=0.2)
