"""The first and last lines of a log file: enough to recognise it and to see if it is cut.

Opens a text file (plain, .gz or .zst), unpacks a packed one to a scratch folder within a
size limit, and finds its encoding; a file that no scan reads as it lies is written anew.
Does not belong here: what the lines mean (`layouts`), the rows of data (`scanning`,
`careful`), how a file is written anew (`plain_texts`).
"""

from __future__ import annotations

import gzip
import re
import zlib
from dataclasses import dataclass, replace
from typing import IO, TYPE_CHECKING, Any

from pipeline.plain_texts import UTF16_MARKS, rewritten
from pipeline.refusals import LogRefusedError, not_readable

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
_CHUNK_BYTES = 1 << 20
# Logs of readings pack to a tenth, of frozen ones to a fiftieth; beyond this a file was made
# to burst (common practice, no source). Small files may pack better than that.
_HIGHEST_RATIO = 200
_RATIO_FROM_BYTES = 4_000_000
_ZSTD_MARK = b"\x28\xb5\x2f\xfd"
_GZIP_MARK = b"\x1f\x8b"
_BINARY_MARKS = (_GZIP_MARK, _ZSTD_MARK, b"PAR1", b"PK\x03\x04", b"MDF ")
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


def open_text(request: LogRequest, scratch: Path, largest_bytes: int) -> Opening:
    """The opening of a text log.

    Raises
    ------
    LogRefusedError
        The file is missing, empty, too large, not text, or its packing is damaged.
    """
    plain = _unpacked(request, scratch, largest_bytes)
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
        raise LogRefusedError(
            "too_large",
            f"The file holds more than {largest_bytes / 1e6:g} MB, more than a test log should.",
            hint="If it is a log, raise `largest_log_megabytes` under [reading] in "
            "chillroster.toml.",
        )
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


def _unpacked(request: LogRequest, scratch: Path, largest_bytes: int) -> Path:
    """The file itself, or its content unpacked into the scratch folder."""
    name = request.file.name.lower()
    if not name.endswith((".gz", ".zst")):
        return request.file
    try:
        with request.file.open("rb") as packed:
            mark = packed.read(4)
        if not mark:
            _check_size(0, largest_bytes)
        if not mark.startswith(_GZIP_MARK if name.endswith(".gz") else _ZSTD_MARK):
            raise _damaged("it is not a packed file of that kind")
        target = scratch / f"{len(list(scratch.iterdir()))}.csv"
        with _unpacking(request.file) as source, target.open("wb") as plain:
            _copy(source, plain, largest_bytes, request.file.stat().st_size)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise _damaged("it ends too early or was changed") from error
    except OSError as error:
        raise (
            _damaged("it ends too early or was changed")
            if error.errno is None
            else not_readable(error)
        ) from error
    return target


def _unpacking(file: Path) -> Any:
    """The unpacked stream of a .gz or .zst file."""
    if file.name.lower().endswith(".gz"):
        return gzip.open(file, "rb")
    # Arrow is slow to import and few workspaces hold .zst files
    import pyarrow as pa  # noqa: PLC0415

    return pa.CompressedInputStream(str(file), "zstd")


def _copy(source: Any, target: IO[bytes], largest_bytes: int, packed_bytes: int) -> None:
    written = 0
    while chunk := source.read(_CHUNK_BYTES):
        written += len(chunk)
        _check_size(written, largest_bytes)
        if written > max(_RATIO_FROM_BYTES, _HIGHEST_RATIO * packed_bytes):
            raise LogRefusedError(
                "packed_too_tightly",
                f"The packed file unpacks to more than {_HIGHEST_RATIO} times its size, which no "
                "log of readings does.",
                hint="Export the log again; if it is sound, put it there unpacked.",
            )
        target.write(chunk)


def _damaged(reason: str) -> LogRefusedError:
    return LogRefusedError(
        "damaged_packing",
        f"The packed file cannot be unpacked: {reason}.",
        hint="Copy it again from where it was packed; a copy was probably broken off.",
    )
