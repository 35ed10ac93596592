"""The dictionary of derived quantities: every feature and condition a record.

Holds the records of windows and rates, `CONDITIONS`, all records together as
`FEATURE_RECORDS`, and the table `FEATURES` (one row per test and regime) that derives from
them. Expressions read the columns of a block frame (`features.blocks`): channels,
saturation temperatures, condenser air. Does not belong here: what a record is (`records`),
the cycle as a whole (`cycle_records`), finding windows (`windows`), carrying the
expressions out (`window_values`, `cycle_values`, `rates`).

Superheat and subcooling always name their station: behind an internal heat exchanger a
superheat of 10 to 25 K is normal (common practice, no source), at the evaporator outlet
it is not. The saturation temperature is that of the pressure at the service port, which
may sit elsewhere (`low_port_station`, `high_port_station` of the context), and nothing is
added for the drop between: what is stated is what a technician reads off the gauge.

Which way the port pulls (drops of 0.2 to 0.5 bar on the suction side and 0.3 to 1.0 bar
over the condenser, common practice, no source: 2 to 5 K and 1 to 3 K)
- low-side port at the compressor: superheat at the evaporator outlet and the approach of
  the duct air read high, because the port's dew point is below the evaporator's;
- low-side port at the evaporator: superheat at the compressor reads low;
- high-side port at the compressor: subcooling reads high, at both stations;
- high-side port behind the condenser: superheat at the discharge reads high.
The drop is one of the design and much the same for all cars of a model; how much it
changes with flow is in the uncertainty.
"""

from __future__ import annotations

import polars as pl

from features.channels import CHANNEL
from features.cycle_records import CYCLE_RECORDS
from features.explained_records import EXPLAINED_RECORDS
from features.rate_records import RATE_RECORDS
from features.records import Condition, Feature, Port
from features.tables import Column, Table
from features.transient_records import TRANSIENT_RECORDS
from features.whole_test_records import STANDING_RECORDS

_ONE = pl.lit(1.0)
_EVAPORATING_SLOPE = pl.col("evaporating_slope_k_per_kpa")
_CONDENSING_SLOPE = pl.col("condensing_slope_k_per_kpa")
_DISCHARGE_SLOPE = pl.col("discharge_slope_k_per_kpa")
_STATION_SOURCE = "superheat from the dew point, subcooling from the bubble point, by station"
_SUBCRITICAL = "1 kPa to 0.95 of the critical pressure, blends 0.90; R-744 never"


_AT_EVAPORATOR = Port("low_port_station", "evaporator_outlet")
_AT_SUCTION = Port("low_port_station", "compressor_suction")
_AT_DISCHARGE = Port("high_port_station", "compressor_discharge")
_AT_CONDENSER_OUTLET = Port("high_port_station", "condenser_outlet")


def _superheat(clamp: str, name: str, meaning: str, port: Port) -> Feature:
    return Feature(
        name,
        "K",
        meaning,
        pl.col(clamp) - pl.col("evaporating_dew_c"),
        {clamp: _ONE, "low_side_kpa": -_EVAPORATING_SLOPE, "tap_drop_k": _ONE},
        source=_STATION_SOURCE,
        validity=_SUBCRITICAL,
        port=port,
        is_never_negative=True,
    )


def _subcooling(clamp: str, name: str, meaning: str) -> Feature:
    return Feature(
        name,
        "K",
        meaning,
        pl.col("condensing_bubble_c") - pl.col(clamp),
        {clamp: -_ONE, "high_side_kpa": _CONDENSING_SLOPE, "tap_drop_k": _ONE},
        source=_STATION_SOURCE,
        validity=_SUBCRITICAL,
        port=_AT_CONDENSER_OUTLET,
        is_never_negative=True,
    )


def _measured(name: str, meaning: str) -> Feature:
    return Feature(name, CHANNEL[name].unit, meaning, pl.col(name), {name: _ONE}, source="measured")


