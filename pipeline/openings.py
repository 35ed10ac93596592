"""The first and last lines of a log file: enough to recognise it and to see if it is cut.

Opens a text file (a packed one from its unpacked copy) and finds its encoding; a file that
no scan reads as it lies is written anew. Does not belong here: unpacking (`unpacking`),
how a file is written anew (`plain_texts`), what the lines mean (`layouts`), the rows of
data (`scanning`, `careful`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.plain_texts import UTF16_MARKS, rewritten
from pipeline.refusals import LogRefusedError, not_readable, too_large
from pipeline.unpacking import PACKED_MARKS, unpacked

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.log_requests import LogRequest

# Most logs show their layout in the first few lines; wide ones have very long lines.
_HEAD_BYTES = 16_384
_LONG_HEAD_BYTES = 1 << 20
_LEAST_HEAD_LINES = 16
_TAIL_BYTES = 4_096
_MOST_HEAD_LINES = 120
# A header block may be longer than that; then as many lines are looked at.
_MOST_DEEP_LINES = 20_000
_BINARY_MARKS = (*PACKED_MARKS, b"PAR1", b"PK\x03\x04", b"MDF ")
_FILLING = re.compile(rb"\0+(?=\r?\n|\Z)|(?<=\n)\0+")
_CONTROL = bytes(set(range(32)) - {9, 10, 11, 12, 13, 27})


@dataclass(frozen=True)
class Opening:
    """A text log ready to be recognised.

    `plain` is the unpacked file; `lines` are its first complete lines, all of them when
    `is_whole`; `tail` its last bytes as text; `is_rewritten` says that `plain` was written
    anew in UTF-8 (from UTF-16, or from line ends of bare carriage returns).
    """

    request: LogRequest
    plain: Path
    encoding: str
    lines: tuple[str, ...]
    tail: str
    is_whole: bool = True
    is_rewritten: bool = False


def open_text(
    request: LogRequest, scratch: Path, largest_bytes: int, highest_ratio: float = 200.0
) -> Opening:
    """The opening of a text log, unpacked into the scratch folder where it is packed.

    Raises
    ------
    LogRefusedError
        The file is missing, empty, too large, not text, or its packing is damaged.
    """
    plain = unpacked(request, scratch, largest_bytes, highest_ratio)
    try:
        size = plain.stat().st_size
        _check_size(size, largest_bytes)
        head, tail = _ends(plain, _HEAD_BYTES)
        encoding = find_encoding(head)
        is_rewritten = encoding.startswith("utf-16") or _has_bare_returns(head)
        if is_rewritten:
            plain = rewritten(plain, encoding, scratch)
            head, tail = _ends(plain, _HEAD_BYTES)
            encoding, size = "utf-8-sig", plain.stat().st_size
    except OSError as error:
        raise not_readable(error) from error
    _check_text(head)
    lines, is_whole = _head_lines(head, size, encoding, _MOST_HEAD_LINES)
    shown = "\n" if tail.endswith(b"\n") else tail.decode(encoding, errors="replace")
    return Opening(request, plain, encoding, lines, shown, is_whole, is_rewritten)


def look_deeper(opening: Opening) -> Opening:
    """The same opening with many more lines, for a header block that did not fit."""
    try:
        head, _ = _ends(opening.plain, _LONG_HEAD_BYTES)
        size = opening.plain.stat().st_size
    except OSError as error:
        raise not_readable(error) from error
    lines, is_whole = _head_lines(head, size, opening.encoding, _MOST_DEEP_LINES)
    return replace(opening, lines=lines, is_whole=is_whole)


def _ends(plain: Path, n_bytes: int) -> tuple[bytes, bytes]:
    """The first bytes of a file, more where its lines are very long, and the last ones."""
    with plain.open("rb") as stream:
        head = stream.read(n_bytes)
        if head.count(b"\n") < _LEAST_HEAD_LINES:
            head += stream.read(_LONG_HEAD_BYTES - len(head))
        stream.seek(max(0, plain.stat().st_size - _TAIL_BYTES))
        return head, stream.read()


def _head_lines(head: bytes, size: int, encoding: str, most: int) -> tuple[tuple[str, ...], bool]:
    """The complete lines among the first bytes, and whether they are the whole file."""
    lines = split_lines(head.decode(encoding, errors="replace"), most)
    # the last line of the head may be cut by the reading; it is whole if the file ends there
    is_whole = size <= len(head) and len(lines) <= most
    whole = lines if size <= len(head) else lines[:-1]
    if not whole:
        raise _endless_line()
    return tuple(whole[:most]), is_whole


def _has_bare_returns(head: bytes) -> bool:
    # a return at the very end may belong to a line feed that was not read any more
    return b"\r" in head and b"\r" in head[:-1].replace(b"\r\n", b"")


def split_lines(text: str, most: int = -1) -> list[str]:
    """Lines of a text, split at line feeds and carriage returns and at nothing else.

    Of a text of more than `most` lines the last item is all the rest.
    """
    plain = text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
    return plain.split("\n", most)


def find_encoding(content: bytes) -> str:
    """The encoding of a text: by its byte order mark, else UTF-8, else Western European.

    UTF-16 without a mark shows by zeros in every other place.
    """
    if content[:2] in UTF16_MARKS:
        return "utf-16"
    if b"\0" in content:
        pairs = content.rstrip(b"\0")[:_HEAD_BYTES]
        first, second = pairs[0::2].count(0), pairs[1::2].count(0)
        if 2 * max(first, second) > len(pairs) // 2 and 20 * min(first, second) < len(pairs):
            return "utf-16-le" if second > first else "utf-16-be"
    try:
        content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # a letter of several bytes may be cut by the end of the head
        return "utf-8-sig" if error.start >= len(content) - 3 else "cp1252"
    return "utf-8-sig"


def _check_size(size: int, largest_bytes: int) -> None:
    if size > largest_bytes:
        raise too_large(largest_bytes)
    if size == 0:
        raise LogRefusedError(
            "empty_file",
            "The file is empty.",
            hint="Copy it from the logger again; if it is empty there too, repeat the test.",
        )


def _check_text(head: bytes) -> None:
    if head.startswith(_BINARY_MARKS):
        raise LogRefusedError(
            "not_text",
            "The name says text, but the content is a packed or binary file.",
            place="start of the file",
            hint="Give the file the ending of what it is: .gz, .zst or .parquet.",
        )
    # a logger that lost its power leaves a file filled up with zeros, one that writes records
    # of fixed length fills up every line
    if b"\0" in head:
        head = _FILLING.sub(b"", head) or head
    n_control = len(head) - len(head.translate(None, _CONTROL))
    if n_control > max(2, len(head) // 500):
        raise LogRefusedError(
            "not_text",
            "The file is not a text file: it holds characters that no logger writes.",
            place="start of the file",
            hint="Export the log from the logger as CSV, or copy the file again.",
        )
    if not head.strip():
        raise LogRefusedError(
            "empty_file",
            "The file holds only blank lines.",
            hint="Copy it from the logger again; if it is empty there too, repeat the test.",
        )


def _endless_line() -> LogRefusedError:
    return LogRefusedError(
        "line_too_long",
        f"The first line is longer than {_LONG_HEAD_BYTES // 1_000_000} MB, so the column names "
        "cannot be told from the data.",
        place="line 1",
        hint="Export the log again with one line per sample.",
    )
