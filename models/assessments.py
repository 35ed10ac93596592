"""The verdict on each test: in band, a finding, far beyond, or not assessable.

Takes residuals with findings, the q values of the tests, and the gaps; gives the
ASSESSMENTS and EVIDENCE frames. Does not belong here: the history of the car (`states`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.findings import JUDGED_FEATURE, MADE_BY_CLAMPS
from models.sentences import Row, capitalised, doubt_sentence, finding_sentence, gap_sentence
from models.tables import ASSESSMENTS, EVIDENCE

if TYPE_CHECKING:
    from collections.abc import Iterable

IN_BAND = "in_band"
FINDING = "finding"
FAR_BEYOND = "far_beyond"
NOT_ASSESSABLE = "not_assessable"
NO_WINDOW = "No steady window with trustworthy readings."


def rests_on_one_sensor(features: Iterable[str]) -> bool:
    """Whether one logged channel has a part in every one of the features."""
    shared = [JUDGED_FEATURE[name].channels for name in features]
    return bool(frozenset.intersection(*shared)) if shared else False


def can_come_of_clamps(codes: Iterable[str]) -> bool:
    """Whether clamps that read towards the air under the hood would make all these findings."""
    found = set(codes)
    return bool(found) and found <= {finding.code for finding in MADE_BY_CLAMPS}


def has_one_cause(found: Iterable[Row]) -> bool:
    """Whether one error of measurement, in one sensor or on the clamps, makes all that is found."""
    rows = list(found)
    return rests_on_one_sensor(row["feature"] for row in rows) or can_come_of_clamps(
        row["finding_code"] for row in rows
    )


def evidence_frame(residuals: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """The rows with a finding, in words, strongest first within a test."""
    rows = (
        residuals.filter(pl.col("finding_code").is_not_null())
        .join(tests.select("test_id", pl.col("started_at").alias("tested_at")), on="test_id")
        .with_columns(pl.col("z").abs().alias("size"))
        .sort(
            ["vehicle_id", "tested_at", "test_id", "size", "regime", "feature"],
            descending=[False, False, False, True, False, False],
        )
    )
    sentences = [finding_sentence(row) for row in rows.iter_rows(named=True)]
    columns = [name for name in EVIDENCE.schema if name in rows.columns]
    return EVIDENCE.conform(rows.select(columns).with_columns(pl.Series("sentence", sentences)))


def assess_tests(
    residuals: pl.DataFrame,
    tests: pl.DataFrame,
    test_q: pl.DataFrame,
    gaps: pl.DataFrame,
    *,
    least_z: float,
) -> pl.DataFrame:
    """One row per test: its verdict and why.

    Parameters
    ----------
    residuals : frame
        With finding_code, is_in_doubt and is_far_beyond.
    tests : frame
        test_id, vehicle_id, started_at.
    test_q : frame
        As from `add_flags`: of the tests that were judged at all.
    gaps : frame
        As from `find_gaps`.
    least_z : float
        Spreads from which on a deviation is named, certain or not.
    """
    counts = residuals.group_by("test_id").agg(
        pl.col("z").is_not_null().sum().alias("n_assessed_features"),
        pl.col("finding_code").drop_nulls().n_unique().alias("n_findings"),
        pl.len().alias("n_rows"),
    )
    found = rows_by(residuals.filter(pl.col("finding_code").is_not_null()), "test_id")
    open_gaps = rows_by(gaps, "test_id")
    doubts = {
        test_id: doubt_sentence(doubted, least_z)
        for test_id, doubted in rows_by(residuals.filter("is_in_doubt"), "test_id").items()
    }
    rows = (
        tests.select("test_id", "vehicle_id", pl.col("started_at").alias("tested_at"))
        .join(counts, on="test_id", how="left")
        .join(test_q, on="test_id", how="left")
        .with_columns(pl.col("n_assessed_features", "n_findings", "n_rows").fill_null(0))
        .sort("vehicle_id", "tested_at", "test_id")
    )
    verdicts = [
        _verdict(row, found.get(row["test_id"], []), open_gaps.get(row["test_id"], []))
        for row in rows.iter_rows(named=True)
    ]
    reasons = [
        reason if code in (FINDING, FAR_BEYOND) else f"{reason} {doubts.get(test_id, '')}".strip()
        for (code, reason), test_id in zip(verdicts, rows["test_id"], strict=True)
    ]
    return ASSESSMENTS.conform(
        rows.drop("n_rows").with_columns(
            pl.Series("verdict_code", [code for code, _ in verdicts], pl.String),
            pl.Series("reason", reasons, pl.String),
        )
    )


def rows_by(frame: pl.DataFrame, key: str) -> dict[str, list[Row]]:
    """The rows of a frame as records, grouped by a text column, in the order they stand."""
    grouped: dict[str, list[Row]] = {}
    for row in frame.iter_rows(named=True):
        grouped.setdefault(row[key], []).append(row)
    return grouped


def _verdict(row: Row, found: list[Row], gaps: list[Row]) -> tuple[str, str]:
    if found:
        strongest = max(found, key=lambda r: (abs(r["z"]), r["feature"], r["regime"]))
        sentence = f"{capitalised(finding_sentence(strongest))}."
        is_far = any(r["is_far_beyond"] for r in found) and not has_one_cause(found)
        return (FAR_BEYOND if is_far else FINDING), sentence
    if row["n_rows"] == 0:
        return NOT_ASSESSABLE, NO_WINDOW
    if gaps:
        return NOT_ASSESSABLE, f"Not judged: {gap_sentence(gaps)}."
    return IN_BAND, f"No finding among the {row['n_assessed_features']} quantities judged."
