"""Where things lie in a workspace: the paths, and the log files found below `logs/`.

Holds the record `Workspace`, the search for one, and the list of log files. Does not
belong here: the content of any file.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Literal

from pipeline.problems import Problem, ProblemsError

if TYPE_CHECKING:
    from collections.abc import Iterator

LogKind = Literal["text", "json", "parquet", "mdf"]

# Only forms that `readers` can read are listed as logs; other files are left alone.
KINDS: dict[str, LogKind] = {
    ".csv": "text", ".csv.gz": "text", ".csv.zst": "text",
    ".jsonl": "json", ".jsonl.gz": "json", ".jsonl.zst": "json",
    ".parquet": "parquet",
    ".mf4": "mdf",
}  # fmt: skip
LOG_ENDINGS = tuple(KINDS)


@dataclass(frozen=True)
class Workspace:
    """A workspace folder and the fixed places inside it."""

    root: Path

    @property
    def settings_file(self) -> Path:
        """`chillroster.toml`."""
        return self.root / "chillroster.toml"

    @property
    def registry_folder(self) -> Path:
        """The folder of models, vehicles, tests, repairs, instruments and volumes."""
        return self.root / "registry"

    @property
    def logs_folder(self) -> Path:
        """The folder of raw log files, which are only ever read."""
        return self.root / "logs"

    @property
    def profiles_folder(self) -> Path:
        """The folder of the workspace's own logger profiles."""
        return self.root / "profiles"

    @property
    def work_folder(self) -> Path:
        """The folder of what the program keeps for itself."""
        return self.root / ".chillroster"

    @property
    def store_file(self) -> Path:
        """The database that the program writes."""
        return self.work_folder / "store.duckdb"

    @property
    def rebuilding_file(self) -> Path:
        """The store that a rebuild makes, until it takes the place of the store."""
        return self.work_folder / "store.rebuilding.duckdb"

    @property
    def published_file(self) -> Path:
        """The published snapshot that others may read."""
        return self.root / "warehouse.duckdb"

    @property
    def site_folder(self) -> Path:
        """The folder of the report pages."""
        return self.root / "site"

    def shown(self, file: Path) -> str:
        """The path of a file as shown to a reader: relative to the workspace where it can be."""
        return (
            file.relative_to(self.root).as_posix() if file.is_relative_to(self.root) else str(file)
        )


def kind_of(name: str) -> LogKind:
    """The kind of a log file by the end of its name; a name of no known end is text."""
    return KINDS.get(ending_of(name), "text")


def ending_of(name: str) -> str:
    """The end of a log's name that tells its kind, such as `.csv.gz`; empty without one."""
    return next((end for end in KINDS if name.lower().endswith(end)), "")


def is_inside(log_path: str) -> bool:
    """True means: a relative path that stays below the folder it starts from."""
    path = PurePosixPath(log_path)
    # on Windows a backslash parts folders and a colon a drive; elsewhere both are letters
    climbs = ".." in re.split(r"[/\\]", log_path) or "\0" in log_path
    leaves = os.name == "nt" and (log_path.startswith("\\") or ":" in log_path)
    return bool(path.parts) and not path.is_absolute() and not leaves and not climbs


def find_workspace(folder: Path) -> Workspace:
    """The workspace in a folder.

    Raises
    ------
    ProblemsError
        The folder has no `chillroster.toml`.
    """
    workspace = Workspace(folder.resolve())
    if not workspace.settings_file.is_file():
        raise ProblemsError(
            [
                Problem(
                    "no_workspace",
                    "there is no chillroster.toml in this folder, so it is not a workspace.",
                    str(workspace.root),
                    hint="Run `chillroster init` there, or name the folder with --workspace.",
                )
            ]
        )
    return workspace


def list_logs(workspace: Workspace) -> list[str]:
    r"""Paths of the log files, relative to the logs folder, with forward slashes, sorted.

    Links that lead out of the logs folder are left out. Of a name that is not written in
    UTF-8 the foreign bytes are shown as `\xff`; it can be listed but not opened.
    """
    folder = workspace.logs_folder
    home = folder.resolve()
    return sorted(
        os.fsencode(path).decode("utf-8", "backslashreplace")
        for path, entry in _files_below(folder)
        if entry.name.lower().endswith(LOG_ENDINGS) and _is_log_of(home, entry)
    )


def _is_log_of(home: Path, entry: os.DirEntry[str]) -> bool:
    """True means: a file that lies below the home; only a link can lead out of it."""
    if not entry.is_symlink():
        return entry.is_file()
    file = Path(entry)
    return file.is_file() and file.resolve().is_relative_to(home)


def _files_below(folder: Path) -> Iterator[tuple[str, os.DirEntry[str]]]:
    """What is no folder below a folder, with its path from there; closed or gone, it is empty.

    The kind of each entry comes with the listing: asking for a file one by one would cost more
    than reading the first lines of it.
    """
    waiting = [""]
    while waiting:
        above = waiting.pop()
        with suppress(PermissionError, FileNotFoundError), os.scandir(folder / above) as entries:
            for entry in entries:
                path = f"{above}{entry.name}"
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(f"{path}/")
                else:
                    yield path, entry
