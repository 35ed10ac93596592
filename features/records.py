"""What a derived quantity is: the records `Feature`, `Condition` and `Port`.

Holds the records, and `WAYS`: the columns that stand between channels and features, with the
sets of channels that suffice for each. Does not belong here: the quantities themselves
(`catalogue` for those of a window, `cycle_records` for those of the cycle as a whole).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import polars as pl

_SUCTION = ("compressor_suction_c", "low_side_kpa")
# Enthalpies and their kin at the points of the cycle (`cycle`).
_CYCLE_WAYS: dict[str, tuple[tuple[str, ...], ...]] = {
    "suction_enthalpy_kj_per_kg": (_SUCTION,),
    "discharge_enthalpy_kj_per_kg": (("compressor_discharge_c", "high_side_kpa"),),
    "isentropic_enthalpy_kj_per_kg": ((*_SUCTION, "high_side_kpa"),),
    "reference_discharge_c": ((*_SUCTION, "high_side_kpa"),),
    "condenser_outlet_enthalpy_kj_per_kg": (("condenser_outlet_c",),),
    "expansion_inlet_enthalpy_kj_per_kg": (("expansion_inlet_c",),),
    "evaporator_outlet_enthalpy_kj_per_kg": (("evaporator_outlet_c", "low_side_kpa"),),
    "exchanger_span_k": (("condenser_outlet_c", "evaporator_outlet_c"),),
    "exchanger_rise_k": (("compressor_suction_c", "evaporator_outlet_c"),),
    "duct_enthalpy_kj_per_kg": (("duct_air_c", "intake_air_c", "intake_humidity_pct"),),
    "blower_share": (("blower_pct",),),
}
# Columns that stand between channels and features: the ways to them, the best first, each a
# set of channels that suffices.
_STANDING_LINES = (
    "evaporator_outlet_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "compressor_suction_c",
    "condenser_mid_c",
    "rear_evaporator_outlet_c",
)
_BY_PRESSURES = ("low_side_kpa", "high_side_kpa")
WAYS: dict[str, tuple[tuple[str, ...], ...]] = {
    "evaporating_dew_c": (("low_side_kpa",),),
    "condensing_bubble_c": (("high_side_kpa",),),
    "discharge_dew_c": (("high_side_kpa",),),
    "condenser_air_c": (("condenser_inlet_air_c",), ("ambient_air_c",)),
    "intake_enthalpy_kj_per_kg": (("intake_air_c", "intake_humidity_pct"),),
    **_CYCLE_WAYS,
    "superheat_k": (("evaporator_outlet_c", "low_side_kpa"), _SUCTION),
    # any three lines but the discharge
    "static_over_saturation_kpa": tuple(
        (gauge, *lines) for gauge in _BY_PRESSURES for lines in combinations(_STANDING_LINES, 3)
    ),
    "intake_stray_share": (("intake_air_c", "underhood_air_c", "ambient_air_c"),),
    "n_fan_events": (("condenser_fan_pct",), _BY_PRESSURES),
    "n_compressor_events": (("compressor_on",), ("compressor_command_pct",), _BY_PRESSURES),
    "n_displacement_events": (
        ("compressor_command_pct",),
        ("compressor_rpm",),
        ("compressor_power_w",),
        _BY_PRESSURES,
    ),
    "n_engine_events": (("engine_rpm",),),
    "n_blower_events": (("blower_pct",),),
    "n_recirculation_events": (("recirculation_pct",),),
    "n_icing_events": (
        ("low_side_kpa", "duct_air_c"),
        ("low_side_kpa", "duct_left_c"),
        ("low_side_kpa", "duct_right_c"),
    ),
    "running_min": (("compressor_on",), ("compressor_command_pct",), _BY_PRESSURES),
}
# and all channels that such a column may come from
INTERMEDIATES: dict[str, tuple[str, ...]] = {
    name: tuple(dict.fromkeys(channel for way in ways for channel in way))
    for name, ways in WAYS.items()
}

# The unit as the last part of a name, longest first; `pressure_ratio` carries none.
_NAME_SUFFIXES = (
    "_kj_per_kg",
    "_kpa_per_s",
    "_per_min",
    "_kpa",
    "_kmh",
    "_rpm",
    "_pct",
    "_c",
    "_k",
    "_s",
)


@dataclass(frozen=True)
class Port:
    """The place at which a feature wants its pressure: the context's column and its word."""

    column: Literal["low_port_station", "high_port_station"]
    station: str


@dataclass(frozen=True, eq=False)
class Feature:
    """One derived quantity that a car can be judged by.

    Attributes
    ----------
    name, unit, meaning : str
        The name ends in the unit; `unit` is as printed to a reader.
    expression : pl.Expr
        Its value from the columns of one block (scope `window`), from those of one window
        (scope `cycle`), or from the counts of one test (scope `whole_test`).
    sensitivities : mapping of str to pl.Expr
        Partial derivative by each input that carries a sensor uncertainty, from the
        columns of one window; see `features.uncertainty` for the inputs it knows. Those of
        scope `cycle` are found by differences and stated nowhere.
    least_samples : int
        With fewer samples behind it the feature is null.
    source : str
        Where the definition comes from.
    validity : str
        Where it holds, beyond what is true of every feature: outside of it the value is null.
    port : Port
        Where the pressure ought to be taken; for features with the input `tap_drop_k`.
    is_never_negative : bool
        True means: below zero by more than its uncertainty no circuit can have it.
    """

    name: str
    unit: str
    meaning: str
    expression: pl.Expr
    sensitivities: Mapping[str, pl.Expr] = field(default_factory=dict)
    least_samples: int = 20
    source: str = "definition"
    validity: str = ""
    scope: Literal["window", "cycle", "whole_test"] = "window"
    port: Port | None = None
    is_never_negative: bool = False

    @property
    def inputs(self) -> tuple[str, ...]:
        """Columns that the expression reads, sorted."""
        return tuple(sorted(set(self.expression.meta.root_names())))

    @property
    def channels(self) -> tuple[str, ...]:
        """Logged channels that it rests on, sorted."""
        return tuple(sorted({c for name in self.inputs for c in INTERMEDIATES.get(name, (name,))}))

    @property
    def uncertainty_name(self) -> str:
        """Name of its standard uncertainty: `low_side_kpa` -> `low_side_uncertainty_kpa`."""
        for suffix in _NAME_SUFFIXES:
            if self.name.endswith(suffix):
                return f"{self.name.removesuffix(suffix)}_uncertainty{suffix}"
        return f"{self.name}_uncertainty"


@dataclass(frozen=True, eq=False)
class Condition:
    """One quantity under which a test was run: what a comparison must allow for."""

    name: str
    unit: str
    meaning: str
    expression: pl.Expr
