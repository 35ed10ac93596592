"""Residuals: every derived quantity of every test against what was expected of it.

Takes the features and contexts of all tests as frames, gives what they were compared by and
the RESIDUALS frame with z and p values, one row per test, regime and feature. Does not
belong here: what is expected (`comparison`), q values and findings (`flags`), verdicts on
tests and cars (`assessments`, `states`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.catalogue import FEATURE
from features.regimes import WHOLE_TEST, Regime
from models.calibration import CODES
from models.comparison import LEVELS, Fleet
from models.conditions import CONDITION_NAMES, CONDITIONS, STEADY_ONLY
from models.directions import DIRECTIONS
from models.findings import JUDGED, JudgedFeature
from models.norms import judge_by, learn_norm
from models.reasons import REASONS_IN_ORDER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.comparison import Texts
    from models.conditions import Array, Mask, Numbers
    from models.norms import Judged, Norm
    from models.settings import AssessmentSettings

# Nothing is to be learned of the refrigerant circuit while it stands or starts.
UNJUDGED_REGIMES = (Regime.OFF.value, Regime.STARTING.value)
# Nearer to full than to half: switched fans run at about half or at full [default].
_FULL_FAN_PCT = 75.0
_ROW_COLUMNS = (
    "test_id", "vehicle_id", "model_id", "regime", "window_kind_code", "n_windows", "steady_s",
)  # fmt: skip


@dataclass(frozen=True)
class Compared:
    """The rows of a fleet as a frame and, row for row, the arrays they were compared by."""

    rows: pl.DataFrame
    fleet: Fleet
    judged: Judged


def learn_norms(
    features: pl.DataFrame, context: pl.DataFrame, settings: AssessmentSettings
) -> tuple[tuple[Norm, ...], list[Compared]]:
    """What is normal by the tests of the context, and these tests compared by it.

    Both in the order of `compare_tests`.
    """
    norms, compared = [], []
    for rows, judged in _parts_to_compare(features, context):
        fleet = fleet_of(rows, judged)
        norm, found = learn_norm(fleet, settings)
        norms.append(norm)
        compared.append(Compared(rows, fleet, found))
    return tuple(norms), compared


def compare_tests(
    features: pl.DataFrame,
    context: pl.DataFrame,
    norms: tuple[Norm, ...],
    settings: AssessmentSettings,
) -> list[Compared]:
    """The tests of the context compared: their regimes, then the rates of whole tests."""
    parts = _parts_to_compare(features, context)
    return [_compare_rows(*part, norm, settings) for part, norm in zip(parts, norms, strict=True)]


def _parts_to_compare(
    features: pl.DataFrame, context: pl.DataFrame
) -> tuple[tuple[pl.DataFrame, tuple[JudgedFeature, ...]], ...]:
    rows = rows_to_compare(features, context)
    is_whole = pl.col("regime") == WHOLE_TEST
    return (
        (rows.filter(~is_whole), tuple(f for f in JUDGED if not f.is_for_whole_test)),
        (rows.filter(is_whole), tuple(f for f in JUDGED if f.is_for_whole_test)),
    )


def rows_to_compare(features: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """The rows of the context's tests that can be compared, in order of car and time."""
    tests = context.select(
        "test_id",
        "vehicle_id",
        "model_id",
        "started_at",
        pl.concat_str("architecture", pl.lit(" / "), "refrigerant").fill_null("").alias("pool"),
        pl.col("rear_evaporator").fill_null(value=False),
        pl.col("expansion_device").eq_missing("orifice_tube").alias("is_orifice_tube"),
        pl.col("blower_pct").alias("blower_noted_pct"),
    )
    return (
        features.join(tests, on="test_id", how="inner")
        .filter(~pl.col("regime").is_in(UNJUDGED_REGIMES))
        .with_columns(pl.coalesce("blower_pct", "blower_noted_pct").alias("blower_pct"))
        .sort("vehicle_id", "started_at", "test_id", "regime")
    )


def _compare_rows(
    rows: pl.DataFrame, judged: tuple[JudgedFeature, ...], norm: Norm, settings: AssessmentSettings
) -> Compared:
    fleet = fleet_of(rows, judged)
    return Compared(rows, fleet, judge_by(fleet, norm, settings))


def fleet_of(rows: pl.DataFrame, judged: tuple[JudgedFeature, ...]) -> Fleet:
    """The arrays of rows to be compared."""
    return Fleet(
        vehicle_ids=_texts(rows, "vehicle_id"),
        model_ids=_texts(rows, "model_id"),
        pools=_texts(rows, "pool"),
        regimes=_texts(rows, "regime"),
        stages=_fan_stages(rows),
        kinds=_texts(
            rows.with_columns(pl.col("window_kind_code").fill_null("")), "window_kind_code"
        ),
        conditions=_conditions(rows),
        values=_matrix(rows, [feature.name for feature in judged]),
        uncertainties=_matrix(rows, [FEATURE[f.name].uncertainty_name for f in judged]),
        is_orifice_tube=rows["is_orifice_tube"].to_numpy().astype(bool),
        features=judged,
    )


def _texts(rows: pl.DataFrame, column: str) -> Texts:
    return np.array(rows[column].to_list(), dtype=object)


