"""Air as the features need it: one duct, one condenser inlet, one enthalpy.

Takes blocks and what is known of their tests; adds duct_air_c (mean of the left and right
ducts where the mean was not logged), condenser_air_c with condenser_air_source, and
intake_enthalpy_kj_per_kg. Does not belong here: formulas of moist air (`air`).
"""

from __future__ import annotations

import polars as pl

from features.air import (
    atmospheric_pressure_kpa_expression,
    humidity_ratio_expression,
    moist_air_enthalpy_kj_per_kg_expression,
)

# The atmosphere at sea level, where neither a barometer nor an altitude is given: 1 % of
# pressure is 0.3 kJ/kg at 25 degC and 50 %.
_SEA_LEVEL_KPA = 101.325

NOTED = "noted"


def add_duct_air(blocks: pl.DataFrame) -> pl.DataFrame:
    """The blocks with duct_air_c: as logged in the test, else the mean of left and right.

    Decided per test, so that the value does not jump between two definitions.
    """
    sides = [name for name in ("duct_left_c", "duct_right_c") if name in blocks.columns]
    if not sides:
        return blocks
    mean = pl.mean_horizontal(sides)
    if "duct_air_c" not in blocks.columns:
        return blocks.with_columns(duct_air_c=mean)
    is_logged = pl.col("duct_air_c").is_not_null().any().over("test_number")
    return blocks.with_columns(
        duct_air_c=pl.when(is_logged).then(pl.col("duct_air_c")).otherwise(mean)
    )


def add_condenser_air(blocks: pl.DataFrame) -> pl.DataFrame:
    """The blocks with condenser_air_c and its source, decided per test.

    The air entering the condenser; else the logged ambient air, which at idle can be many
    degrees cooler; else the ambient temperature noted for the test (noted_ambient_c).
    """
    source = pl.lit(None, pl.String)
    value = pl.lit(None, pl.Float64)
    for name, code in (
        ("noted_ambient_c", NOTED),
        ("ambient_air_c", "ambient_air_c"),
        ("condenser_inlet_air_c", "condenser_inlet_air_c"),
    ):
        if name in blocks.columns:
            is_known = pl.col(name).is_not_null().any().over("test_number")
            source = pl.when(is_known).then(pl.lit(code)).otherwise(source)
            value = pl.when(is_known).then(pl.col(name)).otherwise(value)
    return blocks.with_columns(condenser_air_c=value, condenser_air_source=source)


def add_intake_enthalpy(blocks: pl.DataFrame) -> pl.DataFrame:
    """The blocks with intake_enthalpy_kj_per_kg; null without intake temperature and humidity.

    The pressure of the air is the logged barometer, else the noted one, else that of the
    standard atmosphere at the test's altitude, else that of the sea level.
    """
    if not {"intake_air_c", "intake_humidity_pct"} <= set(blocks.columns):
        return blocks.with_columns(intake_enthalpy_kj_per_kg=pl.lit(None, pl.Float64))
    barometers = [
        name for name in ("barometric_kpa", "noted_barometric_kpa") if name in blocks.columns
    ]
    pressure_kpa = pl.coalesce(
        *barometers,
        atmospheric_pressure_kpa_expression(pl.col("altitude_m")),
        pl.lit(_SEA_LEVEL_KPA),
    )
    ratio = humidity_ratio_expression(
        pl.col("intake_air_c"), pl.col("intake_humidity_pct"), pressure_kpa
    )
    return blocks.with_columns(
        intake_enthalpy_kj_per_kg=moist_air_enthalpy_kj_per_kg_expression(
            pl.col("intake_air_c"), ratio
        )
    )
