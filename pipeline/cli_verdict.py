"""The command `verdict`: its options, and what they ask for.

Imported by the command line at once, so light. Does not belong here: what the command does
(`verdict`).
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    ClockOption,
    DebugOption,
    StartedOption,
    WorkspaceOption,
)
from pipeline.terminal import say
from pipeline.told_failures import failures_told

_HERE = Path()


def verdict(  # noqa: PLR0913, PLR0917 - one parameter per option
    file: Annotated[Path, typer.Argument(help="The log file, under logs/ or anywhere.")],
    vehicle: Annotated[
        str | None, typer.Option(help="The vehicle, where no row of the registry names the log.")
    ] = None,
    model: Annotated[
        str | None, typer.Option(help="The model of a car that is not on record.")
    ] = None,
    started: StartedOption = None,
    ambient: Annotated[
        float | None, typer.Option(min=-50, max=70, help="Ambient air, degC.")
    ] = None,
    humidity: Annotated[
        float | None, typer.Option(min=0, max=100, help="Ambient relative humidity, %.")
    ] = None,
    altitude: Annotated[
        float | None, typer.Option(min=-500, max=6000, help="Altitude of the place, m.")
    ] = None,
    barometric: Annotated[
        float | None, typer.Option(min=45, max=112, help="Air pressure of the place, kPa.")
    ] = None,
    blower: Annotated[float | None, typer.Option(min=0, max=100, help="Blower setting, %.")] = None,
    page: Annotated[
        Path | None, typer.Option(help="Write it here as well: one HTML page, with the curves.")
    ] = None,
    workspace: WorkspaceOption = _HERE,
    clock: ClockOption = None,
    debug: DebugOption = False,
) -> None:
    """Judge one log against what is published, while the car is there; nothing is stored."""
    with failures_told(debug):
        found = next((path for path in (file, workspace / "logs" / file) if path.is_file()), None)
        if found is None:
            raise typer.BadParameter(f"there is no file {file}, nor {workspace / 'logs' / file}")
        from pipeline.verdict import verdict as judge
        from pipeline.verdict_car import Stated
        from pipeline.verdict_text import verdict_lines
        from pipeline.workspace import find_workspace

        place, now = find_workspace(workspace), clock or datetime.now(UTC)
        stated = Stated(vehicle, model, started, ambient, humidity, altitude, barometric, blower)
        given = judge(place, found, stated, now)
        for line in verdict_lines(given):
            say(line)
        if page is not None:
            from pipeline.verdict_page import write_page

            write_page(given, page, now)
            say(f"Open this page: {page.resolve()}")
