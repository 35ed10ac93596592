"""The points of the cycle: enthalpies at the stations, exchanger, duct air, per window.

Takes rows of window means with the facts of their tests (refrigerant, exchanger, altitude,
blower); adds the columns that `cycle_records` reads. Rows, order and count stay. Does not
belong here: properties (`cycle_properties`, `air`), which quantities follow from them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.air import humidity_ratio, moist_air_enthalpy_kj_per_kg
from features.cycle_properties import (
    isentropic_enthalpy_kj_per_kg,
    liquid_enthalpy_kj_per_kg,
    vapour_enthalpy_kj_per_kg,
    vapour_entropy_kj_per_kg_k,
    vapour_temperature_c,
)
from features.refrigerant import by_refrigerant

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from features.designations import Refrigerant

    Floats = NDArray[np.float64]

# Channels whose window means the columns below are made from.
CYCLE_CHANNELS = (
    "low_side_kpa",
    "high_side_kpa",
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "duct_air_c",
    "intake_air_c",
    "intake_humidity_pct",
    "blower_pct",
)
_OF_REFRIGERANT = (
    "suction_enthalpy_kj_per_kg",
    "discharge_enthalpy_kj_per_kg",
    "isentropic_enthalpy_kj_per_kg",
    "reference_discharge_c",
    "condenser_outlet_enthalpy_kj_per_kg",
    "expansion_inlet_enthalpy_kj_per_kg",
    "evaporator_outlet_enthalpy_kj_per_kg",
)
# Below this span the effectiveness says more of the clamps than of the exchanger (tuning value).
_LEAST_EXCHANGER_SPAN_K = 10.0
# Air leaves a wet coil nearly saturated (common practice, no source).
_LEAVING_HUMIDITY_PCT = 95.0


def reference_efficiency(pressure_ratio: Floats) -> Floats:
    """Isentropic efficiency of the reference compressor, falling with the pressure ratio.

    0.9343 - 0.04478 r, as used in comparisons of automotive systems (Brown, Yana-Motta and
    Domanski 2002, from memory). Cars are compared with their own model, so that only the
    trend with the ratio matters. Valid for ratios of 1.5 to 10, else NaN.
    """
    is_valid = (pressure_ratio >= 1.5) & (pressure_ratio <= 10.0)
    return np.where(is_valid, 0.9343 - 0.04478 * pressure_ratio, np.nan)


def add_cycle(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with the columns of the cycle; null where a reading or a fact is missing.

    Parameters
    ----------
    rows
        One row per window or test; needs `CYCLE_CHANNELS`, refrigerant (a designation),
        internal_heat_exchanger, noted_blower_pct, atmosphere_kpa.
    """
    arrays = {name: rows[name].cast(pl.Float64).to_numpy() for name in CYCLE_CHANNELS}
    found = by_refrigerant(_points, _OF_REFRIGERANT, rows["refrigerant"], arrays)
    intake, duct = _air_enthalpies(arrays, rows["atmosphere_kpa"].to_numpy())
    air = {"intake_enthalpy_kj_per_kg": intake, "duct_enthalpy_kj_per_kg": duct}
    has_exchanger = pl.col("internal_heat_exchanger").fill_null(value=True)
    span_k = pl.col("condenser_outlet_c") - pl.col("evaporator_outlet_c")
    is_wide = has_exchanger & (span_k >= _LEAST_EXCHANGER_SPAN_K)
    return rows.with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in (found | air).items()),
        exchanger_span_k=pl.when(is_wide).then(span_k),
        exchanger_rise_k=pl.when(is_wide).then(
            pl.col("compressor_suction_c") - pl.col("evaporator_outlet_c")
        ),
        blower_share=pl.coalesce("blower_pct", "noted_blower_pct") / 100.0,
    )


def _points(arrays: Mapping[str, Floats], refrigerant: Refrigerant) -> tuple[Floats, ...]:
    """The columns of `_OF_REFRIGERANT`, in their order."""
    low, high = arrays["low_side_kpa"], arrays["high_side_kpa"]
    suction_c = arrays["compressor_suction_c"]
    suction = vapour_enthalpy_kj_per_kg(low, suction_c, refrigerant)
    entropy = vapour_entropy_kj_per_kg_k(low, suction_c, refrigerant)
    isentropic = isentropic_enthalpy_kj_per_kg(high, entropy, refrigerant)
    with np.errstate(divide="ignore", invalid="ignore"):
        efficiency = reference_efficiency(high / low)
    reference = suction + (isentropic - suction) / efficiency
    return (
        suction,
        vapour_enthalpy_kj_per_kg(high, arrays["compressor_discharge_c"], refrigerant),
        isentropic,
        vapour_temperature_c(high, reference, refrigerant),
        liquid_enthalpy_kj_per_kg(arrays["condenser_outlet_c"], refrigerant),
        liquid_enthalpy_kj_per_kg(arrays["expansion_inlet_c"], refrigerant),
        vapour_enthalpy_kj_per_kg(low, arrays["evaporator_outlet_c"], refrigerant),
    )


def _air_enthalpies(arrays: Mapping[str, Floats], atmosphere_kpa: Floats) -> tuple[Floats, Floats]:
    """Enthalpy of intake and duct air [kJ/kg].

    The duct air holds the water of the intake, or what 95 % of relative humidity allows.
    """
    intake_c, duct_c = arrays["intake_air_c"], arrays["duct_air_c"]
    entering = humidity_ratio(intake_c, arrays["intake_humidity_pct"], atmosphere_kpa)
    most = humidity_ratio(duct_c, _LEAVING_HUMIDITY_PCT, atmosphere_kpa)
    leaving = np.minimum(entering, most)
    return (
        moist_air_enthalpy_kj_per_kg(intake_c, entering),
        moist_air_enthalpy_kj_per_kg(duct_c, leaving),
    )
