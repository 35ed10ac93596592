"""Report: writes the site from the published snapshot.

Takes a workspace and the instant the site speaks of, gives what `reports.site` says it
wrote. Does not belong here: what the pages show (`reports`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.fingerprints import code_version
from pipeline.run import open_published
from pipeline.settings import read_settings
from reports.content import SiteContent
from reports.site import SiteResult, write_site

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    import polars as pl

    from pipeline.progress import Progress
    from pipeline.warehouse import Warehouse
    from pipeline.workspace import Workspace
    from reports.settings import ReportSettings


_FRAMES = (
    "states",
    "evidence",
    "residuals",
    "features",
    "windows",
    "regimes",
    "unread",
    "stories",
    "events",
    "trust",
    "context",
    "vehicles",
    "models",
    "repairs",
    "logs",
    "rejected",
    "notices",
    "unassigned",
    "drifts",
    "causes",
    "instrument_offsets",
)


def site_content(store: Warehouse, settings: ReportSettings, clock: datetime) -> SiteContent:
    """Everything the site shows, from a store that stays open while it is used."""

    def read_samples(test_ids: Sequence[str]) -> pl.DataFrame:
        return store.read_where("samples", "test_id", test_ids)

    frames = {name: store.read(name) for name in _FRAMES}
    return SiteContent(
        **frames,
        read_samples=read_samples,
        clock=clock,
        settings=settings,
        code_version=code_version(),
    )


def write_report(workspace: Workspace, clock: datetime, progress: Progress) -> SiteResult:
    """Write the site from the published snapshot; pages that would not change are left alone."""
    settings = read_settings(workspace)
    with open_published(workspace, settings) as store:
        content = site_content(store, settings.report, clock)
        progress.begin("Writing pages", content.states.height)
        return write_site(content, workspace.site_folder, advance=progress.advance)


def site_text(result: SiteResult) -> str:
    """What was written, in one line."""
    removed = f", {result.n_files_removed} files removed" if result.n_files_removed else ""
    return (
        f"Site: {result.n_pages_written} pages written, "
        f"{result.n_pages_unchanged} unchanged{removed}."
    )
