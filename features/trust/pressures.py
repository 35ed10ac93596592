"""Rules over the two pressures: sides swapped, wrong reference, wrong unit, wrong refrigerant.

Each is a function `(Ordered, context, settings) -> Verdicts`. What the standing pressures are
held against is the saturation pressure at the temperature of the standing car (`standing`);
what may also be a matter of the car is left to the findings: missing charge makes standing
pressures low, air in the circuit makes them high, and only proof at work tells them from a
header that is wrong. Does not belong here: rules over one channel alone, temperatures.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.trust.ordered import PRESSURES, TEST, Ordered
from features.trust.pressure_evidence import weigh_pressures
from features.trust.pressure_mistakes import Mistake, pressure_mistakes
from features.trust.rules import Rule
from features.trust.standing import read_standing
from features.trust.verdicts import Verdicts, flag_name, join_verdicts, notes_of, of_whole_tests

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
    stands_above = low > _SWAPPED_RATIO * high + _SWAPPED_MARGIN_KPA
    above = ordered.samples.select(stands_above.fill_null(value=False)).to_series().to_numpy()
    if not above.any():
        return Verdicts()
    n_samples = np.diff(ordered.first)
    # one that stands above the other at rest too is read in a wrong unit, not swapped
    unequal_at_rest = np.isin(
        ordered.test_ids[TEST].to_numpy(), ordered.soak.filter(stands_above)[TEST].to_numpy()
    )
    above = above & ~np.repeat(unequal_at_rest, n_samples)
    share = np.add.reduceat(above.astype(np.int64), ordered.first[:-1]) / n_samples
    # the samples at rest before and after are swapped as well
    swapped = above | np.repeat(share >= _SWAPPED_SHARE, n_samples)
    return Verdicts(
        pl.DataFrame({flag_name(name, Rule.SIDES_SWAPPED): swapped for name in PRESSURES})
    )


def find_pressure_mistakes(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Standing pressures that a wrong unit, reference or refrigerant explains and no car does.

    One mistake per side and test: the unit is asked first, then the refrigerant, then the
    reference. Silent about tests whose sides are swapped.
    """
    del settings
    if not set(PRESSURES) & set(ordered.channels) or ordered.samples.is_empty():
        return Verdicts()
    evidence = weigh_pressures(read_standing(ordered, context))
    mistakes = pressure_mistakes(evidence)
    return join_verdicts(
        _told(rule, ordered, mistakes)
        for rule in dict.fromkeys(mistake.rule for mistake in mistakes)
    )


def _told(rule: Rule, ordered: Ordered, mistakes: list[Mistake]) -> Verdicts:
    """The verdicts on one rule: a flag per side, a note per side and test."""
    mine = [mistake for mistake in mistakes if mistake.rule is rule]
    flags, notes = [], []
    for channel in PRESSURES:
        found = [mistake for mistake in mine if mistake.channel == channel]
        if found:
            numbers = sorted({int(test) for each in found for test in each.tests})
            flags.append(of_whole_tests(ordered, channel, rule, numbers))
            notes += [_noted(ordered, each) for each in found]
    return Verdicts(pl.DataFrame(flags), pl.concat(notes))


def _noted(ordered: Ordered, mistake: Mistake) -> pl.DataFrame:
    test_ids = ordered.test_ids["test_id"].gather(list(mistake.tests))
    return notes_of(test_ids, mistake.channel, mistake.rule, mistake.sentences)
