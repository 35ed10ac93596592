"""The first and last lines of a log file: enough to recognise it and to see if it is cut.

Opens a text file (a packed one from its unpacked copy) and finds its encoding. Does not
belong here: unpacking (`unpacking`), what the lines mean (`layouts`), the rows of data
(`scanning`, `careful`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

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
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_BINARY_MARKS = (*PACKED_MARKS, b"PAR1", b"PK\x03\x04", b"MDF ")
_CONTROL = bytes(set(range(32)) - {9, 10, 11, 12, 13, 27})


@dataclass(frozen=True)
class Opening:
    """A text log ready to be recognised.

    `plain` is the unpacked file; `lines` are its first complete lines; `tail` its last
    bytes as text; `needs_care` is True when it cannot be scanned as it lies (UTF-16, or
    line ends of bare carriage returns).
    """

    request: LogRequest
    plain: Path
    encoding: str
    lines: tuple[str, ...]
    tail: str
    needs_care: bool


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
        with plain.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
            if head.count(b"\n") < _LEAST_HEAD_LINES:
                head += stream.read(_LONG_HEAD_BYTES - len(head))
            size = plain.stat().st_size
            stream.seek(max(0, size - _TAIL_BYTES))
            tail = stream.read()
    except OSError as error:
        raise not_readable(error) from error
    _check_size(size, largest_bytes)
    _check_text(head)
    encoding = find_encoding(head)
    text = head.decode(encoding, errors="replace")
    has_bare_returns = b"\r" in head and "\r" in text.replace("\r\n", "")
    lines = split_lines(text, _MOST_HEAD_LINES)
    # the last line of the head may be cut by the reading; it is whole if the file ends there
    whole = lines if size <= len(head) else lines[:-1]
    if not whole:
        raise _endless_line()
    return Opening(
        request,
        plain,
        encoding,
        tuple(whole[:_MOST_HEAD_LINES]),
        "\n" if tail.endswith(b"\n") else tail.decode(encoding, errors="replace"),
        has_bare_returns or encoding.startswith("utf-16"),
    )


def split_lines(text: str, most: int = -1) -> list[str]:
    """Lines of a text, split at line feeds and carriage returns and at nothing else.

    Of a text of more than `most` lines the last item is all the rest.
    """
    plain = text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
    return plain.split("\n", most)


def find_encoding(content: bytes) -> str:
    """The encoding of a text: by its byte order mark, else UTF-8, else Western European."""
    if content[:2] in _UTF16_MARKS:
        return "utf-16"
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
    is_utf16 = head[:2] in _UTF16_MARKS
    # a logger that lost its power leaves a file filled up with zeros
    head = head.rstrip(b"\0") or head
    n_control = len(head) - len(head.translate(None, _CONTROL))
    if not is_utf16 and n_control > max(2, len(head) // 500):
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
