"""Logs that no row of the registry names: which test each is by its own word, or held.

Takes the log files and what a person wrote, gives rows of the tests table for logs whose
header or name says, by profile, which car it was and when; every other log is held as
unassigned, with what is missing and a row to paste. Never guessed: a vehicle that the
registry does not have, a value stated in two ways, or an instant that no calendar holds
assigns nothing. Does not belong here: reading headers (`log_peeks`, `stated`), storing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.log_peeks import peek
from pipeline.log_requests import Door, LogRequest
from pipeline.paste_rows import PasteForm, Unassigned, paste_form
from pipeline.profiles import STATED_COLUMNS
from pipeline.refusals import LogRefusedError
from pipeline.registry import FOREIGN_PATH
from pipeline.registry_cells import EXPECTED, parse_cells
from pipeline.registry_tables import TEST_ENTRIES
from pipeline.stated import NOTHING_STATED, Stated, stated_by
from pipeline.workspace import kind_of

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from pipeline.fingerprints import LogFile
    from pipeline.inputs import Inputs
    from pipeline.registry import Registry
    from pipeline.registry_tables import Entry
    from pipeline.workspace import Workspace

REQUIRED = ("vehicle_id", "started_at")


@dataclass(frozen=True)
class Assignment:
    """Rows of the tests table by the logs' own word, logs held, and remarks by path."""

    tests: pl.DataFrame
    held: Mapping[str, Unassigned] = field(default_factory=dict)
    remarks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def added_to(self, registry: Registry) -> Registry:
        """The registry with the rows; what a person wrote is not among them twice."""
        return replace(registry, tests=pl.concat([registry.tests, self.tests]))


@dataclass(frozen=True)
class _Look:
    """What a log states, by which profile, or why it could not be looked at."""

    profile: str | None
    stated: Stated
    fault: str = ""


@dataclass
class _Typed:
    """Values of one log by column, and what cannot be used, by column."""

    values: dict[str, Any] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)


def assign_logs(files: Sequence[LogFile], workspace: Workspace, inputs: Inputs) -> Assignment:
    """What the logs without a row of the tests table say of themselves.

    Files are opened only where a profile for their kind says what header or name state.
    """
    claimed = set(inputs.registry.tests["log"])
    strays = [file.path for file in files if file.path not in claimed and file.fault is None]
    if not strays:
        return Assignment(inputs.registry.tests.clear())
    looks = _look_at(strays, workspace, inputs)
    typed = type_stated([look.stated for look in looks.values()], inputs)
    rows, held, remarks = [], {}, {}
    form: PasteForm | None = None
    for (path, look), one in zip(looks.items(), typed, strict=True):
        if all(name in one.values for name in REQUIRED):
            rows.append(one.values | {"log": path, "profile": look.profile})
            remarks[path] = (*look.stated.unclear, *one.faults.values())
        else:
            form = form or paste_form(workspace)
            held[path] = _held(path, look, one, form)
    blank = dict.fromkeys(inputs.registry.tests.schema)
    tests = pl.DataFrame([blank | row for row in rows], schema=inputs.registry.tests.schema)
    return Assignment(tests, held, remarks)


def _look_at(paths: Sequence[str], workspace: Workspace, inputs: Inputs) -> dict[str, _Look]:
    door = Door.of(inputs.settings, inputs.profiles)
    telling = {profile.kind for profile in inputs.profiles if profile.states_tests}
    looks = {}
    for path in paths:
        if kind_of(path) not in telling:
            looks[path] = _Look(None, NOTHING_STATED)
            continue
        request = LogRequest(path, workspace.logs_folder / path, "")
        try:
            # one folder per log: what a packed one unpacks to is not kept
            with TemporaryDirectory(prefix="chillroster-") as scratch:
                seen = peek(request, door, Path(scratch))
        except LogRefusedError as error:
            looks[path] = _Look(None, NOTHING_STATED, str(error))
            continue
        looks[path] = _Look(seen.profile.name, stated_by(seen.profile, path, seen.fields))
    return looks


