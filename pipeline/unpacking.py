"""Packed log files (.gz, .zst), unpacked into a scratch folder within limits of size and ratio.

A file made to burst is refused as soon as it passes a limit, so that a small file costs
neither the disk nor minutes. Takes a log request, gives the plain file. Does not belong
here: what the text means (`openings`, `layouts`).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING

from pipeline.refusals import LogRefusedError, not_readable, too_large

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.log_requests import LogRequest

_CHUNK_BYTES = 1 << 20
# A few rows that are all alike may pack better than any real log; they cannot do harm.
_RATIO_FROM_BYTES = 4_000_000
# Tools that pack in blocks write one member per 64 kB; each costs time, even an empty one.
_MOST_MEMBERS = 10_000
_ZSTD_MARK = b"\x28\xb5\x2f\xfd"
_GZIP_MARK = b"\x1f\x8b"
PACKED_MARKS = (_GZIP_MARK, _ZSTD_MARK)
# zlib: a window of 2^15 bytes with the header and the checksum of gzip
_GZIP_WINDOW = 31


@dataclass(frozen=True)
class UnpackingLimits:
    """Most that a packed file may hold, in bytes and in sizes of itself."""

    largest_bytes: int
    highest_ratio: float
    packed_bytes: int


def unpacked(request: LogRequest, scratch: Path, largest_bytes: int, highest_ratio: float) -> Path:
    """The file itself, or its content unpacked into the scratch folder.

    Parameters
    ----------
    request
        The log.
    scratch
        Folder of this batch, emptied after it.
    largest_bytes, highest_ratio
        Most that a file may hold unpacked, in bytes and in sizes of the packed file.

    Raises
    ------
    LogRefusedError
        The packing is damaged, or the content is larger or packed tighter than allowed.
    """
    name = request.file.name.lower()
    if not name.endswith((".gz", ".zst")):
        return request.file
    is_gzip = name.endswith(".gz")
    try:
        with request.file.open("rb") as packed:
            mark = packed.read(4)
            if mark and not mark.startswith(_GZIP_MARK if is_gzip else _ZSTD_MARK):
                raise _damaged("it is not a packed file of that kind")
            packed.seek(0)
            limits = UnpackingLimits(largest_bytes, highest_ratio, request.file.stat().st_size)
            target = scratch / f"{len(list(scratch.iterdir()))}.csv"
            chunks = _gzip_chunks(packed) if is_gzip else _zstd_chunks(packed)
            with target.open("wb") as plain:
                _copy(chunks, plain, limits)
    except (EOFError, zlib.error) as error:
        raise _damaged("it ends too early or was changed") from error
    except OSError as error:
        # errors of the unpacking carry no number of the system
        raise (_damaged(_reason(error)) if error.errno is None else not_readable(error)) from error
    return target


def _gzip_chunks(packed: IO[bytes]) -> Iterator[bytes]:
    """The content of all members of a gzip file; zeros after the last carry nothing."""
    n_members = 0
    waiting = packed.read(_CHUNK_BYTES)
    while waiting:
        n_members += 1
        if n_members > _MOST_MEMBERS:
            raise _too_many_members()
        member = zlib.decompressobj(_GZIP_WINDOW)
        while not member.eof:
            if not waiting:
                raise EOFError
            yield member.decompress(waiting, _CHUNK_BYTES)
            waiting = member.unconsumed_tail or (b"" if member.eof else packed.read(_CHUNK_BYTES))
        waiting = member.unused_data or packed.read(_CHUNK_BYTES)
        while waiting and not (waiting := waiting.lstrip(b"\0")):
            waiting = packed.read(_CHUNK_BYTES)


def _zstd_chunks(packed: IO[bytes]) -> Iterator[bytes]:
    if not packed.read(1):
        return
    packed.seek(0)
    # Arrow is slow to import and few workspaces hold .zst files
    import pyarrow as pa  # noqa: PLC0415

    with pa.CompressedInputStream(packed, "zstd") as source:
        while chunk := source.read(_CHUNK_BYTES):
            yield chunk


def _copy(chunks: Iterator[bytes], target: IO[bytes], limits: UnpackingLimits) -> None:
    written = 0
    for chunk in chunks:
        written += len(chunk)
        if written > limits.largest_bytes:
            raise too_large(limits.largest_bytes)
        if written > max(_RATIO_FROM_BYTES, limits.highest_ratio * limits.packed_bytes):
            raise _too_tight(limits.highest_ratio)
        target.write(chunk)


def _too_tight(ratio: float) -> LogRefusedError:
    return LogRefusedError(
        "packed_too_tightly",
        f"The packed file unpacks to more than {ratio:g} times its size, which no log of "
        "readings does.",
        hint="Export the log again; if it is sound, put it there unpacked, or raise "
        "`highest_packing_ratio` under [reading] in chillroster.toml.",
    )


def _too_many_members() -> LogRefusedError:
    return LogRefusedError(
        "packed_in_pieces",
        f"The packed file is made of more than {_MOST_MEMBERS} packed pieces.",
        hint="Unpack it and pack it again as a whole, or put it there unpacked.",
    )


def _reason(error: OSError) -> str:
    if "too much memory" in str(error):
        return "it was packed with a window of more than 128 MB"
    return "it ends too early or was changed"


def _damaged(reason: str) -> LogRefusedError:
    return LogRefusedError(
        "damaged_packing",
        f"The packed file cannot be unpacked: {reason}.",
        hint="Copy it again from where it was packed; a copy was probably broken off.",
    )
