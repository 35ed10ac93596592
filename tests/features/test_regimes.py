"""Regimes of built logs, seen through the blocks."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, log

from features.blocks import make_blocks, number_tests, order_samples
from features.cycles import find_cycles
from features.events import EventInputs, detect_events, no_clamp_moves
from features.regimes import add_regimes
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
TIME_S = clock()


def regimes(samples, compressor="variable_external"):
    tests = number_tests(samples).with_columns(compressor=pl.lit(compressor, pl.String))
    ordered = order_samples(samples, tests)
    blocks = make_blocks(ordered, SETTINGS.block_s)
    told = tests.with_columns(
        pl.lit(None, pl.String).alias(name) for name in ("control_target", "refrigerant")
    )
    inputs = EventInputs(ordered, blocks, told, no_clamp_moves(), SETTINGS.block_s)
    events = detect_events(inputs, SETTINGS).events
    cycles = find_cycles(events, "compressor_on", SETTINGS)
    return add_regimes(blocks, tests, cycles, SETTINGS)


def at(found, second):
    return found.filter(start_s=float(second))["regime"].item()


def test_start_and_pull_down_come_before_the_control_state():
    on = (TIME_S >= 100.0).astype(float)
    found = regimes(log(compressor_on=on))
    assert at(found, 50) == "off"
    assert at(found, 100) == "starting"
    assert at(found, 155) == "starting"
    assert at(found, 160) == "pull_down"
    assert at(found, 395) == "pull_down"
    assert at(found, 400) == "saturated"


@pytest.mark.parametrize(
    ("command_pct", "regime"), [(100.0, "saturated"), (91.0, "saturated"), (60.0, "regulating")]
)
def test_a_steady_command_tells_saturated_from_regulating(command_pct, regime):
    # saturated needs 90 % at least, and 95 % of the 99th percentile, here of a constant
    found = regimes(log(compressor_command_pct=np.full(TIME_S.size, command_pct)))
    assert at(found, 600) == regime


def test_saturated_is_measured_against_the_highest_command_of_the_test():
    # 99th percentile 100 %, so that 93 % is under 95 % of it
    command = np.where(TIME_S < 600, 100.0, 93.0)
    found = regimes(log(compressor_command_pct=command))
    assert at(found, 500) == "saturated"
    assert at(found, 700) == "regulating"


@pytest.mark.parametrize(
    ("compressor", "regime"),
    [
        ("fixed_clutch", "saturated"),
        ("variable_internal", "running"),
        ("variable_external", "running"),
        ("electric", "running"),
        (None, "running"),
    ],
)
def test_without_a_command_only_a_fixed_compressor_is_known(compressor, regime):
    assert at(regimes(log(compressor_command_pct=None), compressor), 600) == regime


def test_equal_pressures_are_a_compressor_at_rest():
    rest = log(compressor_command_pct=None, low_side_kpa=680.0, high_side_kpa=690.0)
    assert set(regimes(rest)["regime"]) == {"off"}


def test_without_pressures_or_command_nothing_is_claimed():
    blind = log(compressor_command_pct=None, low_side_kpa=None)
    assert regimes(blind)["regime"].null_count() == 180
    assert regimes(blind, "fixed_clutch")["regime"].null_count() == 180


def test_a_long_stop_begins_a_new_run_and_a_short_one_does_not():
    on = np.where((TIME_S >= 400) & (TIME_S < 420), 0.0, 1.0)
    short = regimes(log(compressor_on=on), "fixed_clutch")
    assert at(short, 405) == "off"
    assert at(short, 425) == "saturated"
    on = np.where((TIME_S >= 400) & (TIME_S < 500), 0.0, 1.0)
    long = regimes(log(compressor_on=on), "fixed_clutch")
    assert at(long, 505) == "starting"
    assert at(long, 600) == "pull_down"


def test_a_clutch_that_cycles_is_cycling_on_and_off():
    # on for 40 s, off for 20 s, from 0 s to the end; settled after 300 s
    on = (TIME_S % 60 < 40).astype(float)
    found = regimes(log(compressor_on=on, compressor_command_pct=None), "fixed_clutch")
    settled = found.filter(pl.col("start_s") >= 360)
    assert set(settled["regime"]) == {"cycling"}
    assert at(found, 200) == "pull_down"


def test_two_restarts_are_no_cycling():
    on = np.where((TIME_S % 400 < 380), 1.0, 0.0)
    found = regimes(log(compressor_on=on, compressor_command_pct=None), "fixed_clutch")
    assert "cycling" not in set(found["regime"])


def test_neighbouring_tests_do_not_share_their_runs():
    first = log("a", compressor_on=np.ones(900))
    second = log("b", compressor_on=np.ones(900))
    found = regimes(pl.concat([first, second]), "fixed_clutch")
    starting = found.filter(regime="starting").group_by("test_number").len()
    assert starting["len"].to_list() == [12, 12]
