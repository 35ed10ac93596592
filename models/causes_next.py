"""The cheapest next measurement: what would tell the causes that are left apart.

Holds `MEASUREMENTS` (what it takes, its cost, which quantities it gives) and `CHECKS` (what no
log shows: the answer each cause gives), and the choice: expected separation of the causes
left, in spreads, per cost, among what is not known yet. Costs order the work (minutes at
the car, common practice, no source). Does not belong here: any order to fill or replace.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.fault_signs_numbers import QUANTITIES, SENSOR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.conditions import Array


@dataclass(frozen=True)
class Measurement:
    """One thing to measure: its words, cost in minutes, and quantities it makes known."""

    words: str
    cost_min: float
    quantities: tuple[str, ...]


@dataclass(frozen=True)
class Check:
    """One thing to look at: causes that answer `yes` to it and causes that answer `no`."""

    words: str
    cost_min: float
    yes: tuple[str, ...]
    no: tuple[str, ...]
    strength: float = 3.0


@dataclass(frozen=True)
class Left:
    """A cause that is left: code, posterior, and its shift and scale in spreads."""

    cause: str
    posterior: float
    shift: Array
    scale: Array


MEASUREMENTS: tuple[Measurement, ...] = (
    Measurement("a probe in the duct outlet", 2.0,
                ("duct_air_c", "duct_drop_k", "evaporator_approach_k")),
    Measurement("intake air with its humidity", 3.0, ("duct_drop_k", "coil_effectiveness")),
    Measurement("the air that enters the condenser", 3.0,
                ("condensing_over_air_k", "subcooling_share")),
    Measurement("a clamp at the condenser outlet", 4.0,
                ("condenser_outlet_subcooling_k", "subcooling_share")),
    Measurement("a clamp at the expansion device", 5.0,
                ("expansion_inlet_subcooling_k", "heat_exchanger_balance")),
    Measurement("a clamp on the discharge line", 4.0,
                ("compressor_discharge_c", "compressor_discharge_superheat_k",
                 "discharge_over_reference_k")),
    Measurement("a clamp on the suction line at the compressor", 4.0,
                ("compressor_suction_superheat_k", "heat_exchanger_effectiveness",
                 "discharge_over_reference_k")),
    Measurement("a clamp at the evaporator outlet", 5.0,
                ("evaporator_outlet_superheat_k", "heat_exchanger_effectiveness",
                 "superheat_swing_k")),
    Measurement("the low-side gauge", 3.0,
                ("low_side_kpa", "pressure_ratio", "evaporator_outlet_superheat_k")),
    Measurement("the high-side gauge", 3.0, ("high_side_kpa", "condenser_outlet_subcooling_k")),
    # the car has to cool down with the engine off
    Measurement("the standing pressure, logged before the start once all lines are equally warm",
                20.0, ("static_over_saturation_kpa",)),
)  # fmt: skip

_PLACES = {m.words: [QUANTITIES.index(name) for name in m.quantities] for m in MEASUREMENTS}
CHECKS: tuple[Check, ...] = (
    Check("the condenser sprayed or blown at with an outside fan: does the high side come down to "
          "what is expected?", 5.0, ("condenser_air_short",), ("overcharge", "foreign_gas")),
    Check("two blower settings in one test and a look at the air filter: is the air flow short?",
          4.0, ("evaporator_air_short",),
          ("displacement_high", "feed_restricted", "low_charge", "oil_excess")),
    Check("the evaporator's own temperature sensor beside the duct probe: is the coil cold while "
          "the duct is warm?", 4.0, ("air_mixed_warm",),
          ("low_charge", "compressor_weak", "displacement_low", "feed_restricted", "oil_excess",
           "evaporator_air_short")),
    Check("a change of engine speed and of commanded stroke in one test: do the pressures answer?",
          5.0, ("compressor_weak", "low_charge"), ("displacement_low", "displacement_high")),
    Check("the temperature drop along the liquid line and over the drier, and frost there: is "
          "there one?", 5.0, ("feed_restricted",), ("low_charge", "compressor_weak")),
    Check("what the discharge line does against the pressures at high speed: too hot?", 5.0,
          ("compressor_weak",), ("displacement_low",)),
    Check("the refrigerant recovered and weighed: is the mass of the plate in it?", 45.0,
          ("exchanger_fouled", "compressor_weak", "feed_restricted", "oil_excess",
           "condenser_air_short", "foreign_gas"), ("low_charge", "overcharge"), 4.0),
    Check("a refrigerant identifier at the port: is it pure?", 15.0,
          ("overcharge", "condenser_air_short", "low_charge"), ("foreign_gas",), 4.0),
)  # fmt: skip
FULL_LOAD = (
    "the test repeated under full load: coldest setting, full blower, recirculation, doors open, "
    "1,500 to 2,000 per minute for 10 minutes"
)
_SENSOR_AGAIN = "the same reading once more with another {words}, or with the clamp put on afresh"
_SENSOR_COST, _SENSOR_STRENGTH = 3.0, 3.0


def next_measurement(left: Sequence[Left], known: Array, sensor_words: dict[str, str]) -> str:
    """What separates the causes left most per cost; empty where nothing on the list does."""
    pairs = [(a, b, a.posterior * b.posterior) for i, a in enumerate(left) for b in left[i + 1 :]]
    apart, masses = _apart(left), [mass for _, _, mass in pairs]
    ranked = [(_by_quantities(m, apart, masses, known) / m.cost_min, m.words) for m in MEASUREMENTS]
    ranked += [(_by_answers(c, pairs) / c.cost_min, c.words) for c in CHECKS]
    for one in left:
        if one.cause.startswith(SENSOR):
            words = sensor_words[one.cause.partition(":")[2]]
            mass = sum(w for a, b, w in pairs if one.cause in {a.cause, b.cause})
            again = _SENSOR_AGAIN.format(words=words)
            ranked.append((_SENSOR_STRENGTH * mass / _SENSOR_COST, again))
    best, words = max(ranked, key=lambda each: (each[0], each[1]))
    return words if best > 0 else ""


def _apart(left: Sequence[Left]) -> Array:
    """(pairs, quantities): how far each quantity tells two causes apart, in spreads."""
    first, second = np.triu_indices(len(left), 1)
    shift = np.array([one.shift for one in left])
    scale = np.array([one.scale for one in left])
    return np.asarray(np.abs(shift[first] - shift[second]) / np.hypot(scale[first], scale[second]))


def _by_quantities(
    measurement: Measurement, apart: Array, masses: Sequence[float], known: Array
) -> float:
    """Separation of the pairs by the best quantity that the measurement adds."""
    new = [place for place in _PLACES[measurement.words] if not known[place]]
    best: list[float] = apart[:, new].max(axis=1, initial=0.0).tolist()
    return sum(mass * one for mass, one in zip(masses, best, strict=True))


def _by_answers(check: Check, pairs: Sequence[tuple[Left, Left, float]]) -> float:
    apart = (
        mass
        for a, b, mass in pairs
        if (a.cause in check.yes and b.cause in check.no)
        or (b.cause in check.yes and a.cause in check.no)
    )
    return check.strength * sum(apart)
