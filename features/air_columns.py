"""Air as the features need it: one duct, one condenser inlet, one enthalpy.

Takes blocks and what is known of their tests; adds duct_air_c (mean of the left and right
ducts where the mean was not logged) with duct_air_source, condenser_air_c with
condenser_air_source, the air around clamps, and intake_enthalpy_kj_per_kg. One source
serves a whole test: a value must not jump because a sensor fell off half way. Does not belong
here: formulas of moist air (`air`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.air import (
    atmospheric_pressure_kpa_expression,
    humidity_ratio_expression,
    moist_air_enthalpy_kj_per_kg_expression,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

# The atmosphere at sea level, where neither a barometer nor an altitude is given: 1 % of
# pressure is 0.3 kJ/kg at 25 degC and 50 %.
_SEA_LEVEL_KPA = 101.325

# A source that is silent for more than half of a test gives way to the next (tuning value).
_LEAST_COVERAGE = 0.5

# Lines at the fire wall stand between the engine's air and that outside (common practice, no
# source; two thirds of the way).
_WALL_SHARE = 0.67

NOTED = "noted"
BOTH_SIDES = "both_sides"


def add_duct_air(blocks: pl.DataFrame) -> pl.DataFrame:
    """The blocks with duct_air_c and duct_air_source, decided per test.

    As logged; else the mean of left and right where both are known; else one side alone.
    The two sides of a car in order can differ by a few kelvin, so a block in which one of
    two sensors is silent has no mean, and one side alone is less certain.
    """
    both = (pl.col("duct_left_c") + pl.col("duct_right_c")) / 2
    candidates = {
        "duct_air_c": (("duct_air_c",), pl.col("duct_air_c")),
        BOTH_SIDES: (("duct_left_c", "duct_right_c"), both),
        "duct_left_c": (("duct_left_c",), pl.col("duct_left_c")),
        "duct_right_c": (("duct_right_c",), pl.col("duct_right_c")),
    }
    if not {"duct_air_c", "duct_left_c", "duct_right_c"} & set(blocks.columns):
        return blocks.with_columns(duct_air_source=pl.lit(None, pl.String))
    return _with_best_source(blocks, candidates, "duct_air_c", "duct_air_source")


def add_condenser_air(blocks: pl.DataFrame) -> pl.DataFrame:
    """The blocks with condenser_air_c and its source, decided per test.

    The air entering the condenser; else the logged ambient air, which at idle can be many
    degrees cooler; else the ambient temperature noted for the test (noted_ambient_c).
    """
    candidates = {
        code: ((name,), pl.col(name))
        for name, code in (
            ("condenser_inlet_air_c", "condenser_inlet_air_c"),
            ("ambient_air_c", "ambient_air_c"),
            ("noted_ambient_c", NOTED),
        )
    }
    return _with_best_source(blocks, candidates, "condenser_air_c", "condenser_air_source")


def add_clamp_air(blocks: pl.DataFrame, hood_over_ambient_k: float) -> pl.DataFrame:
    """The blocks with the air around clamps: hood_air_c at the engine, wall_air_c at the fire wall.

    By the logged air under the hood; else by ambient air and what the hood's usually is over it
    [K], which at idle also meets the condenser: up to 18 K (SAE 2015-01-1689). The sources are
    decided per test.
    """
    for name, share in (("hood_air_c", 1.0), ("wall_air_c", _WALL_SHARE)):
        hood, ambient, over_k = "underhood_air_c", "ambient_air_c", share * hood_over_ambient_k
        both = pl.col(ambient) + share * (pl.col(hood) - pl.col(ambient))
        candidates = {
            "both": ((hood, ambient), both),
            hood: ((hood,), pl.col(hood)),
            ambient: ((ambient,), pl.col(ambient) + over_k),
            NOTED: (("noted_ambient_c",), pl.col("noted_ambient_c") + over_k),
        }
        blocks = _with_best_source(blocks, candidates, name, f"{name}:source")
    return blocks.drop("hood_air_c:source", "wall_air_c:source")


def _with_best_source(
    blocks: pl.DataFrame,
    candidates: Mapping[str, tuple[tuple[str, ...], pl.Expr]],
    value_name: str,
    source_name: str,
) -> pl.DataFrame:
    """The blocks with a value and its source: per test the first candidate that covers enough.

    Enough is half of the test; where no candidate does, the first with any value serves.
    """
    usable = {code: v for code, (needs, v) in candidates.items() if {*needs} <= {*blocks.columns}}
    shares = {
        code: value.is_not_null().mean().over("test_number") for code, value in usable.items()
    }
    source = pl.lit(None, pl.String)
    for least in (0.0, _LEAST_COVERAGE):
        for code, share in reversed(shares.items()):
            is_good = (share > 0.0) & (share >= least)
            source = pl.when(is_good).then(pl.lit(code)).otherwise(source)
    value = pl.lit(None, pl.Float64)
    for code, candidate in usable.items():
        value = pl.when(pl.col(source_name) == code).then(candidate).otherwise(value)
    return blocks.with_columns(source.alias(source_name)).with_columns(value.alias(value_name))


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
    ratio = humidity_ratio_expression(
        pl.col("intake_air_c"), pl.col("intake_humidity_pct"), atmosphere_kpa(barometers)
    )
    return blocks.with_columns(
        intake_enthalpy_kj_per_kg=moist_air_enthalpy_kj_per_kg_expression(
            pl.col("intake_air_c"), ratio
        )
    )


def atmosphere_kpa(barometers: Sequence[str]) -> pl.Expr:
    """The pressure of the air: of the first barometer known, else by altitude, else sea level."""
    return pl.coalesce(
        *barometers,
        atmospheric_pressure_kpa_expression(pl.col("altitude_m")),
        pl.lit(_SEA_LEVEL_KPA),
    )
