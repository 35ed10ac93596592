"""What the site is made of: one record with every frame that a page may draw on.

Holds `SiteContent` and the columns that its frames must carry. The pipeline fills it
from the published warehouse; the summaries (`fleet`, `vehicle`) take it. Does not
belong here: reading the warehouse, and any choice of what is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    import polars as pl

    from reports.settings import ReportSettings

NEEDED_COLUMNS: dict[str, tuple[str, ...]] = {
    "states": (
        "vehicle_id",
        "model_id",
        "state",
        "reason",
        "latest_test_id",
        "latest_tested_at",
        "n_tests",
        "worst_z",
        "missing",
        "handling_code",
        "handling",
    ),
    "evidence": (
        "vehicle_id",
        "test_id",
        "regime",
        "feature",
        "finding_code",
        "observed",
        "expected",
        "spread",
        "z",
        "p_value",
        "q_value",
        "pooling_level",
        "baseline_vehicles",
    ),
    "residuals": (
        "vehicle_id",
        "test_id",
        "regime",
        "feature",
        "observed",
        "expected",
        "spread",
        "z",
        "p_value",
        "q_value",
        "pooling_level",
        "baseline_vehicles",
        "finding_code",
        "reason_code",
    ),
    "features": ("test_id", "duct_air_source"),
    "windows": (
        "test_id",
        "window_number",
        "kind_code",
        "regime",
        "start_s",
        "end_s",
        "cycle_code",
    ),
    "unread": ("test_id", "reason_code", "channel", "sentence"),
    "stories": ("test_id", "sentence"),
    "events": (
        "test_id",
        "event_number",
        "kind_code",
        "time_s",
        "source_code",
        "size_pct",
        "size_rpm",
        "confidence",
        "low_side_change_kpa",
        "high_side_change_kpa",
    ),
    "trust": ("test_id", "channel", "rule_code", "distrusted_share", "sentence"),
    "context": ("test_id", "vehicle_id", "log_path", "started_at", "refrigerant"),
    "repairs": ("repair_id", "vehicle_id", "performed_at", "component", "action"),
    "logs": ("path", "outcome_code", "test_id", "vehicle_id", "inputs_hash"),
    "rejected": ("path", "column_name", "code", "sentence", "place", "hint"),
    "notices": ("path", "column_name", "code", "sentence", "place", "hint"),
    "unassigned": ("path", "sentence", "hint", "columns", "row"),
    "drifts": ("vehicle_id", "feature", "regime", "outlook_code", "leaves_band_at", "sentence"),
    "causes": ("vehicle_id", "cause_rank", "sentence"),
    "instrument_offsets": ("instrument_id", "channel", "from_at", "sentence"),
}


@dataclass(frozen=True, kw_only=True)
class SiteContent:
    """Everything the site shows, as frames of the declared tables.

    Parameters
    ----------
    states, evidence, residuals, drifts, causes
        Tables of `models`: one row per vehicle, per finding, per test and feature, per
        vehicle and feature, per vehicle and cause.
    features, windows, unread, stories, events, trust
        Tables of `features`.
    context
        `features.context.CONTEXT`, one row per stored test.
    vehicles, models, repairs
        The registry.
    logs, rejected, notices, unassigned
        What came in, what was refused, what was remarked on logs read all the same, and
        logs held because nobody has said yet which test they are.
    instrument_offsets
        Instruments that read off on every car, found with the judgement.
    read_samples
        Gives the canonical samples of some tests, stacked (an empty frame if none are stored).
    clock
        The moment the site speaks of; an argument so that pages are reproducible.
    code_version
        Version printed in the foot of each page.

    Raises
    ------
    ValueError
        A frame lacks a column that the pages need.
    """

    states: pl.DataFrame
    evidence: pl.DataFrame
    residuals: pl.DataFrame
    features: pl.DataFrame
    windows: pl.DataFrame
    unread: pl.DataFrame
    stories: pl.DataFrame
    events: pl.DataFrame
    trust: pl.DataFrame
    context: pl.DataFrame
    vehicles: pl.DataFrame
    models: pl.DataFrame
    repairs: pl.DataFrame
    logs: pl.DataFrame
    rejected: pl.DataFrame
    notices: pl.DataFrame
    unassigned: pl.DataFrame
    drifts: pl.DataFrame
    causes: pl.DataFrame
    instrument_offsets: pl.DataFrame
    read_samples: Callable[[Sequence[str]], pl.DataFrame]
    clock: datetime
    settings: ReportSettings
    code_version: str

    def __post_init__(self) -> None:
        lacking = [
            f"{name} lacks {column}"
            for name, columns in NEEDED_COLUMNS.items()
            for column in columns
            if column not in getattr(self, name).columns
        ]
        if lacking:
            raise ValueError(
                f"the site cannot be written: {'; '.join(lacking)}. "
                "Rebuild the warehouse with this version (chillroster rebuild)."
            )
