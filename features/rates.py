"""Rates over a whole test: how often per minute what changes the circuit was changed.

Takes blocks with their regime and the event log; gives one row per test. A rate is null
where events could not be looked for or the compressor never ran, not zero. Does not
belong here: finding events.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.catalogue import CONDITIONS
from features.event_confidence import LIKELY
from features.event_kinds import family_kinds
from features.rate_records import RATE_FAMILIES, RATE_RECORDS
from features.regimes import WHOLE_TEST, Regime

if TYPE_CHECKING:
    from features.events import EventLog

# the column of counts and the column of sources behind each rate
_COUNTS = {
    f"{family}_events_per_min": (f"n_{family}_events", f"{family}_source")
    for family in RATE_FAMILIES
}
# The start and the stop of the test itself are not events of its control (tuning value); the
# time in which nothing is counted is no time to count over either.
_MARGIN_S = 10.0
# A shorter run says nothing about a rate per minute (tuning value).
_LEAST_RUNNING_MIN = 1.5


def rate_tests(blocks: pl.DataFrame, log: EventLog, block_s: float) -> pl.DataFrame:
    """One row per test of regime `whole_test`: rates, their uncertainty, mean conditions.

    The conditions are means over the running time. The uncertainty is that of a Poisson
    count, of one event where none was seen.
    """
    running = _running_time(blocks, block_s)
    counted = running.join(
        _counts(log.events, running), on="test_number", how="left", maintain_order="left"
    ).join(log.sources, on="test_number", how="left", maintain_order="left")
    return counted.with_columns(
        expression
        for record in RATE_RECORDS
        for expression in _rate(record.name, record.uncertainty_name, record.expression)
    ).select(
        "test_number",
        "condenser_air_source",
        *(record.name for record in CONDITIONS if record.name in counted.columns),
        *(name for record in RATE_RECORDS for name in (record.name, record.uncertainty_name)),
        regime=pl.lit(WHOLE_TEST),
    )


def _running_time(blocks: pl.DataFrame, block_s: float) -> pl.DataFrame:
    runs = pl.col("regime").is_not_null() & (pl.col("regime") != Regime.OFF.value)
    conditions = [record.name for record in CONDITIONS if record.name in blocks.columns]
    return blocks.group_by("test_number", maintain_order=True).agg(
        pl.col("condenser_air_source").first(),
        pl.col(conditions).filter(runs).mean(),
        running_min=(runs.sum() * block_s - 2.0 * _MARGIN_S).clip(lower_bound=0.0) / 60.0,
        first_s=pl.col("start_s").filter(runs).min(),
        last_s=pl.col("start_s").filter(runs).max() + block_s,
    )


def _counts(events: pl.DataFrame, running: pl.DataFrame) -> pl.DataFrame:
    return (
        events.join(running.select("test_number", "first_s", "last_s"), on="test_number")
        .filter(
            pl.col("confidence") >= LIKELY,
            pl.col("time_s").is_between(
                pl.col("first_s") + _MARGIN_S, pl.col("last_s") - _MARGIN_S
            ),
        )
        .group_by("test_number")
        .agg(
            pl.col("kind_code").is_in(family_kinds(family)).sum().alias(f"n_{family}_events")
            for family in RATE_FAMILIES
        )
    )


def _rate(name: str, uncertainty_name: str, rate: pl.Expr) -> tuple[pl.Expr, pl.Expr]:
    """The rate and its uncertainty, null where nothing was looked for or ran too short."""
    count, source = _COUNTS[name]
    is_known = pl.col(source).is_not_null() & (pl.col("running_min") >= _LEAST_RUNNING_MIN)
    n = pl.col(count).fill_null(0)
    known_rate = pl.when(is_known).then(rate.fill_null(0.0))
    uncertainty = pl.when(is_known).then(n.clip(lower_bound=1).sqrt() / pl.col("running_min"))
    return known_rate.alias(name), uncertainty.alias(uncertainty_name)
