"""What asking for two of three tests does to false alarms, by calculation.

A healthy car strays by a share that is its own, the same in every test, and one of the day:
its tests agree more often than chance would have it.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import binom, norm

_STEPS = np.linspace(-9.0, 9.0, 4001)


def confirmed_rate(single_rate: float, repeatable_share: float, needed: int, tests: int) -> float:
    """Chance that at least `needed` of `tests` tests show what a single one shows so rarely.

    `repeatable_share` of the variance is the car's own: 0 makes tests independent (binomial),
    1 makes them all alike (the single rate itself).
    """
    limit = norm.isf(single_rate)
    if repeatable_share >= 1.0:
        return single_rate
    rest = (limit - np.sqrt(repeatable_share) * _STEPS) / np.sqrt(1.0 - repeatable_share)
    given_car = binom.sf(needed - 1, tests, norm.sf(rest))
    return float(np.trapezoid(norm.pdf(_STEPS) * given_car, _STEPS))
