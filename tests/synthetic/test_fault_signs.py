"""Signs of the six faults against the signature tables that the trade and the literature give.

Rows for hot, saturated operation: rule table of Rossi & Braun 1997 (RB) where it carries over
to valves and receivers, service-manual trouble tables (man) and common practice (cp). Rows for
regulating cars follow from what their controllers hold (cp: no published table was found).
A sign is a change beyond the noise of a workshop measurement; "held" is a change within it.
"""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

# what a workshop can tell apart, per quantity (common practice: noise of gauges and clamps)
NOISE = {
    "low_side_kpa": 10.0,
    "high_side_kpa": 25.0,
    "evaporator_superheat_k": 1.5,
    "suction_superheat_k": 1.5,
    "subcooling_k": 1.2,
    "condensing_over_ambient_k": 1.0,
    "pressure_ratio": 0.12,
    "compressor_discharge_c": 1.5,
    "duct_air_c": 0.5,
    "approach_k": 0.7,
    "compressor_command_pct": 4.0,
}

LOW, HIGH, RATIO = "low_side_kpa", "high_side_kpa", "pressure_ratio"
SH, SH_SUCTION, SC = "evaporator_superheat_k", "suction_superheat_k", "subcooling_k"
DISCHARGE, DUCT, APPROACH = "compressor_discharge_c", "duct_air_c", "approach_k"
LIFT, COMMAND = "condensing_over_ambient_k", "compressor_command_pct"

# hot idle, blower full: the fixed compressor hardly cycles, the controlled one is at its end
HOT = {"ambient_c": 35.0, "humidity_pct": 45.0, "engine_rpm": 800.0}
# mild, fast: controlled compressors have plenty in hand
MILD = {"ambient_c": 24.0, "humidity_pct": 45.0, "engine_rpm": 1500.0}

# (model, fault, severity, source, {quantity: sign}); 0 means held
HOT_ROWS = [
    ("pelvarn_pickup", "undercharge", 0.5, "cp", {SC: -1}),
    ("brelku_van", "undercharge", 0.5, "cp", {SC: -1}),
    (
        "pelvarn_pickup", "undercharge", 0.75, "RB and man",
        {LOW: -1, SH: 1, SH_SUCTION: 1, SC: -1, HIGH: -1, RATIO: 1, DISCHARGE: 1, DUCT: 1,
         APPROACH: 1},
    ),
    (
        "brelku_van", "undercharge", 0.85, "RB and man",
        {LOW: -1, SH: 1, SH_SUCTION: 1, SC: -1, HIGH: -1, RATIO: 1, DISCHARGE: 1, DUCT: 1,
         APPROACH: 1},
    ),
    ("pelvarn_pickup", "condenser_blockage", 0.5, "RB",
     {HIGH: 1, LIFT: 1, RATIO: 1, DISCHARGE: 1}),
    ("brelku_van", "condenser_blockage", 0.5, "RB", {HIGH: 1, LIFT: 1, RATIO: 1, DISCHARGE: 1}),
    ("yarpelo_wagon", "condenser_blockage", 0.5, "RB",
     {HIGH: 1, LIFT: 1, RATIO: 1, DISCHARGE: 1}),
    ("pelvarn_pickup", "dead_fan", 0.5, "man",
     {LOW: 1, HIGH: 1, LIFT: 1, RATIO: 1, DISCHARGE: 1, DUCT: 1}),
    ("brelku_van", "dead_fan", 0.5, "man",
     {LOW: 1, HIGH: 1, LIFT: 1, RATIO: 1, DISCHARGE: 1, DUCT: 1}),
    ("pelvarn_pickup", "compressor_wear", 0.5, "RB and man",
     {LOW: 1, HIGH: -1, RATIO: -1, DUCT: 1}),
    ("brelku_van", "compressor_wear", 0.5, "RB and man",
     {LOW: 1, HIGH: -1, RATIO: -1, DUCT: 1}),
    (
        "pelvarn_pickup", "valve_underfeeding", 0.7, "RB and man",
        {LOW: -1, SH: 1, SH_SUCTION: 1, HIGH: -1, RATIO: 1, DISCHARGE: 1, DUCT: 1, APPROACH: 1},
    ),
    (
        "brelku_van", "valve_underfeeding", 0.75, "RB and man",
        {LOW: -1, SH: 1, SH_SUCTION: 1, HIGH: -1, RATIO: 1, DISCHARGE: 1, DUCT: 1, APPROACH: 1},
    ),
    ("yarpelo_wagon", "valve_underfeeding", 0.6, "RB and cp",
     {LOW: -1, HIGH: -1, SC: 1, RATIO: 1, DISCHARGE: 1, DUCT: 1, APPROACH: 1}),
    ("pelvarn_pickup", "blend_door_leak", 0.5, "cp",
     {LOW: 0, HIGH: 0, SH: 0, SC: 0, DISCHARGE: 0, DUCT: 1, APPROACH: 1}),
    ("vindrel_hatch", "blend_door_leak", 0.5, "cp",
     {LOW: 0, HIGH: 0, SH: 0, SC: 0, DISCHARGE: 0, DUCT: 1, APPROACH: 1}),
]  # fmt: skip

