"""Findings: what deviates, in the trade's words, and how much of it is worth reporting.

Holds the enum `Finding` (its value is the sentence), the list `JUDGED` of the features a
car is judged by (direction, least effect, floor of the spread), the findings that design or
clamps alone can make, and the sides that must be judged before a car may be called in band.
Does not belong here: statistics, causes, or words for bad data (`features.screening` has
those).

Least effects are what a technician would act on or measure again (common practice, no
source; defaults to be tuned on data).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from features.catalogue import FEATURE

if TYPE_CHECKING:
    from models.conditions import Role


class Finding(Enum):
    """What a test found; the value is the sentence, `delta` the size in the feature's unit."""

    DUCT_AIR_WARM = "duct air {delta} K warmer than expected"
    DUCT_DROP_LOW = "duct drop against intake {delta} K smaller than expected"
    EVAPORATOR_APPROACH_HIGH = (
        "duct air {delta} K further above the evaporating temperature than expected"
    )
    EVAPORATOR_APPROACH_LOW = (
        "duct air {delta} K closer to the evaporating temperature than expected"
    )
    LOW_SIDE_PRESSURE_HIGH = "low-side pressure {delta} kPa higher than expected"
    LOW_SIDE_PRESSURE_LOW = "low-side pressure {delta} kPa lower than expected"
    HIGH_SIDE_PRESSURE_HIGH = "high-side pressure {delta} kPa higher than expected"
    HIGH_SIDE_PRESSURE_LOW = "high-side pressure {delta} kPa lower than expected"
    CONDENSING_OVER_AIR_HIGH = (
        "condensing temperature {delta} K further above the condenser air than expected"
    )
    CONDENSING_OVER_AIR_LOW = (
        "condensing temperature {delta} K closer to the condenser air than expected"
    )
    PRESSURE_RATIO_HIGH = "pressure ratio {delta} higher than expected"
    PRESSURE_RATIO_LOW = "pressure ratio {delta} lower than expected"
    EVAPORATOR_OUTLET_SUPERHEAT_HIGH = (
        "superheat at the evaporator outlet {delta} K higher than expected"
    )
    EVAPORATOR_OUTLET_SUPERHEAT_LOW = (
        "superheat at the evaporator outlet {delta} K lower than expected"
    )
    REAR_EVAPORATOR_OUTLET_SUPERHEAT_HIGH = (
        "superheat at the rear evaporator outlet {delta} K higher than expected"
    )
    REAR_EVAPORATOR_OUTLET_SUPERHEAT_LOW = (
        "superheat at the rear evaporator outlet {delta} K lower than expected"
    )
    SUCTION_SUPERHEAT_HIGH = "superheat at the compressor suction {delta} K higher than expected"
    SUCTION_SUPERHEAT_LOW = "superheat at the compressor suction {delta} K lower than expected"
    DISCHARGE_SUPERHEAT_HIGH = (
        "superheat at the compressor discharge {delta} K higher than expected"
    )
    DISCHARGE_SUPERHEAT_LOW = "superheat at the compressor discharge {delta} K lower than expected"
    DISCHARGE_TEMPERATURE_HIGH = "discharge line {delta} K hotter than expected"
    DISCHARGE_TEMPERATURE_LOW = "discharge line {delta} K cooler than expected"
    SUBCOOLING_HIGH = "subcooling at the condenser outlet {delta} K higher than expected"
    SUBCOOLING_LOW = "subcooling at the condenser outlet {delta} K lower than expected"
    EXPANSION_INLET_SUBCOOLING_HIGH = (
        "subcooling at the expansion device {delta} K higher than expected"
    )
    EXPANSION_INLET_SUBCOOLING_LOW = (
        "subcooling at the expansion device {delta} K lower than expected"
    )
    FAN_EVENTS_MANY = "condenser fan stage changes {delta} per minute more often than expected"
    FAN_EVENTS_FEW = "condenser fan stage changes {delta} per minute less often than expected"
    COMPRESSOR_EVENTS_MANY = "compressor switches {delta} per minute more often than expected"
    COMPRESSOR_EVENTS_FEW = "compressor switches {delta} per minute less often than expected"

    @property
    def code(self) -> str:
        """The code stored with a residual: `duct_air_warm`."""
        return self.name.lower()

    def sentence(self, delta: str) -> str:
        """The finding in words, with its size."""
        return self.value.format(delta=delta)


