"""How large a packed log is when it is unpacked: an estimate, made without unpacking it.

Takes a file and its size, gives bytes of text. The estimate only decides how many logs
are read together, so a file that lies about its size costs time at most; what is too much
is decided while unpacking (`unpacking`). Does not belong here: sizes that a hostile file
hides (`hidden_sizes`).
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

# Logs of noisy readings with one decimal pack to a quarter in gzip and zstd, and are three
# times as large as Parquet (measured on the logs of the benchmarks); calm ones pack better.
_TIMES_LARGER = {".gz": 4, ".zst": 4, ".parquet": 3, ".mf4": 3}
_GZIP_SIZE_BYTES = 4


def expanded_bytes(file: Path, size: int) -> int:
    """The bytes of text that a log holds; its own size where nothing is packed."""
    ending = file.suffix.lower()
    estimate = size * _TIMES_LARGER.get(ending, 1)
    return max(estimate, _gzip_bytes(file)) if ending == ".gz" else estimate


def _gzip_bytes(file: Path) -> int:
    """The size at the end of a gzip file (RFC 1952, ISIZE): of its last member, modulo 2^32."""
    try:
        with file.open("rb") as stream:
            stream.seek(-_GZIP_SIZE_BYTES, os.SEEK_END)
            return int.from_bytes(stream.read(_GZIP_SIZE_BYTES), "little")
    except OSError:
        # too short or gone; reading it says so
        return 0
