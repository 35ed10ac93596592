"""Options that commands take: their types, their help, how an instant is read.

Imported by the command line at once, so light. Does not belong here: what a command does
(`cli`).
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer


def _instant(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(
            f"{text!r} is no instant; write it as 2026-07-20 or 2026-07-20T12:00:00+02:00"
        ) from error
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    try:
        return aware.astimezone(UTC)
    except OverflowError as error:
        raise typer.BadParameter(f"{text!r} lies outside the calendar") from error


WorkspaceOption = Annotated[
    Path, typer.Option("--workspace", "-w", help="The folder with chillroster.toml.")
]
ClockOption = Annotated[
    datetime | None,
    typer.Option(
        "--clock",
        parser=_instant,
        metavar="ISO",
        help="Pretend it is this instant, for reproducible output; UTC unless it says otherwise.",
    ),
]
StartedOption = Annotated[
    datetime | None,
    typer.Option(
        "--started",
        parser=_instant,
        metavar="ISO",
        help="Start of the log, where nothing states it; else it is taken to be now.",
    ),
]
StrictOption = Annotated[
    bool, typer.Option("--strict", help="Exit with 4 when a log or a column was refused.")
]
RefitOption = Annotated[
    bool, typer.Option("--refit", help="Fit the baselines anew now, due or not.")
]
DebugOption = Annotated[
    bool, typer.Option("--debug", help="Show where in the program an error arose.")
]
TrustOption = Annotated[bool, typer.Option("--trust", help="Score the rules that doubt sensors.")]
ReadingsOption = Annotated[
    bool,
    typer.Option(
        "--readings", help="Score superheat, subcooling, events and regimes read out of tests."
    ),
]
FleetOption = Annotated[
    bool, typer.Option("--fleet", help="Score the states given to the cars of a simulated fleet.")
]
ScoreTestsOption = Annotated[
    int | None,
    typer.Option(
        "--tests", min=1, help="Tests to simulate; 300 for readings, 3 per vehicle for a fleet."
    ),
]
ScoreVehiclesOption = Annotated[
    int, typer.Option("--vehicles", min=1, help="Vehicles of the fleet to simulate.")
]
LogsOption = Annotated[
    int,
    typer.Option("--logs-per-mishap", min=1, help="Logs to simulate per kind of sensor mishap."),
]
CleanLogsOption = Annotated[
    int, typer.Option("--clean-logs", min=1, help="Logs without any mishap of the sensors.")
]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the simulation.")]
KindsOption = Annotated[
    list[str] | None,
    typer.Option("--mishap", help="Only this kind of sensor mishap; may be repeated."),
]
JsonOption = Annotated[Path | None, typer.Option("--json", help="Write the score here as well.")]
TruthOption = Annotated[
    Path | None,
    typer.Option(
        "--truth", help="Write a table here: each log, its mishap, what the rules said (CSV)."
    ),
]
ScorePageOption = Annotated[
    Path | None,
    typer.Option("--page", help="Write the scorecard of a fleet here as a page (HTML)."),
]
TrialOption = Annotated[
    Path | None,
    typer.Option(
        "--folder", help="Keep the simulated logs here; used again while nothing changed."
    ),
]