FINDING: dict[str, Finding] = {finding.code: finding for finding in Finding}


@dataclass(frozen=True)
class JudgedFeature:
    """How one feature is judged.

    A side without a finding is not adverse: its p-value is one-sided the other way.
    `least_spread` is the floor of the spread: no baseline is taken to be sharper.
    `roles` are the kinds of condition without which the feature cannot be compared.
    """

    name: str
    words: str
    least_effect: float
    least_spread: float
    high: Finding | None
    low: Finding | None
    digits: int = 1
    roles: frozenset[Role] = frozenset()

    @property
    def channels(self) -> frozenset[str]:
        """The logged channels that the feature rests on."""
        return frozenset(FEATURE[self.name].channels)

    @property
    def is_for_whole_test(self) -> bool:
        """Whether the feature belongs to the test as a whole and not to a regime."""
        return FEATURE[self.name].scope == "whole_test"


_LOAD: frozenset[Role] = frozenset({"load"})
_SINK: frozenset[Role] = frozenset({"heat_sink"})

# The two rates are counts, none in one healthy test and several in the next, and no line with
# a bell curve about it describes them: their floor is as wide as healthy cars were seen to
# swing. Evaporating and condensing temperature say the same as the two pressures and are not
# judged a second time.
JUDGED: tuple[JudgedFeature, ...] = (
    JudgedFeature(
        "duct_air_c", "duct air", 2.0, 0.4, Finding.DUCT_AIR_WARM, None, roles=_LOAD
    ),
    JudgedFeature(
        "duct_drop_k", "duct drop", 2.0, 0.4, None, Finding.DUCT_DROP_LOW, roles=_LOAD
    ),
    JudgedFeature(
        "evaporator_approach_k", "duct air over evaporating temperature", 2.0, 0.4,
        Finding.EVAPORATOR_APPROACH_HIGH, Finding.EVAPORATOR_APPROACH_LOW,
    ),
    JudgedFeature(
        "low_side_kpa", "low-side pressure", 25.0, 4.0,
        Finding.LOW_SIDE_PRESSURE_HIGH, Finding.LOW_SIDE_PRESSURE_LOW, digits=0,
    ),
    JudgedFeature(
        "high_side_kpa", "high-side pressure", 100.0, 15.0,
        Finding.HIGH_SIDE_PRESSURE_HIGH, Finding.HIGH_SIDE_PRESSURE_LOW, digits=0,
        roles=_SINK,
    ),
    JudgedFeature(
        "condensing_over_air_k", "condensing temperature over air", 3.0, 0.5,
        Finding.CONDENSING_OVER_AIR_HIGH, Finding.CONDENSING_OVER_AIR_LOW, roles=_SINK,
    ),
    JudgedFeature(
        "pressure_ratio", "pressure ratio", 0.5, 0.08,
        Finding.PRESSURE_RATIO_HIGH, Finding.PRESSURE_RATIO_LOW, digits=2,
    ),
    JudgedFeature(
        "evaporator_outlet_superheat_k", "superheat at the evaporator outlet", 3.0, 0.5,
        Finding.EVAPORATOR_OUTLET_SUPERHEAT_HIGH, Finding.EVAPORATOR_OUTLET_SUPERHEAT_LOW,
    ),
    JudgedFeature(
        "rear_evaporator_outlet_superheat_k", "superheat at the rear evaporator outlet", 3.0, 0.5,
        Finding.REAR_EVAPORATOR_OUTLET_SUPERHEAT_HIGH,
        Finding.REAR_EVAPORATOR_OUTLET_SUPERHEAT_LOW,
    ),
    JudgedFeature(
        "compressor_suction_superheat_k", "superheat at the compressor suction", 4.0, 0.5,
        Finding.SUCTION_SUPERHEAT_HIGH, Finding.SUCTION_SUPERHEAT_LOW,
    ),
    JudgedFeature(
        "compressor_discharge_superheat_k", "superheat at the compressor discharge", 6.0, 0.8,
        Finding.DISCHARGE_SUPERHEAT_HIGH, Finding.DISCHARGE_SUPERHEAT_LOW,
    ),
    JudgedFeature(
        "compressor_discharge_c", "discharge line temperature", 6.0, 0.8,
        Finding.DISCHARGE_TEMPERATURE_HIGH, Finding.DISCHARGE_TEMPERATURE_LOW,
    ),
    JudgedFeature(
        "condenser_outlet_subcooling_k", "subcooling at the condenser outlet", 2.0, 0.4,
        Finding.SUBCOOLING_HIGH, Finding.SUBCOOLING_LOW,
    ),
    JudgedFeature(
        "expansion_inlet_subcooling_k", "subcooling at the expansion device", 2.5, 0.4,
        Finding.EXPANSION_INLET_SUBCOOLING_HIGH, Finding.EXPANSION_INLET_SUBCOOLING_LOW,
    ),
    JudgedFeature(
        "fan_events_per_min", "condenser fan stage changes per minute", 2.0, 1.0,
        Finding.FAN_EVENTS_MANY, Finding.FAN_EVENTS_FEW,
    ),
    JudgedFeature(
        "compressor_events_per_min", "compressor switches per minute", 2.0, 1.0,
        Finding.COMPRESSOR_EVENTS_MANY, Finding.COMPRESSOR_EVENTS_FEW,
    ),
)  # fmt: skip

