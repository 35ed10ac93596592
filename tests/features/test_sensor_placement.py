"""Clamps and probes that are not where their channel says: both sides of each rule, with counts.

The car is that of `built_logs`: R-134a at 0 degC and 60 degC of a printed saturation table
(proptables 0.1.1). What a clamp may read is common practice: 1 to 2 K agreement at rest, time
constants of 5 to 15 s on a pipe.
"""

from __future__ import annotations

import numpy as np
import pytest
from built_logs import clock, context, lagged, log

from features.screening import distrust_flags, screen
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
PIPE_S, AIR_S = 10.0, 45.0
MOVED_S = 400.0


def told(samples, known=None):
    """Channel and rule of all that was found, without the rules over single channels."""
    trust = screen(samples, context() if known is None else known, SETTINGS).trust
    return set(trust.select("channel", "rule_code").rows())


def stepped(channel, size_k, *, tau_s=PIPE_S, seed=1, **others):
    level = float(log()[channel].median())
    curve = level + lagged(clock(), MOVED_S, size_k, tau_s=tau_s)
    return log(seed=seed, **{channel: curve}, **others)


def test_a_car_in_order_is_believed():
    raised = sum(bool(told(log(seed=seed))) for seed in range(12))
    assert raised == 0, f"raised on {raised} of 12 clean logs"


@pytest.mark.parametrize(("size_k", "is_found"), [(-2.0, False), (-37.0, True), (-46.0, True)])
def test_a_step_that_nothing_shares_is_a_move(size_k, is_found):
    # 52 degC less 37 K is the suction line at the compressor, less 46 K the evaporator outlet
    found = told(stepped("condenser_outlet_c", size_k))
    assert bool(found) == is_found
    assert found <= {("condenser_outlet_c", "clamp_moved")}


def test_the_moment_of_a_move_is_found_within_five_seconds():
    errors = []
    for seed in range(12):
        samples = stepped("condenser_outlet_c", -37.0, seed=seed)
        flags = distrust_flags(samples, context(), SETTINGS)
        moved = flags["condenser_outlet_c__clamp_moved"].to_numpy()
        errors.append(abs(float(samples["time_s"].to_numpy()[moved][0]) - MOVED_S))
        assert moved[-1]
    assert max(errors) <= 5.0, f"off by {errors} s"


def test_a_move_to_a_line_without_a_clamp_is_put_there():
    # 80 degC less 74 K is the evaporator outlet, which has no clamp of its own here
    samples = stepped("compressor_discharge_c", -74.0, evaporator_outlet_c=None)
    screened = screen(samples, context(), SETTINGS)
    after = screened.samples.filter(samples["time_s"] >= MOVED_S + 60.0)
    assert after["compressor_discharge_c"].null_count() == after.height
    assert after["evaporator_outlet_c"].median() == pytest.approx(6.0, abs=0.5)
    before = screened.samples.filter(samples["time_s"] < MOVED_S - 10.0)
    assert before["evaporator_outlet_c"].null_count() == before.height
    assert "evaporator outlet" in screened.trust["sentence"].item()


def test_a_move_to_a_line_with_a_clamp_is_only_distrusted():
    samples = stepped("condenser_outlet_c", -37.0)
    screened = screen(samples, context(), SETTINGS)
    assert screened.samples["compressor_suction_c"].equals(samples["compressor_suction_c"])


def test_a_step_that_pressures_share_is_the_car():
    minute = lagged(clock(), MOVED_S, 1.0, tau_s=PIPE_S)
    samples = log(
        high_side_kpa=1681.8 - 400.0 * minute,
        condenser_outlet_c=52.0 - 10.0 * minute,
        expansion_inlet_c=47.0 - 10.0 * minute,
    )
    assert told(samples) == set()


def test_a_swing_that_comes_back_is_the_car():
    hunting = 6.0 + 8.0 * np.maximum(np.sin(2.0 * np.pi * clock() / 60.0), 0.0)
    assert told(log(evaporator_outlet_c=hunting)) == set()


@pytest.mark.parametrize(("size_k", "is_found"), [(2.0, False), (25.0, True), (40.0, True)])
def test_a_clamp_that_drifts_to_the_air_is_off_its_line(size_k, is_found):
    found = told(stepped("evaporator_outlet_c", size_k, tau_s=AIR_S))
    assert found == ({("evaporator_outlet_c", "clamp_off_line")} if is_found else set())


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("compressor_discharge_c", "condenser_outlet_c"),
        ("compressor_suction_c", "compressor_discharge_c"),
        ("condenser_outlet_c", "evaporator_outlet_c"),
        ("compressor_suction_c", "evaporator_outlet_c"),
        ("condenser_outlet_c", "compressor_suction_c"),
    ],
)
def test_two_exchanged_clamps_are_named(one, other):
    right = log()
    wrong = right.with_columns(right[one].alias(other), right[other].alias(one))
    found = told(wrong, context(internal_heat_exchanger=True))
    assert {(one, "clamps_exchanged"), (other, "clamps_exchanged")} <= found


