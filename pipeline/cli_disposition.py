"""The command `disposition`: its options, and what they ask for.

Imported by the command line at once, so light. Does not belong here: what the command does
(`disposition_command`).
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    ClockOption,
    DebugOption,
    WorkspaceOption,
)
from pipeline.terminal import say
from pipeline.told_failures import failures_told

_HERE = Path()


class Found(StrEnum):
    """What a workshop may find of a finding."""

    CONFIRMED = "confirmed"
    OTHER_CAUSE = "other_cause"
    NO_FAULT_FOUND = "no_fault_found"
    NOT_LOOKED_AT = "not_looked_at"


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no day; write it as 2026-07-20") from error


def disposition(  # noqa: PLR0913, PLR0917 - one parameter per option
    vehicle: Annotated[str, typer.Argument(help="The vehicle, as the registry names it.")],
    found: Annotated[Found | None, typer.Option("--found", help="What the workshop found.")] = None,
    acknowledge: Annotated[
        bool, typer.Option("--acknowledge", help="The state is known; silent until it grows worse.")
    ] = False,
    snooze_until: Annotated[
        date | None,
        typer.Option("--snooze-until", parser=_day, metavar="DAY", help="The same, until a day."),
    ] = None,
    undo: Annotated[
        str | None, typer.Option("--undo", metavar="ID", help="Take an earlier row back.")
    ] = None,
    person: Annotated[str, typer.Option("--person", help="Who says so.")] = "",
    reason: Annotated[str | None, typer.Option("--reason", help="Why, in your words.")] = None,
    test: Annotated[
        str | None, typer.Option("--test", help="The test it is about; else the car's state.")
    ] = None,
    finding: Annotated[
        list[str] | None,
        typer.Option("--finding", help="Only this finding; may be repeated. Else all there are."),
    ] = None,
    cause: Annotated[
        str | None,
        typer.Option(
            "--cause",
            help="The cause found; as a code of the table `causes` (low_charge) it counts for cars "
            "to come.",
        ),
    ] = None,
    workspace: WorkspaceOption = _HERE,
    clock: ClockOption = None,
    debug: DebugOption = False,
) -> None:
    """Record what was found or decided about a vehicle; without options, list it."""
    with failures_told(debug):
        from models.disposition_tables import Kind
        from pipeline.disposition_command import Said, listed, record
        from pipeline.workspace import find_workspace

        asked = {
            Kind.FOUND: found is not None,
            Kind.ACKNOWLEDGE: acknowledge,
            Kind.SNOOZE: snooze_until is not None,
            Kind.UNDO: undo is not None,
        }
        kinds = [kind for kind, is_asked in asked.items() if is_asked]
        if len(kinds) > 1:
            raise typer.BadParameter(
                "one thing at a time: --found, --acknowledge, --snooze-until or --undo"
            )
        place, now = find_workspace(workspace), clock or datetime.now(UTC)
        if not kinds:
            lines = listed(place, vehicle, now)
        else:
            said = Said(
                vehicle, now, person, kinds[0], found and found.value, snooze_until, undo, test,
                tuple(finding or ()), cause, reason,
            )  # fmt: skip
            lines = record(place, said)
        for line in lines:
            say(line)
