"""Cycles: a compressor or a fan that is switched on again and again.

Takes events and gives one row per whole cycle, from one switching-on to the next, in
chains without a long pause. Does not belong here: whether a chain is regular enough to
read values from it (`periodic`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.blocks import is_same_test

if TYPE_CHECKING:
    from features.settings import DerivationSettings


def find_cycles(events: pl.DataFrame, kind_code: str, settings: DerivationSettings) -> pl.DataFrame:
    """Whole cycles between events of one kind, in chains of at least `least_cycles`.

    Columns: test_number, chain_number (over all tests), start_s, end_s.
    """
    period_s = pl.col("end_s") - pl.col("start_s")
    is_next = is_same_test(1) & (pl.col("start_s") == pl.col("end_s").shift(1))
    cycles = (
        events.filter(pl.col("kind_code") == kind_code)
        .select(
            "test_number",
            start_s="time_s",
            end_s=pl.when(is_same_test(-1)).then(pl.col("time_s").shift(-1)),
        )
        .filter(period_s <= settings.longest_cycle_s)
        .with_columns(chain_number=(~is_next).cum_sum())
    )
    return cycles.filter(pl.len().over("chain_number") >= settings.least_cycles)


def chain_spans(cycles: pl.DataFrame) -> pl.DataFrame:
    """Where each chain reigns: test_number, start_s, reign_end_s.

    The last switching-on begins a cycle whose end was not seen; the chain is taken to
    reign over it for as long as its longest cycle.
    """
    longest_s = (pl.col("end_s") - pl.col("start_s")).max()
    return cycles.group_by("chain_number", maintain_order=True).agg(
        pl.col("test_number", "start_s").first(), reign_end_s=pl.col("end_s").last() + longest_s
    )
