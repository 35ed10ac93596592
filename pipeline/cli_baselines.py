"""The command `baselines`: its options, and what they ask for.

Imported by the command line at once, so light. Does not belong here: what the command does
(`baseline_changes`).
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


def baselines(
    model: Annotated[
        str | None, typer.Option(help="Only what moved of this model, and all of it.")
    ] = None,
    workspace: WorkspaceOption = _HERE,
    debug: DebugOption = False,
) -> None:
    """The versions of the baselines, and what moved from the last but one to the last."""
    with failures_told(debug):
        from pipeline.baseline_changes import baseline_lines
        from pipeline.run import open_published
        from pipeline.settings import read_settings
        from pipeline.workspace import find_workspace

        place = find_workspace(workspace)
        settings = read_settings(place)
        with open_published(place, settings) as store:
            for line in baseline_lines(store, settings, model):
                say(line)
