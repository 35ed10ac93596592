"""Cycles and periodic windows: means over whole cycles of a square wave, by hand."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, log
from scipy.stats import kendalltau

from features.derive import derive
from features.periodic import mann_kendall
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
TIME_S = clock()
FIXED = context(compressor="fixed_clutch")


def cycling(starts_s, on_s, *, drift_kpa_per_min=0.0):
    """A clutch that engages at the given times: low side 200 kPa when on, 400 when off."""
    since_s = np.full(TIME_S.size, np.inf)
    for start_s in starts_s:
        since_s = np.where(start_s <= TIME_S, TIME_S - start_s, since_s)
    on = (since_s < on_s).astype(float)
    return log(
        compressor_on=on,
        compressor_command_pct=None,
        condenser_fan_pct=np.full(TIME_S.size, 100.0),
        low_side_kpa=np.where(on > 0, 200.0, 400.0) + drift_kpa_per_min * TIME_S / 60.0,
        high_side_kpa=np.where(on > 0, 1500.0, 1000.0),
    )


def test_the_mean_over_whole_cycles():
    # on for 40 s, off for 20 s: (40 * 200 + 20 * 400) / 60 = 266.67 kPa,
    # (40 * 1500 + 20 * 1000) / 60 = 1333.33 kPa
    found = derive(cycling(np.arange(0.0, 900.0, 60.0), 40.0), FIXED, SETTINGS)
    values = found.features.filter(regime="cycling").row(0, named=True)
    assert values["window_kind_code"] == "periodic"
    assert values["low_side_kpa"] == pytest.approx(266.67, abs=1.0)
    assert values["high_side_kpa"] == pytest.approx(1333.33, abs=3.0)
    assert set(found.windows["kind_code"]) == {"periodic"}
    # whole cycles from 300 s to the last seen start at 840 s, five to a window: 5 + 4
    assert found.windows["start_s"].to_list() == [300.0, 600.0]
    assert found.windows["end_s"].to_list() == [600.0, 840.0]


def test_the_rate_of_a_clutch_that_cycles():
    # the log begins with the clutch engaged: starts seen at 60 ... 840 s are 14, stops at
    # 40 ... 880 s are 15; the pause of 20 s before the first start seen is no running time, and
    # the first and the last 10 s are not watched: 900 - 20 - 20 s
    found = derive(cycling(np.arange(0.0, 900.0, 60.0), 40.0), FIXED, SETTINGS)
    rate = found.features.filter(regime="whole_test")["compressor_events_per_min"].item()
    assert rate == pytest.approx(29 / (860 / 60), abs=0.01)


def test_cycling_never_stands_in_a_row_with_continuous_running():
    starts_s = np.arange(0.0, 480.0, 60.0)
    found = derive(
        cycling(starts_s, 40.0).with_columns(
            compressor_on=pl.when(pl.col("time_s") >= 480).then(1.0).otherwise("compressor_on"),
            low_side_kpa=pl.when(pl.col("time_s") >= 480)
            .then(200.0 + pl.col("time_s") % 2)
            .otherwise("low_side_kpa"),
            high_side_kpa=pl.when(pl.col("time_s") >= 480)
            .then(1500.0 + pl.col("time_s") % 3)
            .otherwise("high_side_kpa"),
        ),
        FIXED,
        SETTINGS,
    )
    rows = {row["regime"]: row for row in found.features.iter_rows(named=True)}
    assert rows["saturated"]["window_kind_code"] == "steady"
    assert rows["saturated"]["low_side_kpa"] == pytest.approx(200.5, abs=0.3)
    if "cycling" in rows:
        assert rows["cycling"]["low_side_kpa"] == pytest.approx(266.67, abs=5.0)


def test_irregular_cycles_give_no_window():
    # periods of 30, 90, 30, 90 s: mean 60 s, standard deviation 32 s: CV 0.5
    starts_s = np.cumsum([0.0, *([30.0, 90.0] * 7)])
    assert derive(cycling(starts_s, 20.0), FIXED, SETTINGS).windows.is_empty()


def test_cycles_that_drift_give_no_window():
    starts_s = np.arange(0.0, 900.0, 60.0)
    assert derive(
        cycling(starts_s, 40.0, drift_kpa_per_min=2 * SETTINGS.low_side_slope_kpa_per_min),
        FIXED,
        SETTINGS,
    ).windows.is_empty()


def test_a_drift_that_a_steady_window_may_have_is_no_trend():
    starts_s = np.arange(0.0, 900.0, 60.0)
    gentle = cycling(starts_s, 40.0, drift_kpa_per_min=0.4 * SETTINGS.low_side_slope_kpa_per_min)
    assert derive(gentle, FIXED, SETTINGS).windows.height == 2


def test_one_odd_cycle_spoils_its_own_window_only():
    # cycles of 60 s, but for one of 150 s beginning at 660 s; the windows of five cycles
    # begin at 300 s and at 600 s: periods of 60, 150, 60 s have a CV of 0.58
    starts_s = np.array([*np.arange(0.0, 661.0, 60.0), 810.0, 870.0])
    found = derive(cycling(starts_s, 40.0), FIXED, SETTINGS).windows
    assert found["start_s"].to_list() == [300.0]


def test_two_cycles_are_not_enough():
    starts_s = [0.0, 60.0, 120.0]
    found = derive(cycling(starts_s, 40.0), FIXED, SETTINGS)
    assert "cycling" not in set(found.features["regime"])


def test_a_fan_that_cycles_is_read_over_whole_cycles_where_nothing_is_steady():
    # the fan changes every 45 s, so that no 60 s after an event are ever left; high side
    # 1700 kPa with the fan low, 1500 kPa with the fan high: mean 1600 kPa
    is_high = (TIME_S % 90) < 45
    samples = log(
        condenser_fan_pct=np.where(is_high, 100.0, 50.0),
        high_side_kpa=np.where(is_high, 1500.0, 1700.0),
    )
    found = derive(samples, context(), SETTINGS)
    values = found.features.filter(regime="saturated").row(0, named=True)
    assert values["window_kind_code"] == "periodic"
    assert values["high_side_kpa"] == pytest.approx(1600.0, abs=3.0)
    assert values["condenser_fan_pct"] == pytest.approx(75.0, abs=1.0)


def test_windows_of_fan_and_clutch_cycles_do_not_mix():
    is_high = (TIME_S % 90) < 45
    fan = log("fan").with_columns(
        condenser_fan_pct=pl.Series(np.where(is_high, 100.0, 50.0)),
        high_side_kpa=pl.Series(np.where(is_high, 1500.0, 1700.0)) + pl.col("duct_air_c"),
    )
    clutch = cycling(np.arange(0.0, 900.0, 60.0), 40.0).with_columns(test_id=pl.lit("clutch"))
    told = context("fan", "clutch", compressor="fixed_clutch")
    together = derive(pl.concat([fan, clutch], how="diagonal"), told, SETTINGS)
    for samples, name in ((fan, "fan"), (clutch, "clutch")):
        alone = derive(samples, told, SETTINGS)
        assert alone.windows.height > 0
        assert together.windows.filter(test_id=name).equals(alone.windows)
        assert together.features.filter(test_id=name).equals(alone.features)


def test_a_steady_window_goes_before_a_cycle():
    # fan cycles of 90 s until 570 s, then still
    is_high = ((TIME_S % 90) < 45) | (TIME_S > 540)
    samples = log(
        condenser_fan_pct=np.where(is_high, 100.0, 50.0),
        high_side_kpa=np.where(is_high, 1500.0, 1700.0),
    )
    values = derive(samples, context(), SETTINGS).features.filter(regime="saturated")
    assert values["window_kind_code"].item() == "steady"
    assert values["high_side_kpa"].item() == pytest.approx(1500.0, abs=3.0)


@pytest.mark.parametrize("seed", range(5))
def test_mann_kendall_against_scipy(seed):
    # Kendall's tau is the score over the number of pairs
    values = np.random.default_rng(seed).normal(size=15) + 0.1 * np.arange(15)
    pairs = 15 * 14 / 2
    score = kendalltau(np.arange(15), values).statistic * pairs
    variance = 15 * 14 * (2 * 15 + 5) / 18
    expected = np.sign(score) * (abs(score) - 1) / np.sqrt(variance)
    assert mann_kendall(values) == pytest.approx(expected)


def test_mann_kendall_size_on_trendless_values():
    # two-sided 10 %: of 2,000 trendless series about 200 may pass 1.645; the normal
    # approximation with continuity correction stays a little below
    rng = np.random.default_rng(11)
    beyond = sum(abs(mann_kendall(rng.normal(size=12))) > 1.645 for _ in range(2000))
    assert 100 < beyond < 240
