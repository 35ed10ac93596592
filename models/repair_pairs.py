"""Visits and pairs: which repairs are one visit, and which tests tell of before and after.

Takes repairs and judged tests, gives for each visit to a shop the test before and the test
after. What the registry states of a test outranks the clock; between a test and its visit lies
no other visit. Does not belong here: what the tests say (`repair_recovery`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.assessments import NOT_ASSESSABLE
from models.history import CHANGES_NOTHING

if TYPE_CHECKING:
    from models.repair_settings import RepairSettings

_BEFORE = ("before_repair", "complaint", "claim")
_AFTER = "after_repair"


def visited_repairs(repairs: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    """The repairs that changed something, with visit_number, visit_from, visit_to.

    Repairs of a car that follow each other within the days of one visit are one; its last
    repair has `is_last_of_visit`.
    """
    changing = repairs.filter(~pl.col("action").fill_null("").is_in(CHANGES_NOTHING)).sort(
        "vehicle_id", "performed_at", "repair_id"
    )
    gap = pl.col("performed_at").diff().over("vehicle_id")
    day = pl.duration(microseconds=round(settings.same_visit_days * 86_400e6))
    begins = gap.is_null() | (gap > day)
    return changing.with_columns(
        begins.cum_sum().cast(pl.Int64).alias("visit_number")
    ).with_columns(
        pl.col("performed_at").min().over("visit_number").alias("visit_from"),
        pl.col("performed_at").max().over("visit_number").alias("visit_to"),
        (pl.int_range(pl.len()).over("visit_number") == pl.len().over("visit_number") - 1).alias(
            "is_last_of_visit"
        ),
    )


def visit_spans(repairs: pl.DataFrame) -> pl.DataFrame:
    """One row per visit: vehicle_id, visit_from, visit_to, and of its neighbours the near end."""
    return (
        repairs.group_by("visit_number")
        .agg(pl.col("vehicle_id", "visit_from", "visit_to").first())
        .sort("visit_number")
        .with_columns(
            pl.col("visit_to").shift(1).over("vehicle_id").alias("previous_to"),
            pl.col("visit_from").shift(-1).over("vehicle_id").alias("next_from"),
        )
    )


def paired_tests(
    repairs: pl.DataFrame, tests: pl.DataFrame, settings: RepairSettings
) -> pl.DataFrame:
    """The test before and the test after each visit, null where there is none.

    Parameters
    ----------
    repairs : frame
        As from `visited_repairs`.
    tests : frame
        test_id, vehicle_id, started_at, purpose, repair_id, verdict_code.
    settings : RepairSettings

    Returns
    -------
    frame
        visit_number; before_test_id, before_pairing_code, before_verdict_code, and the same
        of after.
    """
    spans = visit_spans(repairs)
    stated_visit = repairs.select("repair_id", stated_visit=pl.col("visit_number"))
    candidates = (
        tests.join(stated_visit, on="repair_id", how="left", maintain_order="left")
        .join(spans, on="vehicle_id", maintain_order="left")
        .with_columns(
            pl.col("stated_visit")
            .eq(pl.col("visit_number"))
            .fill_null(value=False)
            .alias("is_own"),
            pl.col("stated_visit").is_not_null().alias("has_own"),
            pl.col("verdict_code").ne(NOT_ASSESSABLE).fill_null(value=False).alias("is_judged"),
        )
    )
    return (
        spans.select("visit_number")
        .join(_before(candidates, settings), on="visit_number", how="left", maintain_order="left")
        .join(_after(candidates, settings), on="visit_number", how="left", maintain_order="left")
    )


def _before(candidates: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    """The best test before: judged, stated as such, latest."""
    states_before = pl.col("is_own") & pl.col("purpose").is_in(_BEFORE)
    window = pl.duration(microseconds=round(settings.before_days * 86_400e6))
    by_time = (
        (pl.col("started_at") <= pl.col("visit_from"))
        & (pl.col("started_at") >= pl.col("visit_from") - window)
        & (pl.col("previous_to").is_null() | (pl.col("started_at") > pl.col("previous_to")))
        & pl.col("purpose").ne(_AFTER).fill_null(value=True)
        & ~(pl.col("has_own") & ~pl.col("is_own"))
    )
    return _chosen(candidates, "before", (states_before.fill_null(value=False), by_time), "last")


def _after(candidates: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    """The best test after: judged, stated as such, earliest."""
    states_after = pl.col("is_own") & pl.col("purpose").eq(_AFTER)
    window = pl.duration(microseconds=round(settings.after_days * 86_400e6))
    by_time = (
        (pl.col("started_at") > pl.col("visit_to"))
        & (pl.col("started_at") <= pl.col("visit_to") + window)
        & (pl.col("next_from").is_null() | (pl.col("started_at") < pl.col("next_from")))
        & ~(pl.col("is_own") & pl.col("purpose").is_in(_BEFORE).fill_null(value=False))
        & ~(pl.col("has_own") & ~pl.col("is_own"))
    )
    return _chosen(candidates, "after", (states_after.fill_null(value=False), by_time), "first")


def _chosen(
    candidates: pl.DataFrame, side: str, conditions: tuple[pl.Expr, pl.Expr], which: str
) -> pl.DataFrame:
    is_stated, by_time = conditions
    latest_first = which == "last"
    return (
        candidates.with_columns(is_stated.alias("is_stated"))
        .filter(pl.col("is_stated") | by_time)
        .sort(
            ["visit_number", "is_judged", "is_stated", "started_at", "test_id"],
            descending=[False, True, True, latest_first, latest_first],
        )
        .group_by("visit_number", maintain_order=True)
        .first()
        .select(
            "visit_number",
            pl.col("test_id").alias(f"{side}_test_id"),
            pl.when("is_stated")
            .then(pl.lit("stated"))
            .otherwise(pl.lit("by_time"))
            .alias(f"{side}_pairing_code"),
            pl.col("verdict_code").alias(f"{side}_verdict_code"),
        )
    )