MILD_ROWS = [
    ("brelku_van", "undercharge", 0.5, "cp", {LOW: 0, DUCT: 0, SC: -1}),
    ("brelku_van", "compressor_wear", 0.5, "cp",
     {LOW: 0, SH: 0, DUCT: 0, DISCHARGE: 1, COMMAND: 1}),
    ("vindrel_hatch", "compressor_wear", 0.3, "cp", {LOW: 0, DUCT: 0, DISCHARGE: 1}),
    ("brelku_van", "condenser_blockage", 0.8, "cp", {DUCT: 0, LIFT: 1, DISCHARGE: 1}),
    ("brelku_van", "valve_underfeeding", 0.8, "cp", {LOW: -1, SH: 1, DISCHARGE: 1, COMMAND: 1}),
    ("osmelto_saloon", "compressor_wear", 0.3, "cp", {LOW: 0, DISCHARGE: 1}),
    ("brelku_van", "blend_door_leak", 0.5, "cp",
     {LOW: 0, HIGH: 0, SH: 0, SC: 0, COMMAND: 0, DUCT: 1}),
]  # fmt: skip


# warm enough that the fan stands at full speed with and without the fault
WARM = {"ambient_c": 30.0, "humidity_pct": 40.0, "engine_rpm": 1500.0}
WARM_ROWS = [
    # the pneumatic valve keeps the low side right while the car blows warm
    ("osmelto_saloon", "valve_underfeeding", 0.8, "cp", {LOW: 0, SH: 1, HIGH: -1, DUCT: 1}),
]


CASES = [
    (air, *row)
    for air, rows in ((HOT, HOT_ROWS), (MILD, MILD_ROWS), (WARM, WARM_ROWS))
    for row in rows
]


@pytest.fixture(scope="module")
def changes(bench, settled, setup_of):
    """What every fault changes, healthy and faulty cars of all cases simulated together."""
    healthy = [setup_of(model_id, **air) for air, model_id, *_ in CASES]
    faulty = [
        setup_of(model_id, fault=fault, severity=severity, **air)
        for air, model_id, fault, severity, *_ in CASES
    ]
    curves = bench(healthy + faulty)
    n = len(CASES)
    return {name: settled(curves, name)[n:] - settled(curves, name)[:n] for name in NOISE}


@pytest.mark.parametrize(
    "case",
    range(len(CASES)),
    ids=[
        f"{model_id}-{fault}-{severity}-{air['ambient_c']:.0f}C"
        for air, model_id, fault, severity, *_ in CASES
    ],
)
def test_fault_moves_what_the_tables_say(changes, case):
    *_, source, signs = CASES[case]
    wrong = {}
    for name, sign in signs.items():
        change = float(changes[name][case])
        agrees = abs(change) <= 2.0 * NOISE[name] if sign == 0 else change * sign > NOISE[name]
        if not agrees:
            wrong[name] = (sign, round(change, 2))
    assert wrong == {}, source


@pytest.mark.parametrize(
    ("model_id", "fluid"), [("pelvarn_pickup", "R134a"), ("brelku_van", "R1234yf")]
)
def test_a_worn_compressor_heats_its_gas_beyond_ideal(bench, settled, setup_of, model_id, fluid):
    # excess over ideal compression between the same pressures rises with wear (Li, Purdue
    # thesis); the ideal end point comes from CoolProp directly
    curves = bench(
        [setup_of(model_id, fault="compressor_wear", severity=s, **HOT) for s in (0.0, 0.4, 0.8)]
    )
    low, high = settled(curves, "low_side_kpa") * 1e3, settled(curves, "high_side_kpa") * 1e3
    suction_k = settled(curves, "compressor_suction_c") + 273.15
    entropy = PropsSI("S", "P", low, "T", suction_k, fluid)
    ideal_c = PropsSI("T", "P", high, "S", entropy, fluid) - 273.15
    excess = settled(curves, "compressor_discharge_c") - ideal_c
    assert np.all(np.diff(excess) > 2.0)


def test_reserve_charge_hides_a_small_loss_and_then_subcooling_falls(bench, settled, setup_of):
    # flat while the receiver holds reserve, then falling, then zero (physics of receivers)
    lost_g = [0.0, 40.0, 80.0, 130.0, 160.0, 210.0, 260.0]
    setups = [setup_of("brelku_van", short_g=g, **HOT) for g in lost_g]
    subcooling = settled(bench(setups), "subcooling_k")
    assert np.ptp(subcooling[:3]) < 0.3
    assert subcooling[2] > subcooling[3] + 0.5
    assert subcooling[3] > subcooling[4] + 0.5
    assert subcooling[6] < 1.0


DOSES = {
    "undercharge": (SC, -1, (0.0, 0.3, 0.36, 0.4)),  # past that subcooling is gone altogether
    "condenser_blockage": (LIFT, 1, (0.0, 0.4, 0.6, 0.8)),
    "dead_fan": (LIFT, 1, (0.0, 0.4, 0.6, 0.8)),
    "compressor_wear": (LOW, 1, (0.0, 0.4, 0.6, 0.8)),
    "valve_underfeeding": (SH, 1, (0.0, 0.5, 0.65, 0.8)),
    "blend_door_leak": (DUCT, 1, (0.0, 0.4, 0.6, 0.8)),
}


@pytest.fixture(scope="module")
def doses(bench, setup_of):
    return bench(
        [
            setup_of("pelvarn_pickup", fault=fault, severity=severity, **HOT)
            for fault, (_, _, severities) in DOSES.items()
            for severity in severities
        ]
    )


@pytest.mark.parametrize("fault", DOSES)
def test_worse_faults_show_more(doses, settled, fault):
    name, sign, _ = DOSES[fault]
    place = 4 * list(DOSES).index(fault)
    steps = sign * np.diff(settled(doses, name)[place : place + 4])
    assert np.all(steps > 0.0), steps
