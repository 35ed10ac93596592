"""Steady windows on built logs whose answer is known."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, lagged, log

from features.derive import derive
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()


def windows(samples, told=None, settings=SETTINGS):
    told = context(*samples["test_id"].unique()) if told is None else told
    return derive(samples, told, settings).windows


def test_a_level_log_is_tiled_after_the_start():
    # running from 0 s; windows of 60 s from 300 s to 900 s: (900 - 300) / 60 = 10
    found = windows(log())
    assert found["start_s"].to_list() == [300.0 + 60.0 * k for k in range(10)]
    assert found["end_s"].to_list() == [360.0 + 60.0 * k for k in range(10)]
    assert found["window_number"].to_list() == list(range(1, 11))
    assert set(found["n_samples"]) == {60}
    assert set(found["kind_code"]) == {"steady"}


def test_no_window_within_a_minute_after_an_event():
    fan = np.where(clock() < 600.0, 50.0, 100.0)
    found = windows(log(condenser_fan_pct=fan))
    before, after = found.filter(pl.col("end_s") <= 600.0), found.filter(pl.col("start_s") >= 660.0)
    assert before.height == 5
    assert after.height == 4
    assert found.height == before.height + after.height


def test_the_clock_starts_with_the_compressor():
    on = (clock() >= 200.0).astype(float)
    found = windows(log(compressor_on=on))
    assert found["start_s"].min() >= 200.0 + SETTINGS.settle_after_start_s
    assert found.height == (900 - 500) // 60


@pytest.mark.parametrize(
    ("channel", "per_min"),
    [
        ("low_side_kpa", SETTINGS.low_side_slope_kpa_per_min),
        ("high_side_kpa", SETTINGS.high_side_slope_kpa_per_min),
        ("condenser_outlet_c", SETTINGS.liquid_line_slope_k_per_min),
        ("evaporator_outlet_c", SETTINGS.suction_line_slope_k_per_min),
        ("duct_air_c", SETTINGS.duct_slope_k_per_min),
    ],
)
def test_every_key_channel_must_hold_still(channel, per_min):
    minutes = clock() / 60.0
    level = float(log()[channel].median())
    assert windows(log(**{channel: level + 0.5 * per_min * minutes})).height == 10
    assert windows(log(**{channel: level + 1.4 * per_min * minutes})).is_empty()


def test_the_suction_line_counts_only_without_the_evaporator_outlet():
    drifting = 15.0 + 1.5 * clock() / 60.0
    assert windows(log(compressor_suction_c=drifting)).height == 10
    assert windows(log(compressor_suction_c=drifting, evaporator_outlet_c=None)).is_empty()


def test_a_hunting_engine_spoils_a_window_and_a_calm_one_does_not():
    hunting = 1500.0 + 200.0 * np.sin(2 * np.pi * clock() / 40.0)
    assert windows(log(engine_rpm=hunting)).is_empty()
    assert windows(log(engine_rpm=None)).height == 10


def test_one_channel_alone_makes_no_window():
    told = context(compressor="fixed_clutch")
    on = np.ones(900)
    assert windows(log(only=["duct_air_c"], compressor_on=on), told).is_empty()
    assert windows(log(only=["duct_air_c", "low_side_kpa"], compressor_on=on), told).height == 10


def test_windows_lie_within_one_regime():
    command = np.where(clock() < 630.0, 100.0, 50.0)
    found = windows(log(compressor_command_pct=command))
    saturated = found.filter(regime="saturated")
    regulating = found.filter(regime="regulating")
    assert saturated["end_s"].max() <= 660.0
    assert regulating["start_s"].min() >= 630.0
    assert found.height == saturated.height + regulating.height == 9


def test_windows_never_overlap_and_stay_in_their_test():
    steps = [lagged(clock(), at_s, -150.0, tau_s=10.0) for at_s in (420.0, 555.0, 730.0)]
    logs = [
        log(name, seed=k, high_side_kpa=1681.8 + steps[k % 3], condenser_fan_pct=None)
        for k, name in enumerate("abcdef")
    ]
    found = windows(pl.concat(logs))
    assert found["end_s"].max() <= 900.0
    for _, own in found.group_by("test_id"):
        ordered = own.sort("start_s")
        assert (ordered["start_s"][1:] >= ordered["end_s"][:-1]).all()


def test_false_and_missed_windows_over_many_logs():
    # 40 logs, half of them with a duct that swings by 2 K in 100 s: nothing steady there;
    # the level ones hold ten windows each
    swing = 8.0 + 2.0 * np.sin(2 * np.pi * clock() / 100.0)
    level = windows(pl.concat([log(f"level{k}", seed=k) for k in range(20)]))
    restless = windows(pl.concat([log(f"r{k}", seed=k, duct_air_c=swing) for k in range(20)]))
    assert level.height >= 0.97 * 20 * 10
    assert restless.height == 0


def test_a_coarse_logger_still_has_windows():
    # pressures in whole psi, temperatures in whole degF, wandering across one step
    psi, wander = 6.894757, np.where((clock() // 90) % 2 == 0, -0.05, 0.05)
    samples = log(low_side_kpa=42.5 * psi + wander, duct_air_c=(47.5 - 32) / 1.8 + wander)
    coarse = samples.with_columns(
        (pl.col("low_side_kpa") / psi).round(0) * psi,
        ((pl.col("duct_air_c") * 1.8 + 32).round(0) - 32) / 1.8,
    )
    assert windows(coarse).height >= 5


def test_a_longer_window_setting_is_obeyed():
    found = windows(log(), settings=DerivationSettings(window_s=120.0))
    assert set(found["end_s"] - found["start_s"]) == {120.0}
    assert found.height == 5
