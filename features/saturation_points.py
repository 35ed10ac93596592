"""Saturation points that ship with the package, so that a program starts without the library.

Holds the record `SaturationPoints` and the reading of `saturation_points.csv`: for each
refrigerant the answers of the property library (CoolProp 8) at a few hundred pressures,
with every digit. Importing the library takes nearly two seconds, reading the file some
milliseconds. A test asks the installed library again and compares; after a change of the
list of refrigerants, `python -m tests.features.write_saturation_points` writes the file
anew. Does not belong here: asking the library (`refrigerant`), reading a curve
(`saturation_curve`).
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FILE_NAME = "saturation_points.csv"
_SCHEMA = {
    "designation": pl.String(),
    "ln_pressure": pl.Float64(),
    "dew_c": pl.Float64(),
    "bubble_c": pl.Float64(),
}


class SaturationPoints(NamedTuple):
    """Dew and bubble temperatures [degC] at rising ln p (p in kPa absolute)."""

    ln_pressure: Floats
    dew_c: Floats
    bubble_c: Floats


def shipped_points(designation: str) -> SaturationPoints | None:
    """The points of a refrigerant, None when none ship for it."""
    points = _all_points().filter(pl.col("designation") == designation)
    if points.is_empty():
        return None
    return SaturationPoints(*(points[name].to_numpy() for name in SaturationPoints._fields))


def points_frame(points: dict[str, SaturationPoints]) -> pl.DataFrame:
    """Points by designation as rows of the file."""
    frames = [
        pl.DataFrame({"designation": designation, **one._asdict()}, schema=_SCHEMA)
        for designation, one in points.items()
    ]
    return pl.concat(frames)


@cache
def _all_points() -> pl.DataFrame:
    text = (resources.files("features") / FILE_NAME).read_bytes()
    return pl.read_csv(text, schema=_SCHEMA)