def type_stated(stated: Sequence[Stated], inputs: Inputs) -> list[_Typed]:
    """The texts of each log as values of the tests table, and what is wrong with them."""
    typed = [_Typed() for _ in stated]
    for entry in TEST_ENTRIES.entries:
        texts = [one.values.get(entry.name) for one in stated]
        if entry.name not in STATED_COLUMNS or not any(texts):
            continue
        series = pl.Series(entry.name, texts, pl.String).str.strip_chars()
        zone = inputs.settings.time_zone
        values = parse_cells(series, entry.kind, zone=zone, decimal_comma=False)
        known = _known(entry, inputs.registry)
        for one, state, text, value in zip(typed, stated, series, values, strict=True):
            if not text:
                continue
            is_day = entry.kind == "instant" and ":" not in text
            fault = _fault(entry, None if is_day else value, known)
            if fault:
                source = state.sources[entry.name]
                one.faults[entry.name] = f"`{entry.name}` is {text!r} by {source}, {fault}"
            else:
                one.values[entry.name] = value.lower() if entry.choices else value
    for one in typed:
        _drop_repair_of_another(one, inputs.registry)
    return typed


def _drop_repair_of_another(typed: _Typed, registry: Registry) -> None:
    """Leave out a repair that was done on another vehicle than the one stated."""
    repair, vehicle = typed.values.get("repair_id"), typed.values.get("vehicle_id")
    if repair is None or vehicle is None:
        return
    done_on = registry.repairs.filter(pl.col("repair_id") == repair)["vehicle_id"].to_list()
    if vehicle not in done_on:
        del typed.values["repair_id"]
        typed.faults["repair_id"] = (
            f"`repair_id` is {repair!r}, which was done on another vehicle than {vehicle!r}"
        )


def _known(entry: Entry, registry: Registry) -> Collection[str] | None:
    """The ids that a column may name; None where it may name any."""
    table, _, column = entry.refers_to.partition(".")
    if not table:
        return None
    ids = set(getattr(registry, table)[column].drop_nulls())
    return None if entry.may_dangle_when_empty and not ids else ids


def _fault(entry: Entry, value: Any, known: Collection[str] | None) -> str:
    """Why a value cannot be used; empty where it can."""
    if value is None:
        return f"which is not {EXPECTED[entry.kind][0]}"
    if known is not None and value not in known:
        return f"which registry/{entry.refers_to.partition('.')[0]} does not have"
    if entry.choices and value.lower() not in entry.choices:
        return f"which is none of {', '.join(entry.choices)}"
    if entry.kind in {"number", "count"} and not entry.lowest <= value <= entry.highest:
        return f"outside {entry.lowest:g} to {entry.highest:g} {entry.unit}"
    return ""


def _held(path: str, look: _Look, typed: _Typed, form: PasteForm) -> Unassigned:
    missing = tuple(name for name in REQUIRED if name not in typed.values)
    faults = [typed.faults[name] for name in missing if name in typed.faults]
    said = {name for name in missing if f"`{name}`" in " ".join((*faults, *look.stated.unclear))}
    silent = [f"`{name}`" for name in missing if name not in said]
    told = [*look.stated.unclear, *faults]
    if look.fault:
        told.append(f"the file is not recognised ({look.fault.rstrip('.')})")
    if silent:
        told.append(f"nothing that a profile names states {' and '.join(silent)}")
    values = typed.values | {
        name: look.stated.values[name] for name in typed.faults if name == "vehicle_id"
    }
    code = _reason_code(look, typed)
    return Unassigned(
        path=path,
        reason_code=code,
        sentence=f"no row of the registry's tests table names this log; {'; '.join(told)}.",
        missing=" ".join(missing),
        hint=_hint(path, code),
        columns=form.header,
        row=form.row({**values, "log": path}),
    )


_FILL_IN = (
    "Add the row to registry/tests, with what is missing filled in; or name in a profile the "
    "header fields or the pattern of the file name that state it."
)
_RENAME = (
    "Rename the file first: a backslash or a drive letter in its name would be read differently "
    "on another system, and no row can name it."
)
_ADD_VEHICLE = (
    "Add the vehicle to registry/vehicles if it is one; else add the row to registry/tests with "
    "the right vehicle_id."
)


def _hint(path: str, code: str) -> str:
    if FOREIGN_PATH.search(path):
        return _RENAME
    return _ADD_VEHICLE if code == "vehicle_unknown" else _FILL_IN


def _reason_code(look: _Look, typed: _Typed) -> str:
    if look.stated.unclear:
        return "stated_unclearly"
    if "does not have" in typed.faults.get("vehicle_id", ""):
        return "vehicle_unknown"
    if any(name in typed.faults for name in REQUIRED):
        return "stated_unreadably"
    return "not_recognised" if look.fault else "not_stated"
