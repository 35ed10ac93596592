"""The catalogue is complete and its sensitivities are the derivatives of its expressions."""

from __future__ import annotations

import polars as pl
import pytest
from built_logs import LEVELS

from features.catalogue import CONDITIONS, FEATURE_RECORDS, FEATURES, INTERMEDIATES, Feature
from features.channels import CHANNEL
from features.refrigerant import add_saturation_temperatures
from features.settings import DerivationSettings
from features.uncertainty import sensor_uncertainty

POINT = {
    **LEVELS,
    "rear_evaporator_outlet_c": 7.0,
    "condenser_air_c": 35.0,
    "test_id": "a",
    "condenser_air_source": "ambient_air_c",
}
CONTEXT = pl.DataFrame({"test_id": ["a"], "refrigerant": ["R1234yf"]})
WINDOW_FEATURES = [record for record in FEATURE_RECORDS if record.scope == "window"]


def value_at(record, **changed):
    point = pl.DataFrame({name: [value] for name, value in {**POINT, **changed}.items()})
    return add_saturation_temperatures(point, CONTEXT).select(record.expression).item()


def slope_columns():
    def temperatures(step):
        point = pl.DataFrame({name: [value] for name, value in POINT.items()})
        pressures = pl.col("low_side_kpa", "high_side_kpa")
        return add_saturation_temperatures(point.with_columns(pressures + step), CONTEXT)

    above, below = temperatures(0.5), temperatures(-0.5)
    names = {
        "evaporating_slope_k_per_kpa": "evaporating_dew_c",
        "condensing_slope_k_per_kpa": "condensing_bubble_c",
        "discharge_slope_k_per_kpa": "discharge_dew_c",
    }
    return {slope: above[name].item() - below[name].item() for slope, name in names.items()}


@pytest.mark.parametrize("record", WINDOW_FEATURES, ids=lambda record: record.name)
def test_sensitivities_are_the_derivatives(record):
    at = pl.DataFrame({name: [value] for name, value in {**POINT, **slope_columns()}.items()})
    for name, sensitivity in record.sensitivities.items():
        if name == "tap_drop_k":
            continue
        step = 1.0 if name.endswith("_kpa") else 0.1
        rise = value_at(record, **{name: POINT[name] + step}) - value_at(
            record, **{name: POINT[name] - step}
        )
        assert at.select(sensitivity).item() == pytest.approx(rise / (2 * step), rel=2e-3)


@pytest.mark.parametrize("record", WINDOW_FEATURES, ids=lambda record: record.name)
def test_every_channel_behind_a_feature_has_a_sensitivity(record):
    for name in record.inputs:
        behind = INTERMEDIATES.get(name, (name,))
        assert name in record.sensitivities or set(behind) & set(record.sensitivities)


def test_superheat_uncertainty_by_hand():
    # 1 psi is worth 0.61 K at 2 degC (physics table, CoolProp): at 4.6 degC, 10 kPa at 95 %
    # are 10 / 2 * 0.0855 = 0.43 K; clamp 2 K / 2 = 1.0 K; port 1 K / 2 = 0.5 K:
    # sqrt(0.43^2 + 1.0^2 + 0.5^2) = 1.20 K
    record = next(r for r in FEATURE_RECORDS if r.name == "evaporator_outlet_superheat_k")
    at = pl.DataFrame({**POINT, "evaporating_slope_k_per_kpa": 0.0855})
    found = at.select(sensor_uncertainty(record, DerivationSettings())).item()
    assert found == pytest.approx(1.20, abs=0.005)


def test_names_units_and_inputs_are_consistent():
    suffix = {"kPa": "_kpa", "degC": "_c", "K": "_k", "1/min": "_per_min", "%": "_pct"}
    known = {*CHANNEL, *INTERMEDIATES}
    for record in FEATURE_RECORDS:
        assert record.name.endswith(suffix.get(record.unit, "")), record.name
        assert set(record.inputs) <= known
        assert set(record.channels) <= set(CHANNEL)
        assert record.meaning
        assert record.source
    for condition in CONDITIONS:
        assert set(condition.expression.meta.root_names()) <= known


def test_the_table_has_every_feature_with_its_uncertainty():
    columns = FEATURES.schema
    assert len(columns) == len(FEATURES.columns)
    for record in FEATURE_RECORDS:
        assert record.name in columns
        assert record.uncertainty_name in columns
    assert "low_side_uncertainty_kpa" in columns
    assert "pressure_ratio_uncertainty" in columns
    assert "fan_events_uncertainty_per_min" in columns


def test_inputs_come_from_the_expression():
    record = Feature("x_k", "K", "a difference", pl.col("duct_air_c") - pl.col("evaporating_dew_c"))
    assert record.inputs == ("duct_air_c", "evaporating_dew_c")
    assert record.channels == ("duct_air_c", "low_side_kpa")
