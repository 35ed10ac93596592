"""Which way every quantity goes under a fault: the sign tables of diagnosis, as data.

Holds `PATTERNS`, one record per fault and control state, in marks (`++` large, `+` clear, `(+)`
slight, `0` none, `?` not to be relied on), with the source of each beside it. Does not
belong here: sizes (`fault_sizes`), numbers (`fault_signs_numbers`), sensors
(`fault_signs_sensors`).

Sources: `cycle model` is a lumped steady-state model of the cycle, not calibrated: trust
signs and orders of magnitude only; `common practice` is a fact of the trade without a source;
`Rossi-Braun` agrees with Rossi & Braun, HVAC&R Research 3 (1997) 19, table 1, whose other
signs (fixed orifice, no receiver) do not hold for cars. For compressors in regulation no
published table was found: that half is cycle model and reasoning alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

# The order of the marks of a pattern.
STATIONS = (
    "low_side_kpa", "evaporator_outlet_superheat_k", "compressor_suction_superheat_k",
    "high_side_kpa", "condenser_outlet_subcooling_k", "pressure_ratio",
    "compressor_discharge_c", "discharge_over_reference_k", "duct_air_c",
    "evaporator_approach_k",
)  # fmt: skip
LIMIT, REGULATING = "at_its_limit", "regulating"
_M, _RB, _CP = "cycle model", "Rossi-Braun", "common practice"


@dataclass(frozen=True)
class Pattern:
    """The marks of one fault in one control state.

    `marks` in the order of `STATIONS`; `more` for further quantities. `only` restricts it by
    columns of the context: name to the values for which it holds.
    """

    cause: str
    fault: str
    control: str
    marks: str
    source: str
    more: Mapping[str, str] = field(default_factory=dict)
    only: Mapping[str, tuple[object, ...]] = field(default_factory=dict)


_VARIABLE = {"compressor": ("variable_internal", "variable_external", "electric", None)}
_TXV = {"expansion_device": ("txv", "electronic", None)}
_TUBE = {"expansion_device": ("orifice_tube",)}
_EXCHANGER = {"internal_heat_exchanger": (True, None)}
_HOLDS_PRESSURE = {"control_target": ("suction_pressure",)}
_HOLDS_AIR = {"control_target": ("evaporator_temperature", "flow", None)}
_NO_COIL = {"coil_effectiveness": "0"}

PATTERNS: tuple[Pattern, ...] = (
    Pattern("low_charge", "charge somewhat short", LIMIT,
            "(-) 0 (+) (-) -- (-) ? 0 (+) 0", _M, {"expansion_inlet_subcooling_k": "-"}, _TXV),
    Pattern("low_charge", "charge far short", LIMIT,
            "-- ++ ++ - -- + + 0 ++ ++", f"{_M}, {_RB}", {"expansion_inlet_subcooling_k": "--"},
            _TXV),
    # the accumulator holds superheat at zero until it is empty
    Pattern("low_charge", "charge short", LIMIT,
            "- ? ? - -- ? + 0 + +", _CP, {"expansion_inlet_subcooling_k": "--"}, _TUBE),
    Pattern("low_charge", "charge somewhat short", REGULATING,
            "0 0 0 (-) -- (-) (+) 0 0 0", _M, {"expansion_inlet_subcooling_k": "-"}),
    Pattern("low_charge", "charge far short", REGULATING,
            "(-) + + 0 -- 0 + 0 (+) (+)", _M, {"expansion_inlet_subcooling_k": "--"}),
    Pattern("overcharge", "too much refrigerant", LIMIT,
            "0 0 (-) + ++ + (+) 0 (+) 0", _M),
    Pattern("overcharge", "too much refrigerant", REGULATING,
            "0 0 0 (+) + (+) (+) 0 0 0", _M),
    Pattern("foreign_gas", "air or another gas in the circuit", LIMIT,
            "(+) 0 0 + ++ + + 0 (+) 0", f"{_M}, {_CP}",
            {"static_over_saturation_kpa": "++", "expansion_inlet_subcooling_k": "++"}),
    Pattern("foreign_gas", "air or another gas in the circuit", REGULATING,
            "0 0 0 + ++ + + 0 0 0", _M,
            {"static_over_saturation_kpa": "++", "expansion_inlet_subcooling_k": "++"}),
    # which way it goes depends on what was filled: only standing pressure and an identifier tell
    Pattern("foreign_gas", "another refrigerant in the circuit", LIMIT,
            "? ? ? (+) ? ? ? ? ? ?", _CP, {"static_over_saturation_kpa": "?"}),
    Pattern("foreign_gas", "another refrigerant in the circuit", REGULATING,
            "? ? ? (+) ? ? ? ? ? ?", _CP, {"static_over_saturation_kpa": "?"}),
    Pattern("condenser_air_short", "condenser air blocked or its fan weak", LIMIT,
            "(+) 0 (+) ++ ? + ++ 0 (+) 0", f"{_M}, {_RB}"),
    Pattern("condenser_air_short", "condenser air blocked or its fan weak", REGULATING,
            "0 0 0 ++ ? ++ ++ 0 0 0", _M),
    Pattern("evaporator_air_short", "little air over the evaporator", LIMIT,
            "-- ? ? - (-) (+) 0 0 - (-)", f"{_M}, {_RB}", {"coil_effectiveness": "+"}),
    Pattern("evaporator_air_short", "evaporator icing", LIMIT,
            "- (-) ? - (-) + 0 0 + +", _CP, {"coil_effectiveness": "-"}),
    Pattern("evaporator_air_short", "evaporator icing", REGULATING,
            "- (-) ? - (-) + 0 0 ? +", _CP, {"coil_effectiveness": "-"}),
    Pattern("evaporator_air_short", "little air over the evaporator", REGULATING,
            "(+) (-) (-) - - - - 0 0 (-)", _M, {"coil_effectiveness": "+"}),
    Pattern("air_mixed_warm", "warm air mixed in behind the evaporator", LIMIT,
            "0 0 0 0 0 0 0 0 ++ ++", _M, {"coil_effectiveness": "--"}),
    Pattern("air_mixed_warm", "warm air mixed in behind the evaporator", REGULATING,
            "0 0 0 0 0 0 0 0 ++ ++", _M, {"coil_effectiveness": "--"}),
    Pattern("compressor_weak", "compressor worn", LIMIT,
            "++ (-) - - (-) -- ? ++ + (-)", _M, _NO_COIL),
    Pattern("compressor_weak", "compressor worn", REGULATING,
            "0 0 0 0 0 0 ++ ++ 0 0", _M, _NO_COIL),
    Pattern("displacement_low", "stroke stuck low", LIMIT,
            "++ (-) - -- - -- -- ? ++ (-)", f"{_M}, {_CP}", _NO_COIL, _VARIABLE),
    Pattern("displacement_low", "stroke stuck low", REGULATING,
            "+ (-) (-) - (-) - - 0 + 0", _M, _NO_COIL, _VARIABLE),
    Pattern("displacement_high", "stroke stuck high", LIMIT,
            "- (+) + (+) (+) + + 0 - (+)", _M, _NO_COIL, _VARIABLE),
    Pattern("displacement_high", "stroke stuck high", REGULATING,
            "-- (+) + + + + + 0 -- 0", _M, _NO_COIL, _VARIABLE),
    # the model leaves open what subcooling does; that it does not vanish, as it does when charge is
    # far short, tells the two apart (common practice)
    Pattern("feed_restricted", "expansion valve feeds too little", LIMIT,
            "-- ++ ++ - (+) + ++ 0 + ++", f"{_M}, {_RB}", {}, _TXV),
    Pattern("feed_restricted", "liquid line or drier restricted", LIMIT,
            "-- ++ ++ (-) (+) + ++ 0 + ++", f"{_M}, {_RB}",
            {"expansion_inlet_subcooling_k": "++", "heat_exchanger_balance": "+"}),
    Pattern("feed_restricted", "orifice tube restricted", LIMIT,
            "-- + + - + + + 0 ++ ++", f"{_CP}, {_RB}", {}, _TUBE),
    Pattern("feed_restricted", "liquid fed too little, air temperature held", REGULATING,
            "-- ++ ++ (-) (+) + ++ 0 (+) +", _M, {}, _HOLDS_AIR),
    Pattern("feed_restricted", "liquid fed too little, low side held", REGULATING,
            "0 ++ ++ - (+) - + 0 ++ ++", _M, {}, _HOLDS_PRESSURE),
    Pattern("feed_excessive", "expansion valve feeds too much", LIMIT,
            "+ -- - (-) (-) - -- 0 (+) (-)", _M, {"heat_exchanger_balance": "+"}, _TXV),
    Pattern("feed_excessive", "expansion valve feeds too much", REGULATING,
            "0 -- - (+) (+) - - 0 0 0", _M, {"heat_exchanger_balance": "+"}, _TXV),
    # levels stay about where they are; the superheat swings
    Pattern("feed_hunting", "expansion valve hunting", LIMIT,
            "0 0 0 0 0 0 0 0 (+) 0", _CP, {"superheat_swing_k": "++"}, _TXV),
    Pattern("feed_hunting", "expansion valve hunting", REGULATING,
            "0 0 0 0 0 0 0 0 0 0", _CP, {"superheat_swing_k": "++"}, _TXV),
    Pattern("exchanger_fouled", "internal heat exchanger fouled or bypassed", LIMIT,
            "0 0 -- 0 0 0 - 0 (+) 0", _M,
            {"heat_exchanger_effectiveness": "--", "expansion_inlet_subcooling_k": "--"},
            _EXCHANGER),
    Pattern("exchanger_fouled", "internal heat exchanger fouled or bypassed", REGULATING,
            "0 0 -- 0 0 0 - 0 0 0", _M,
            {"heat_exchanger_effectiveness": "--", "expansion_inlet_subcooling_k": "--"},
            _EXCHANGER),
    Pattern("oil_excess", "too much oil", LIMIT,
            "0 (-) (-) ? (-) 0 (+) (+) (+) +", _CP, {"coil_effectiveness": "-"}),
    Pattern("oil_excess", "too much oil", REGULATING,
            "(-) 0 0 0 0 (+) + (+) 0 +", _CP, {"coil_effectiveness": "-"}),
)  # fmt: skip

CAUSE_WORDS: dict[str, str] = {
    "low_charge": "refrigerant short",
    "overcharge": "too much refrigerant",
    "foreign_gas": "air or another gas in the circuit",
    "condenser_air_short": "too little air through the condenser (blocked, or its fan)",
    "evaporator_air_short": "too little air over the evaporator (filter, blower or ice)",
    "air_mixed_warm": "warm air mixed in behind the evaporator (door or heater valve)",
    "compressor_weak": "worn compressor",
    "displacement_low": "compressor stroke stuck low",
    "displacement_high": "compressor stroke stuck high",
    "feed_restricted": "too little liquid fed (expansion device, drier or liquid line)",
    "feed_excessive": "expansion valve feeds too much",
    "feed_hunting": "expansion valve hunting: superheat that swings",
    "exchanger_fouled": "internal heat exchanger fouled or bypassed",
    "oil_excess": "too much oil in the circuit",
    "none_of_these": "none of the causes considered",
}
