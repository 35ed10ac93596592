"""The page of a verdict: one HTML file with the words of the terminal and the curves.

Takes a `Verdict`, makes of it the content of a site of one car, writes one file. Does not
belong here: words (`verdict_text`), layout (`reports.single_page`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.fingerprints import code_version
from pipeline.store_tables import LOGS, REJECTED, UNASSIGNED
from pipeline.verdict_text import NOTHING_STORED, alone_words, compared_words, next_lines
from reports.content import SiteContent
from reports.curves import read_curves
from reports.ledger import open_ledger
from reports.pages import foot_of
from reports.retelling import in_display_units
from reports.single_page import Alone, verdict_page
from reports.vehicle import summarise_vehicle

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from pipeline.verdict import Verdict


def write_page(verdict: Verdict, path: Path, clock: datetime) -> None:
    """The page written; readers see the old bytes or the new, never a part."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f".{path.name}.new")
    fresh.write_bytes(page_text(verdict, clock).encode("utf-8", "replace"))
    fresh.replace(path)


def page_text(verdict: Verdict, clock: datetime) -> str:
    """The page as HTML."""
    settings = verdict.settings.report
    content = _content(verdict, clock)
    summary = summarise_vehicle(verdict.vehicle_id, open_ledger(content), settings)
    curves = read_curves(content.read_samples([verdict.test_id]), content.context, settings)
    alone = Alone(
        f"{alone_words(verdict)[:1].upper()}{alone_words(verdict)[1:]}",
        in_display_units(verdict.assessment["reason"], settings),
        tuple(next_lines(verdict)),
        compared_words(verdict),
        NOTHING_STORED.replace("`", ""),
    )
    foot = foot_of(settings, code_version())
    return verdict_page(summary, curves.get(verdict.test_id), alone, settings, foot)


def _content(verdict: Verdict, clock: datetime) -> SiteContent:
    """The site of this car alone, with this test as its latest."""
    rows, assessed, registry = verdict.rows, verdict.assessed, verdict.asked.registry
    mine = pl.col("vehicle_id") == verdict.vehicle_id

    def read_samples(test_ids: Sequence[str]) -> pl.DataFrame:
        return rows.tables["samples"].filter(pl.col("test_id").is_in(list(test_ids)))

    return SiteContent(
        states=assessed.states.filter(mine).with_columns(latest_test_id=pl.lit(verdict.test_id)),
        evidence=assessed.evidence.filter(mine),
        residuals=assessed.residuals.filter(mine),
        drifts=assessed.drifts.filter(mine),
        causes=assessed.causes.filter(mine),
        instrument_offsets=assessed.instrument_offsets,
        features=rows.tables["features"],
        windows=verdict.windows,
        regimes=rows.tables["regimes"],
        unread=rows.tables["unread"],
        stories=rows.tables["stories"],
        events=rows.tables["events"],
        trust=rows.tables["trust"],
        context=verdict.context,
        vehicles=registry.vehicles,
        models=registry.models,
        repairs=registry.repairs.filter(mine),
        logs=LOGS.empty(),
        rejected=REJECTED.conform(rows.refusals),
        notices=rows.notices,
        unassigned=UNASSIGNED.empty(),
        read_samples=read_samples,
        clock=clock,
        settings=verdict.settings.report,
        code_version=code_version(),
    )
