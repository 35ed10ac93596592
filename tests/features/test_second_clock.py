"""Temperatures that come late against the pressures: the rule `second_clock`.

The car of `built_logs` stands for 60 s and then goes to its levels with a time constant of 15 s;
its clamps follow with one of 8 s (5 to 15 s on a pipe are common practice, no source).
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import LEVELS, clock, context, log

from features.screening import distrust_flags, screen
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
START_S, SOAK_C, SOAK_KPA, LAG_S = 60.0, 25.0, 665.4, 8.0
CLAMPS = (
    "compressor_suction_c", "compressor_discharge_c", "condenser_outlet_c", "expansion_inlet_c",
    "evaporator_outlet_c",
)  # fmt: skip


def way(name, rest, late_s):
    """The way of a line from rest to its level, as a sensor of the common lag tells it."""
    since_s = np.maximum(clock() - START_S - late_s, 0.0)
    line = rest + (1.0 - np.exp(-since_s / 15.0)) * (LEVELS[name] - rest)
    if rest == SOAK_KPA:
        return line
    read = line.copy()
    for second in range(1, read.size):
        read[second] = read[second - 1] + (line[second] - read[second - 1]) / LAG_S
    return read


def started(late_s=0.0, *, seed=1, only=CLAMPS):
    """A log with a start; temperatures of `only` come late."""
    ways = {name: way(name, SOAK_KPA, 0.0) for name in ("low_side_kpa", "high_side_kpa")}
    ways |= {name: way(name, SOAK_C, late_s if name in only else 0.0) for name in CLAMPS}
    return log(seed=seed, compressor_command_pct=100.0 * (clock() >= START_S), **ways)


def told(samples):
    trust = screen(samples, context(), SETTINGS).trust.filter(rule_code="second_clock")
    return trust.select("channel", "distrusted_share", "sentence").rows()


@pytest.mark.parametrize("late_s", [10.0, 16.0, 25.0])
def test_late_temperatures_are_told_with_their_delay(late_s):
    found = told(started(late_s))
    assert {channel for channel, _, _ in found} == set(CLAMPS)
    for _, share, sentence in found:
        assert share == 0.0
        told_s = float(sentence.split("late by about ")[1].split(" s")[0])
        assert told_s == pytest.approx(late_s, abs=5.0)


@pytest.mark.parametrize("late_s", [0.0, 3.0])
def test_the_common_lag_of_clamps_is_no_second_clock(late_s):
    assert sum(bool(told(started(late_s, seed=seed))) for seed in range(10)) == 0


def test_one_late_clamp_is_not_a_clock():
    assert not told(started(20.0, only=("compressor_suction_c",)))


def test_nothing_is_distrusted_by_it():
    flags = distrust_flags(started(20.0), context(), SETTINGS)
    assert not [name for name in flags.columns if name.endswith("__second_clock")]


def test_silent_without_a_start_or_with_a_slow_logger():
    late = started(20.0)
    assert not told(late.filter(pl.col("time_s") > START_S + 60.0))
    assert not told(late.gather_every(5))
    assert not told(late.select("test_id", "time_s", "low_side_kpa", "high_side_kpa"))
