"""Clamps and sensors judged by the start of a car: moves on the way, air, bias, soak biases.

The car is that of `built_logs`; it stands at 25 degC (R-134a: 665 kPa by the same printed table,
proptables 0.1.1) for 60 s and then goes to its levels with a time constant of 15 s.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import LEVELS, clock, context, log

from features.screening import distrust_flags, screen
from features.settings import DerivationSettings
from features.trust.soak_biases import SOAK_BIASES

SETTINGS = DerivationSettings()
START_S, SOAK_C, SOAK_KPA = 60.0, 25.0, 665.4
LINES = (
    "low_side_kpa", "high_side_kpa", "compressor_suction_c", "compressor_discharge_c",
    "condenser_outlet_c", "expansion_inlet_c", "evaporator_outlet_c",
)  # fmt: skip


def on_the_way(name, level=None, *, standing=None):
    """The way of a line from rest to its level."""
    rest = standing
    if rest is None:
        rest = SOAK_KPA if name.endswith("kpa") else SOAK_C
    way = np.where(clock() < START_S, 0.0, 1.0 - np.exp(-(clock() - START_S) / 15.0))
    return rest + way * ((LEVELS[name] if level is None else level) - rest)


def started(seed=1, **curves):
    """A log with the start; `curves` replace the way of a line, None leaves it out."""
    ways = {name: on_the_way(name) for name in LINES} | curves
    return log(seed=seed, compressor_command_pct=100.0 * (clock() >= START_S), **ways)


def rules(samples, known=None):
    return set(
        screen(samples, context() if known is None else known, SETTINGS)
        .trust.select("channel", "rule_code")
        .rows()
    )


def moved(from_line, to_line, at_s):
    """The readings of a clamp that is put on another line: a time constant of 9 s."""
    place = clock() >= at_s
    line = np.where(place, on_the_way(to_line), on_the_way(from_line))
    reading = line.copy()
    for second in range(1, reading.size):
        reading[second] = reading[second - 1] + (line[second] - reading[second - 1]) / 9.0
    return reading


def test_a_start_in_order_is_believed():
    raised = sum(bool(rules(started(seed=seed))) for seed in range(10))
    assert raised == 0, f"raised on {raised} of 10 clean logs"


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("expansion_inlet_c", "evaporator_outlet_c"),
        ("compressor_suction_c", "condenser_outlet_c"),
    ],
)
def test_moves_while_the_car_starts_are_found_with_their_moment(name, line):
    errors_s = []
    for at_s in START_S + np.array([20.0, 35.0, 60.0, 90.0]):
        samples = started(**{name: moved(name, line, at_s), line: None})
        flags = distrust_flags(samples, context(), SETTINGS)
        told = flags[f"{name}__clamp_moved"].to_numpy()
        errors_s.append(abs(float(clock()[told][0]) - at_s))
        assert told[-1]
    assert max(errors_s) <= 5.0, f"off by {errors_s} s"


@pytest.mark.parametrize("name", ["expansion_inlet_c", "compressor_suction_c"])
def test_a_clamp_on_its_own_line_bends_with_the_start_and_did_not_move(name):
    # a line that starts at once, and one that waits for the refrigerant
    for delay in (0, 10, 20):
        late = np.concatenate([np.full(delay, SOAK_C), on_the_way(name)[: 900 - delay]])
        assert (name, "clamp_moved") not in rules(started(**{name: late}))


def test_a_slow_warming_clamp_near_hot_gas_did_not_move():
    # 0.6 of the way to the discharge line, which warms over minutes
    hot = np.where(
        clock() < START_S, SOAK_C, 95.0 - (95.0 - SOAK_C) * np.exp(-(clock() - START_S) / 120.0)
    )
    liquid = on_the_way("condenser_outlet_c")
    touching = liquid + 0.6 * (hot - liquid) * (clock() >= START_S)
    found = rules(started(compressor_discharge_c=hot, condenser_outlet_c=touching))
    assert ("condenser_outlet_c", "liquid_line_above_condensing") in found
    assert ("condenser_outlet_c", "clamp_moved") not in found


@pytest.mark.parametrize(("dip_k", "is_found"), [(0.0, True), (-12.0, False)])
def test_a_line_that_the_start_cools_for_a_moment_does_not_hang_in_air(dip_k, is_found):
    # to 33 degC within minutes, like air under the hood; a line behind an internal heat
    # exchanger goes there too, but cold gas passes it first
    since = np.clip(clock() - START_S, 0.0, None)
    air = SOAK_C + 8.0 * (1.0 - np.exp(-since / 200.0))
    dip = dip_k * np.exp(-(((since - 30.0) / 20.0) ** 2)) * (since > 0)
    known = context(internal_heat_exchanger=True)
    found = rules(started(compressor_suction_c=air + dip), known)
    assert (("compressor_suction_c", "clamp_off_line") in found) == is_found


def test_air_in_the_high_side_does_not_make_clamps_biased():
    # the high side of a standing car 200 kPa up: 8.6 K of saturation
    high = on_the_way("high_side_kpa", standing=SOAK_KPA + 200.0)
    clamps = {code for _, code in rules(started(high_side_kpa=high))}
    assert "clamp_bias" not in clamps


@pytest.mark.parametrize("bias_k", [0.0, -4.0, 4.0])
def test_soak_biases_of_clamps_and_gauges(bias_k):
    standing = {name: on_the_way(name, standing=SOAK_C + bias_k) for name in LINES[2:]}
    biases = screen(started(**standing), context(), SETTINGS).soak_biases
    assert dict(biases.schema) == SOAK_BIASES.schema
    by_channel = {row["channel"]: row for row in biases.iter_rows(named=True)}
    assert set(by_channel) == set(LINES)
    for gauge in LINES[:2]:
        assert by_channel[gauge]["bias_k"] == pytest.approx(-bias_k, abs=0.2)
        # 19 to 21 kPa/K about 25 degC (R-134a, same table)
        assert by_channel[gauge]["bias_kpa"] == pytest.approx(-20.0 * bias_k, abs=7.0)
        assert by_channel[gauge]["is_even"]
    # clamps that are all off alike agree with each other: two clamps against one pair of gauges
    assert abs(by_channel["evaporator_outlet_c"]["bias_k"]) < 0.3


def test_no_soak_no_bias():
    assert screen(log(), context(), SETTINGS).soak_biases.is_empty()


def test_a_frozen_logger_is_told_beside_tests_that_have_more_channels():
    # of a test alone and of the same beside one that logs a rear evaporator
    frozen = started(seed=3, duct_air_c=8.0)
    names = [name for name in frozen.columns if name not in ("test_id", "time_s")]
    still = pl.col("time_s") >= 45.0
    frozen = frozen.with_columns(
        pl.when(still).then(pl.col(name).gather(45).first()).otherwise(name).alias(name)
        for name in names
    )
    other = started(seed=4, rear_evaporator_outlet_c=10.0).with_columns(test_id=pl.lit("b"))
    alone = screen(frozen, context(), SETTINGS).trust
    beside = screen(
        pl.concat([frozen, other], how="diagonal"), context("a", "b"), SETTINGS
    ).trust.filter(test_id="a")
    assert ("low_side_kpa", "stuck") in set(alone.select("channel", "rule_code").rows())
    assert beside.equals(alone)


def test_a_gauge_that_reaches_its_end_at_once_is_clipped():
    # 20 kPa above the standing pressure: nothing of its noise at work is left
    end_kpa = SOAK_KPA + 20.0
    cut = started().with_columns(pl.col("high_side_kpa").round(1).clip(upper_bound=end_kpa))
    assert ("high_side_kpa", "clipped") in rules(cut)
    # a control that holds the high side does so with the gauge's noise
    assert ("high_side_kpa", "clipped") not in rules(started())
