"""What a test leaves open: features that it must have been judged by, and was not.

Takes the residual frame (with `lacking`) and the tests, gives one row per test and gap. A
car may be called in band only when its latest test has no gap: every core side judged, and
every feature that other tests of its model are judged by, under as many conditions as they
are. Missing data never reads as healthy. Does not belong here: the state (`states`).
"""

from __future__ import annotations

import polars as pl

from models.findings import CORE_SIDES, JUDGED, CoreSide
from models.reasons import NotAssessable

# Would a better test close the gap, or can none until more is logged or more cars are known?
RETEST = "retest"
NO_VERDICT = "no_verdict"
CONDITIONS_LACKING = "conditions_lacking"
ABSENT = "absent"

# When a feature fails in several regimes, the reason closest to a judgement is told.
_ORDER = {
    reason: place
    for place, reason in enumerate(
        (
            "judged",
            CONDITIONS_LACKING,
            NotAssessable.OUTSIDE_RANGE_SEEN.code,
            NotAssessable.BASELINE_TOO_SMALL.code,
            NotAssessable.CONDITIONS_MISSING.code,
            NotAssessable.TOO_UNCERTAIN.code,
            NotAssessable.UNCERTAINTY_NOT_KNOWN.code,
            NotAssessable.NOT_KNOWN.code,
            ABSENT,
        )
    )
}
_CODE = {place: reason for reason, place in _ORDER.items()}
# How often fan and compressor are switched is judged too bluntly for its absence to keep a
# car from being called in band.
_DISPENSABLE = [feature.name for feature in JUDGED if feature.is_for_whole_test]
_COLUMNS = ("test_id", "side", "feature", "reason_code", "kind", "lacking", "baseline_vehicles")


def covered_features(residuals: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """Columns model_id, feature: what tests of each model are judged by, in full.

    Parameters as in `find_gaps`.
    """
    judged = _status(residuals).filter(pl.col("reason_code") == "judged")
    return (
        judged.join(tests.select("test_id", "model_id"), on="test_id")
        .select("model_id", "feature")
        .unique()
        .sort("model_id", "feature")
    )


def find_gaps(residuals: pl.DataFrame, tests: pl.DataFrame, covered: pl.DataFrame) -> pl.DataFrame:
    """One row per test and gap: test_id, side, feature, reason_code, kind, lacking, ....

    Parameters
    ----------
    residuals : frame
        RESIDUALS with `lacking`.
    tests : frame
        test_id, model_id, internal_heat_exchanger (unknown counts as present).
    covered : frame
        As from `covered_features`, of the tests that the model is known by.

    Notes
    -----
    `side` names the core side, null for a feature that only the car's own kind is judged
    by; `feature` is then that feature, else the feature of the side that came closest.
    """
    status = _status(residuals)
    covered = covered.with_columns(is_covered=pl.lit(value=True))
    sides = [_side_gaps(side, tests, status, covered) for side in CORE_SIDES]
    gaps = pl.concat([*sides, _kind_gaps(tests, status, covered)])
    return gaps.sort("test_id", "side", "feature", nulls_last=True)


def _status(residuals: pl.DataFrame) -> pl.DataFrame:
    """Per test and feature the best that any regime offers."""
    reason = (
        pl.when(pl.col("reason_code").is_not_null())
        .then("reason_code")
        .when(pl.col("lacking") != "")
        .then(pl.lit(CONDITIONS_LACKING))
        .otherwise(pl.lit("judged"))
    )
    rank = reason.replace_strict(_ORDER, return_dtype=pl.Int64)
    return (
        residuals.with_columns(rank.alias("rank"))
        .sort("test_id", "feature", "rank", "regime")
        .group_by("test_id", "feature", maintain_order=True)
        .agg(pl.col("rank", "lacking", "baseline_vehicles").first())
        .with_columns(
            pl.col("rank").replace_strict(_CODE, return_dtype=pl.String).alias("reason_code")
        )
    )


def _kind_gaps(tests: pl.DataFrame, status: pl.DataFrame, covered: pl.DataFrame) -> pl.DataFrame:
    """Features that the model is judged by elsewhere, not judged in this test."""
    return (
        tests.select("test_id", "model_id")
        .join(covered.filter(~pl.col("feature").is_in(_DISPENSABLE)), on="model_id")
        .join(status, on=["test_id", "feature"], how="left")
        .with_columns(pl.col("reason_code").fill_null(ABSENT), side=pl.lit(None, pl.String))
        .filter(pl.col("reason_code") != "judged")
        .with_columns(kind=_kind(pl.lit(value=True)))
        .select(_COLUMNS)
    )


def _side_gaps(
    side: CoreSide, tests: pl.DataFrame, status: pl.DataFrame, covered: pl.DataFrame
) -> pl.DataFrame:
    """Tests in which no feature of the side is judged."""
    has_exchanger = pl.col("internal_heat_exchanger").fill_null(value=True)
    features = (*side.features, *side.without_heat_exchanger)
    candidates = tests.join(pl.DataFrame({"feature": features}), how="cross").filter(
        ~(has_exchanger & pl.col("feature").is_in(side.without_heat_exchanger))
    )
    return (
        candidates.join(status, on=["test_id", "feature"], how="left")
        .join(covered, on=["model_id", "feature"], how="left")
        .with_columns(
            pl.col("rank").fill_null(_ORDER[ABSENT]), pl.col("reason_code").fill_null(ABSENT)
        )
        .sort("test_id", "rank", "feature")
        .group_by("test_id", maintain_order=True)
        .agg(
            pl.col("feature", "reason_code", "lacking", "baseline_vehicles").first(),
            pl.col("is_covered").fill_null(value=False).any(),
        )
        .filter(pl.col("reason_code") != "judged")
        .with_columns(side=pl.lit(side.name), kind=_kind(pl.col("is_covered")))
        .select(_COLUMNS)
    )


def _kind(is_covered: pl.Expr) -> pl.Expr:
    """A better test closes a gap unless cars are too few, or its kind never logs this."""
    never_logged = ~is_covered & pl.col("reason_code").is_in(
        [
            NotAssessable.NOT_KNOWN.code,
            NotAssessable.UNCERTAINTY_NOT_KNOWN.code,
            NotAssessable.CONDITIONS_MISSING.code,
            ABSENT,
        ]
    )
    too_small = pl.col("reason_code") == NotAssessable.BASELINE_TOO_SMALL.code
    return pl.when(never_logged | too_small).then(pl.lit(NO_VERDICT)).otherwise(pl.lit(RETEST))
