"""Rules over the instants of a log: gap, time that does not increase.

Each is a function `(Ordered, context, settings) -> Verdicts`. Flags stand under `time_s`.
Does not belong here: refusing whole logs for their times (the readers do that).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.trust.ordered import STEP_S, TEST, Ordered
from features.trust.rules import Rule
from features.trust.verdicts import Verdicts, flag_name

if TYPE_CHECKING:
    from features.settings import DerivationSettings

_GAP_LEAST_S = 10.0
_GAP_INTERVALS = 5.0


def find_repeated_instants(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> Verdicts:
    """Rows whose instant is unknown, or stands more often than instants of the test do."""
    del context, settings
    flag = flag_name("time_s", Rule.TIME_NOT_INCREASING)
    return Verdicts(ordered.samples.select(_repeated(ordered.samples).alias(flag)))


def _repeated(samples: pl.DataFrame) -> pl.Expr:
    unknown = ~pl.col("time_s").is_finite().fill_null(value=False)
    if not (samples[STEP_S] == 0.0).any():
        return unknown
    # a clock of whole seconds repeats each instant alike; that is no fault
    rows = pl.len().over(TEST, "time_s")
    return unknown | (rows >= rows.median().over(TEST) + 1.0)


def find_gaps(ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings) -> Verdicts:
    """The first sample after each stretch in which nothing was logged; distrusts none."""
    del context, settings
    flag = flag_name("time_s", Rule.GAP)
    return Verdicts(ordered.samples.select(_after_gap(ordered.samples).alias(flag)))


def _after_gap(samples: pl.DataFrame) -> pl.Expr:
    if not (samples[STEP_S] > _GAP_LEAST_S).any():
        return pl.repeat(value=False, n=pl.len())
    return (pl.col(STEP_S) > longest_step_s().over(TEST)).fill_null(value=False)


def longest_step_s() -> pl.Expr:
    """The longest step [s] between samples of a test that is no gap."""
    return pl.max_horizontal(_GAP_INTERVALS * pl.col(STEP_S).median(), pl.lit(_GAP_LEAST_S))