def _fan_stages(rows: pl.DataFrame) -> Texts:
    """The fan stage that a steady window held: full or part; empty where it cannot be told."""
    share = pl.when(pl.col("window_kind_code") == "steady").then("condenser_fan_pct")
    is_full = share >= _FULL_FAN_PCT
    stage = pl.when(is_full).then(pl.lit("full")).when(~is_full).then(pl.lit("part"))
    return _texts(rows.select(stage.otherwise(pl.lit("")).alias("stage")), "stage")


def _matrix(rows: pl.DataFrame, columns: list[str]) -> Array:
    """(rows, columns) with NaN where null; infinities count as not known too."""
    values = rows.select(pl.col(columns).cast(pl.Float64)).to_numpy().astype(float)
    return np.where(np.isfinite(values), values, np.nan)


def _conditions(rows: pl.DataFrame) -> Array:
    """The conditions of `models.conditions`; condenser air only under its own source."""
    expressions = []
    for name in CONDITION_NAMES:
        column, _, source = name.partition("@")
        value = pl.col(column).cast(pl.Float64)
        if source:
            value = pl.when(pl.col("condenser_air_source") == source).then(value)
        if name in STEADY_ONLY:
            value = pl.when(pl.col("window_kind_code") == "steady").then(value)
        expressions.append(value.alias(name))
    known = rows.select(expressions)
    return _matrix(known, known.columns) if rows.height else np.empty((0, len(CONDITIONS)))


def residual_frame(compared: Compared) -> pl.DataFrame:
    """One row per row and feature of the fleet, without q values and findings yet.

    Besides the columns of RESIDUALS it carries `lacking`: measurements that other cars of
    the kind are compared by and this test lacks.
    """
    fleet, judged = compared.fleet, compared.judged
    comparison, scores = judged.comparison, judged.scores
    expectation = comparison.expectation
    is_judged = judged.reasons == 0
    n_rows, n_features = fleet.values.shape
    place = np.repeat(np.arange(n_rows), n_features)
    feature_place = np.tile(np.arange(n_features), n_rows)
    keep = _concerns(compared.rows, fleet).reshape(-1)

    def judged_only(values: Array) -> pl.Series:
        return _numbers(np.where(is_judged, values, np.nan))

    return (
        compared.rows.select(_ROW_COLUMNS)[place]
        .with_columns(
            feature=_codes([feature.name for feature in fleet.features], feature_place),
            observed=_numbers(fleet.values),
            expected=judged_only(expectation.expected),
            spread=judged_only(scores.spread),
            degrees_of_freedom=judged_only(scores.freedom),
            standard_uncertainty=_numbers(fleet.uncertainties),
            z=_numbers(scores.z),
            p_value=_numbers(scores.quantities.p_values),
            calibration_code=_codes(CODES, scores.quantities.codes),
            n_calibration=_counts(scores.quantities.vehicles, is_judged),
            pooling_level=_codes(LEVELS, np.where(is_judged, comparison.levels, 0)),
            baseline_vehicles=_numbers(expectation.vehicles).cast(pl.Int32),
            terms=pl.Series(comparison.terms.reshape(-1).tolist(), dtype=pl.String),
            lacking=pl.Series(comparison.lacking.reshape(-1).tolist(), dtype=pl.String),
            reason_code=_codes([None, *(r.code for r in REASONS_IN_ORDER)], judged.reasons),
        )
        .filter(pl.Series(keep, dtype=pl.Boolean))
    )


def direction_frame(compared: list[Compared]) -> pl.DataFrame:
    """One row per test and regime that could be weighed along the adverse directions.

    Columns test_id, regime, direction_code (the likeliest), p_value, calibration_code,
    n_calibration.
    """
    return pl.concat([_direction_rows(part) for part in compared])


def _direction_rows(compared: Compared) -> pl.DataFrame:
    scores = compared.judged.scores
    found = scores.together
    row, place = np.nonzero(np.isfinite(found.p_values))
    codes = [direction.code for direction in DIRECTIONS]
    return compared.rows.select("test_id", "regime")[row].with_columns(
        direction_code=_codes(codes, scores.direction[row]),
        p_value=_numbers(found.p_values[row, place]),
        calibration_code=_codes(CODES, found.codes[row, place]),
        n_calibration=pl.Series(found.vehicles[row, place], dtype=pl.Int32),
    )


def _numbers(values: Array) -> pl.Series:
    """The values row by row, null where NaN."""
    flat = np.ascontiguousarray(values, dtype=float).reshape(-1)
    return pl.Series(flat, dtype=pl.Float64, nan_to_null=True)


def _counts(values: Numbers, is_known: Mask) -> pl.Series:
    """Whole numbers row by row, null where not known."""
    return _numbers(np.where(is_known, values, np.nan)).cast(pl.Int32)


def _codes(codes: Sequence[str | None], places: Numbers) -> pl.Series:
    """The code of every place, row by row."""
    return pl.Series(codes, dtype=pl.String).gather(places.reshape(-1))


def _concerns(rows: pl.DataFrame, fleet: Fleet) -> Mask:
    """False where a feature means nothing for a car: a rear evaporator that it has not."""
    concerns = np.ones(fleet.values.shape, dtype=bool)
    has_rear = rows["rear_evaporator"].to_numpy() if rows.height else np.empty(0, dtype=bool)
    for place, feature in enumerate(fleet.features):
        if feature.name.startswith("rear_"):
            concerns[:, place] = has_rear
    return concerns
