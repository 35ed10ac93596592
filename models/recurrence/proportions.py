"""Shares of the repairs, where the size of the fleet is not known and no rate can be told.

Takes counts by cohort and age, gives the columns of `RECURRENCES` that need no fleet. Repairs of
all components stand for cars at risk: a component's share among a cohort's repairs is compared
with its share among the others' repairs at the same ages. Does not belong here: rates.

Source: proportional ratios, Evans, Waller & Davis, Pharmacoepidemiol. Drug Saf. 10 (2001) 483
(from memory); by age so that young and old cohorts compare.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.recurrence.contrasts import Exposed, contrast_rates, q_values

if TYPE_CHECKING:
    from models.recurrence.ledger import ComponentLedger, Ledger

Array = NDArray[np.float64]

# Ages are taken together in bands of so many units of the clock: single days hold no repairs.
_BANDS = {"months": 6.0, "km": 10_000.0, "cooling": 200.0}


def proportion_columns(
    ledger: Ledger, counted: ComponentLedger, repairs_of_all: Array
) -> dict[str, Array]:
    """Counts, and the share against the others' with interval, p and q, (k,) each."""
    width = max(1, round(_BANDS[ledger.clock.name] / ledger.clock.step))
    begins = np.arange(0, ledger.shape[1], width)
    exposed = Exposed(
        np.add.reduceat(repairs_of_all, begins, axis=1),
        np.add.reduceat(counted.counts, begins, axis=1),
        ledger.parent,
    )
    contrast = contrast_rates(exposed, np.ones(ledger.shape[0]))
    return {
        "n_repairs": counted.counts.sum(axis=1),
        "n_failed": counted.first.sum(axis=1),
        "expected_repairs": contrast.expected,
        "ratio": contrast.ratio,
        "ratio_low": contrast.low,
        "ratio_high": contrast.high,
        "p_value": contrast.p_value,
        "q_value": q_values(contrast.p_value),
    }
