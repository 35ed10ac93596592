"""Values that no circuit can have: superheat or subcooling well below zero.

A line that holds boiling refrigerant is at its saturation temperature; no fault of a car
makes the suction line colder, or the liquid line hotter, than that. So a value below zero
by more than its uncertainty explains speaks of a clamp off its line, of a pressure read
wrong, or of another refrigerant than is on record, and is not held against the car. Takes
rows of test and regime with uncertainties; gives them without such values, and TRUST rows
that say so. Does not belong here: rules over single readings (`screening`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.catalogue import FEATURE_RECORDS
from features.channels import CHANNEL
from features.screening import TRUST, Rule

if TYPE_CHECKING:
    from features.records import Feature

_NEVER_NEGATIVE = tuple(record for record in FEATURE_RECORDS if record.is_never_negative)
# Standard uncertainties below zero that chance and sensors do not explain (tuning value).
_COVERAGE = 3.0


def withhold_impossible(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with impossible values and their uncertainties made null."""
    return rows.with_columns(
        pl.when(~_is_impossible(record).fill_null(value=False)).then(pl.col(name)).alias(name)
        for record in _NEVER_NEGATIVE
        for name in (record.name, record.uncertainty_name)
    )


def describe_impossible(rows: pl.DataFrame) -> pl.DataFrame:
    """TRUST rows, one per test and clamp with an impossible value; the worst is told."""
    found = [_found(record, rows) for record in _NEVER_NEGATIVE]
    worst = (
        pl.concat(found)
        .sort("test_id", "channel", "value", "sentence")
        .unique(("test_id", "channel"), keep="first", maintain_order=True)
        .with_columns(rule_code=pl.lit(Rule.IMPOSSIBLE.code))
    )
    return TRUST.conform(worst.drop("value"))


def _is_impossible(record: Feature) -> pl.Expr:
    return pl.col(record.name) + _COVERAGE * pl.col(record.uncertainty_name) < 0.0


def _found(record: Feature, rows: pl.DataFrame) -> pl.DataFrame:
    is_found = _is_impossible(record)
    below = pl.format(
        "{} of {} K, +-{} K: {}",
        pl.lit(record.meaning.split(";")[0].split(",")[0]),
        pl.col(record.name).round(1),
        (2.0 * pl.col(record.uncertainty_name)).round(1),
        pl.lit(Rule.IMPOSSIBLE.value),
    )
    return (
        rows.with_columns(
            distrusted_share=is_found.fill_null(value=False).mean().over("test_id").cast(pl.Float64)
        )
        .filter(is_found)
        .select(
            "test_id",
            "distrusted_share",
            channel=pl.lit(_clamp(record)),
            value=pl.col(record.name),
            sentence=below,
        )
    )


def _clamp(record: Feature) -> str:
    return next(name for name in record.inputs if name in CHANNEL)
