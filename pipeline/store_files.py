"""The files that must not be lost: flushed, removed, and put in place of another at one blow.

Stores, and the ledgers in the registry that grow line by line. A DuckDB store is one file,
with a journal beside it while changes are not yet written into it. Does not belong here:
what is in a file (`warehouse`, the ledgers), which copy is made (`publish`).
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def flush_to_disk(path: Path) -> None:
    """Wait until the system has a file, or the entries of a folder, on its disk."""
    if path.is_dir() and os.name == "nt":
        return  # Windows keeps no handle on folders
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_whole(path: Path, content: bytes) -> None:
    """Put the content at the path: after an end at any moment it is there, or the old one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(path.name + ".unfinished")
    try:
        unfinished.write_bytes(content)
        flush_to_disk(unfinished)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    flush_to_disk(path.parent)


def put_in_place(complete: Path, path: Path) -> None:
    """Put a closed store without a journal at a path, atomically and durably.

    A reader sees the old store or the new one. What the old store's journal held is gone,
    so it must have been written into the old store before, if it was worth keeping.
    """
    flush_to_disk(complete)
    _remove_journal(path)
    complete.replace(path)
    flush_to_disk(path.parent)


def remove_store(path: Path) -> None:
    """Remove a store and its journal, where there are any."""
    path.unlink(missing_ok=True)
    _remove_journal(path)


def _remove_journal(path: Path) -> None:
    path.with_name(path.name + ".wal").unlink(missing_ok=True)
