"""What the door is asked: which log file, as which test, with what known of the place.

Holds the records `LogRequest` and `Door`. Does not belong here: reading (`readers`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.profiles import Profile
    from pipeline.settings import Settings


@dataclass(frozen=True)
class LogRequest:
    """One log file to read.

    Attributes
    ----------
    path : str
        The log as the registry calls it, relative to the logs folder.
    file : Path
        Where it lies.
    test_id : str
        The test it becomes.
    profile : str, optional
        Name of the profile to read it by; None recognises the file.
    barometric_kpa, altitude_m : float, optional
        What the registry states of the place [kPa], [m].
    """

    path: str
    file: Path
    test_id: str
    profile: str | None = None
    barometric_kpa: float | None = None
    altitude_m: float | None = None


@dataclass(frozen=True)
class Door:
    """How logs are read: profiles in order of trial, time zone, place, limits."""

    profiles: tuple[Profile, ...]
    time_zone: str = "UTC"
    altitude_m: float | None = None
    largest_bytes: int = 200_000_000
    unreadable_share: float = 0.01
    highest_packing_ratio: float = 200.0

    @classmethod
    def of(cls, settings: Settings, profiles: tuple[Profile, ...]) -> Door:
        """The door of a workspace."""
        return cls(
            profiles,
            settings.time_zone,
            settings.site.altitude_m,
            int(settings.reading.largest_log_megabytes * 1e6),
            settings.reading.unreadable_share,
            settings.reading.highest_packing_ratio,
        )
