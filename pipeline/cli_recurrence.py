"""The command `recurrence`: its options, and what they ask for.

Imported by the command line at once, so light. Does not belong here: what the command does
(`recurrence_command`).
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    ClockOption,
    DebugOption,
    WorkspaceOption,
)
from pipeline.terminal import say
from pipeline.told_failures import failures_told, require_known

if TYPE_CHECKING:
    from models.recurrence.clocks import ClockName
    from pipeline.recurrence_command import Kind

_HERE = Path()
_ENDINGS = (".csv", ".parquet", ".xlsx")


def recurrence(  # noqa: PLR0913, PLR0917 - one parameter per option
    by: Annotated[
        str | None,
        typer.Option(
            help="Cut cohorts by these, separated by commas: model, architecture, plant, region, "
            "fleet, build_year, build_quarter, build_month; or of parts fitted at repairs: "
            "part_number, supplier, part_lot. Without it: what stands out along all of them."
        ),
    ] = None,
    component: Annotated[
        list[str] | None, typer.Option(help="Only this component; may be repeated.")
    ] = None,
    months: Annotated[bool, typer.Option("--months", help="By months in service.")] = False,
    km: Annotated[bool, typer.Option("--km", help="By distance driven.")] = False,
    cooling: Annotated[
        bool, typer.Option("--cooling", help="By the cooling that the region asked for.")
    ] = False,
    forecast: Annotated[
        bool, typer.Option("--forecast", help="Claims and reserve of the coming months.")
    ] = False,
    returning: Annotated[
        bool, typer.Option("--returning", help="Vehicles that come back again and again.")
    ] = False,
    save: Annotated[
        Path | None,
        typer.Option(help="Write the table as well, all of it: a .csv, .parquet or .xlsx file."),
    ] = None,
    rows: Annotated[int, typer.Option(min=1, help="Most rows printed.")] = 25,
    workspace: WorkspaceOption = _HERE,
    clock: ClockOption = None,
    debug: DebugOption = False,
) -> None:
    """What fails again and again: build periods, plants, regions, parts; and what is to come."""
    with failures_told(debug):
        if months + km + cooling > 1:
            raise typer.BadParameter("one of `--months`, `--km` and `--cooling` at a time")
        if forecast and returning:
            raise typer.BadParameter("one of `--forecast` and `--returning` at a time")
        if (forecast or returning) and (by or km or cooling):
            raise typer.BadParameter(
                "`--forecast` and `--returning` are by model and months in service; leave "
                "`--by`, `--km` and `--cooling` away"
            )
        if save is not None and save.suffix not in _ENDINGS:
            raise typer.BadParameter(f"{save.name} does not end in {', '.join(_ENDINGS)}")
        from models.recurrence.cohorts import DIMENSION
        from pipeline.recurrence_command import Asked, answer
        from pipeline.workspace import find_workspace

        dimensions = tuple(part.strip() for part in by.split(",")) if by else ()
        require_known("cohort dimension", list(dimensions), list(DIMENSION))
        told_by: ClockName = "km" if km else "cooling" if cooling else "months"
        kind: Kind = "forecast" if forecast else "returning" if returning else "cohorts"
        asked = Asked(kind, dimensions, told_by, tuple(component or ()), rows)
        for line in answer(find_workspace(workspace), asked, clock or datetime.now(UTC), save):
            say(line)
