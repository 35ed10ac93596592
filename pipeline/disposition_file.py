"""The file `registry/dispositions.csv`: rows added to its end, whole or not at all.

Holds the record `Disposition` and `append_disposition`. A row is added under an advisory
lock: the file with the row at its end is written beside it, flushed to disk, and put in its
place at one blow, so that an end at any moment leaves the old file or the new one. What
stands in the file is copied letter by letter and never changed; a row is taken back by a
later one. Does not belong here: what a row means (`models.dispositions`), reading it
(`registry`), options (`cli_disposition`).
"""

from __future__ import annotations

import csv
import io
import re
import time
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING

from pipeline.lock import hold_lock
from pipeline.problems import Problem, ProblemsError
from pipeline.store_faults import StoreLockedError
from pipeline.store_files import write_whole
from pipeline.terminal import plain

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date, datetime
    from pathlib import Path

    from pipeline.workspace import Workspace

_ENDING = ".csv"
_MOST_LETTERS = 500
# A cell that begins with one of these is a formula, or starts one, in some spreadsheet.
_FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_LOCK_WAIT_S, _LOCK_STEP_S = 5.0, 0.05
_LETTERS = re.compile(r"[^\W_]")


@dataclass(frozen=True)
class Disposition:
    """One row to add; what is not said is None."""

    recorded_at: datetime
    kind: str
    vehicle_id: str
    person: str
    test_id: str | None = None
    finding_codes: str | None = None
    cause: str | None = None
    outcome: str | None = None
    until_date: date | None = None
    undoes: str | None = None
    state: str | None = None
    worst_z: float | None = None
    reason: str | None = None


COLUMNS = (
    "disposition_id", "recorded_at", "kind", "vehicle_id", "test_id", "finding_codes", "cause",
    "outcome", "until_date", "undoes", "state", "worst_z", "person", "reason",
)  # fmt: skip


def append_disposition(workspace: Workspace, disposition: Disposition) -> str:
    """Add a row to the file, which is made when it is not there; returns the row's id.

    Raises
    ------
    ProblemsError
        A text is too long, holds letters that steer a screen or start a formula, or the
        file is kept as a workbook or lacks columns; nothing is written.
    StoreLockedError
        Another process has been adding rows all the while.
    """
    path = _file(workspace)
    texts = _texts(disposition, workspace.shown(path))
    with _locked(workspace):
        before = path.read_bytes() if path.exists() else b""
        header, n_rows = _header_of(before, workspace.shown(path))
        number = f"d{n_rows + 1}"
        row = {"disposition_id": number, **texts}
        added = _line([row.get(name) or "" for name in header])
        if not before:
            added = _line(list(header)) + added
        elif not before.endswith((b"\n", b"\r")):
            added = "\n" + added
        write_whole(path, before + added.encode())
    return number


def _file(workspace: Workspace) -> Path:
    path = workspace.registry_folder / f"dispositions{_ENDING}"
    others = [
        one
        for one in sorted(workspace.registry_folder.glob("dispositions.*"))
        if one.suffix in {".xlsx", ".parquet"}
    ]
    if others:
        raise ProblemsError(
            [
                Problem(
                    "not_appendable",
                    "Rows can only be added to a CSV file.",
                    workspace.shown(others[0]),
                    hint="Save it as dispositions.csv and remove this one.",
                )
            ]
        )
    # a link is followed, so that the file that people look at is the one that grows
    return path.resolve() if path.is_symlink() else path


def _texts(disposition: Disposition, shown: str) -> dict[str, str | None]:
    """The cells of the row, checked.

    Raises
    ------
    ProblemsError
        With everything that is wrong with the texts.
    """
    texts: dict[str, str | None] = {}
    problems = []
    values = asdict(disposition)
    for field in fields(disposition):
        value = values[field.name]
        if isinstance(value, str):
            text = value.strip()
            problems += _objections(field.name, text, shown)
        elif value is None:
            text = ""
        else:
            text = f"{value:.6g}" if isinstance(value, float) else value.isoformat()
        texts[field.name] = text or None
    if not (texts["person"] and _LETTERS.search(texts["person"])):
        sentence = "The row needs a person: who found or decided it."
        problems.append(Problem("empty_cell", sentence, shown, hint="Give it with --person."))
    if problems:
        raise ProblemsError(problems)
    return texts


def _objections(name: str, text: str, shown: str) -> list[Problem]:
    found = []
    if len(text) > _MOST_LETTERS:
        sentence = f"`{name}` has {len(text)} letters, more than {_MOST_LETTERS}."
        found.append(Problem("too_long", sentence, shown, hint="Say it in fewer words."))
    if plain(text) != text or any(one in text for one in "\n\r\t\v\f\u2028\u2029"):
        sentence = f"`{name}` holds line ends, tabs or letters that steer a screen."
        found.append(Problem("not_one_line", sentence, shown, hint="Write it on one plain line."))
    try:
        text.encode()
    except UnicodeEncodeError:
        sentence = f"`{name}` holds letters that cannot be written."
        found.append(Problem("not_text", sentence, shown, hint="Type it anew."))
    # ids are the registry's own words and stand in it already
    is_own = name not in {"vehicle_id", "test_id"}
    if is_own and text.startswith(_FORMULA_STARTS):
        sentence = f"`{name}` begins with {text[0]!r}, which a spreadsheet takes for a formula."
        found.append(Problem("formula", sentence, shown, hint="Begin it with a letter."))
    return found


def _header_of(content: bytes, shown: str) -> tuple[tuple[str, ...], int]:
    """The columns of the file in its order, and how many rows it holds.

    Raises
    ------
    ProblemsError
        It is no UTF-8 text, is parted otherwise than by commas, or lacks columns.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _unfit(shown, "it is not UTF-8 text") from error
    rows = [row for row in csv.reader(io.StringIO(text, newline="")) if any(map(str.strip, row))]
    if not rows:
        if content.strip(b"\xef\xbb\xbf\r\n \t"):
            raise _unfit(shown, "it holds no table")
        return COLUMNS, 0
    header = tuple(cell.strip().lower() for cell in rows[0])
    lacking = [name for name in COLUMNS if name not in header]
    if lacking:
        raise _unfit(shown, f"its header lacks {', '.join(lacking)}")
    return header, len(rows) - 1


def _unfit(shown: str, why: str) -> ProblemsError:
    hint = "The header is: " + ",".join(COLUMNS)
    return ProblemsError(
        [Problem("not_appendable", f"No row can be added: {why}.", shown, hint=hint)]
    )


def _line(cells: list[str]) -> str:
    buffer = io.StringIO(newline="")
    csv.writer(buffer, lineterminator="\n").writerow(cells)
    return buffer.getvalue()


@contextmanager
def _locked(workspace: Workspace) -> Iterator[None]:
    """Hold the lock of the file, waiting a few seconds for another that adds a row."""
    path = workspace.work_folder / "dispositions.lock"
    end = time.monotonic() + _LOCK_WAIT_S
    while True:
        lock = hold_lock(path, "chillroster disposition")
        try:
            lock.__enter__()
        except StoreLockedError:
            if time.monotonic() > end:
                raise
            time.sleep(_LOCK_STEP_S)
            continue
        break
    try:
        yield
    finally:
        lock.__exit__(None, None, None)
