"""One writer at a time: an advisory lock on a workspace.

Gives a context manager that holds the lock and says who has it, since when and what to
do when it cannot. The system drops the lock when the process ends, however it ends: the
file that stays behind, with the words of a dead process in it, locks nobody out. Does not
belong here: what is written under the lock.
"""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import IO, TYPE_CHECKING

from pipeline.store_faults import StoreLockedError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


_MOST_LETTERS = 200


@contextmanager
def hold_lock(path: Path, purpose: str) -> Iterator[None]:
    """Hold the lock file for the length of the block.

    Parameters
    ----------
    path : Path
        The lock file; made when absent, never removed.
    purpose : str
        What is being done, told to whoever comes second, e.g. "chillroster run".

    Raises
    ------
    StoreLockedError
        Another process holds it; the sentence names its purpose and process number.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+", encoding="utf-8") as file:
        if not _take(file):
            file.seek(0)
            holder = file.read(_MOST_LETTERS).strip() or "another process"
            raise StoreLockedError(
                f"this workspace is being written to by {holder}",
                "wait until it is done, or end that process, and run the command again; nothing "
                "was changed. The lock goes with the process, so no file need be deleted",
            )
        file.seek(0)
        file.truncate()
        since = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        file.write(f"`{purpose}` (process {os.getpid()}, since {since})")
        file.flush()
        try:
            yield
        finally:
            file.seek(0)
            file.truncate()


def _take(file: IO[str]) -> bool:
    if sys.platform == "win32":
        import msvcrt  # noqa: PLC0415 - exists on Windows only

        # a byte far behind the text, so that the text stays readable to others
        file.seek(1 << 20)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl  # noqa: PLC0415 - exists on Unix only

    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False  # any other error is not another process, and is told as what it is
    return True
