"""Derived quantities of explained variation: how far each response moved, and what is left.

Holds the records of scope `whole_test` that `explained` fills. Does not belong here: the
arithmetic (`explained_fit`), effects of single causes (`explained_effects`).
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from features.records import Feature

_VALIDITY = (
    "at least 120 s of running, from two minutes after a start; the channel known for half of it"
)


@dataclass(frozen=True)
class Response:
    """A reading whose movement is explained; it moves when beyond `least` (1 sd, its unit).

    Sensor noise over a block of 5 s is below that (tuning values).
    """

    channel: str
    stem: str
    words: str
    unit: str
    suffix: str
    least: float
    place: str
    decimals: int

    @property
    def names(self) -> tuple[str, str, str]:
        """Names of its three features: movement, explained share, unexplained rest."""
        return (
            f"{self.stem}_movement_{self.suffix}",
            f"{self.stem}_explained_share",
            f"{self.stem}_unexplained_{self.suffix}",
        )


RESPONSES: tuple[Response, ...] = (
    Response("duct_air_c", "duct_air", "duct air", "K", "k", 0.2, "at the duct", 1),
    Response("low_side_kpa", "low_side", "low side", "kPa", "kpa", 2.0, "of the low side", 0),
    Response("high_side_kpa", "high_side", "high side", "kPa", "kpa", 10.0, "of the high side", 0),
)


def _record(response: Response, name: str, unit: str, meaning: str, source: str) -> Feature:
    return Feature(
        name,
        unit,
        meaning,
        pl.struct(response.channel, "running_min"),
        source=source,
        validity=_VALIDITY,
        scope="whole_test",
    )


def _of_response(response: Response) -> tuple[Feature, ...]:
    movement, share, unexplained = response.names
    words = response.words
    return (
        _record(
            response, movement, response.unit, f"how far the {words} moved about its mean, 1 sd",
            "standard deviation of block means",
        ),
        _record(
            response, share, "1",
            f"share of the {words}'s squared movement that intake, condenser air, speed, fan, "
            "command and switching foretell; null where it hardly moved",
            "cross-validated coefficient of determination (Q2), stretches of 20 s left out",
        ),
        _record(
            response, unexplained, response.unit,
            f"movement of the {words} that none of these foretells, 1 sd",
            "standard deviation of what was foretold wrongly",
        ),
    )  # fmt: skip


EXPLAINED_RECORDS: tuple[Feature, ...] = tuple(
    record for response in RESPONSES for record in _of_response(response)
)
