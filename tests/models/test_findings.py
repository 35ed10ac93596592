"""The dictionary of findings: complete, sided, and in the trade's words."""

from __future__ import annotations

import pytest

from features.catalogue import FEATURE
from models.assessments import can_come_of_clamps, rests_on_one_sensor
from models.findings import CORE_SIDES, FINDING, JUDGED, JUDGED_FEATURE, Finding


def test_every_finding_belongs_to_one_side_of_one_feature():
    sides = [side for feature in JUDGED for side in (feature.high, feature.low) if side]
    assert sorted(f.name for f in sides) == sorted(f.name for f in Finding)


def test_every_judged_feature_is_in_the_catalogue_with_its_unit_in_the_sentence():
    words = {"K": " K ", "degC": " K ", "kPa": " kPa ", "1": " ", "1/min": " per minute "}
    for feature in JUDGED:
        unit = FEATURE[feature.name].unit
        for finding in (feature.high, feature.low):
            if finding:
                assert "{delta}" + words[unit] in finding.value, finding
        assert 0 < feature.least_spread < feature.least_effect


def test_duct_is_adverse_on_its_warm_side_only():
    assert JUDGED_FEATURE["duct_air_c"].low is None
    assert JUDGED_FEATURE["duct_drop_k"].high is None


def test_superheat_and_subcooling_name_their_station():
    stations = ("evaporator outlet", "compressor", "condenser outlet", "expansion device")
    for finding in Finding:
        if "superheat" in finding.value or "subcooling" in finding.value:
            assert any(station in finding.value for station in stations), finding


def test_findings_never_order_a_repair():
    orders = ("refill", "top up", "recharge", "replace", "add refrigerant")
    assert not [f for f in Finding if any(word in f.value for word in orders)]


def test_codes_lead_back_to_their_sentence():
    assert FINDING["duct_air_warm"].sentence("5.2") == "duct air 5.2 K warmer than expected"


def test_core_sides_are_judged_features():
    for side in CORE_SIDES:
        assert set(side.features + side.without_heat_exchanger) <= set(JUDGED_FEATURE)


@pytest.mark.parametrize(
    ("features", "one"),
    [
        (["duct_air_c", "duct_drop_k"], True),
        (["low_side_kpa", "evaporator_outlet_superheat_k", "pressure_ratio"], True),
        (["condenser_outlet_subcooling_k", "duct_air_c"], False),
        (["high_side_kpa", "low_side_kpa"], False),
        ([], False),
    ],
)
def test_findings_of_one_sensor_are_recognised(features, one):
    assert rests_on_one_sensor(features) is one


# Which way a clamp errs between its pipe and warmer air under the hood, worked out by hand:
# suction line 10 and liquid line 45 below 60 degC read warm, so superheat comes out high and
# subcooling low; the discharge line at 85 above it reads cool (common practice, no source).
@pytest.mark.parametrize(
    ("codes", "by_clamps"),
    [
        (["evaporator_outlet_superheat_high", "subcooling_low"], True),
        (["suction_superheat_high", "expansion_inlet_subcooling_low"], True),
        (["suction_superheat_high", "discharge_temperature_low"], True),
        (["evaporator_outlet_superheat_low", "subcooling_high"], False),
        (["evaporator_outlet_superheat_high", "discharge_temperature_high"], False),
        (["evaporator_outlet_superheat_high", "subcooling_low", "duct_air_warm"], False),
        (["evaporator_outlet_superheat_high", "subcooling_low", "low_side_pressure_low"], False),
        ([], False),
    ],
)
def test_what_heat_under_the_hood_does_to_clamps_is_recognised(codes, by_clamps):
    assert can_come_of_clamps(codes) is by_clamps
