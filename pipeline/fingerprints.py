"""Fingerprints: short hashes that say whether something has to be done again.

Holds the hash of a file's content, of plain values, and of the code that numbers depend
on. Equal fingerprints mean equal inputs; nothing else is promised. Does not belong here:
the decision what to do when one differs (`ingest_plan`, `assess`).
"""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_CHUNK_BYTES = 1 << 20
# two files at a time keep a disk busy; hashing itself runs outside the interpreter lock
_HASHING_THREADS = 2


@dataclass(frozen=True)
class LogFile:
    """One file under logs/ as it is on disk now; `fault` says why it could not be opened."""

    path: str
    size_bytes: int
    content_hash: str
    fault: str | None = None


def hash_values(*values: object) -> str:
    """SHA-256 of plain values (text, numbers, lists, dictionaries, dates), as hex digits."""
    text = json.dumps(values, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def hash_logs(paths: Sequence[str], files: Sequence[Path]) -> Iterator[LogFile]:
    """Each file with its content hash, in the order given."""
    with ThreadPoolExecutor(_HASHING_THREADS) as pool:
        yield from pool.map(_hash_log, paths, files)


def _hash_log(path: str, file: Path) -> LogFile:
    digest = hashlib.sha256()
    size = 0
    try:
        with file.open("rb") as stream:
            while chunk := stream.read(_CHUNK_BYTES):
                digest.update(chunk)
                size += len(chunk)
    except FileNotFoundError:
        fault = "it is gone, or its name holds letters that cannot be read; rename it"
        return LogFile(path, 0, "", fault)
    except OSError as error:
        return LogFile(path, 0, "", error.strerror or type(error).__name__)
    return LogFile(path, size, digest.hexdigest())


def code_version() -> str:
    """Version of the installed package."""
    try:
        return version("chillroster")
    except PackageNotFoundError:
        return "unknown"


@cache
def code_fingerprint(*packages: str) -> str:
    """Hash of the source of whole packages, so that changed code makes its numbers stale."""
    root = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for package in packages:
        for file in sorted((root / package).rglob("*")):
            if file.suffix in {".py", ".toml", ".csv"}:
                digest.update(file.relative_to(root).as_posix().encode())
                digest.update(file.read_bytes())
    return digest.hexdigest()
