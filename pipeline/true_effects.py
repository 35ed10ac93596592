"""What a fault truly did to a test: true station values against those without the fault.

Takes the truth of a simulated fleet (tests, and stations with the healthy twins of
`synthetic.healthy_twins`) and the contexts, gives one row per test: its standing, the quantity
moved most, how much warmer the duct became, grams beyond the receiver's reserve. Means over the
last five minutes with the compressor at work: what only swings about its mean moves nothing
here. Does not belong here: what was said of a test (`score_fleet`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.refrigerant import bubble_temperature_c, by_refrigerant, dew_temperature_c
from models.findings import JUDGED_FEATURE, NOT_ADVERSE_ON_ORIFICE_TUBES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from features.designations import Refrigerant

    Floats = NDArray[np.float64]

HEALTHY, AFFECTED, MASKED = "healthy", "affected", "masked"
STANDINGS = (HEALTHY, AFFECTED, MASKED)
CHARGE_FAULTS = ("undercharge", "overcharge")
COMPRESSOR_STANDS = "compressor"
"""The quantity of a test in which the fault keeps the compressor from working at all."""
_STANDS_EFFECT = 99.0
_STATIONS = (
    "low_side_kpa", "high_side_kpa", "duct_left_c", "duct_right_c", "intake_air_c",
    "condenser_inlet_air_c", "evaporator_outlet_c", "rear_evaporator_outlet_c",
    "compressor_suction_c", "compressor_discharge_c", "condenser_outlet_c", "expansion_inlet_c",
)  # fmt: skip
# temperatures at a place, over the dew point of a side or under the bubble point of the high one
_OVER_DEW = {
    "evaporator_approach_k": ("duct_air_c", "low_side_kpa"),
    "evaporator_outlet_superheat_k": ("evaporator_outlet_c", "low_side_kpa"),
    "rear_evaporator_outlet_superheat_k": ("rear_evaporator_outlet_c", "low_side_kpa"),
    "compressor_suction_superheat_k": ("compressor_suction_c", "low_side_kpa"),
    "compressor_discharge_superheat_k": ("compressor_discharge_c", "high_side_kpa"),
}
_UNDER_BUBBLE = {
    "condenser_outlet_subcooling_k": "condenser_outlet_c",
    "expansion_inlet_subcooling_k": "expansion_inlet_c",
}
QUANTITIES = (
    "low_side_kpa", "high_side_kpa", "pressure_ratio", "duct_air_c", "duct_drop_k",
    "condensing_over_air_k", "compressor_discharge_c", *_OVER_DEW, *_UNDER_BUBBLE,
)  # fmt: skip


def true_effects(
    truth: pl.DataFrame, stations: pl.DataFrame, context: pl.DataFrame
) -> pl.DataFrame:
    """What each test's fault truly did.

    Parameters
    ----------
    truth, stations
        Tables truth_tests and truth_stations of the simulator, with twins.
    context
        CONTEXT, for refrigerant and expansion device.

    Returns
    -------
    pl.DataFrame
        test_id, vehicle_id, fault, severity, standing, quantity (the one moved most), effect
        (in least effects worth reporting), duct_warmer_k, beyond_reserve_g (of charge faults:
        lost beyond the receiver's reserve, or filled beyond its room). A test is `affected`
        from an effect of 1 on, a fault without one `masked`; without a fault it is healthy,
        and so is a car a little off its charge whose quantities have not moved.
    """
    tests = (
        truth.select("test_id", "vehicle_id", "fault", "severity", "true_charge_g")
        .join(stations, on="test_id", how="left", maintain_order="left")
        .join(
            context.select("test_id", "refrigerant", "expansion_device"),
            on="test_id", how="left", maintain_order="left",
        )
    )  # fmt: skip
    known = tests.with_columns(_moved(tests)).with_columns(_charge_columns())
    standing = (
        pl.when(pl.col("healthy_charge_g").is_null() & (pl.col("severity") == 0.0))
        .then(pl.lit(HEALTHY))
        .when(pl.col("effect") >= 1.0)
        .then(pl.lit(AFFECTED))
        .when(pl.col("severity") > 0.0)
        .then(pl.lit(MASKED))
        .otherwise(pl.lit(HEALTHY))
    )
    return known.with_columns(standing.alias("standing")).select(
        "test_id", "vehicle_id", "fault", "severity", "standing", "quantity", "effect",
        "duct_warmer_k", "beyond_reserve_g",
    )  # fmt: skip


def _charge_columns() -> tuple[pl.Expr, ...]:
    """Grams beyond reserve or room; the name of a fault of charge that was too small for one."""
    lost_g = pl.col("healthy_charge_g") - pl.col("true_charge_g")
    name = pl.when(lost_g > 0.0).then(pl.lit("undercharge")).otherwise(pl.lit("overcharge"))
    is_small = (pl.col("severity") == 0.0) & pl.col("healthy_charge_g").is_not_null()
    fault = pl.when(is_small).then(name).otherwise("fault")
    beyond_g = (
        pl.when(fault == "undercharge")
        .then(lost_g - pl.col("reserve_g").fill_null(0.0))
        .when(fault == "overcharge")
        .then(-lost_g - pl.col("room_g").fill_null(0.0))
    )
    return fault.alias("fault"), beyond_g.alias("beyond_reserve_g")


def _moved(tests: pl.DataFrame) -> list[pl.Series]:
    """The quantity moved most, by how many least effects, and the duct's warming [K]."""
    found, healthy = _quantities(tests, "true_"), _quantities(tests, "healthy_")
    is_orifice = (tests["expansion_device"] == "orifice_tube").fill_null(value=False).to_numpy()
    effects = np.column_stack(
        [_effect(name, found[name] - healthy[name], is_orifice) for name in QUANTITIES]
    )
    stands = np.isnan(found["low_side_kpa"]) & ~np.isnan(healthy["low_side_kpa"])
    known = np.asarray(np.isfinite(effects).any(axis=1), dtype=np.bool_)
    largest = np.where(np.isfinite(effects), effects, -1.0)
    best = largest.argmax(axis=1)
    effect = np.where(known, largest.max(axis=1), np.nan)
    quantity = [
        COMPRESSOR_STANDS if stands[test] else QUANTITIES[best[test]] if known[test] else None
        for test in range(tests.height)
    ]
    warmer_k = found["duct_air_c"] - healthy["duct_air_c"]
    return [
        pl.Series("quantity", quantity, pl.String),
        pl.Series("effect", np.where(stands, _STANDS_EFFECT, effect)).fill_nan(None),
        pl.Series("duct_warmer_k", warmer_k).fill_nan(None),
    ]


def _effect(name: str, moved: Floats, is_orifice: NDArray[np.bool_]) -> Floats:
    """The shift in least effects; only a side that can be a finding counts."""
    judged = JUDGED_FEATURE[name]
    low_counts = np.full(moved.shape, judged.low is not None)
    if judged.low in NOT_ADVERSE_ON_ORIFICE_TUBES:
        low_counts &= ~is_orifice
    counts = np.where(moved > 0.0, judged.high is not None, low_counts)
    return np.where(np.isnan(moved), np.nan, np.where(counts, np.abs(moved), 0.0)) / (
        judged.least_effect
    )


def _quantities(tests: pl.DataFrame, prefix: str) -> dict[str, Floats]:
    at = {
        name: tests[f"{prefix}{name}"].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in _STATIONS
    }
    at["duct_air_c"] = (at["duct_left_c"] + at["duct_right_c"]) / 2.0
    by_side = by_refrigerant(_saturated, _SATURATED, tests["refrigerant"], at)
    return {
        "low_side_kpa": at["low_side_kpa"],
        "high_side_kpa": at["high_side_kpa"],
        "pressure_ratio": at["high_side_kpa"] / at["low_side_kpa"],
        "duct_air_c": at["duct_air_c"],
        "duct_drop_k": at["intake_air_c"] - at["duct_air_c"],
        "condensing_over_air_k": by_side["bubble_c"] - at["condenser_inlet_air_c"],
        "compressor_discharge_c": at["compressor_discharge_c"],
        **{name: at[place] - by_side[side] for name, (place, side) in _OVER_DEW.items()},
        **{name: by_side["bubble_c"] - at[place] for name, place in _UNDER_BUBBLE.items()},
    }


_SATURATED = ("low_side_kpa", "high_side_kpa", "bubble_c")


def _saturated(at: Mapping[str, Floats], refrigerant: Refrigerant) -> tuple[Floats, ...]:
    """Dew points of both sides, named by the side, and the bubble point of the high one."""
    return (
        dew_temperature_c(at["low_side_kpa"], refrigerant),
        dew_temperature_c(at["high_side_kpa"], refrigerant),
        bubble_temperature_c(at["high_side_kpa"], refrigerant),
    )
