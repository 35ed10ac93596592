"""Derived quantities of the cycle as a whole: exchanger, compressor, coil, air side.

Holds the records of scope `cycle`. Their expressions read the columns that `cycle` adds to
the means of a window: enthalpies at the stations, the exchanger's span, air at the duct.
Each is a ratio or a residual in which the load cancels in part, so that faults which the
controller hides from pressures still show. Does not belong here: carrying the expressions
out (`cycle_values`), the enthalpies (`cycle`).

They are relative figures of a model: clamps that read low, heat lost by the compressor's
shell and oil in the refrigerant all shift them, alike on all cars of a kind.
"""

from __future__ import annotations

import polars as pl

from features.records import Feature

# Sensible heat ratio at 30 degC and 40 % of relative humidity, 4 kW over 0.10 kg/s, bypass 0.2
# (computed with psychrometric relations): the reference of the corrected duct drop.
_REFERENCE_SENSIBLE_SHARE = 0.63
# Specific heat of dry air, ASHRAE Fundamentals 2017 ch. 1 eq. 30 [kJ/(kg K)].
_DRY_AIR_KJ_PER_KG_K = 1.006
# Below these differences a ratio says more of the sensors than of the car (tuning values).
_LEAST_AIR_SPAN_K = 5.0
_LEAST_CONDENSING_SPAN_K = 8.0
_LEAST_EXCHANGER_RISE_K = 4.0
_LEAST_WORK_KJ_PER_KG = 8.0

_CONDENSING_SPAN_K = pl.col("condensing_bubble_c") - pl.col("condenser_air_c")
_INTAKE_SPAN_K = pl.col("intake_air_c") - pl.col("evaporating_dew_c")
_WORK_KJ_PER_KG = pl.col("discharge_enthalpy_kj_per_kg") - pl.col("suction_enthalpy_kj_per_kg")
_AIR_DROP_KJ_PER_KG = pl.col("intake_enthalpy_kj_per_kg") - pl.col("duct_enthalpy_kj_per_kg")


def _ratio(over: pl.Expr, under: pl.Expr, least: float) -> pl.Expr:
    """A quotient, null where its denominator is too small to carry one."""
    return pl.when(under >= least).then(over / under)


def _cycle(
    name: str, unit: str, meaning: str, expression: pl.Expr, said: tuple[str, str]
) -> Feature:
    source, validity = said
    return Feature(name, unit, meaning, expression, source=source, validity=validity, scope="cycle")


CYCLE_RECORDS: tuple[Feature, ...] = (
    _cycle(
        "heat_exchanger_effectiveness", "1",
        "internal heat exchanger: rise of the suction gas over the span to the liquid line",
        pl.col("exchanger_rise_k") / pl.col("exchanger_span_k"),
        (
            "effectiveness of the vapour side",
            "span between the lines of 10 K or more; not where none is noted",
        ),
    ),
    _cycle(
        "heat_exchanger_balance", "1",
        "internal heat exchanger: heat given by the liquid over heat taken by the vapour",
        pl.when(pl.col("exchanger_rise_k") >= _LEAST_EXCHANGER_RISE_K).then(
            (
                pl.col("condenser_outlet_enthalpy_kj_per_kg")
                - pl.col("expansion_inlet_enthalpy_kj_per_kg")
            )
            / (
                pl.col("suction_enthalpy_kj_per_kg")
                - pl.col("evaporator_outlet_enthalpy_kj_per_kg")
            )
        ),
        (
            "energy balance; one where both sides carry the same flow",
            "as the effectiveness, and the gas warmed by 4 K or more; vapour at both clamps",
        ),
    ),
    _cycle(
        "isentropic_efficiency", "1",
        "apparent isentropic efficiency of the compressor; clamps and shell heat shift it",
        _ratio(
            pl.col("isentropic_enthalpy_kj_per_kg") - pl.col("suction_enthalpy_kj_per_kg"),
            _WORK_KJ_PER_KG,
            _LEAST_WORK_KJ_PER_KG,
        ),
        ("definition", "work of 8 kJ/kg or more; vapour up to 0.86 of the critical pressure"),
    ),
    _cycle(
        "discharge_over_reference_k", "K",
        "discharge line above what a reference compressor would give at these pressures",
        pl.col("compressor_discharge_c") - pl.col("reference_discharge_c"),
        (
            "reference efficiency of features.cycle",
            "pressure ratio 1.5 to 10; superheated vapour up to 0.86 of the critical pressure",
        ),
    ),
    _cycle(
        "refrigerating_effect_kj_per_kg", "kJ/kg",
        "heat taken up per kg of refrigerant between expansion device and evaporator outlet",
        pl.col("evaporator_outlet_enthalpy_kj_per_kg")
        - pl.col("expansion_inlet_enthalpy_kj_per_kg"),
        ("definition", "superheated or saturated vapour at the evaporator outlet"),
    ),
    _cycle(
        "subcooling_share", "1",
        "subcooling at the condenser outlet over condensing temperature above air",
        _ratio(
            pl.col("condensing_bubble_c") - pl.col("condenser_outlet_c"),
            _CONDENSING_SPAN_K,
            _LEAST_CONDENSING_SPAN_K,
        ),
        ("effectiveness of the subcooling pass", "condensing 8 K or more over the air"),
    ),
    _cycle(
        "coil_effectiveness", "1",
        "evaporator: drop of the air over its span to the evaporating temperature, dry bulb",
        _ratio(
            pl.col("intake_air_c") - pl.col("duct_air_c"), _INTAKE_SPAN_K, _LEAST_AIR_SPAN_K
        ),
        (
            "effectiveness of the air side",
            "intake air 5 K or more over the evaporating temperature; a trusted intake",
        ),
    ),
    _cycle(
        "air_enthalpy_drop_kj_per_kg", "kJ/kg",
        "enthalpy drop of the air from intake to duct, per kg of dry air, water included",
        _AIR_DROP_KJ_PER_KG,
        (
            "air leaving a wet coil at 95 % of relative humidity",
            "a trusted intake and its humidity",
        ),
    ),
    _cycle(
        "duct_drop_at_reference_humidity_k", "K",
        "duct drop that this enthalpy drop would give at 30 degC and 40 % of humidity",
        _AIR_DROP_KJ_PER_KG * (_REFERENCE_SENSIBLE_SHARE / _DRY_AIR_KJ_PER_KG_K),
        ("sensible share of the reference", "a trusted intake and its humidity"),
    ),
    _cycle(
        "capacity_index_kj_per_kg", "kJ/kg",
        "enthalpy drop of the air times the blower's share of its highest setting",
        _AIR_DROP_KJ_PER_KG * pl.col("blower_share"),
        ("relative within a model", "a trusted intake and its humidity, blower logged or noted"),
    ),
)  # fmt: skip
