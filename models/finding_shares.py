"""How many tested cars of a batch have a finding: shares drawn towards those of like batches.

Takes residuals, tests and the registry's frames (`ClaimRecords`), gives FINDING_SHARES, ordered
by the lower end of the interval. These are shares of the cars that came to be tested, not of
the cars built. Does not belong here: whether a batch stands out (`batch_warning`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.batch_votes import batch_members, batch_votes
from models.early_warning_tables import FINDING_SHARES
from models.shrunken_rates import share_posteriors

if TYPE_CHECKING:
    from models.recurrence.exposure import ClaimRecords


def find_finding_shares(residuals: pl.DataFrame, records: ClaimRecords) -> pl.DataFrame:
    """FINDING_SHARES: a car counts as having a finding when any of its tests had one."""
    votes = batch_votes(residuals, records.tests, records.repairs)
    cars = votes.select("model_id", "vehicle_id", "stage").unique()
    members = batch_members(records.vehicles, records.models, records.repairs)
    found = residuals.filter(pl.col("finding_code").is_not_null())["vehicle_id"].unique()
    counted = (
        members.join(cars, on=["vehicle_id", "stage"])
        .with_columns(pl.col("vehicle_id").is_in(found.implode()).alias("has_finding"))
        .group_by("kind_code", "model_id", "cohort")
        .agg(n_vehicles=pl.len(), n_with_finding=pl.col("has_finding").sum())
        .sort("kind_code", "model_id", "cohort")
    )
    parts = [_shrunken(own) for _, own in counted.group_by("kind_code", maintain_order=True)]
    return FINDING_SHARES.conform(pl.concat(parts) if parts else pl.DataFrame())


def _shrunken(batches: pl.DataFrame) -> pl.DataFrame:
    """The batches of one kind with their shares, from the highest lower end down."""
    hits, cars = (batches[name].to_numpy().astype(float) for name in _COUNTS)
    shares = share_posteriors(hits, cars)
    return batches.with_columns(
        shrunken_share=pl.Series(shares.ratio),
        share_low=pl.Series(shares.low),
        share_high=pl.Series(shares.high),
    ).sort("share_low", "model_id", "cohort", descending=[True, False, False])


_COUNTS = ("n_with_finding", "n_vehicles")
