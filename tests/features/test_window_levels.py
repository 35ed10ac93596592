"""What windows tell of themselves: conditions, levels, cycles; square waves by hand."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, log

from features.derive import derive
from features.settings import DerivationSettings
from features.windows import WINDOWS

SETTINGS = DerivationSettings()
TIME_S = clock()


def windows(samples, **told):
    return derive(samples, context(**told), SETTINGS).windows


def test_a_steady_window_tells_what_it_was_read_under():
    found = windows(
        log(blower_pct=80.0, vehicle_speed_kmh=0.0, recirculation_pct=100.0)
    )  # fmt: skip
    assert found.schema == WINDOWS.schema
    first = found.row(0, named=True)
    # the levels that the log was built from; condenser air is ambient air for want of a probe
    expected = {
        "intake_air_c": 25.0, "condenser_air_c": 30.0, "engine_rpm": 1500.0, "blower_pct": 80.0,
        "recirculation_pct": 100.0, "condenser_fan_pct": 100.0, "low_side_kpa": 292.8,
        "duct_air_c": 8.0,
    }  # fmt: skip
    assert {name: first[name] for name in expected} == pytest.approx(expected, rel=0.02)
    # ASHRAE Fundamentals 2017 ch. 1: 25 degC and 50 % are some 50.3 kJ/kg
    assert first["intake_enthalpy_kj_per_kg"] == pytest.approx(50.3, abs=1.0)
    for name in ("n_cycles", "period_s", "cycles_per_min", "on_share", "low_side_on_phase_kpa"):
        assert first[name] is None
    assert first["low_side_least_kpa"] < first["low_side_kpa"] < first["low_side_greatest_kpa"]


def test_cycles_are_told_with_their_on_phase():
    # on for 40 s of 60: the low side falls from 400 to 200 kPa in the first 20 s and stays,
    # the high side stands at 1500 kPa when on and 1000 kPa when off
    since = TIME_S % 60
    on = since < 40
    falling = np.clip(400.0 - 10.0 * since, 200.0, None)
    found = windows(
        log(
            compressor_on=on.astype(float),
            compressor_command_pct=None,
            low_side_kpa=np.where(on, falling, 400.0),
            high_side_kpa=np.where(on, 1500.0, 1000.0),
        ),
        compressor="fixed_clutch",
    )
    first = found.filter(kind_code="periodic").row(0, named=True)
    assert (first["cycle_code"], first["regime"]) == ("compressor", "cycling")
    assert first["n_cycles"] == 5
    # 60 s a cycle: one a minute; on for 40 s of 60
    assert first["period_s"] == pytest.approx(60.0)
    assert first["cycles_per_min"] == pytest.approx(1.0)
    assert first["on_share"] == pytest.approx(40.0 / 60.0, abs=0.02)
    # the plateau, not the mean of the on-phase: (20 s * 300 + 20 s * 200) / 40 s = 250 kPa
    assert first["low_side_on_phase_kpa"] == pytest.approx(200.0, abs=3.0)
    assert first["low_side_kpa"] == pytest.approx((10_000.0 + 20 * 400.0) / 60.0, abs=4.0)
    assert first["low_side_least_kpa"] == pytest.approx(200.0, abs=3.0)
    assert first["low_side_greatest_kpa"] == pytest.approx(400.0, abs=3.0)
    assert first["high_side_on_phase_kpa"] == pytest.approx(1500.0, abs=5.0)


def test_the_on_phase_of_a_fan_is_its_higher_stage():
    is_high = (TIME_S % 90) < 45
    found = windows(
        log(
            condenser_fan_pct=np.where(is_high, 100.0, 50.0),
            high_side_kpa=np.where(is_high, 1500.0, 1700.0),
        )
    )
    first = found.filter(cycle_code="fan").row(0, named=True)
    assert first["on_share"] == pytest.approx(0.5, abs=0.06)
    assert first["high_side_on_phase_kpa"] == pytest.approx(1500.0, abs=6.0)
    assert first["high_side_least_kpa"] == pytest.approx(1500.0, abs=15.0)


def test_swings_have_no_on_phase():
    hunting = 6.0 + 3.0 * np.sin(2 * np.pi * TIME_S / 60.0)
    found = windows(log(evaporator_outlet_c=hunting))
    first = found.filter(cycle_code="swing").row(0, named=True)
    assert first["period_s"] == pytest.approx(60.0, abs=3.0)
    assert first["on_share"] is None
    assert first["evaporator_outlet_on_phase_c"] is None
    # means over 5 s flatten a sine of 60 s by 1 %
    assert first["evaporator_outlet_greatest_c"] == pytest.approx(9.0, abs=0.4)


def test_hunting_in_part_of_a_test_costs_that_part_only():
    # the valve hunts until 600 s, then holds: swings are read there, steady windows after
    swing = np.where(TIME_S < 600.0, 3.0 * np.sin(2 * np.pi * TIME_S / 60.0), 0.0)
    found = windows(log(evaporator_outlet_c=6.0 + swing))
    steady, swings = found.filter(kind_code="steady"), found.filter(cycle_code="swing")
    # blocks of 5 s: the sine has just passed zero in the two before 600 s
    assert steady["start_s"].min() >= 590.0
    assert steady.height >= 3
    assert swings.height >= 1
    assert swings["end_s"].max() <= steady["start_s"].min() + 30.0


def test_hunting_between_cycles_of_the_fan_is_read_too():
    # the fan cycles until 560 s, then stays; the valve hunts from 620 s on
    is_high = (TIME_S % 80 < 40) | (TIME_S >= 560.0)
    swing = np.where(TIME_S >= 620.0, 3.0 * np.sin(2 * np.pi * TIME_S / 50.0), 0.0)
    found = windows(
        log(
            condenser_fan_pct=np.where(is_high, 100.0, 50.0),
            high_side_kpa=np.where(is_high, 1500.0, 1700.0),
            evaporator_outlet_c=6.0 + swing,
        )
    )
    assert set(found["cycle_code"]) >= {"fan", "swing"}
    ordered = found.sort("start_s")
    assert (ordered["start_s"][1:] >= ordered["end_s"][:-1] - SETTINGS.block_s).all()


def test_a_log_that_ends_within_a_block_or_window():
    # 900 s are ten windows from 300 s on; the last, cut one is not read
    cut = log(seconds=893.0)
    found = windows(cut)
    assert found.height == 9
    assert found["end_s"].max() <= 893.0


@pytest.mark.parametrize(("gap_s", "crosses"), [(4.0, True), (30.0, False)])
def test_a_gap_in_the_log(gap_s, crosses):
    # a gap of one block is bridged; a longer one parts what lies on either side
    samples = log().filter(~pl.col("time_s").is_between(600.0, 600.0 + gap_s, closed="left"))
    found = windows(samples)
    over = found.filter((pl.col("start_s") < 600.0) & (pl.col("end_s") > 600.0 + gap_s))
    assert crosses or over.is_empty()
    # 300 s on either side hold five windows less the one that the gap cuts
    assert found.height >= 8
    # what was not logged is not counted
    assert (found["n_samples"] <= found["end_s"] - found["start_s"]).all()


@pytest.mark.parametrize("interval_s", [0.1, 0.5, 2.0])
def test_windows_hardly_depend_on_the_sampling_rate(interval_s):
    found = windows(log(interval_s=interval_s))
    assert found.height == 10
    assert found["low_side_kpa"].mean() == pytest.approx(292.8, abs=0.5)
