"""The ratio statistic against its published critical values and against SciPy's filters."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from write_ratio_critical_values import ratios_at_steady_state

from features.ratio_statistic import (
    LAMBDAS,
    LIKENESS,
    MOVING_ABOVE,
    STEADY_BELOW,
    Stretches,
    likeness,
    steady_by_ratio,
)


def ratio_by_scipy(x, lambdas):
    """The ratio along the last axis by three linear filters (SciPy), from rest."""
    one, two, three = lambdas
    filtered = lfilter([one], [1.0, one - 1.0], x, axis=-1)
    off = (x[..., 1:] - filtered[..., :-1]) ** 2
    moved = np.diff(x, axis=-1) ** 2
    v2 = lfilter([two], [1.0, two - 1.0], off, axis=-1)
    d2 = lfilter([three], [1.0, three - 1.0], moved, axis=-1)
    return (2.0 - one) * v2 / d2


def autoregressive(rng, phi, shape):
    """Noise of standard deviation 1 whose neighbours correlate by phi, settled."""
    fresh = rng.standard_normal((*shape[:-1], shape[-1] + 60)) * np.sqrt(1.0 - phi**2)
    return lfilter([1.0], [1.0, -phi], fresh, axis=-1)[..., 60:]


@pytest.mark.parametrize(
    ("lambdas", "published"),
    [
        # Cao & Rhinehart 1995, 1997: 95 % critical values under independent normal noise as
        # recomputed and handed on: 1.43 to 1.44, 1.49 and 1.32
        ((0.2, 0.1, 0.1), 1.435),
        ((0.1, 0.1, 0.1), 1.49),
        ((0.05, 0.05, 0.05), 1.32),
    ],
)
def test_critical_values_under_independent_noise(lambdas, published):
    series = np.random.default_rng(7).standard_normal((20_000, 180))
    measured = np.quantile(ratio_by_scipy(series, lambdas)[:, -1], 0.95)
    assert measured == pytest.approx(published, abs=0.02)


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6, 0.9])
def test_the_table_holds_for_noise_whose_neighbours_are_alike(phi):
    # 20,000 series by SciPy's filters, not by the script that wrote the table; the standard
    # error of the 99 % point is about 1.5 % of it
    place = LIKENESS.index(phi)
    series = autoregressive(np.random.default_rng(8), phi, (20_000, 150))
    steady, moving = np.quantile(ratio_by_scipy(series, LAMBDAS)[:, -1], [0.95, 0.99])
    assert steady == pytest.approx(STEADY_BELOW[place], rel=0.03)
    assert moving == pytest.approx(MOVING_ABOVE[place], rel=0.05)


def test_the_script_of_the_table_gives_its_entries():
    measured = ratios_at_steady_state(LAMBDAS, 0.3, n_series=20_000)
    # other published rows for (.2, .1, .1) and phi 0.3: 2.03 at 95 %, 2.50 at 99 %
    assert np.quantile(measured, 0.95) == pytest.approx(2.03, rel=0.03)
    assert np.quantile(measured, 0.99) == pytest.approx(2.50, rel=0.04)


def stretch(n, first=0):
    return Stretches(np.array([first]), np.array([n]))


@pytest.mark.parametrize("phi", [0.0, 0.4, 0.8])
def test_likeness_is_that_of_the_series(phi):
    series = autoregressive(np.random.default_rng(3), phi, (20_000,))
    expected = np.corrcoef(series[1:], series[:-1])[0, 1]
    assert likeness(series, stretch(series.size))[0] == pytest.approx(expected, abs=0.03)


def test_a_slow_drift_does_not_pass_for_likeness():
    rng = np.random.default_rng(4)
    drifting = rng.standard_normal(5_000) + 0.02 * np.arange(5_000)
    assert likeness(drifting, stretch(5_000))[0] < 0.05


def shares_steady(signals, tolerated=1e-9):
    n, length = signals.shape
    stretches = Stretches(np.arange(n) * length, np.full(n, length))
    values = signals.ravel()
    phi = likeness(values, stretches)
    state = steady_by_ratio(values, stretches, np.full(n, tolerated), phi)
    return state.reshape(n, length).mean(axis=0)


def test_steady_noise_is_steady_and_a_ramp_is_not():
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((500, 120))
    assert shares_steady(noise)[-1] > 0.85
    # at a drift of 0.5 sd a sample the ratio is some 1 + 22.5 * 0.25 = 6.6
    ramp = noise + 0.5 * np.arange(120)
    assert shares_steady(ramp)[-1] < 0.05


def test_dose_response_of_a_step():
    rng = np.random.default_rng(6)
    after = (np.arange(120) >= 60).astype(float)
    seen = [
        1.0 - shares_steady(rng.standard_normal((400, 120)) + size * after)[60:75].min()
        for size in (0.0, 2.0, 4.0, 8.0)
    ]
    assert seen == sorted(seen)
    assert seen[0] < 0.2
    assert seen[-1] > 0.95


def test_a_drift_within_what_is_tolerated_is_not_held_against_a_quiet_signal():
    ramp = 0.1 * np.arange(200.0)[None, :]
    assert shares_steady(ramp, tolerated=0.11)[-1] == 1.0
    assert shares_steady(ramp, tolerated=0.05)[-1] == 0.0


def test_moving_is_left_only_below_the_lower_limit():
    # ratio of a noiseless ramp settles at 1 + ...: with the floor for a drift c it is
    # (enter - 1) (drift / c)^2, so 1.9 times c gives 0.44 * 3.6 = 1.6: between both limits
    n = 300
    drift = np.where(np.arange(n) < 100, 4.0, 1.9)
    signal = np.cumsum(drift)
    state = steady_by_ratio(signal, stretch(n), np.array([1.0]), np.array([0.0]))
    assert not state[80:].any()
    calm = np.cumsum(np.full(n, 1.9))
    assert steady_by_ratio(calm, stretch(n), np.array([1.0]), np.array([0.0])).all()


def test_stretches_do_not_touch_each_other():
    rng = np.random.default_rng(9)
    a, b = rng.standard_normal(80), 50.0 + rng.standard_normal(60).cumsum()
    together = np.concatenate([a, [np.nan], b])
    is_inside = np.arange(141) != 80
    both = Stretches.of(is_inside, np.ones(141, dtype=bool))
    assert both.first_row.tolist() == [0, 81]
    assert both.length.tolist() == [80, 60]
    phi = likeness(together, both)
    state = steady_by_ratio(together, both, np.full(2, 1e-9), phi)
    for values, part in ((a, state[:80]), (b, state[81:])):
        own = stretch(values.size)
        alone = steady_by_ratio(values, own, np.array([1e-9]), likeness(values, own))
        assert (part == alone).all()


def test_a_missing_value_leaves_the_state_as_it_was():
    values = np.random.default_rng(2).standard_normal(100)
    values[40:44] = np.nan
    state = steady_by_ratio(values, stretch(100), np.array([1.0]), np.array([0.0]))
    assert (state[40:44] == state[39]).all()


def test_no_stretch_is_no_steady_state():
    none = Stretches.of(np.zeros(5, dtype=bool), np.zeros(5, dtype=bool))
    assert not steady_by_ratio(np.ones(5), none, np.empty(0), np.empty(0)).any()
