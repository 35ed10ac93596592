"""What befalls a log: the test as a mishap finds it, and one mishap as drawn for it.

Records and the small draws that all kinds share. Does not belong here: the kinds themselves
(`clock_mishaps`, `unit_mishaps`, `clamp_mishaps`), their list (`mishaps`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from synthetic.plant.placement import CHANNELS, CLAMPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np


@dataclass(frozen=True)
class Scene:
    """The test that a mishap befalls: seconds of the log, sensors, car.

    `offset` is shared by every test of one instrument, from -1 to 1.
    """

    seconds: float
    sensors: tuple[str, ...]
    refrigerant: str = "R134a"
    is_recirculated: bool = True
    has_exchanger: bool = False
    offset: float = 0.0

    @property
    def clamps(self) -> list[str]:
        """Temperature clamps on refrigerant lines that the log has."""
        return [name for name in self.sensors if name in CLAMPS]

    @property
    def ducts(self) -> list[str]:
        """Duct probes that the log has."""
        return [name for name in self.sensors if name.startswith("duct_")]


@dataclass(frozen=True)
class Drawn:
    """One mishap of one test: the fitting's changes, and what the truth keeps of it.

    `channels` that it hits; `severity` in `unit`; `moment_s` where it begins midway; `detail`
    such as the line a clamp went to; `registered` refrigerant where the registry is wrong;
    `left_out` sensors that the log then lacks.
    """

    changes: dict[str, float]
    channels: tuple[str, ...]
    severity: float
    unit: str
    moment_s: float | None = None
    detail: str = ""
    registered: str | None = None
    left_out: tuple[str, ...] = ()


def number_of(name: str) -> float:
    """Place of a channel among all channels, as a fitting names it."""
    return float(CHANNELS.index(name))


def one_of(rng: np.random.Generator, names: Sequence[str]) -> str:
    """One of the names, each as likely."""
    return str(rng.choice(list(names)))


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, to three decimals."""
    return round(float(rng.uniform(low, high)), 3)


def signed(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, with either sign."""
    return between(rng, low, high) * float(rng.choice([-1.0, 1.0]))


def midway(rng: np.random.Generator, scene: Scene) -> float:
    """A moment from a minute into the log to a minute before its end [s]; less in short ones."""
    margin = min(60, int(scene.seconds) // 4)
    return float(rng.integers(margin, int(scene.seconds) - margin))
