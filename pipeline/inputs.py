"""Everything a person wrote, read together: settings, profiles, registry.

Holds `Inputs` and `read_inputs`, so that all faults of all files are told at once and
nothing is half loaded. Does not belong here: log files (`readers`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.problems import Problem, ProblemsError
from pipeline.profiles import Profile, read_profiles
from pipeline.registry import Registry, read_registry
from pipeline.settings import Settings, read_settings

if TYPE_CHECKING:
    from pipeline.workspace import Workspace


@dataclass(frozen=True)
class Inputs:
    """What a person wrote in a workspace, checked; notices are worth saying, not wrong."""

    settings: Settings
    profiles: tuple[Profile, ...]
    registry: Registry

    @property
    def notices(self) -> tuple[Problem, ...]:
        """Remarks that stop nothing."""
        return self.registry.notices


def read_inputs(workspace: Workspace) -> Inputs:
    """Settings, profiles and registry of a workspace.

    Raises
    ------
    ProblemsError
        One exception with the problems of all files.
    """
    problems: list[Problem] = []
    settings, profiles, registry = Settings(), None, None
    try:
        settings = read_settings(workspace)
    except ProblemsError as error:
        problems += error.problems
    try:
        profiles = read_profiles(workspace)
    except ProblemsError as error:
        problems += error.problems
    names = None if profiles is None else [profile.name for profile in profiles]
    try:
        most = int(settings.reading.largest_registry_megabytes * 1e6)
        registry = read_registry(workspace, settings.time_zone, names, largest_bytes=most)
    except ProblemsError as error:
        problems += error.problems
    if problems or profiles is None or registry is None:
        raise ProblemsError(problems)
    return Inputs(settings, profiles, registry)
