"""The command `warnings`: its options, and what they ask for.

Imported by the command line at once, so light. Does not belong here: what the command tells
(`warnings_text`), how warnings are found (`models.fleet_warnings`).
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    DebugOption,
    WorkspaceOption,
)
from pipeline.terminal import say
from pipeline.told_failures import failures_told, require_known

_HERE = Path()


class ExportKind(StrEnum):
    """File format of an export."""

    PARQUET = "parquet"
    CSV = "csv"
    XLSX = "xlsx"


def warnings(  # noqa: PLR0913, PLR0917 - one parameter per option
    model: Annotated[str | None, typer.Option(help="Only cars of this model.")] = None,
    component: Annotated[str | None, typer.Option(help="Only claims of this component.")] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet-too", help="List the cohorts that are in order as well.")
    ] = False,
    folder: Annotated[
        Path | None, typer.Option("--export", help="Write what is listed here, a file per list.")
    ] = None,
    kind: Annotated[
        ExportKind, typer.Option("--format", help="File format of the export.")
    ] = ExportKind.CSV,
    workspace: WorkspaceOption = _HERE,
    debug: DebugOption = False,
) -> None:
    """Build months, plants and batches that go wrong, by their claims and by their tests."""
    with failures_told(debug):
        from pipeline.export import write_table
        from pipeline.run import open_published
        from pipeline.settings import read_settings
        from pipeline.warnings_text import read_warnings, warnings_lines
        from pipeline.workspace import find_workspace

        place = find_workspace(workspace)
        settings = read_settings(place)
        with open_published(place, settings) as store:
            require_known(
                "model", [model] if model else [], store.read("models")["model_id"].to_list()
            )
            found = read_warnings(store, model, component, with_quiet=quiet)
        for line in warnings_lines(found, settings.assessment):
            say(line)
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            for name, frame in found.listed.items():
                write_table(frame, folder / f"{name}.{kind.value}", kind.value)
            say(f"Written: {', '.join(found.listed)}. Folder: {folder.resolve()}")
