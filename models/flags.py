"""Which deviations are findings: q values over features and fleet, size, direction.

Takes the residual frame without q values and the tests, adds q_value and finding_code.
Within a test the p-values of all judged rows are combined (Simes); over the fleet the
tests of equal age rank (the latest of every car, the one before, ...) form one family
(Benjamini-Hochberg). Does not belong here: the verdict on a test or a car.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.findings import JUDGED_FEATURE, NOT_ADVERSE_ON_ORIFICE_TUBES
from models.multiplicity import adjusted_within

if TYPE_CHECKING:
    from models.settings import AssessmentSettings


def add_test_ranks(tests: pl.DataFrame) -> pl.DataFrame:
    """The tests with `age_rank`: 1 is the latest test of its car, 2 the one before.

    Needs test_id, vehicle_id, started_at; equal instants are told apart by test_id.
    """
    return tests.sort("vehicle_id", "started_at", "test_id").with_columns(
        (pl.len() - pl.int_range(pl.len())).over("vehicle_id").cast(pl.Int64).alias("age_rank")
    )


def add_flags(
    residuals: pl.DataFrame, ranks: pl.DataFrame, settings: AssessmentSettings
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The residuals with q_value and finding_code, and the tests with their p and q value.

    `adverse_code` is the finding that a row would be on its side, null where that side is
    not adverse on this car; needs expansion_device of the tests. The second frame has one
    row per test that was judged in at least one row: test_id, p_value, q_value.
    """
    judged = residuals.with_row_index("row").filter(pl.col("p_value").is_not_null())
    judged = judged.select("row", "test_id", "p_value").sort("test_id", "p_value", "row")
    number = judged["test_id"].rle_id().cast(pl.Int64).to_numpy()
    within = adjusted_within(judged["p_value"].to_numpy(), number)
    judged = judged.with_columns(pl.Series("within_test", within))
    tests = _test_q_values(judged, ranks)
    q_values = (
        judged.join(tests.select("test_id", pl.col("q_value").alias("of_test")), on="test_id")
        .select("row", pl.max_horizontal("within_test", "of_test").alias("q_value"))
        .sort("row")
    )
    flagged = (
        residuals.with_row_index("row")
        .join(q_values, on="row", how="left", maintain_order="left")
        .drop("row")
    )
    return _add_finding_codes(_add_adverse_codes(flagged, ranks), settings), tests


def _test_q_values(judged: pl.DataFrame, ranks: pl.DataFrame) -> pl.DataFrame:
    """Simes' p-value of every test and its q value among the tests of equal age rank."""
    tests = (
        judged.group_by("test_id")
        .agg(pl.col("within_test").min().alias("p_value"))
        .join(ranks.select("test_id", "age_rank"), on="test_id")
        .sort("test_id")
    )
    families = tests["age_rank"].to_numpy().astype(np.int64)
    q_values = adjusted_within(tests["p_value"].to_numpy(), families)
    return tests.select("test_id", "p_value", pl.Series("q_value", q_values))


def _add_adverse_codes(residuals: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    records = pl.DataFrame(
        [
            {
                "feature": f.name,
                "least_effect": f.least_effect,
                "high_code": f.high.code if f.high else None,
                "low_code": f.low.code if f.low else None,
            }
            for f in JUDGED_FEATURE.values()
        ],
        schema_overrides={"high_code": pl.String, "low_code": pl.String},
    )
    code = pl.when(pl.col("observed") > pl.col("expected")).then("high_code").otherwise("low_code")
    by_design = pl.col("expansion_device").eq_missing("orifice_tube") & code.is_in(
        [finding.code for finding in NOT_ADVERSE_ON_ORIFICE_TUBES]
    )
    return (
        residuals.join(records, on="feature", how="left", maintain_order="left")
        .join(
            tests.select("test_id", "expansion_device"),
            on="test_id",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.when(~by_design.fill_null(value=False)).then(code).alias("adverse_code"))
        .drop("high_code", "low_code", "expansion_device")
    )


def _add_finding_codes(residuals: pl.DataFrame, settings: AssessmentSettings) -> pl.DataFrame:
    """A finding is sure enough, far enough in spreads, large enough, and adverse.

    `is_in_doubt` marks what is all of it but sure enough.
    """
    effect = (pl.col("observed") - pl.col("expected")).abs()
    is_large = (pl.col("z").abs() >= settings.least_z) & (effect >= pl.col("least_effect"))
    is_finding = is_large & (pl.col("q_value") <= settings.false_discovery_rate)
    is_in_doubt = is_large & ~is_finding & pl.col("adverse_code").is_not_null()
    is_far = (pl.col("z").abs() >= settings.far_beyond_z) & (
        effect >= settings.far_beyond_effects * pl.col("least_effect")
    )
    return (
        residuals.with_columns(
            pl.when(is_finding).then("adverse_code").alias("finding_code"),
            is_in_doubt.fill_null(value=False).alias("is_in_doubt"),
        )
        .with_columns((is_far & pl.col("finding_code").is_not_null()).alias("is_far_beyond"))
        .drop("least_effect")
    )
