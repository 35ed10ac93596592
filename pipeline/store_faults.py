"""Why a store cannot be used: the errors, and what a database's message means to a person.

Holds `StoreError` and `StoreLockedError`, and turns the text of a database error into
one of them. Does not belong here: the database itself (`warehouse`), exit codes (`failures`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

# Words by which the database says that the disk, or the limit for its scratch files, is full.
_FULL = ("no space left", "disk quota", "max_temp_directory_size", "file too large")
# Words by which it says that the disk, or the network to it, failed in reading or writing.
_FAILING = (
    "input/output error",
    "fsync failed",
    "could not write",
    "could not truncate",
    "stale file handle",
)
_NO_MEMORY = ("out of memory", "failed to allocate")
_REFUSED = ("permission denied", "read-only file system")
_DAMAGED = (
    "corrupt",
    "checksum",
    "not a valid duckdb",
    "could not read",
    "serializ",
    "invalidated",
)


class StoreError(Exception):
    """The store cannot be used as asked; carries a sentence and what to do."""

    def __init__(self, sentence: str, hint: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.hint = hint


class StoreLockedError(StoreError):
    """Another process is writing to the store."""


class OlderStoreError(StoreError):
    """The store was made with other tables, by a version that is not newer than this one."""


def other_version(path: Path, found: int, known: int) -> StoreError:
    """What to say of a store whose tables are of version `found`, not of `known`."""
    if found > known:
        return StoreError(
            f"{path} was written by a newer version of chillroster: its tables are of version "
            f"{found}, and this program knows them up to version {known}",
            "install the newer version again; nothing was changed. (`chillroster rebuild` would "
            "make the store anew with this version from the log files that are still there)",
        )
    return OlderStoreError(
        f"{path} was written by another version of chillroster, with other tables",
        "run `chillroster run`: it carries over what is stored and reads the raw log files again",
    )


def store_fault(path: Path, message: str) -> StoreError | None:
    """What a database's message means for the store at a path; None when it is another fault."""
    # folders may be called anything
    text = message.replace(str(path), "").lower()
    if any(words in text for words in _FULL):
        return StoreError(
            f"there is no room left on the disk for {path}",
            "free some space, or raise temp_limit under [store] in chillroster.toml, and run the "
            "command again; what was stored before is intact",
        )
    if any(words in text for words in _FAILING):
        return StoreError(
            f"the disk failed while {path} was read or written: {message.splitlines()[0]}",
            "check the disk, or the connection to it, and run the command again; what was stored "
            "before is intact",
        )
    if any(words in text for words in _NO_MEMORY):
        return StoreError(
            "the database ran out of the memory it may use",
            "raise memory_limit under [store] in chillroster.toml and run the command again; what "
            "was stored before is intact",
        )
    if any(words in text for words in _REFUSED):
        return StoreError(
            f"the system does not let {path} be written or read",
            "check the permissions of the folder, or copy the workspace to a place of your own",
        )
    if any(words in text for words in _DAMAGED):
        return StoreError(
            f"the file {path} is damaged or is no store of chillroster",
            "run `chillroster rebuild`: it makes the store anew from the raw log files, which are "
            "untouched",
        )
    return None
