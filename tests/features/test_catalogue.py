"""The catalogue is complete and its sensitivities are the derivatives of its expressions."""

from __future__ import annotations

import polars as pl
import pytest
from built_logs import LEVELS

from features.catalogue import CONDITIONS, FEATURE_RECORDS, FEATURES
from features.channels import CHANNEL
from features.instruments import SENSORS, sensor_column
from features.records import INTERMEDIATES, Feature
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


def uncertainty(name, settings=DerivationSettings(), **told):  # noqa: B008 - frozen record
    record = next(r for r in FEATURE_RECORDS if r.name == name)
    slopes = {
        "evaporating_slope_k_per_kpa": 0.0855,
        "condensing_slope_k_per_kpa": 0.032,
        "discharge_slope_k_per_kpa": 0.032,
    }
    circumstances = {
        "low_port_station": "",
        "high_port_station": "",
        "clamps_insulated": None,
        "duct_air_source": "duct_air_c",
        **{sensor_column(channel): None for channel in SENSORS},
        **told,
    }
    told = pl.DataFrame({**POINT, **slopes, **circumstances})
    sensors = pl.selectors.starts_with("sensor:")
    at = told.with_columns(sensors.cast(pl.Float64), pl.col("clamps_insulated").cast(pl.Boolean))
    return at.select(sensor_uncertainty(record, settings)).item()


def test_superheat_uncertainty_by_hand():
    # 1 psi is worth 0.61 K at 2 degC (physics table, CoolProp): at 4.6 degC, 10 kPa at 95 %
    # are 10 / 2 * 0.0855 = 0.43 K; sensor 1.5 K / 2 = 0.75 K; contact 0.04 * 50 K / 2 = 1.0 K;
    # port beside the clamp 1 K / 2 = 0.5 K, at the other end 2 K / 2 = 1.0 K
    near = uncertainty("evaporator_outlet_superheat_k", low_port_station="evaporator_outlet")
    far = uncertainty("evaporator_outlet_superheat_k", low_port_station="compressor_suction")
    assert near == pytest.approx((0.43**2 + 0.75**2 + 1.0**2 + 0.5**2) ** 0.5, abs=0.005)
    assert far == pytest.approx((0.43**2 + 0.75**2 + 1.0**2 + 1.0**2) ** 0.5, abs=0.005)


@pytest.mark.parametrize(
    ("name", "column", "beside", "elsewhere"),
    [
        ("evaporator_outlet_superheat_k", "low_port_station",
         "evaporator_outlet", "compressor_suction"),
        ("rear_evaporator_outlet_superheat_k", "low_port_station",
         "evaporator_outlet", "compressor_suction"),
        ("compressor_suction_superheat_k", "low_port_station",
         "compressor_suction", "evaporator_outlet"),
        ("condenser_outlet_subcooling_k", "high_port_station",
         "condenser_outlet", "compressor_discharge"),
        ("expansion_inlet_subcooling_k", "high_port_station",
         "condenser_outlet", "compressor_discharge"),
        ("compressor_discharge_superheat_k", "high_port_station",
         "compressor_discharge", "condenser_outlet"),
        ("evaporator_approach_k", "low_port_station", "evaporator_outlet", "compressor_suction"),
    ],
)  # fmt: skip
def test_a_port_elsewhere_or_unknown_makes_a_difference_less_certain(
    name, column, beside, elsewhere
):
    # by hand: the squares differ by those of 2 K / 2 and 1 K / 2
    squares = [uncertainty(name, **{column: where}) ** 2 for where in (beside, elsewhere, "")]
    assert squares[1] - squares[0] == pytest.approx(1.0**2 - 0.5**2, abs=1e-9)
    assert squares[2] == squares[1]


def test_a_bare_clamp_is_less_certain_and_most_so_on_the_cold_line():
    # common practice, no source: a clamp reads a share of the way to the air under the hood,
    # 50 K away from a suction line, 15 K from a liquid line, 25 K from a discharge line
    def added(name):
        bare, lagged = (uncertainty(name, clamps_insulated=told) for told in (False, True))
        return (bare**2 - lagged**2) ** 0.5

    per_kelvin = (0.08**2 - 0.02**2) ** 0.5 / 2
    assert added("compressor_suction_superheat_k") == pytest.approx(50 * per_kelvin)
    assert added("condenser_outlet_subcooling_k") == pytest.approx(15 * per_kelvin)
    assert added("compressor_discharge_c") == pytest.approx(25 * per_kelvin)


def test_an_instrument_that_states_its_accuracy_replaces_the_default():
    # low side 4 kPa at 95 %: 2 kPa, and nothing else enters a measured pressure
    assert uncertainty("low_side_kpa", **{sensor_column("low_side_kpa"): 2.0}) == 2.0
    assert uncertainty("low_side_kpa") == DerivationSettings().low_side_accuracy_kpa / 2


def test_the_mean_of_two_ducts_gains_nothing_and_one_side_alone_loses():
    # two sensors of one instrument may err together: 0.2 and 0.4 K make 0.3 K, not 0.22 K
    stated = {sensor_column("duct_left_c"): 0.2, sensor_column("duct_right_c"): 0.4}
    both = uncertainty("duct_air_c", duct_air_source="both_sides", **stated)
    left = uncertainty("duct_air_c", duct_air_source="duct_left_c", **stated)
    assert both == pytest.approx(0.3)
    # the other side may be 2 K / 2 away
    assert left == pytest.approx((0.2**2 + 1.0**2) ** 0.5)


def test_ambient_air_stands_in_for_the_condensers_at_a_price():
    # at idle the condenser face can be 18 K above ambient (SAE 2015-01-1689); what differs from
    # test to test is taken as 3 K at 95 %
    name = "condensing_over_air_k"
    at_face = uncertainty(name, condenser_air_source="condenser_inlet_air_c")
    ambient = uncertainty(name, condenser_air_source="ambient_air_c")
    noted = uncertainty(name, condenser_air_source="noted")
    assert ambient**2 - at_face**2 == pytest.approx(1.5**2)
    assert noted > ambient + 0.5


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