# Behind an orifice tube an accumulator passes vapour that is saturated by design: superheat
# near zero is no sign there (common practice, no source).
NOT_ADVERSE_ON_ORIFICE_TUBES: frozenset[Finding] = frozenset(
    {Finding.EVAPORATOR_OUTLET_SUPERHEAT_LOW, Finding.SUCTION_SUPERHEAT_LOW}
)

# A clamp reads a part of the way from its pipe to the air under the hood. That air is warmer
# than suction and liquid line and cooler than the discharge line (common practice, no source;
# the distances are in `features.uncertainty`), so heat that builds up there, or clamps that
# sit badly, can make several of these at once without anything being wrong in the circuit.
MADE_BY_CLAMPS: frozenset[Finding] = frozenset(
    {
        Finding.EVAPORATOR_OUTLET_SUPERHEAT_HIGH,
        Finding.REAR_EVAPORATOR_OUTLET_SUPERHEAT_HIGH,
        Finding.SUCTION_SUPERHEAT_HIGH,
        Finding.DISCHARGE_SUPERHEAT_LOW,
        Finding.DISCHARGE_TEMPERATURE_LOW,
        Finding.SUBCOOLING_LOW,
        Finding.EXPANSION_INLET_SUBCOOLING_LOW,
    }
)

JUDGED_FEATURE: dict[str, JudgedFeature] = {feature.name: feature for feature in JUDGED}


@dataclass(frozen=True)
class CoreSide:
    """A side of the system that must be judged before a car may be called in band.

    Any one feature of `features` will do; those of `without_heat_exchanger` count only on
    cars without an internal heat exchanger, which can hide what happens before it.
    """

    name: str
    features: tuple[str, ...]
    needed: str
    without_heat_exchanger: tuple[str, ...] = ()


CORE_SIDES: tuple[CoreSide, ...] = (
    CoreSide("duct side", ("duct_drop_k", "duct_air_c"), "duct air and intake air temperature"),
    CoreSide("low side", ("low_side_kpa",), "low-side pressure"),
    CoreSide(
        "high side",
        ("condensing_over_air_k", "high_side_kpa"),
        "high-side pressure and condenser or ambient air temperature",
    ),
    CoreSide(
        "superheat",
        ("evaporator_outlet_superheat_k", "compressor_suction_superheat_k"),
        "suction line temperature at the evaporator or the compressor",
    ),
    CoreSide(
        "subcooling",
        ("condenser_outlet_subcooling_k",),
        "liquid line temperature at the condenser outlet",
        ("expansion_inlet_subcooling_k",),
    ),
)
