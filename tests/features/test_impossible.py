"""Superheat and subcooling far below zero are the instrument's fault, never the car's."""

from __future__ import annotations

import pytest
from built_logs import context, log

from features.derive import derive
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
CLAMPS = (
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
)


def judged(**curves):
    found = derive(log(**curves), context(), SETTINGS)
    return found.features.filter(regime="saturated").row(0, named=True), found.trust


# R-134a boils at 0 degC under 292.8 kPa and condenses at 60 degC under 1681.8 kPa (printed
# table of proptables 0.1.1); no suction line is colder and no liquid line hotter than that
@pytest.mark.parametrize(
    ("clamp", "feature", "possible_c", "impossible_c", "rule_code"),
    [
        ("evaporator_outlet_c", "evaporator_outlet_superheat_k", -1.0, -9.0, "impossible"),
        ("compressor_suction_c", "compressor_suction_superheat_k", -1.0, -9.0, "impossible"),
        # what the levels of the whole log tell is told sooner, by a rule of its own
        (
            "compressor_discharge_c", "compressor_discharge_superheat_k", 59.0, 51.0,
            "clamp_off_line",
        ),
        (
            "condenser_outlet_c", "condenser_outlet_subcooling_k", 61.0, 69.0,
            "liquid_line_above_condensing",
        ),
        (
            "expansion_inlet_c", "expansion_inlet_subcooling_k", 61.0, 69.0,
            "liquid_line_above_condensing",
        ),
    ],
)  # fmt: skip
def test_a_line_beyond_saturation_is_distrusted(
    clamp, feature, possible_c, impossible_c, rule_code
):
    alone = {name: None for name in CLAMPS if name != clamp}
    # a little below zero is what sensors do to a car without superheat; 9 K is not
    values, trust = judged(**{clamp: possible_c}, **alone)
    assert values[feature] == pytest.approx(-1.0, abs=0.1)
    assert trust.is_empty()
    values, trust = judged(**{clamp: impossible_c}, **alone)
    assert values.get(feature) is None
    assert trust.select("channel", "rule_code").rows() == [(clamp, rule_code)]
    assert trust["distrusted_share"].item() == 1.0


def test_the_sentence_says_how_far_below_zero():
    alone = {name: None for name in CLAMPS if name != "evaporator_outlet_c"}
    _, trust = judged(evaporator_outlet_c=-9.0, **alone)
    assert "-9.0 K" in trust["sentence"].item()


def test_an_accumulator_car_without_superheat_is_in_order():
    # an orifice tube floods its evaporator by design: superheat 0 at both ends of the
    # suction line (common practice, no source)
    samples = log(evaporator_outlet_c=0.0, compressor_suction_c=0.0)
    found = derive(samples, context(expansion_device="orifice_tube"), SETTINGS)
    values = found.features.filter(regime="saturated").row(0, named=True)
    assert values["evaporator_outlet_superheat_k"] == pytest.approx(0.0, abs=0.1)
    assert found.trust.is_empty()


def test_a_wrong_refrigerant_on_record_cannot_pass_for_a_car_without_charge():
    # propane on record for an R-134a car: 1681.8 kPa would condense near 49 degC, so the
    # liquid line at 58 degC would be hotter than its own boiling point
    found = derive(log(condenser_outlet_c=58.0), context(refrigerant="R290"), SETTINGS)
    values = found.features.filter(regime="saturated").row(0, named=True)
    assert values["condenser_outlet_subcooling_k"] is None
    assert "another refrigerant" in " ".join(found.trust["sentence"])
