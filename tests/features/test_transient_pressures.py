"""Transients of the pressures against ramps, exponentials, square waves and steps made by hand."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features.block_grids import Grid
from features.transient_pressures import (
    clutch_cycling,
    equalisation,
    fan_swings,
    lone_fan_rises,
    start_rates,
)
from features.transient_pull_down import place_starts, undershoot
from features.transients import swings_by_test

BLOCK_S = 5.0
N_REPEATED = 300


def numbered(n_tests, n_each):
    return np.repeat(np.arange(n_tests, dtype=np.uint32), n_each)


def events(kinds, times, n_tests=1):
    """The same events in every test; times by test if they are an array of two dimensions."""
    times = np.broadcast_to(times, (n_tests, len(kinds)))
    return pl.DataFrame(
        {
            "test_number": numbered(n_tests, len(kinds)),
            "time_s": times.ravel(),
            "kind_code": list(kinds) * n_tests,
        }
    )


def starts(n_tests=1, start_s=60.0, run_end_s=600.0, uncertainty_s=0.0):
    same = np.ones(n_tests)
    return pl.DataFrame(
        {
            "test_number": np.arange(n_tests, dtype=np.uint32),
            "start_s": start_s * same,
            "start_uncertainty_s": uncertainty_s * same,
            "run_end_s": run_end_s * same,
            "quiet_start_s": start_s * same,
            "quiet_end_s": run_end_s * same,
        }
    )


# rates of the start


def ramps(slope, noise=0.0, n_tests=1, seed=1):
    time_s = np.arange(120.0)
    pressure = 700.0 + slope * np.clip(time_s - 60.0, 0.0, 25.0)
    read = pressure + np.random.default_rng(seed).normal(0.0, noise, (n_tests, time_s.size))
    return pl.DataFrame(
        {
            "test_number": numbered(n_tests, time_s.size),
            "time_s": np.tile(time_s, n_tests),
            "low_side_kpa": read.ravel(),
        }
    )


@pytest.mark.parametrize("slope", [-38.0, -4.0, 24.0])
def test_a_ramp_has_its_slope(slope):
    found = start_rates(ramps(slope), starts(), ("low_side_kpa", "high_side_kpa"))
    assert found["start_low_side_kpa_per_s"].item() == pytest.approx(slope, rel=1e-9)
    assert found["u:start_low_side_kpa_per_s"].item() == pytest.approx(0.0, abs=1e-5)
    # a start that is known to 2 s: a fifth of the slope
    late = start_rates(ramps(slope), starts(uncertainty_s=2.0), ("low_side_kpa",))
    assert late["u:start_low_side_kpa_per_s"].item() == pytest.approx(0.2 * abs(slope), rel=1e-6)


def test_a_run_of_three_seconds_has_no_rate():
    found = start_rates(ramps(-10.0), starts(run_end_s=63.0), ("low_side_kpa",))
    assert found["start_low_side_kpa_per_s"].to_list() == [None]


def test_the_error_of_a_rate_is_that_of_repetition():
    found = start_rates(ramps(-20.0, 5.0, N_REPEATED), starts(N_REPEATED), ("low_side_kpa",))
    scatter = found["start_low_side_kpa_per_s"].std()
    # 11 samples a second apart: sigma / sqrt(sum of squares 110), the textbook's
    assert scatter == pytest.approx(5.0 / np.sqrt(110.0), rel=0.15)
    assert found["u:start_low_side_kpa_per_s"].median() == pytest.approx(scatter, rel=0.2)


# the dip of the low side behind the start


def dips(depth, noise=0.0, n_tests=1, seed=2):
    """Blocks: 700 kPa until 60 s, down to 220 kPa at 92.5 s, up by the depth within 30 s."""
    middle_s = BLOCK_S * (np.arange(120) + 0.5)
    low = np.interp(
        middle_s, [60.0, 92.5, 122.5, 600.0], [700.0, 220.0, 220.0 + depth, 220 + depth]
    )
    read = low + np.random.default_rng(seed).normal(0.0, noise, (n_tests, low.size))
    return Grid(np.arange(n_tests), np.zeros(n_tests), BLOCK_S, {"low_side_kpa": read})


@pytest.mark.parametrize("depth", [0.0, 12.0, 60.0])
def test_a_dip_has_its_depth_and_its_time(depth):
    found = undershoot(place_starts(dips(depth), starts()))
    assert found["start_undershoot_kpa"][0] == pytest.approx(depth, abs=1e-9)
    time_s = found["start_undershoot_s"][0]
    assert np.isnan(time_s) if depth == 0.0 else time_s == pytest.approx(32.5)


def test_the_error_of_a_dip_is_that_of_repetition():
    found = undershoot(place_starts(dips(60.0, 2.0, N_REPEATED), starts(N_REPEATED)))
    size, stated = found["start_undershoot_kpa"], np.median(found["u:start_undershoot_kpa"])
    # a highest minus a lowest value gains what noise adds to both: it scatters by less than
    # two values would, and lies higher
    assert size.std() / 1.5 <= stated <= 3.0 * size.std()
    assert np.sqrt(np.mean((size - 60.0) ** 2)) <= 3.0 * stated


# equalisation after a stop


def resting(tau_s, noise=0.0, n_tests=1, seed=3):
    start_s = BLOCK_S * np.arange(80)
    over = 3.0 * np.exp(-np.clip(start_s - 60.0, 0.0, None) / tau_s)
    rng = np.random.default_rng(seed)
    low = np.full((n_tests, start_s.size), 400.0)
    high = low * (1.0 + over) + rng.normal(0.0, noise, low.shape)
    return pl.DataFrame(
        {
            "test_number": numbered(n_tests, start_s.size),
            "start_s": np.tile(start_s, n_tests),
            "low_side_kpa": low.ravel(),
            "high_side_kpa": high.ravel(),
        }
    )


def stops(n_tests=1, rest_end_s=400.0):
    return pl.DataFrame(
        {
            "test_number": np.arange(n_tests, dtype=np.uint32),
            "stop_s": np.full(n_tests, 60.0),
            "rest_end_s": np.full(n_tests, rest_end_s),
        }
    )


@pytest.mark.parametrize("tau_s", [12.0, 45.0, 150.0])
def test_an_exponential_has_its_time_constant(tau_s):
    found = equalisation(resting(tau_s), stops())
    assert found["stop_equalisation_s"].item() == pytest.approx(tau_s, rel=1e-9)


def test_a_ratio_that_hardly_falls_has_none():
    # within 45 s an excess with 600 s falls to 93 %
    found = equalisation(resting(600.0), stops(rest_end_s=105.0))
    assert found["stop_equalisation_s"].to_list() == [None]


@pytest.mark.parametrize("noise_kpa", [3.0, 10.0])
def test_the_error_of_equalisation_is_that_of_repetition(noise_kpa):
    found = equalisation(resting(45.0, noise_kpa, N_REPEATED), stops(N_REPEATED))
    value, stated = found["stop_equalisation_s"], found["u:stop_equalisation_s"].median()
    assert value.median() == pytest.approx(45.0, abs=2.0 * stated)
    # stated for neighbours that err together; these do not: the square root of two on top
    assert value.std() / 1.5 <= stated <= 3.0 * value.std()


# clutch cycling


def square_waves(on_s, off_s, n_cycles=6):
    """On and off times by test and cycle; cycles from one switching-on to the next."""
    on_s, off_s = np.atleast_2d(on_s), np.atleast_2d(off_s)
    n_tests = on_s.shape[0]
    period_s = np.broadcast_to(on_s + off_s, (n_tests, n_cycles))
    end_s = 100.0 + np.cumsum(period_s, axis=1)
    begins = end_s - period_s
    switched = np.stack([begins, begins + on_s], axis=2).reshape(n_tests, -1)
    cycles = pl.DataFrame(
        {
            "test_number": numbered(n_tests, n_cycles),
            "start_s": begins.ravel(),
            "end_s": end_s.ravel(),
        }
    )
    kinds = ("compressor_on", "compressor_off") * n_cycles
    return events(kinds, switched, n_tests), cycles


NOTHING_LOGGED = pl.DataFrame(schema={"test_number": pl.UInt32(), "time_s": pl.Float64()})


@pytest.mark.parametrize(("on_s", "off_s"), [(30.0, 20.0), (8.0, 12.0), (45.0, 5.0)])
def test_a_square_wave_has_its_rate_and_share(on_s, off_s):
    found = clutch_cycling(NOTHING_LOGGED, *square_waves(on_s, off_s))
    assert found["clutch_cycles_per_min"].item() == pytest.approx(60.0 / (on_s + off_s))
    assert found["clutch_on_share"].item() == pytest.approx(on_s / (on_s + off_s))
    assert found["u:clutch_on_share"].item() == pytest.approx(0.0, abs=1e-9)


def test_the_low_side_turns_where_the_clutch_switches():
    # falls from 320 to 190 kPa while on, 30 s, and back while off, 20 s
    time_s = np.arange(100.0, 400.0)
    low = np.interp((time_s - 100.0) % 50.0, [0.0, 30.0, 50.0], [320.0, 190.0, 320.0])
    ordered = pl.DataFrame(
        {"test_number": numbered(1, time_s.size), "time_s": time_s, "low_side_kpa": low}
    )
    found = clutch_cycling(ordered, *square_waves(30.0, 20.0))
    assert found["clutch_cut_out_low_side_kpa"].item() == pytest.approx(190.0)
    assert found["clutch_cut_in_low_side_kpa"].item() == pytest.approx(320.0)


def test_the_errors_of_cycling_are_those_of_repetition():
    rng = np.random.default_rng(6)
    on_s, off_s = rng.normal(30.0, 3.0, (N_REPEATED, 6)), rng.normal(20.0, 2.0, (N_REPEATED, 6))
    found = clutch_cycling(NOTHING_LOGGED, *square_waves(on_s, off_s))
    for name in ("clutch_cycles_per_min", "clutch_on_share"):
        stated = found[f"u:{name}"].median()
        assert found[name].std() / 1.4 <= stated <= 1.4 * found[name].std()


# the fan's swing


def fan_steps(sizes, noise=0.0, seed=4):
    """The high side falls by each size as the fan steps up at 200, 350, 500 s; back 60 s later."""
    sizes = np.atleast_2d(sizes)
    at_s = 200.0 + 150.0 * np.arange(sizes.shape[1])
    middle_s = BLOCK_S * (np.arange(160) + 0.5)
    is_low = (middle_s > at_s[:, None]) & (middle_s < at_s[:, None] + 60.0)
    high = 1600.0 - sizes @ is_low
    read = high + np.random.default_rng(seed).normal(0.0, noise, high.shape)
    n_tests = sizes.shape[0]
    grid = Grid(np.arange(n_tests), np.zeros(n_tests), BLOCK_S, {"high_side_kpa": read})
    return grid, events(("fan_up",) * at_s.size, at_s, n_tests)


def test_a_step_has_its_size():
    grid, fan = fan_steps([300.0, 120.0, 0.0])
    found = fan_swings(grid, lone_fan_rises(fan))
    assert found["swing_kpa"].to_list() == pytest.approx([300.0, 120.0, 0.0])
    assert swings_by_test(found)["fan_swing_kpa"].item() == pytest.approx(120.0)


def test_a_fan_that_comes_with_the_compressor_is_not_read():
    grid, fan = fan_steps([300.0, 300.0, 300.0])
    with_start = pl.concat([fan, events(("compressor_on",), [170.0])])
    found = fan_swings(grid, lone_fan_rises(with_start))
    assert found["time_s"].to_list() == [350.0, 500.0]
    soon_followed = pl.concat([fan, events(("fan_down",), [510.0])])
    assert lone_fan_rises(soon_followed)["time_s"].to_list() == [200.0, 350.0]


def test_the_error_of_the_median_swing_is_that_of_repetition():
    rng = np.random.default_rng(7)
    grid, fan = fan_steps(rng.normal(300.0, 30.0, (N_REPEATED, 3)), noise=3.0)
    found = swings_by_test(fan_swings(grid, lone_fan_rises(fan)))
    scatter, stated = found["fan_swing_kpa"].std(), found["u:fan_swing_kpa"].median()
    assert scatter / 1.5 <= stated <= 2.0 * scatter
    # the lowest of several noisy blocks lies below their mean
    assert found["fan_swing_kpa"].median() == pytest.approx(300.0, abs=2.0 * stated)
