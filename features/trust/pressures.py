"""Rules over the two pressures: sides swapped.

Each is a function `(Ordered, context, settings) -> Verdicts`. Does not belong here: rules
over one channel alone, temperatures.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.trust.ordered import PRESSURES, TEST, Ordered
from features.trust.rules import Rule
from features.trust.verdicts import Verdicts, flag_name

if TYPE_CHECKING:
    from features.settings import DerivationSettings

# At rest the two sides are equal but for the accuracy of two sensors.
_SWAPPED_RATIO = 1.2
_SWAPPED_MARGIN_KPA = 50.0
# from this share of a test on, the whole test is taken as swapped
_SWAPPED_SHARE = 0.1


def find_swapped_sides(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Both pressures of tests whose low side stands well above the high side."""
    del context, settings
    if not set(PRESSURES) <= set(ordered.channels):
        return Verdicts()
    low, high = pl.col("low_side_kpa"), pl.col("high_side_kpa")
    above = (low > _SWAPPED_RATIO * high + _SWAPPED_MARGIN_KPA).fill_null(value=False)
    share = above.cast(pl.Float64()).mean().over(TEST)
    # the samples at rest before and after are swapped as well
    swapped = above | (share >= _SWAPPED_SHARE)
    return Verdicts(
        ordered.samples.select(
            swapped.alias(flag_name(name, Rule.SIDES_SWAPPED)) for name in PRESSURES
        )
    )
