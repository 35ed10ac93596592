"""A row to paste into the registry's tests table, in the form that the file there has.

Takes what is known of a log, gives one line with the file's own columns, delimiter and
decimal mark; and holds the record of a log that waits for its row. Does not belong here:
what is known (`assignment`).
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pipeline.registry_files import read_raw
from pipeline.registry_tables import TEST_ENTRIES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.workspace import Workspace


@dataclass(frozen=True)
class Unassigned:
    """A log held until it is known which test it is; the columns of `UNASSIGNED`."""

    path: str
    reason_code: str
    sentence: str
    missing: str
    hint: str
    columns: str
    row: str


@dataclass(frozen=True)
class PasteForm:
    """The columns of the tests table as its file has them, and how it parts them."""

    columns: tuple[str, ...]
    delimiter: str
    decimal_comma: bool

    @property
    def header(self) -> str:
        """The columns in their order."""
        return self.delimiter.join(self.columns)

    def row(self, values: Mapping[str, Any]) -> str:
        """One line with the values; what is not known is left empty."""
        cells = [self._cell(values.get(name)) for name in self.columns]
        text = io.StringIO()
        csv.writer(text, delimiter=self.delimiter, lineterminator="").writerow(cells)
        return text.getvalue()

    def _cell(self, value: Any) -> str:
        if value is None:
            return ""
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, datetime):
            return value.isoformat()
        if isinstance(value, float):
            return f"{value:g}".replace(".", ",") if self.decimal_comma else f"{value:g}"
        return str(value)


def paste_form(workspace: Workspace) -> PasteForm:
    """The form of a workspace's tests table; without one, all columns and commas.

    Raises
    ------
    ProblemsError
        The table is there and cannot be read: a row of another form would be no help.
    """
    every = tuple(entry.name for entry in TEST_ENTRIES.entries)
    raw = read_raw(workspace, TEST_ENTRIES.name)
    columns = tuple(name for name in raw.cells.columns if name != "line") if raw else ()
    if raw is None or not columns:
        return PasteForm(every, ",", decimal_comma=False)
    return PasteForm(columns, raw.delimiter, raw.decimal_comma)
