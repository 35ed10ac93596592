"""Which deviations are findings: q values over features and fleet, size, direction.

Takes the residual frame without q values and the tests, adds q_value and finding_code.
Within a test the p-values of all judged rows are combined (Simes), those of the adverse
directions likewise, and the two by a stated share of the error (a weighted Bonferroni: valid
whatever depends on what); over the fleet q values come from `family_q_values`. A direction can
call out a test; which of its quantities are findings is asked of these alone. Does not belong
here: the verdict on a test or a car.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.findings import JUDGED_FEATURE, NOT_ADVERSE_ON_ORIFICE_TUBES
from models.multiplicity import adjusted_within

if TYPE_CHECKING:
    from models.settings import AssessmentSettings

_HOW = ("calibration_code", "n_calibration")
_FOUND = ("p_value", *_HOW)


def add_test_ranks(tests: pl.DataFrame) -> pl.DataFrame:
    """The tests with `age_rank`: 1 is the latest test of its car, 2 the one before.

    Needs test_id, vehicle_id, started_at; equal instants are told apart by test_id.
    """
    return tests.sort("vehicle_id", "started_at", "test_id").with_columns(
        (pl.len() - pl.int_range(pl.len())).over("vehicle_id").cast(pl.Int64).alias("age_rank")
    )


def p_values_of_tests(
    residuals: pl.DataFrame, directions: pl.DataFrame, settings: AssessmentSettings
) -> pl.DataFrame:
    """The combined p-value of every test that was judged in at least one row.

    Columns test_id, p_value, direction_code, direction_p_value, calibration_code,
    n_calibration. `directions` is that of `models.residuals`.
    """
    judged = residuals.filter(pl.col("p_value").is_not_null()).with_row_index("row")
    return _test_p_values(
        _simes(judged.select("row", "test_id", *_FOUND)),
        _simes(directions.select("test_id", "direction_code", *_FOUND)),
        settings.direction_share,
    )


def add_flags(
    residuals: pl.DataFrame,
    tests: pl.DataFrame,
    ranks: pl.DataFrame,
    settings: AssessmentSettings,
) -> pl.DataFrame:
    """The residuals with q_value and finding_code.

    `adverse_code` is the finding that a row would be on its side, null where that side is
    not adverse on this car; needs expansion_device of the `ranks`. `tests` are those of
    `p_values_of_tests` with their q_value.
    """
    judged = residuals.with_row_index("row").filter(pl.col("p_value").is_not_null())
    judged = _simes(judged.select("row", "test_id", *_FOUND))
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
    return _add_finding_codes(_add_adverse_codes(flagged, ranks), settings)


def _simes(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows, smallest p-value of a test first, with `within_test` adjusted in the test."""
    ordered = rows.sort(
        [
            "test_id",
            "p_value",
            *(name for name in ("row", "direction_code") if name in rows.columns),
        ]
    )
    number = ordered["test_id"].rle_id().cast(pl.Int64).to_numpy()
    within = adjusted_within(ordered["p_value"].to_numpy(), number)
    return ordered.with_columns(pl.Series("within_test", within))


def _test_p_values(judged: pl.DataFrame, along: pl.DataFrame, share: float) -> pl.DataFrame:
    """The combined p-value of every test: by single quantities, and by directions."""
    tests = _leading(judged).join(
        _leading(along, "direction_code").rename(
            {name: f"direction_{name}" for name in ("p_value", *_HOW)}
        ),
        on="test_id",
        how="left",
    )
    of_quantities = pl.col("p_value") / (1.0 - share)
    of_directions = pl.col("direction_p_value") / share
    together = pl.min_horizontal(of_quantities, of_directions, pl.lit(1.0))
    has_directions = pl.col("direction_p_value").is_not_null()
    leads = (of_directions < of_quantities).fill_null(value=False)
    return (
        tests.with_columns(
            pl.when(has_directions).then(together).otherwise("p_value").alias("p_value"),
            *(
                pl.when(leads).then(f"direction_{name}").otherwise(name).alias(name)
                for name in _HOW
            ),
        )
        .drop(f"direction_{name}" for name in _HOW)
        .sort("test_id")
    )


def _leading(rows: pl.DataFrame, *more: str) -> pl.DataFrame:
    """One row per test: Simes' p-value, and how the smallest single one was found."""
    return rows.group_by("test_id", maintain_order=True).agg(
        pl.col("within_test").min().alias("p_value"), pl.col(*_HOW, *more).first()
    )


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
    is_far = (
        (pl.col("z").abs() >= settings.far_beyond_z)
        & (effect >= settings.far_beyond_effects * pl.col("least_effect"))
        & (pl.col("q_value") <= settings.far_beyond_false_discovery_rate)
    )
    return (
        residuals.with_columns(
            pl.when(is_finding).then("adverse_code").alias("finding_code"),
            is_in_doubt.fill_null(value=False).alias("is_in_doubt"),
        )
        .with_columns((is_far & pl.col("finding_code").is_not_null()).alias("is_far_beyond"))
        .drop("least_effect")
    )
