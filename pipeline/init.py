"""A fresh workspace: commented settings, empty registry files with headers, an example profile.

Writes only what is not there; a folder that is a workspace already is left alone. Does
not belong here: the paths (`workspace`), what the files mean (`settings`, `registry_tables`,
`profiles`).
"""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from pipeline.problems import Problem, ProblemsError
from pipeline.registry_tables import REGISTRY_FILES
from pipeline.settings import settings_text
from pipeline.workspace import Workspace

if TYPE_CHECKING:
    from pathlib import Path

_EXAMPLE = "example.toml"


def init_workspace(folder: Path) -> Workspace:
    """The workspace made in a folder, which may hold other files already.

    Raises
    ------
    ProblemsError
        The folder is a workspace already, or a file to write is there; nothing is written.
    """
    workspace = Workspace(folder.resolve())
    texts = _texts(workspace)
    present = [path for path in texts if path.exists()]
    if present:
        raise ProblemsError([_exists(workspace, path) for path in present])
    workspace.logs_folder.mkdir(parents=True, exist_ok=True)
    for path, text in texts.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    return workspace


def _texts(workspace: Workspace) -> dict[Path, str]:
    """What to write, by path."""
    texts = {workspace.settings_file: settings_text()}
    for table in REGISTRY_FILES:
        header = ",".join(entry.name for entry in table.entries)
        texts[workspace.registry_folder / f"{table.name}.csv"] = header + "\n"
    texts[workspace.profiles_folder / _EXAMPLE] = example_profile()
    return texts


def example_profile() -> str:
    """The text of the example profile, which fits only files that say they want it."""
    return files("pipeline").joinpath("example_profile.toml").read_text("utf-8")


def _exists(workspace: Workspace, path: Path) -> Problem:
    return Problem(
        "workspace_exists",
        "The file is there already, and nothing is overwritten.",
        workspace.shown(path),
        hint="Choose an empty folder, or use the workspace as it is.",
    )