WINDOW_RECORDS: tuple[Feature, ...] = (
    _measured("low_side_kpa", "low-side pressure, absolute"),
    _measured("high_side_kpa", "high-side pressure, absolute"),
    Feature(
        "pressure_ratio", "1", "high-side over low-side pressure, both absolute",
        pl.col("high_side_kpa") / pl.col("low_side_kpa"),
        {
            "high_side_kpa": 1.0 / pl.col("low_side_kpa"),
            "low_side_kpa": -pl.col("high_side_kpa") / pl.col("low_side_kpa") ** 2,
        },
    ),
    Feature(
        "evaporating_dew_c", "degC", "dew temperature at the low-side pressure",
        pl.col("evaporating_dew_c"), {"low_side_kpa": _EVAPORATING_SLOPE},
        validity=_SUBCRITICAL,
    ),
    Feature(
        "condensing_bubble_c", "degC", "bubble temperature at the high-side pressure",
        pl.col("condensing_bubble_c"), {"high_side_kpa": _CONDENSING_SLOPE},
        validity=_SUBCRITICAL,
    ),
    _superheat(
        "evaporator_outlet_c", "evaporator_outlet_superheat_k",
        "superheat at the evaporator outlet, before any internal heat exchanger",
        _AT_EVAPORATOR,
    ),
    _superheat(
        "rear_evaporator_outlet_c", "rear_evaporator_outlet_superheat_k",
        "superheat at the rear evaporator outlet", _AT_EVAPORATOR,
    ),
    _superheat(
        "compressor_suction_c", "compressor_suction_superheat_k",
        "superheat at the compressor; an internal heat exchanger adds to it by design",
        _AT_SUCTION,
    ),
    Feature(
        "compressor_discharge_superheat_k", "K", "superheat of the gas leaving the compressor",
        pl.col("compressor_discharge_c") - pl.col("discharge_dew_c"),
        {
            "compressor_discharge_c": _ONE,
            "high_side_kpa": -_DISCHARGE_SLOPE,
            "tap_drop_k": _ONE,
        },
        source=_STATION_SOURCE, validity=_SUBCRITICAL, port=_AT_DISCHARGE, is_never_negative=True,
    ),
    _measured("compressor_discharge_c", "discharge line temperature"),
    _subcooling(
        "condenser_outlet_c", "condenser_outlet_subcooling_k",
        "subcooling at the condenser outlet, before any internal heat exchanger",
    ),
    _subcooling(
        "expansion_inlet_c", "expansion_inlet_subcooling_k",
        "subcooling at the expansion device; an internal heat exchanger adds to it by design",
    ),
    _measured("duct_air_c", "air at the duct outlets, mean"),
    Feature(
        "duct_drop_k", "K", "intake air minus duct air",
        pl.col("intake_air_c") - pl.col("duct_air_c"), {"intake_air_c": _ONE, "duct_air_c": -_ONE},
        validity="a trusted intake",
    ),
    Feature(
        "evaporator_approach_k", "K", "duct air minus the evaporating dew temperature",
        pl.col("duct_air_c") - pl.col("evaporating_dew_c"),
        {"duct_air_c": _ONE, "low_side_kpa": -_EVAPORATING_SLOPE, "tap_drop_k": _ONE},
        validity=_SUBCRITICAL, port=_AT_EVAPORATOR,
    ),
    Feature(
        "condensing_over_air_k", "K",
        "condensing bubble temperature minus the air entering the condenser",
        pl.col("condensing_bubble_c") - pl.col("condenser_air_c"),
        {"high_side_kpa": _CONDENSING_SLOPE, "condenser_air_c": -_ONE},
        validity=_SUBCRITICAL,
    ),
)  # fmt: skip

FEATURE_RECORDS = (
    *WINDOW_RECORDS,
    *CYCLE_RECORDS,
    *RATE_RECORDS,
    *STANDING_RECORDS,
    *TRANSIENT_RECORDS,
    *EXPLAINED_RECORDS,
)
FEATURE: dict[str, Feature] = {feature.name: feature for feature in FEATURE_RECORDS}


def _logged(name: str, meaning: str) -> Condition:
    return Condition(name, CHANNEL[name].unit, meaning, pl.col(name))


CONDITIONS: tuple[Condition, ...] = (
    _logged("intake_air_c", "air entering the evaporator case"),
    _logged("intake_humidity_pct", "relative humidity of the intake air"),
    Condition(
        "intake_enthalpy_kj_per_kg", "kJ/kg", "enthalpy of the intake air per kg of dry air",
        pl.col("intake_enthalpy_kj_per_kg"),
    ),
    Condition(
        "condenser_air_c", "degC", "air entering the condenser, or the best stand-in for it",
        pl.col("condenser_air_c"),
    ),
    _logged("ambient_air_c", "ambient air, logged"),
    _logged("ambient_humidity_pct", "relative humidity of the ambient air, logged"),
    _logged("engine_rpm", "engine speed"),
    _logged("blower_pct", "blower setting, logged"),
    _logged("recirculation_pct", "recirculation flap, logged"),
    _logged("vehicle_speed_kmh", "vehicle speed"),
    _logged("condenser_fan_pct", "condenser fan command"),
)  # fmt: skip

_LEADING_COLUMNS = (
    Column("test_id", pl.String(), "", "the test"),
    Column("regime", pl.String(), "", "control regime, or whole_test for rates of the whole log"),
    Column("window_kind_code", pl.String(), "", "steady or periodic; never mixed in one row"),
    Column("n_windows", pl.Int32(), "1", "windows behind the row"),
    Column("steady_s", pl.Float64(), "s", "time covered by these windows"),
    Column(
        "condenser_air_source", pl.String(), "",
        "where condenser_air_c comes from: condenser_inlet_air_c, ambient_air_c or noted",
    ),
    Column(
        "duct_air_source", pl.String(), "",
        "where duct_air_c comes from: duct_air_c, both_sides, duct_left_c or duct_right_c",
    ),
)  # fmt: skip


def _feature_columns(feature: Feature) -> tuple[Column, Column]:
    unit = "K" if feature.unit == "degC" else feature.unit
    return (
        Column(feature.name, pl.Float64(), feature.unit, feature.meaning),
        Column(
            feature.uncertainty_name, pl.Float64(), unit, f"standard uncertainty of {feature.name}"
        ),
    )


FEATURES = Table(
    "features",
    "one row per test and regime",
    ("test_id", "regime"),
    (
        *_LEADING_COLUMNS,
        *(Column(c.name, pl.Float64(), c.unit, c.meaning) for c in CONDITIONS),
        *(column for feature in FEATURE_RECORDS for column in _feature_columns(feature)),
    ),
)
