"""What an ingest has to do: which logs to read, which to refuse unread, which to leave.

Takes what lies on disk, what the registry says and what is stored, gives a `Plan`; pure,
and the same whatever order the files are listed in. Does not belong here: reading logs
(`readers`), storing rows (`ingest`).

A log is read again when its inputs hash differs: content, registry row, model row,
profiles, settings and code. Of files with the same content only the first by path is a
test. A stored log whose file is gone keeps its rows until `rebuild`, because the store
may then hold the only copy.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from pipeline.fingerprints import LogFile, hash_values

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import polars as pl

    from pipeline.assignment import Assignment
    from pipeline.paste_rows import Unassigned

# A test without an id of its own is called by the first digits of its content hash.
TEST_ID_DIGITS = 16


@dataclass(frozen=True)
class Complaint:
    """Why a log, or a row of the tests table, cannot be used."""

    path: str
    code: str
    sentence: str
    hint: str


@dataclass(frozen=True)
class PlannedLog:
    """A log to read: the file, its row of `CONTEXT`, the profile asked for, what is stored.

    Without a row in the registry the log itself says which test it is; `remarks` are what
    it says besides that cannot be used.
    """

    file: LogFile
    context: dict[str, Any]
    profile: str | None
    inputs_hash: str
    stored: dict[str, Any] | None
    has_registry_row: bool = True
    remarks: tuple[str, ...] = ()

    @property
    def test_id(self) -> str:
        """The test that this log is."""
        return str(self.context["test_id"])

    @property
    def holds_the_only_copy(self) -> bool:
        """True means: what is stored came from another content, which no file holds now."""
        return self.stored is not None and self.stored["content_hash"] != self.file.content_hash


@dataclass(frozen=True)
class RefusedLog:
    """A log refused unread; `stored` is its row of `LOGS` from an earlier ingest.

    `held` stands where nobody has said yet which test it is.
    """

    file: LogFile
    complaint: Complaint
    inputs_hash: str
    vehicle_id: str | None
    stored: dict[str, Any] | None
    held: Unassigned | None = None

    @property
    def holds_the_only_copy(self) -> bool:
        """True means: the file cannot be opened, so what is stored may be all there is."""
        return self.file.fault is not None and self.stored is not None


@dataclass(frozen=True)
class Plan:
    """What to do.

    `unchanged` are rows of `LOGS` that hold; `missing` are rows of the tests table
    without a file; of the files that are gone, `vanished` keep what is stored of them,
    `moved` (old path by test) lie elsewhere now, and `forgotten` had been refused or held.
    `held` are all logs that wait for their row, seen before or not.
    """

    to_read: tuple[PlannedLog, ...]
    to_refuse: tuple[RefusedLog, ...]
    unchanged: tuple[dict[str, Any], ...]
    missing: tuple[Complaint, ...]
    vanished: tuple[str, ...]
    moved: dict[str, str]
    forgotten: tuple[str, ...]
    held: tuple[Unassigned, ...] = ()

    @property
    def complaints(self) -> tuple[Complaint, ...]:
        """Why logs are refused unread; those held are no complaint."""
        return tuple(log.complaint for log in self.to_refuse if log.held is None)


def plan_ingest(
    files: Iterable[LogFile],
    contexts: pl.DataFrame,
    logs: pl.DataFrame,
    common_hash: str,
    assignment: Assignment | None = None,
) -> Plan:
    """The plan for the files found, the registry's contexts and the stored `LOGS` rows.

    Parameters
    ----------
    files : iterable of LogFile
        What lies under logs/, in any order.
    contexts : DataFrame
        From `log_context.log_contexts`.
    logs : DataFrame
        The stored table `LOGS`.
    common_hash : str
        Fingerprint of what all logs depend on: profiles, settings, code.
    assignment : Assignment, optional
        What the logs without a row say of themselves; `contexts` has its rows too.
    """
    found = sorted(files, key=lambda file: file.path)
    rows = {row["log_path"]: row for row in contexts.iter_rows(named=True)}
    stored = {row["path"]: row for row in logs.iter_rows(named=True)}
    held = {} if assignment is None else assignment.held
    complaints = _complaints(found, rows, held)
    to_read: list[PlannedLog] = []
    to_refuse: list[RefusedLog] = []
    unchanged = []
    for file in found:
        row, earlier = rows.get(file.path), stored.get(file.path)
        refused = _refused(complaints.get(file.path), file, row, earlier)
        if refused is not None and row is None and file.fault is None:
            refused = replace(refused, held=held.get(file.path))
        planned = refused or _planned(file, rows[file.path], earlier, common_hash)
        if earlier is not None and earlier["inputs_hash"] == planned.inputs_hash:
            unchanged.append(earlier)
        elif isinstance(planned, RefusedLog):
            to_refuse.append(planned)
        else:
            to_read.append(_with_its_own_word(planned, assignment))
    gone = [row for path, row in stored.items() if path not in {file.path for file in found}]
    read_tests = {log.test_id for log in to_read}
    moved = {row["test_id"]: row["path"] for row in gone if row["test_id"] in read_tests}
    vanished = _paths(gone, "stored", set(moved.values()))
    return Plan(
        to_read=tuple(to_read),
        to_refuse=tuple(to_refuse),
        unchanged=tuple(unchanged),
        missing=_missing(rows, found, vanished),
        vanished=vanished,
        moved=moved,
        forgotten=_paths(gone, "refused", set()) + _paths(gone, "unassigned", set()),
        held=tuple(held[path] for path in sorted(held)),
    )


def _with_its_own_word(log: PlannedLog, assignment: Assignment | None) -> PlannedLog:
    """The log with what it says of itself, where no row of the registry speaks for it."""
    if assignment is None or log.file.path not in assignment.remarks:
        return log
    remarks = assignment.remarks[log.file.path]
    return replace(log, has_registry_row=False, remarks=remarks)


def _complaints(
    found: Sequence[LogFile], rows: dict[str, dict[str, Any]], held: Mapping[str, Unassigned]
) -> dict[str, Complaint]:
    complaints = {}
    first_by_content: dict[str, str] = {}
    first_by_test: dict[str, str] = {}
    for file in found:
        row = rows.get(file.path)
        if file.fault is not None:
            complaints[file.path] = _unreadable(file)
        elif row is None:
            complaints[file.path] = _no_row(file.path, held.get(file.path))
        elif row["refusal_code"] is not None:
            complaints[file.path] = _refused_model(file.path, row)
        elif file.size_bytes and file.content_hash in first_by_content:
            complaints[file.path] = _duplicate(file.path, first_by_content[file.content_hash])
        elif _test_id(file, row) in first_by_test:
            complaints[file.path] = _taken(file.path, first_by_test[_test_id(file, row)])
        else:
            first_by_content[file.content_hash] = file.path
            first_by_test[_test_id(file, row)] = file.path
    return complaints


def _unreadable(file: LogFile) -> Complaint:
    return Complaint(
        file.path,
        "unreadable_file",
        f"the file cannot be opened: {file.fault}.",
        "Check its permissions and the disk it lies on.",
    )


def _no_row(path: str, held: Unassigned | None) -> Complaint:
    if held is not None:
        return Complaint(path, held.reason_code, held.sentence, f"{held.hint} {held.row}")
    return Complaint(
        path,
        "no_registry_row",
        "no row of the registry's tests table names this log, so its car is not known.",
        "Add a row to registry/tests.csv with log, vehicle_id and started_at, "
        "or take the file out of logs/.",
    )


def _refused_model(path: str, row: dict[str, Any]) -> Complaint:
    return Complaint(
        path,
        row["refusal_code"],
        f"the car is of model {row['model_id']}: {row['refusal']}",
        "Correct the model's row in registry/models.csv if it is wrong.",
    )


def _duplicate(path: str, first: str) -> Complaint:
    return Complaint(
        path,
        "duplicate_content",
        f"this file has exactly the content of {first}, and one log is one test.",
        "Keep one of the two files and one of their rows in registry/tests.csv; "
        "if both cars were tested, one of the files is a copy by mistake.",
    )


def _taken(path: str, first: str) -> Complaint:
    return Complaint(
        path,
        "test_id_taken",
        f"its test_id is already that of {first}.",
        "Give each row of registry/tests.csv its own test_id, or leave test_id empty.",
    )


def _missing(
    rows: dict[str, dict[str, Any]], found: Sequence[LogFile], vanished: Sequence[str]
) -> tuple[Complaint, ...]:
    present = {file.path for file in found}
    kept = set(vanished)
    unclaimed = {path.lower(): path for path in present if path not in rows}
    return tuple(
        Complaint(
            path,
            "log_file_missing",
            "the registry's tests table names this log, but there is no such file under logs/"
            + ("; what was stored of it earlier is kept." if path in kept else "."),
            "Put the file back, or correct its path in registry/tests.csv."
            + (f" Did you mean `{unclaimed[path.lower()]}`?" if path.lower() in unclaimed else "")
            + (" Leave out `logs/` at its start." if path.startswith("logs/") else "")
            + (" `chillroster rebuild` drops what has no file." if path in kept else ""),
        )
        for path in rows
        if path not in present
    )


def _planned(
    file: LogFile, row: dict[str, Any], stored: dict[str, Any] | None, common_hash: str
) -> PlannedLog:
    context = {**row, "test_id": _test_id(file, row)}
    profile = context.pop("profile")
    del context["refusal_code"], context["refusal"]
    inputs_hash = hash_values(file.content_hash, context, profile, common_hash)
    return PlannedLog(file, context, profile, inputs_hash, stored)


def _refused(
    complaint: Complaint | None,
    file: LogFile,
    row: dict[str, Any] | None,
    stored: dict[str, Any] | None,
) -> RefusedLog | None:
    if complaint is None:
        return None
    inputs_hash = hash_values(file.content_hash, asdict(complaint), row)
    return RefusedLog(file, complaint, inputs_hash, row["vehicle_id"] if row else None, stored)


def _test_id(file: LogFile, row: dict[str, Any]) -> str:
    return row["test_id"] or file.content_hash[:TEST_ID_DIGITS]


def _paths(logs: Sequence[dict[str, Any]], outcome: str, left_out: set[str]) -> tuple[str, ...]:
    return tuple(
        row["path"]
        for row in logs
        if row["outcome_code"] == outcome and row["path"] not in left_out
    )
