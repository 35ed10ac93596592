"""The first and last lines of a log file: enough to recognise it and to see if it is cut.

Opens a text file (plain, .gz or .zst), unpacks a packed one to a scratch folder within a
size limit, and finds its encoding. Does not belong here: what the lines mean (`layouts`),
the rows of data (`scanning`, `careful`).
"""

from __future__ import annotations

import gzip
import zlib
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any

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
_CHUNK_BYTES = 1 << 20
# Logs of readings pack to a tenth, of frozen ones to a fiftieth; beyond this a file was made
# to burst (common practice, no source). Small files may pack better than that.
_HIGHEST_RATIO = 200
_RATIO_FROM_BYTES = 4_000_000
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_ZSTD_MARK = b"\x28\xb5\x2f\xfd"
_GZIP_MARK = b"\x1f\x8b"
_BINARY_MARKS = (_GZIP_MARK, _ZSTD_MARK, b"PAR1", b"PK\x03\x04", b"MDF ")
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


def open_text(request: LogRequest, scratch: Path, largest_bytes: int) -> Opening:
    """The opening of a text log.

    Raises
    ------
    LogRefusedError
        The file is missing, empty, too large, not text, or its packing is damaged.
    """
    plain = _unpacked(request, scratch, largest_bytes)
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
