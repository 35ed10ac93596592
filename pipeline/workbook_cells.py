"""Cells of a workbook's first sheet that show an error or a formula nobody worked out.

The reader of workbooks gives such cells as empty, and an empty cell means something else:
that nothing is known. Takes a workbook of bounded size, gives the sheet's name and those
cells. Does not belong here: the cells that hold values (`registry_files`).
"""

from __future__ import annotations

import posixpath
import re
from dataclasses import dataclass
from html import unescape
from typing import TYPE_CHECKING
from zipfile import ZipFile

if TYPE_CHECKING:
    from pathlib import Path

_SHEET = re.compile(r"<(?:\w+:)?sheet\s[^>]*>")
_RELATION = re.compile(r"<(?:\w+:)?Relationship\s[^>]*>")
# one cell: its place and marks, and what stands in it up to the next cell
_CELL = re.compile(
    r'<(?:\w+:)?c\s[^>]*?\br="([A-Z]{1,3})(\d{1,7})"([^>]*)>([^\x00]*?)</(?:\w+:)?c>'
)
_FORMULA = re.compile(r"<(?:\w+:)?f[\s>/]")
_VALUE = re.compile(r"<(?:\w+:)?v>([^<]{1,40})")
_MOST_TOLD = 20


@dataclass(frozen=True)
class FaultyCell:
    """A cell without a value: its column in letters, its row, and what it holds instead."""

    column: str
    row: int
    says: str


def first_sheet(path: Path) -> tuple[str, list[FaultyCell]]:
    """The name of the sheet that is read, and its cells of errors and unworked formulas."""
    with ZipFile(path) as book:
        names = set(book.namelist())
        workbook = book.read("xl/workbook.xml").decode("utf-8", "replace")
        found = _SHEET.search(workbook)
        sheet = found.group(0) if found else ""
        links = book.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
        target = next(
            (
                _attribute(link, "Target")
                for link in _RELATION.findall(links)
                if _attribute(link, "Id") == _attribute(sheet, r"\w+:id")
            ),
            "",
        )
        place = posixpath.normpath(posixpath.join("/xl", target)).lstrip("/")
        content = book.read(place).decode("utf-8", "replace") if place in names else ""
    return unescape(_attribute(sheet, "name")), _faulty(content)


def _attribute(tag: str, name: str) -> str:
    found = re.search(rf'\s{name}="([^"]*)"', tag)
    return found.group(1) if found else ""


def _faulty(content: str) -> list[FaultyCell]:
    cells = []
    # apart at each cell, so that no search runs beyond one
    for part in re.split(r"(?=<(?:\w+:)?c\s)", content):
        found = _CELL.match(part)
        if found is None:
            continue
        column, row, marks, inside = found.groups()
        value = _VALUE.search(inside)
        if ' t="e"' in marks or ' t="e"' in part[: found.start(2)]:
            says = f"the error {value.group(1)}" if value else "an error"
        elif _FORMULA.search(inside) and value is None and 't="str"' not in marks:
            says = "a formula that was never worked out"
        else:
            continue
        cells.append(FaultyCell(column, int(row), says))
    return cells[:_MOST_TOLD]
