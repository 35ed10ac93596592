"""How much a workbook or a Parquet file would hold in memory, found before it is opened.

A few hundred bytes can ask for gigabytes: a far cell makes a table of all cells before
it, a long text that every cell names is copied for each. Takes a path, gives bytes; the
estimates are upper bounds of what the readers build. Does not belong here: what is too
much (settings), reading the cells (`registry_files`, `parquet_logs`).
"""

from __future__ import annotations

import re
import zipfile
import zlib
from typing import TYPE_CHECKING, Any
from xml.parsers import expat

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_CHUNK_BYTES = 1 << 18
_BYTES_PER_CELL = 8
# ECMA-376: the last cell is XFD1048576; what is written otherwise, readers take for anything
_PLACE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})")
_ROW = re.compile(r"[0-9]{1,7}")
_SHARED_TEXTS = "xl/sharedstrings.xml"


class HiddenSizeError(Exception):
    """The file is not of its form, so its size cannot be told."""


def workbook_bytes(path: Path, most: int) -> int:
    """Bytes that an XLSX workbook comes to; counting stops soon after `most`.

    Raises
    ------
    HiddenSizeError
        The file is no workbook.
    """
    try:
        with zipfile.ZipFile(path) as book:
            # the texts first: what a cell that names one comes to depends on them
            parts = [part for part in book.infolist() if part.filename.lower().endswith(".xml")]
            parts.sort(key=lambda part: not part.filename.lower().endswith(_SHARED_TEXTS))
            return _bytes_of(book, parts, most)
    except (zipfile.BadZipFile, zlib.error, expat.ExpatError, EOFError) as error:
        raise HiddenSizeError from error
    except (NotImplementedError, RuntimeError, ValueError) as error:
        # packed in another way, or with a password
        raise HiddenSizeError from error


def _bytes_of(book: zipfile.ZipFile, parts: list[zipfile.ZipInfo], most: int) -> int:
    total = 0
    texts: list[int] = []
    for part in parts:
        sheet = _Sheet(texts)
        for chunk in _unpacked(book, part):
            total += len(chunk)
            sheet.feed(chunk)
            if total + sheet.n_bytes > most:
                return total + sheet.n_bytes
        sheet.feed(b"", is_last=True)
        total += sheet.n_bytes
    return total


def _unpacked(book: zipfile.ZipFile, part: zipfile.ZipInfo) -> Iterator[bytes]:
    # the size that the directory states may be a lie; the packed bytes say how much there is
    part.file_size = 1 << 62
    with book.open(part) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            yield chunk


class _Sheet:
    """What one part of a workbook comes to, counted while it is parsed."""

    def __init__(self, texts: list[int]) -> None:
        self._texts = texts  # lengths of the shared texts, filled by their own part
        self._text_bytes = 0
        self._row = self._column = 0
        self._last_row = self._last_column = 0
        self._is_shared_cell = self._is_value = False
        self._value = ""
        # it fetches nothing from outside, and stops at entities nested to burst
        self._parser: Any = expat.ParserCreate()
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._characters

    @property
    def n_bytes(self) -> int:
        """Bytes of the table that the cells span, and of the texts that they name."""
        return self._last_row * self._last_column * _BYTES_PER_CELL + self._text_bytes

    def feed(self, chunk: bytes, *, is_last: bool = False) -> None:
        self._parser.Parse(chunk, is_last)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        if name == "row":
            stated = attributes.get("r")
            if stated is not None and not _ROW.fullmatch(stated):
                raise HiddenSizeError
            self._row = self._row + 1 if stated is None else int(stated)
            self._column = 0
        elif name == "c":
            self._cell(attributes)
        elif name == "v":
            self._is_value, self._value = self._is_shared_cell, ""
        elif name == "si":
            self._texts.append(0)

    def _cell(self, attributes: dict[str, str]) -> None:
        self._column += 1
        stated = attributes.get("r")
        if stated is not None:
            place = _PLACE.fullmatch(stated)
            if place is None:
                raise HiddenSizeError
            self._column = _column_number(place.group(1))
            self._row = int(place.group(2))
        self._is_shared_cell = attributes.get("t") == "s"
        self._last_row = max(self._last_row, self._row)
        self._last_column = max(self._last_column, self._column)

    def _end(self, tag: str) -> None:
        if self._is_value and tag.rpartition(":")[2] == "v":
            self._is_value = False
            number = self._value.strip()
            if number.isdecimal() and len(number) < 10 and int(number) < len(self._texts):
                self._text_bytes += self._texts[int(number)]

    def _characters(self, text: str) -> None:
        if self._is_value:
            self._value += text
        elif self._texts and not self._last_row:
            self._texts[-1] += len(text)


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def parquet_bytes(path: Path) -> int:
    """Bytes that a Parquet file comes to by its footer, at least those of one number per cell.

    Raises
    ------
    HiddenSizeError
        The footer cannot be read.
    """
    # Arrow is slow to import, and few workspaces hold such files
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.parquet as pq  # noqa: PLC0415

    try:
        footer = pq.read_metadata(path)
        groups = [footer.row_group(number) for number in range(footer.num_row_groups)]
    except FileNotFoundError:
        raise
    except (pa.ArrowException, OSError, ValueError) as error:
        raise HiddenSizeError from error
    stated = sum(max(0, group.total_byte_size) for group in groups)
    return int(max(stated, footer.num_rows * footer.num_columns * _BYTES_PER_CELL))
