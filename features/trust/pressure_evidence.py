"""What the pressures of each test are held against: the standing car, and the car at work.

Holds `PressureEvidence`, arrays with one element per test, NaN where unknown. A standing
circuit with liquid in it has the saturation pressure of its coldest part. Does not belong
here: what follows from it (`pressures`, `pressure_units`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.trust.standing import CASE_AIR, DUCTS, LINES, Standing
from features.trust.temperature_unit import temperature_slips

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

_LEAST_TEMPERATURES = 3
_COOL_QUANTILE = 0.25
# temperatures of a working machine lie further apart than this (tuning value)
_EVEN_QUANTILE, _EVEN_K = 0.15, 12.0
# Signs that liquid is in a circuit that stands below saturation (tuning values): a liquid
# line off zero subcooling, a valve that still has superheat in hand, air that is cooled.
_LIQUID_SUBCOOLING_K, _VALVE_SUPERHEAT_K, _COOLED_AIR_K = 2.0, 18.0, 10.0
# signs that the machine cools at all
_COOLS_K = 6.0
# a machine that cools parts its sides by more, whatever the gauges are worth
_LN_ALIKE = float(np.log(1.15))
# a gauge agrees with saturation at the lines so well (two sensors, and lines 2 K apart)
_LN_STANDS = 0.12


@dataclass(frozen=True)
class PressureEvidence:
    """Of each test: standing pressures and lines, and what they make at work.

    `soaked_c`: temperature of the cooler parts in the first seconds; `saturated_kpa`:
    saturation pressure there; `stands`: the machine rests: it is seen to start, or its
    temperatures lie so close together as those of no working one do, or one gauge stands where
    no working one does, or the sides never part though air and line are cooled; `over_k`: rise
    of that pressure per kelvin [kPa/K]. `superheat_k`, `approach_k` (duct air over the dew
    point of the low side), `subcooling_k` and `drop_k` (intake to duct) are medians of the
    second half, from readings as they are.
    """

    standing: Standing
    low_kpa: Floats
    high_kpa: Floats
    soaked_c: Floats
    stands: Booleans
    saturated_kpa: Floats
    slope_kpa_per_k: Floats
    superheat_k: Floats
    approach_k: Floats
    subcooling_k: Floats
    drop_k: Floats
    cooled_k: Floats

    @property
    def has_liquid(self) -> Booleans:
        """Whether the test shows at work that liquid is left in the circuit."""
        # comparisons with NaN are False: what is not measured proves nothing
        return np.asarray(
            (np.abs(self.subcooling_k) >= _LIQUID_SUBCOOLING_K)
            | (self.superheat_k <= _VALVE_SUPERHEAT_K)
            | (self.drop_k >= _COOLED_AIR_K)
        )

    @property
    def cools(self) -> Booleans:
        """Whether air or suction line grow colder at work."""
        return np.asarray((self.drop_k >= _COOLS_K) | (self.cooled_k >= _COOLS_K))


def weigh_pressures(standing: Standing) -> PressureEvidence:
    """The evidence of every test; temperatures in the wrong unit are set right first."""
    begun, late = _set_right(standing)
    lines = np.vstack([begun.get(name, _unknown(standing)) for name in (*LINES, *CASE_AIR)])
    soaked = _quantile(lines, _COOL_QUANTILE)
    saturated = standing.saturation_kpa(soaked)
    low, high = (standing.at_work(name) for name in ("low_side_kpa", "high_side_kpa"))
    boiling = standing.saturated_c(low)
    ducts = _lowest([late.get(name, _unknown(standing)) for name in DUCTS])
    evaporator = late.get("evaporator_outlet_c", _unknown(standing))
    liquid = late.get("condenser_outlet_c", _unknown(standing))
    drop = late.get("intake_air_c", _unknown(standing)) - ducts
    cooled = soaked - _lowest([evaporator, ducts])
    is_even = _quantile(lines, 1.0 - _EVEN_QUANTILE) - _quantile(lines, _EVEN_QUANTILE) < _EVEN_K
    # a machine that stands has no cold evaporator
    first = [begun.get(name, _unknown(standing)) for name in ("evaporator_outlet_c", *DUCTS)]
    is_cold = soaked - _lowest(first) >= _COOLS_K
    begun_kpa = (standing.at_begin("low_side_kpa"), standing.at_begin("high_side_kpa"))
    never_parts = (np.abs(np.log(high / low)) < _LN_ALIKE) & (np.fmin(drop, cooled) >= _COOLS_K)
    return PressureEvidence(
        standing=standing,
        low_kpa=begun_kpa[0],
        high_kpa=begun_kpa[1],
        soaked_c=soaked,
        stands=standing.has_rested
        | is_even
        | never_parts
        | (_one_side_stands(begun_kpa, (low, high), saturated) & ~is_cold),
        saturated_kpa=saturated,
        slope_kpa_per_k=standing.saturation_kpa(soaked + 0.5)
        - standing.saturation_kpa(soaked - 0.5),
        superheat_k=evaporator - boiling,
        approach_k=ducts - boiling,
        subcooling_k=standing.saturated_c(high, is_liquid=True) - liquid,
        drop_k=drop,
        cooled_k=cooled,
    )


def _one_side_stands(
    begun_kpa: tuple[Floats, Floats], late_kpa: tuple[Floats, Floats], saturated_kpa: Floats
) -> Booleans:
    """Whether one gauge has the standing pressure at first, and leaves it as a start makes it.

    The high side of a working machine is above saturation at the cooler parts of the car, and
    its low side does not stand above the high side.
    """
    low, high = (np.abs(np.log(each / saturated_kpa)) < _LN_STANDS for each in begun_kpa)
    falls, rises = (np.log(late / begun) for late, begun in zip(late_kpa, begun_kpa, strict=True))
    return np.asarray(
        (high & (rises > _LN_ALIKE)) | (low & (falls < -_LN_ALIKE) & (begun_kpa[1] < begun_kpa[0]))
    )


def _unknown(standing: Standing) -> Floats:
    return np.full(standing.test_ids.height, np.nan)


def _set_right(standing: Standing) -> tuple[dict[str, Floats], dict[str, Floats]]:
    begun, late = dict(standing.begun), dict(standing.late)
    for slip in temperature_slips(standing):
        for readings in (begun, late):
            read = readings[slip.channel]
            readings[slip.channel] = np.where(slip.is_hit, slip.set_right(read), read)
    return begun, late


def _quantile(values: Floats, share: float) -> Floats:
    """A quantile of each column; parts near a hot engine and one bad sensor do not move it."""
    known = np.isfinite(values).sum(axis=0)
    ordered = np.sort(np.where(np.isfinite(values), values, np.inf), axis=0)
    place = share * np.maximum(known - 1, 0)
    below = np.floor(place).astype(np.int64)
    columns = np.arange(values.shape[1])
    low, high = ordered[below, columns], ordered[np.ceil(place).astype(np.int64), columns]
    is_known = known >= _LEAST_TEMPERATURES
    low, high = np.where(is_known, low, np.nan), np.where(is_known, high, np.nan)
    return np.asarray(low + (place - below) * (high - low))


def _lowest(values: list[Floats]) -> Floats:
    lowest = np.min(np.where(np.isfinite(values), values, np.inf), axis=0)
    return np.asarray(np.where(np.isfinite(lowest), lowest, np.nan))