def test_clamps_before_and_behind_a_plain_liquid_line_cannot_be_told_apart():
    # without an exchanger both read the same but for a few K: harmless
    samples = log(condenser_outlet_c=47.0, expansion_inlet_c=49.0)
    assert told(samples, context(internal_heat_exchanger=False)) == set()


@pytest.mark.parametrize(("over_k", "is_found"), [(0.0, False), (1.0, False), (4.0, True)])
def test_liquid_above_condensing_by_more_than_sensors_allow(over_k, is_found):
    # clamp 1.5 K and gauge 30 kPa at 0.032 K/kPa (R-134a at 60 degC): 1.8 K together
    found = told(log(condenser_outlet_c=60.0 + over_k, expansion_inlet_c=None))
    assert found == (
        {("condenser_outlet_c", "liquid_line_above_condensing")} if is_found else set()
    )


@pytest.mark.parametrize(("over_k", "is_found"), [(0.0, False), (2.5, False), (8.0, True)])
def test_intake_air_that_stays_above_ambient_air_is_not_intake_air(over_k, is_found):
    found = told(log(intake_air_c=30.0 + over_k))
    assert found == ({("intake_air_c", "intake_not_representative")} if is_found else set())


def test_a_hot_cabin_that_cools_down_is_believed():
    # 45 degC after the sun, in recirculation, on its way to 26 degC
    cabin = 26.0 + 19.0 * np.exp(-clock() / 240.0)
    assert told(log(intake_air_c=cabin)) == set()


def test_an_intake_probe_in_the_air_of_the_ducts():
    assert told(log(intake_air_c=8.0)) == {("intake_air_c", "intake_not_representative")}


def test_warm_ducts_of_a_leaking_heater_do_not_doubt_the_intake():
    assert told(log(duct_air_c=31.0, intake_air_c=27.0)) == set()


# the healthy ratio of liquid cooled to suction warmed is 0.60 for R-134a at 15 and 40 degC
# (heat capacities of vapour and liquid); here 9 K are warmed and 5 K cooled
@pytest.mark.parametrize(
    ("clamps", "is_found"),
    [
        ({}, False),
        ({"expansion_inlet_c": 70.0}, True),
        ({"compressor_suction_c": -10.0}, True),
        # car faults: flooded evaporator, flash gas in the liquid line
        ({"evaporator_outlet_c": 0.5, "compressor_suction_c": 2.0}, False),
        ({"condenser_outlet_c": 60.0, "expansion_inlet_c": 59.5}, False),
        # restriction before the valve: starved, cold liquid line
        ({"evaporator_outlet_c": 25.0, "compressor_suction_c": 33.0, "expansion_inlet_c": 35.0},
         False),
    ],
)  # fmt: skip
def test_the_balance_of_the_exchanger(clamps, is_found):
    found = told(log(**clamps), context(internal_heat_exchanger=True))
    codes = {code for _, code in found}
    assert ("exchanger_balance_impossible" in codes) == is_found


def soaked(**standing):
    """A log that stands at 25 degC (R-134a: 665 kPa by the same table) for 60 s, then runs."""
    runs = clock() >= 60.0
    since = np.clip(clock() - 60.0, 0.0, None)
    way = np.where(runs, 1.0 - np.exp(-since / 15.0), 0.0)
    levels = {name: float(log()[name].median()) for name in (
        "low_side_kpa", "high_side_kpa", "compressor_suction_c", "compressor_discharge_c",
        "condenser_outlet_c", "expansion_inlet_c", "evaporator_outlet_c",
    )}  # fmt: skip
    rest = {name: 665.4 if name.endswith("kpa") else 25.0 for name in levels} | standing
    curves = {name: rest[name] + way * (level - rest[name]) for name, level in levels.items()}
    return log(compressor_command_pct=100.0 * runs, **curves)


@pytest.mark.parametrize(("bias_k", "is_found"), [(0.0, False), (1.5, False), (-8.0, True)])
def test_a_clamp_that_differs_from_the_standing_car(bias_k, is_found):
    found = told(soaked(evaporator_outlet_c=25.0 + bias_k))
    assert found == ({("evaporator_outlet_c", "clamp_bias")} if is_found else set())


def test_warm_lines_after_a_drive_are_no_bias():
    assert told(soaked(compressor_suction_c=38.0, compressor_discharge_c=48.0)) == set()


def test_silent_without_evidence():
    wild = {"condenser_outlet_c": 75.0, "evaporator_outlet_c": 50.0}
    assert told(log(low_side_kpa=None, high_side_kpa=None, intake_air_c=None, **wild)) == set()
    # without a refrigerant on record nothing is known of saturation
    unknown = context(refrigerant=None)
    assert not {code for _, code in told(log(**wild), unknown)} & {
        "clamp_off_line", "clamp_moved", "liquid_line_above_condensing",
    }  # fmt: skip
