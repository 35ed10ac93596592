"""Moves of a logged command or speed: changes of at least a given size within a given time.

A command that wanders slowly is a control at work; one that moves by so much within so short
a time is an event. Takes the event grid and gives one row per move. Does not belong here:
switches and stages, whose step is found sample by sample (`command_steps`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.event_grid import EventGrid

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

MOVES_SCHEMA = {"test_number": pl.UInt32(), "time_s": pl.Float64(), "size": pl.Float64()}
# A move has begun when this share of it is done.
_BEGUN_SHARE = 0.1


@dataclass(frozen=True)
class MoveRule:
    """At least `least` within `within_s`; of several within `apart_s` the largest counts."""

    least: float | Floats
    within_s: float
    apart_s: float


def find_moves(grid: EventGrid, values: Floats, rule: MoveRule) -> pl.DataFrame:
    """One row per move: test_number, time_s of its beginning, size in the unit of the values.

    `least` may be an array with one number per cell.
    """
    n = grid.cells(rule.within_s)
    change = np.full(values.size, np.nan)
    change[:-n] = values[n:] - values[:-n]
    size = np.nan_to_num(np.abs(change))
    least = np.broadcast_to(rule.least, size.shape)
    place = _largest_around(size, np.flatnonzero(size >= least), grid.cells(rule.apart_s))
    return pl.DataFrame(
        {
            "test_number": grid.test[place],
            "time_s": _begins_s(grid, values, place, change[place], n),
            "size": change[place],
        },
        schema=MOVES_SCHEMA,
    )


def _largest_around(size: Floats, place: Integers, reach: int) -> Integers:
    """The places that no other within reach exceeds; of equals the first."""
    kept = np.ones(place.size, dtype=np.bool_)
    last = size.size - 1
    for step in range(1, reach + 1):
        kept &= size[place] > size[np.maximum(place - step, 0)]
        kept &= size[place] >= size[np.minimum(place + step, last)]
    return place[kept]


def _begins_s(grid: EventGrid, values: Floats, place: Integers, step: Floats, n: int) -> Floats:
    """When the first share of each move is done, drawn between two cells."""
    if place.size == 0:
        return np.empty(0)
    course = values[place[:, None] + np.arange(n + 1)]
    done = (course - course[:, :1]) * np.sign(step)[:, None] / np.abs(step)[:, None]
    has_begun = np.nan_to_num(done) >= _BEGUN_SHARE
    after = np.maximum(np.argmax(has_begun, axis=1), 1)
    row = np.arange(place.size)
    before_share, share = np.nan_to_num(done[row, after - 1]), done[row, after]
    within = (_BEGUN_SHARE - before_share) / np.maximum(share - before_share, _BEGUN_SHARE)
    return np.asarray(grid.time_s[place + after - 1] + np.clip(within, 0.0, 1.0) * grid.cell_s)
