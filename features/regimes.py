"""Control regimes: what the compressor and its control are doing, block by block."""

from __future__ import annotations

from enum import StrEnum


class Regime(StrEnum):
    """The control regimes. A regime that cannot be told is null."""

    OFF = "off"
    STARTING = "starting"
    PULL_DOWN = "pull_down"
    REGULATING = "regulating"
    SATURATED = "saturated"
    CYCLING = "cycling"
    RUNNING = "running"
