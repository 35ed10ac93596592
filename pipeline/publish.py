"""The published copy of the store: a snapshot that readers may open while a run writes.

Takes the path of a closed store, gives a complete file at the published path, put there
by an atomic rename, so that a reader sees the old snapshot or the new one and never a
part of either. Does not belong here: the tables, and who may write (`lock`).
"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from pipeline.store_files import flush_to_disk

if TYPE_CHECKING:
    from pathlib import Path


def publish(store_path: Path, published_path: Path) -> None:
    """Copy a closed, checkpointed store to where readers look, atomically and durably."""
    unfinished = published_path.with_name(published_path.name + ".unfinished")
    try:
        shutil.copyfile(store_path, unfinished)
        flush_to_disk(unfinished)
        unfinished.replace(published_path)
    finally:
        unfinished.unlink(missing_ok=True)
    flush_to_disk(published_path.parent)
