"""What the door refuses or remarks on in a log file: one row per file or column.

Holds the record `Objection`, the exception that carries one out of a reader, and the
tables `REFUSALS` (not stored) and `NOTICES` (stored, but the reader should know).
Does not belong here: faults of settings and registry, which stop the work (`problems`).
"""

from __future__ import annotations

import errno
from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Sequence

# No room for scratch files, or no more handles or memory: no log is to blame.
_OF_THE_MACHINE = frozenset(
    {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EMFILE, errno.ENFILE, errno.ENOMEM}
)
# Refusals that the next run may not meet again, though the file is the same.
PASSING_CODES = frozenset(
    {"unreadable_file", "file_missing", "mdf_library_missing", "reading_ended"}
)

_COLUMNS = (
    Column("path", pl.String(), "", "the log file, relative to the logs folder"),
    Column("column_name", pl.String(), "", "the column as the file calls it; null: whole file"),
    Column("code", pl.String(), "", "what is wrong, for machines"),
    Column("sentence", pl.String(), "", "what is wrong, for people"),
    Column("place", pl.String(), "", "where in the file"),
    Column("hint", pl.String(), "", "what to do about it"),
)

REFUSALS = Table(
    "refusals", "one row per file or column refused", ("path", "column_name", "code"), _COLUMNS
)
NOTICES = Table(
    "notices", "one row per remark on a file or column", ("path", "column_name", "code"), _COLUMNS
)


@dataclass(frozen=True)
class Objection:
    """One refusal or remark; `column_name` None means the whole file."""

    path: str
    column_name: str | None
    code: str
    sentence: str
    place: str
    hint: str


class LogRefusedError(Exception):
    """A log file cannot be read as a whole.

    Parameters
    ----------
    code, sentence, place, hint
        As in `Objection`; whoever catches it knows the path.
    """

    def __init__(self, code: str, sentence: str, *, place: str = "whole file", hint: str) -> None:
        super().__init__(sentence)
        self.code, self.sentence, self.place, self.hint = code, sentence, place, hint

    def objection(self, path: str) -> Objection:
        """The objection against the file at a path."""
        return Objection(path, None, self.code, self.sentence, self.place, self.hint)


def header_only() -> LogRefusedError:
    """The refusal of a log that ends before its first row of data."""
    return LogRefusedError(
        "header_only",
        "The file has a header but no readings.",
        place="after the header",
        hint="The recording was probably stopped at once; repeat the test.",
    )


def too_large(largest_bytes: int) -> LogRefusedError:
    """The refusal of a log that holds more than the settings let in."""
    return LogRefusedError(
        "too_large",
        f"The file holds more than {largest_bytes / 1e6:g} MB, more than a test log should.",
        hint="If it is a log, raise `largest_log_megabytes` under [reading] in chillroster.toml.",
    )


def not_readable(error: OSError) -> LogRefusedError:
    """The refusal of a log that the system cannot open or read.

    Raises
    ------
    OSError
        The error itself, where it is the machine's and says nothing of the file.
    """
    if error.errno in _OF_THE_MACHINE:
        raise error
    if isinstance(error, FileNotFoundError):
        return LogRefusedError(
            "file_missing",
            "The file is not there.",
            hint="Put it under logs/, or correct its path in the registry's tests table.",
        )
    return LogRefusedError(
        "unreadable_file",
        f"The file cannot be read: {error.strerror or error}.",
        hint="Check that the file may be read and that the disk is sound.",
    )


def objections_frame(table: Table, objections: Sequence[Objection]) -> pl.DataFrame:
    """A frame of `REFUSALS` or `NOTICES`, one row per objection, in their order."""
    rows = [astuple(objection) for objection in objections]
    return pl.DataFrame(rows, schema=table.schema, orient="row")
