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


# the air around the clamps as `air_columns` makes it
AROUND = {"hood_air_c": 48.0, "wall_air_c": 42.0}


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
        **AROUND,
        "duct_air_source": "duct_air_c",
        **{sensor_column(channel): None for channel in SENSORS},
        **told,
    }
    told = pl.DataFrame({**POINT, **slopes, **circumstances})
    sensors = pl.selectors.starts_with("sensor:")
    numbers = (sensors, pl.col("hood_air_c", "wall_air_c"))
    at = told.with_columns(
        *(columns.cast(pl.Float64) for columns in numbers),
        pl.col("clamps_insulated").cast(pl.Boolean),
    )
    return at.select(sensor_uncertainty(record, settings)).item()


def test_superheat_uncertainty_by_hand():
    # 1 psi is worth 0.61 K at 2 degC (physics table, CoolProp): at 4.6 degC, 10 kPa at 95 %
    # are 10 / 2 * 0.0855 = 0.43 K; sensor 1.5 K / 2 = 0.75 K; contact not noted, all of
    # 0.04 * (42 - 6) K = 1.44 K; port beside the clamp 0.2 K / 2 = 0.1 K, at the other end
    # 1.6 K / 2 = 0.8 K
    near = uncertainty("evaporator_outlet_superheat_k", low_port_station="evaporator_outlet")
    far = uncertainty("evaporator_outlet_superheat_k", low_port_station="compressor_suction")
    assert near == pytest.approx((0.43**2 + 0.75**2 + 1.44**2 + 0.1**2) ** 0.5, abs=0.005)
    assert far == pytest.approx((0.43**2 + 0.75**2 + 1.44**2 + 0.8**2) ** 0.5, abs=0.005)


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
    # by hand: the squares differ by those of 0.2 K / 2 and, on the suction line, 1.6 K / 2, over
    # the condenser 1.0 K / 2
    squares = [uncertainty(name, **{column: where}) ** 2 for where in (beside, elsewhere, "")]
    far_k = 0.8 if column == "low_port_station" else 0.5
    assert squares[1] - squares[0] == pytest.approx(far_k**2 - 0.1**2, abs=1e-9)
    assert squares[2] == squares[1]


def test_a_bare_clamp_is_less_certain_and_most_so_on_the_cold_line():
    # common practice, no source: insulated clamps read 0.03 of the way to the air around them,
    # bare ones 0.07, each within 70 % of it at 95 %; the air is known within 12 K at 95 %
    def contact(name, span_k, *, insulated):
        share = 0.03 if insulated else 0.07
        found = uncertainty(name, clamps_insulated=insulated)
        other = uncertainty(
            name,
            DerivationSettings(insulated_clamp_share=0.0, bare_clamp_share=0.0),
            clamps_insulated=insulated,
        )
        expected = share * ((0.35 * span_k) ** 2 + 6.0**2) ** 0.5
        assert (found**2 - other**2) ** 0.5 == pytest.approx(expected)
        return expected

    for insulated in (True, False):
        contact("compressor_suction_superheat_k", 48.0 - 15.0, insulated=insulated)
        contact("condenser_outlet_subcooling_k", 48.0 - 52.0, insulated=insulated)
        contact("compressor_discharge_c", 48.0 - 80.0, insulated=insulated)


def test_without_air_to_go_by_the_whole_effect_is_uncertain():
    # a suction line is taken to be 50 K below the hood's air (common practice, no source)
    found = uncertainty("compressor_suction_superheat_k", clamps_insulated=True, hood_air_c=None)
    bare = uncertainty("compressor_suction_superheat_k", clamps_insulated=False, hood_air_c=None)
    assert bare**2 - found**2 == pytest.approx((0.07**2 - 0.03**2) * 50.0**2)


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
