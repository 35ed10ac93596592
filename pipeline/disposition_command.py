"""What the command `disposition` does: looks the vehicle up, adds a row, tells what it means.

Takes a workspace and what a person said, gives lines to print. Does not belong here: the
file (`disposition_file`), what a row does to a state (`models.dispositions`), options
(`cli_disposition`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from models.causes_found import cause_code
from models.disposition_tables import Kind
from models.dispositions import in_force
from models.fault_signs import CAUSE_WORDS
from models.findings import FINDING
from pipeline.disposition_file import Disposition, append_disposition
from pipeline.problems import Problem, ProblemsError, did_you_mean
from pipeline.registry import read_registry
from pipeline.run import open_published
from pipeline.settings import read_settings
from pipeline.store_faults import StoreError, StoreLockedError

if TYPE_CHECKING:
    from datetime import date, datetime

    from pipeline.workspace import Workspace

_SHOWN = "registry/dispositions.csv"


@dataclass(frozen=True)
class Said:
    """What a person said on the command line of one vehicle."""

    vehicle_id: str
    recorded_at: datetime
    person: str
    kind: Kind
    outcome: str | None = None
    until_date: date | None = None
    undoes: str | None = None
    test_id: str | None = None
    findings: tuple[str, ...] = ()
    cause: str | None = None
    reason: str | None = None


def record(workspace: Workspace, said: Said) -> list[str]:
    """Add the row; returns what to tell.

    Raises
    ------
    ProblemsError
        The vehicle, test, finding or row is not known, or the row would mean nothing.
    """
    registry = read_registry(workspace, read_settings(workspace).time_zone)
    problems = _objections(said, registry.vehicles, registry.dispositions)
    state, evidence = _judged(workspace, said.vehicle_id)
    if said.test_id and evidence is not None and said.test_id not in evidence["tests"]:
        problems.append(_problem(f"No test of {said.vehicle_id} is called {said.test_id!r}.", ""))
    decides = said.kind in (Kind.ACKNOWLEDGE, Kind.SNOOZE)
    if decides and state is None:
        sentence = f"{said.vehicle_id} has no state yet that could be acknowledged."
        problems.append(_problem(sentence, "Run `chillroster run` first."))
    if problems:
        raise ProblemsError(problems)
    codes = said.findings or tuple(evidence["codes"] if evidence else ())
    number = append_disposition(
        workspace,
        Disposition(
            recorded_at=said.recorded_at,
            kind=said.kind.code,
            vehicle_id=said.vehicle_id,
            person=said.person,
            test_id=said.test_id,
            finding_codes=None if said.kind is Kind.UNDO else " ".join(codes),
            cause=said.cause,
            outcome=said.outcome,
            until_date=said.until_date,
            undoes=said.undoes,
            state=state["state"] if state else None,
            worst_z=state["worst_z"] if state else None,
            reason=said.reason,
        ),
    )
    words = _about(said, codes)
    return [
        f"Noted as {number} in {_SHOWN}: {words}.",
        *_about_cause(said.cause),
        f"It counts from the next `chillroster run` on; `--undo {number}` takes it back.",
    ]


def _about_cause(cause: str | None) -> list[str]:
    if cause is None or cause_code(cause) is not None:
        return []
    known = ", ".join(CAUSE_WORDS)
    sentence = "The cause is kept in your words. To count when other cars are weighed it has to be"
    return [f"{sentence} one of {known}."]


def listed(workspace: Workspace, vehicle_id: str, as_of: datetime) -> list[str]:
    """What was recorded of a vehicle, oldest first, with what no longer counts marked."""
    registry = read_registry(workspace, read_settings(workspace).time_zone)
    unknown = _unknown_vehicle(vehicle_id, registry.vehicles)
    if unknown:
        raise ProblemsError(unknown)
    return disposition_lines(registry.dispositions, vehicle_id, as_of) or [
        f"Nothing was recorded of {vehicle_id}."
    ]


def disposition_lines(dispositions: pl.DataFrame, vehicle_id: str, as_of: datetime) -> list[str]:
    """One line per row recorded of a vehicle."""
    counted = set(in_force(dispositions, as_of)["disposition_id"].to_list())
    own = dispositions.filter(pl.col("vehicle_id") == vehicle_id).sort("recorded_at")
    return [_line(row, counted) for row in own.iter_rows(named=True)]


def _line(row: dict[str, Any], counted: set[str]) -> str:
    what = (row["outcome"] or row["kind"]).replace("_", " ")
    if row["kind"] == Kind.UNDO.code:
        what = f"undo of {row['undoes']}"
    parts = [
        f"{row['disposition_id']}, {row['recorded_at']:%Y-%m-%d}, {row['person']}: {what}",
        f"test {row['test_id']}" if row["test_id"] else "",
        (row["finding_codes"] or "").replace(" ", ", ").replace("_", " "),
        f"cause {row['cause']}" if row["cause"] else "",
        f"until {row['until_date']}" if row["until_date"] else "",
        row["reason"] or "",
    ]
    undone = row["kind"] != Kind.UNDO.code and row["disposition_id"] not in counted
    return "; ".join(part for part in parts if part) + (" [taken back]" if undone else "")


def _objections(said: Said, vehicles: pl.DataFrame, dispositions: pl.DataFrame) -> list[Problem]:
    problems = _unknown_vehicle(said.vehicle_id, vehicles)
    for code in said.findings:
        if code not in FINDING:
            sentence = f"There is no finding {code!r}."
            problems.append(_problem(sentence, did_you_mean(code, FINDING)))
    if said.undoes is not None:
        own = dispositions.filter(pl.col("vehicle_id") == said.vehicle_id)
        counted = in_force(dispositions, said.recorded_at)["disposition_id"].to_list()
        undone = own.filter(pl.col("kind") == Kind.UNDO.code)["disposition_id"].to_list()
        if said.undoes not in own["disposition_id"].to_list():
            sentence = f"No row {said.undoes!r} was recorded of {said.vehicle_id}."
            hint = f"`chillroster disposition {said.vehicle_id}` lists them."
            problems.append(_problem(sentence, hint))
        elif said.undoes not in counted and said.undoes not in undone:
            problems.append(_problem(f"The row {said.undoes} is taken back already.", ""))
    if said.until_date is not None and said.until_date <= said.recorded_at.date():
        problems.append(_problem(f"{said.until_date} is not in the future.", "Name a later day."))
    return problems


def _unknown_vehicle(vehicle_id: str, vehicles: pl.DataFrame) -> list[Problem]:
    known = vehicles["vehicle_id"].to_list()
    if vehicle_id in known:
        return []
    return [_problem(f"No vehicle is called {vehicle_id!r}.", did_you_mean(vehicle_id, known))]


def _problem(sentence: str, hint: str) -> Problem:
    return Problem("disposition", sentence, _SHOWN, hint=hint)


def _judged(
    workspace: Workspace, vehicle_id: str
) -> tuple[dict[str, Any] | None, dict[str, list[str]] | None]:
    """The state of the vehicle as published, its finding codes and its tests; else nothing."""
    try:
        with open_published(workspace, read_settings(workspace)) as store:
            states = store.read_where("states", "vehicle_id", [vehicle_id])
            evidence = store.read_where("evidence", "vehicle_id", [vehicle_id])
            tests = store.read_where("context", "vehicle_id", [vehicle_id])
    except StoreLockedError:
        raise
    except StoreError:
        return None, None
    state = states.row(0, named=True) if states.height else None
    codes = sorted(evidence["finding_code"].unique().to_list())
    return state, {"codes": codes, "tests": tests["test_id"].to_list()}


def _about(said: Said, codes: tuple[str, ...]) -> str:
    if said.kind is Kind.UNDO:
        return f"{said.undoes} of {said.vehicle_id} is taken back"
    what = (said.outcome or said.kind.code).replace("_", " ")
    found = ", ".join(code.replace("_", " ") for code in codes)
    about = f" ({found})" if found else ""
    until = f" until {said.until_date}" if said.until_date else ""
    return f"{said.vehicle_id} {what}{until}{about}"
