"""The commands `shops`, `replacements` and `refrigerant-register`: options, what they ask for.

Imported by the command line at once, so light. Does not belong here: what is told
(`shops_text`, `claims_text`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    DebugOption,
    WorkspaceOption,
)
from pipeline.terminal import say
from pipeline.told_failures import failures_told

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.settings import Settings
    from pipeline.shops_text import Told
    from pipeline.warehouse import Warehouse

_HERE = Path()

ExportOption = Annotated[
    Path | None,
    typer.Option(
        "--export", metavar="FILE", help="Write what is shown to a .csv, .xlsx or .parquet file."
    ),
]


def shops(
    shop: Annotated[
        str | None, typer.Option("--shop", help="The own list of one shop, with its repairs.")
    ] = None,
    export: ExportOption = None,
    workspace: WorkspaceOption = _HERE,
    debug: DebugOption = False,
) -> None:
    """Compare shops fairly, or not at all: what such cars show anywhere, and what is chance."""
    with failures_told(debug):
        from pipeline.shops_text import all_shops, one_shop

        def tell(store: Warehouse, settings: Settings) -> Told:
            tables = store.read("shops"), store.read("repair_outcomes")
            if shop is not None:
                return one_shop(*tables, shop, settings.assessment.repairs)
            return all_shops(*tables, settings.assessment.repairs)

        _tell(tell, workspace, export)


def replacements(
    everything: Annotated[
        bool, typer.Option("--all", help="All replacements, not only those on cars in band.")
    ] = False,
    export: ExportOption = None,
    workspace: WorkspaceOption = _HERE,
    debug: DebugOption = False,
) -> None:
    """Components replaced on cars whose tests were in band, with the tests and the cost."""
    with failures_told(debug):
        from pipeline.claims_text import told_replacements

        def tell(store: Warehouse, _settings: Settings) -> Told:
            return told_replacements(store.read("replacements"), is_all=everything)

        _tell(tell, workspace, export)


def refrigerant_register(
    year: Annotated[
        int | None, typer.Option("--year", min=1980, max=2200, help="Only this year.")
    ] = None,
    site: Annotated[str | None, typer.Option("--site", help="Only this shop.")] = None,
    export: ExportOption = None,
    workspace: WorkspaceOption = _HERE,
    debug: DebugOption = False,
) -> None:
    """Refrigerant recovered, charged and lost, per vehicle, site and year."""
    with failures_told(debug):
        from pipeline.claims_text import told_register

        def tell(store: Warehouse, _settings: Settings) -> Told:
            return told_register(store.read("refrigerant_register"), year, site)

        _tell(tell, workspace, export)


def _tell(
    tell: Callable[[Warehouse, Settings], Told], workspace: Path, export: Path | None
) -> None:
    from pipeline.export import write_shown
    from pipeline.run import open_published
    from pipeline.settings import read_settings
    from pipeline.workspace import find_workspace

    place = find_workspace(workspace)
    settings = read_settings(place)
    with open_published(place, settings) as store:
        told = tell(store, settings)
    for line in told.lines:
        say(line)
    if export is not None:
        try:
            written = write_shown(told.shown, export)
        except ValueError as error:
            raise typer.BadParameter(str(error)) from error
        say(f"{written.text} File: {export.resolve()}")
