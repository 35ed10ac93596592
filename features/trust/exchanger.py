"""Four clamps around an internal heat exchanger that contradict each other.

What the liquid gives, the suction gas takes: (T4 - T5) / (T1 - T7) is the ratio of the heat
capacities of vapour and liquid, about 0.60 for R-134a and 0.64 for R-1234yf (from 15 and 40
degC), and (T1 - T7) / (T4 - T7) lies between 0 and 1. Faults of a car move the ratio as well:
liquid carried over by a flooded evaporator and a restriction before the valve raise it, flash
gas in the liquid line and warm air on the suction line lower it. The rule speaks only where
none of these can be the reason. Takes levels. Does not belong here: the exchanger's health.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.trust.clamps import CONDENSER, EVAPORATOR, EXPANSION, SUCTION

if TYPE_CHECKING:
    from features.trust.clamp_levels import ClampLevels

_CAPACITY_RATIO = 0.62
# Differences of two clamps, each within accuracy and contact, may be wrong by this [K].
_LIQUID_WARMED_K = 2.5
_SUCTION_COOLED_K = 3.0
_EFFECTIVENESS_OVER = 1.1
_LEAST_DRIVING_K = 10.0
# the balance itself, as heat of the liquid [K]
_TOO_MUCH_K = 6.5
_TOO_LITTLE_K = 11.0
# superheat between which a suction line is neither flooded nor starved by a restriction
_DRY_K = 4.0
_STARVED_K = 15.0


@dataclass(frozen=True)
class Imbalance:
    """An impossible balance: test number, the two clamps in doubt, the two differences [K]."""

    test: int
    channels: tuple[str, ...]
    liquid_cooled_k: float
    suction_warmed_k: float


def find_imbalances(levels: ClampLevels) -> list[Imbalance]:
    """Exchangers whose four clamps no car in order or out of order can show."""
    liquid = levels.of(CONDENSER) - levels.of(EXPANSION)
    suction = levels.of(SUCTION) - levels.of(EVAPORATOR)
    superheat = levels.of(EVAPORATOR) - levels.of("evaporating_c")
    driving = levels.of(CONDENSER) - levels.of(EVAPORATOR)
    left = liquid - _CAPACITY_RATIO * suction
    is_plain = (superheat >= _DRY_K) & (superheat <= _STARVED_K)
    over = (driving >= _LEAST_DRIVING_K) & (suction > _EFFECTIVENESS_OVER * driving)
    known = np.isfinite(liquid + suction) & levels.has_exchanger
    cases = (
        ((EXPANSION, CONDENSER), liquid < -_LIQUID_WARMED_K),
        ((SUCTION, EVAPORATOR), (suction < -_SUCTION_COOLED_K) | over),
        ((SUCTION, EXPANSION), (left > _TOO_MUCH_K) & is_plain | (left < -_TOO_LITTLE_K)),
    )
    found: dict[int, Imbalance] = {}
    for channels, is_wrong in cases:
        for test in np.flatnonzero(known & is_wrong).tolist():
            found.setdefault(
                test, Imbalance(test, channels, float(liquid[test]), float(suction[test]))
            )
    return list(found.values())


def imbalance_sentence(found: Imbalance) -> str:
    """What the note of an impossible balance says."""
    return (
        f"the liquid is cooled by {found.liquid_cooled_k:.1f} K in the internal heat exchanger and "
        f"the suction gas warmed by {found.suction_warmed_k:.1f} K, where the second allows "
        f"{_CAPACITY_RATIO * found.suction_warmed_k:.1f} K of the first, and neither flooding nor "
        "flash gas nor a restriction explains it: a clamp before or behind the exchanger is off. "
        "Check both pairs of clamps and repeat the test"
    )
