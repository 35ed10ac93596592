"""The frames of a site, cut once into the rows that one vehicle or one test needs.

Takes a `SiteContent`, gives a `Ledger` of plain rows by vehicle and by test, in a fixed
order, so that a page costs no scan of a frame. Does not belong here: wording.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from models.assessments import rows_by
from models.drift_tables import Outlook

if TYPE_CHECKING:
    from reports.content import SiteContent

Row = dict[str, Any]
Rows = dict[str, list[Row]]


@dataclass(frozen=True)
class Ledger:
    """Rows by vehicle (residuals, evidence, drifts, causes, repairs, tests), test or log (rest).

    `duct_sources` tells by test which sensors its duct air is from, `samples_hashes` what its
    samples were made of, where that is known.
    """

    states: dict[str, Row]
    evidence: Rows
    residuals: Rows
    drifts: Rows
    causes: Rows
    repairs: Rows
    tests: Rows
    windows: Rows
    regimes: Rows
    unread: Rows
    stories: Rows
    events: Rows
    trust: Rows
    refused_columns: Rows
    notices: Rows
    duct_sources: dict[str, str]
    samples_hashes: dict[str, str | None]


def open_ledger(content: SiteContent) -> Ledger:
    """All rows of the site by the vehicle, test or log that they speak of."""
    columns = content.rejected.filter(pl.col("column_name").is_not_null())
    distrusted = content.trust.filter(pl.col("distrusted_share") > 0)
    return Ledger(
        states={row["vehicle_id"]: row for row in content.states.iter_rows(named=True)},
        evidence=rows_by(
            content.evidence.sort("vehicle_id", "feature", "regime", "test_id"), "vehicle_id"
        ),
        residuals=rows_by(
            content.residuals.sort("vehicle_id", "test_id", "feature", "regime"), "vehicle_id"
        ),
        drifts=rows_by(_drifting(content.drifts), "vehicle_id"),
        causes=rows_by(content.causes.sort("vehicle_id", "cause_rank"), "vehicle_id"),
        repairs=rows_by(content.repairs.sort("performed_at", "repair_id"), "vehicle_id"),
        tests=rows_by(content.context.sort("started_at", "test_id"), "vehicle_id"),
        windows=rows_by(content.windows.sort("test_id", "window_number"), "test_id"),
        regimes=rows_by(content.regimes.sort("test_id", "span_number"), "test_id"),
        unread=rows_by(content.unread.sort("test_id", "reason_code", "channel"), "test_id"),
        stories=rows_by(content.stories.sort("test_id"), "test_id"),
        events=rows_by(content.events.sort("test_id", "time_s", "event_number"), "test_id"),
        trust=rows_by(distrusted.sort("test_id", "channel", "rule_code"), "test_id"),
        refused_columns=rows_by(columns.sort("path", "column_name", "code"), "path"),
        notices=rows_by(content.notices.sort("path", "column_name", "code", "place"), "path"),
        duct_sources=_duct_sources(content.features),
        samples_hashes=dict(content.logs.sort("path").select("test_id", "inputs_hash").iter_rows()),
    )


def _drifting(drifts: pl.DataFrame) -> pl.DataFrame:
    """Where a drift out of the band is seen and dated, the nearest date first."""
    dated = drifts.filter(pl.col("outlook_code") == Outlook.DATED.code)
    return dated.sort("vehicle_id", "leaves_band_at", "feature", "regime")


def _duct_sources(features: pl.DataFrame) -> dict[str, str]:
    """By test, the sensors behind its duct air: decided once for all regimes of a test."""
    known = features.select("test_id", "duct_air_source").drop_nulls().sort(pl.all())
    return dict(known.iter_rows())
