"""The command `bundle`: its options, and what they ask for.

Imported by the command line at once, so light. Does not belong here: what a bundle holds
(`bundle`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    DebugOption,
    WorkspaceOption,
)
from pipeline.terminal import say
from pipeline.told_failures import failures_told

_HERE = Path()


def bundle(
    claim: Annotated[str, typer.Argument(help="The claim, else the repair, as registered.")],
    folder: Annotated[Path, typer.Option("--folder", help="Folder for the file.")] = _HERE,
    workspace: WorkspaceOption = _HERE,
    debug: DebugOption = False,
) -> None:
    """Put the evidence behind a warranty claim into one file, with a page to read."""
    with failures_told(debug):
        from pipeline.bundle import make_bundle
        from pipeline.run import open_published
        from pipeline.settings import read_settings
        from pipeline.workspace import find_workspace

        place = find_workspace(workspace)
        settings = read_settings(place)
        with open_published(place, settings) as store:
            made = make_bundle(store, claim, settings)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / made.file_name
        fresh = path.with_name(f".{path.name}.new")
        fresh.write_bytes(made.content)
        fresh.replace(path)
        n_tests = made.tables["context"].height
        say(f"{n_tests} tests and {made.tables['repairs'].height} repairs of the car put together.")
        say(f"File: {path.resolve()}")
