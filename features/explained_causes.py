"""What can move the duct air and the pressures inside a test: the causes and their signs.

Holds `CAUSES` and `cause_courses`, which makes of a grid of blocks one course per cause: a
channel where it is logged, else a staircase of the events that were seen. Signs follow from
how the circuit works (common practice, no source): a cause whose fitted effect has the
wrong sign explains nothing. Does not belong here: the fit (`explained_fit`).

The control answers to the load as well as making the duct colder. Its command therefore
counts only as far as the duct and the low side fall behind a rise of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from features.event_kinds import STARTS, STOPS

if TYPE_CHECKING:
    import polars as pl
    from numpy.typing import NDArray

    from features.block_grids import Grid

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cause:
    """Something that moves the responses.

    Attributes
    ----------
    code, words
        For machines and for a sentence.
    unit
        Of its change, as printed.
    channels
        Those that give its course, the best first.
    rises, falls
        Kinds of events that make its course where no channel does.
    signs
        Of the effect of a rise on duct air, low side and high side; 0 where either can be.
    most
        Largest believable effect of one step on each, K, kPa, kPa; a larger one is a drift that
        happens to go along (tuning values, about twice what a car does).
    scale
        Change of the channel that counts as one step of an event.
    least
        A cause that moves by less (1 sd, in the channel's unit) explains nothing.
    """

    code: str
    words: str
    unit: str
    channels: tuple[str, ...]
    rises: tuple[str, ...] = ()
    falls: tuple[str, ...] = ()
    signs: tuple[int, int, int] = (0, 0, 0)
    most: tuple[float, float, float] = (math.inf, math.inf, math.inf)
    scale: float = 1.0
    least: float = 0.0


COMPRESSOR = "compressor"
CAUSES: tuple[Cause, ...] = (
    Cause(
        "intake_air", "intake", "K", ("intake_air_c",),
        signs=(1, 1, 1), most=(1.5, 15.0, 40.0), least=0.15,
    ),
    Cause(
        "condenser_air", "condenser air", "K", ("condenser_inlet_air_c", "ambient_air_c"),
        signs=(1, 1, 1), most=(1.0, 15.0, 60.0), least=0.15,
    ),
    Cause(
        "engine_speed", "engine speed", "1/min", ("engine_rpm",),
        ("engine_faster",), ("engine_slower",),
        signs=(-1, -1, 1), most=(5.0, 80.0, 400.0), scale=500.0, least=15.0,
    ),
    Cause(
        "condenser_fan", "condenser fan", "points", ("condenser_fan_pct",),
        ("fan_up",), ("fan_down",),
        signs=(-1, -1, -1), most=(8.0, 80.0, 900.0), scale=50.0, least=1.0,
    ),
    Cause(
        "vehicle_speed", "vehicle speed", "km/h", ("vehicle_speed_kmh",),
        signs=(-1, -1, -1), most=(8.0, 80.0, 600.0), scale=20.0, least=1.0,
    ),
    Cause(
        "stroke", "compressor command", "points", ("compressor_command_pct",),
        ("displacement_up",), ("displacement_down",),
        signs=(-1, -1, 1), most=(10.0, 150.0, 500.0), scale=30.0, least=1.0,
    ),
    Cause(
        COMPRESSOR, "the compressor's switching", "steps", (),
        STARTS, STOPS,
        signs=(-1, -1, 0), most=(40.0, 800.0, 3000.0),
    ),
    Cause(
        "blower", "blower", "points", ("blower_pct",), ("blower_up",), ("blower_down",),
        signs=(1, 1, 1), most=(8.0, 100.0, 400.0), scale=25.0, least=1.0,
    ),
    Cause(
        "recirculation", "recirculation", "points", ("recirculation_pct",),
        ("recirculation_on",), ("recirculation_off",),
        most=(20.0, 150.0, 600.0), scale=100.0, least=1.0,
    ),
)  # fmt: skip

CAUSE_CHANNELS = tuple(dict.fromkeys(name for cause in CAUSES for name in cause.channels))
# A channel that is null for more than half of the test gives way to the next.
_LEAST_COVERAGE = 0.5


def cause_courses(grid: Grid, events: pl.DataFrame) -> Floats:
    """The course of every cause in steps: array of cause by test by block.

    Parameters
    ----------
    grid
        With the channels of the causes and n_samples.
    events
        With test_number, time_s, kind_code: all tests, any order.

    Returns
    -------
    Array of `CAUSES` by test by block; zero throughout where a cause is not known.
    """
    placed = _placed(grid, events)
    return np.stack([_course(cause, grid, placed) for cause in CAUSES])


@dataclass(frozen=True)
class _Placed:
    """Events of the tests of a grid: row, time and kind."""

    row: NDArray[np.int64]
    time_s: Floats
    kind_code: NDArray[np.str_]


def _placed(grid: Grid, events: pl.DataFrame) -> _Placed:
    row = grid.place(events["test_number"].to_numpy().astype(np.int64))
    mine = row >= 0
    kinds = events["kind_code"].to_numpy().astype(str)
    return _Placed(row[mine], events["time_s"].to_numpy()[mine], kinds[mine])


def _course(cause: Cause, grid: Grid, placed: _Placed) -> Floats:
    """By the first channel that covers a test, else by its events."""
    course = _staircase(cause, grid, placed)
    n_known = np.isfinite(grid.values["n_samples"]).sum(axis=1)
    for name in reversed(cause.channels):
        if name not in grid.values:
            continue
        values = _held(grid.values[name])
        covers = np.isfinite(grid.values[name]).sum(axis=1) > _LEAST_COVERAGE * n_known
        inside = np.isfinite(grid.values["n_samples"])
        moves = np.asarray(_spread(values, inside) >= cause.least)
        followed = np.where(moves[:, None], values / cause.scale, 0.0)
        course = np.where(covers[:, None], followed, course)
    return course


def _staircase(cause: Cause, grid: Grid, placed: _Placed) -> Floats:
    """Steps up and down at the events; a block counts with the share that lies behind."""
    course = np.zeros((grid.n_tests, grid.n_blocks))
    for kinds, size in ((cause.rises, 1.0), (cause.falls, -1.0)):
        mine = np.isin(placed.kind_code, kinds)
        if not mine.any():
            continue
        row = placed.row[mine]
        at = (placed.time_s[mine] - grid.start_s[row]) / grid.block_s
        block = np.clip(at.astype(np.int64), 0, grid.n_blocks - 1)
        behind = np.clip(block + 1.0 - at, 0.0, 1.0)
        # the share of the first block, and the rest from the next block on
        np.add.at(course, (row, block), size * behind)
        following = block + 1 < grid.n_blocks
        np.add.at(course, (row[following], block[following] + 1), size * (1.0 - behind)[following])
    stairs = np.cumsum(course, axis=1)
    return np.asarray(stairs - stairs.min(axis=1, keepdims=True))


def _held(values: Floats) -> Floats:
    """Holes filled with the last value before, at the beginning with the first."""
    known = np.isfinite(values)
    place = np.where(known, np.arange(values.shape[1]), -1)
    last = np.maximum.accumulate(place, axis=1)
    first = np.argmax(known, axis=1)[:, None]
    filled = np.take_along_axis(values, np.where(last >= 0, last, first), axis=1)
    return np.where(np.any(known, axis=1, keepdims=True), filled, 0.0)


def _spread(values: Floats, inside: NDArray[np.bool_]) -> Floats:
    count = np.maximum(inside.sum(axis=1), 1)
    mean = np.where(inside, values, 0.0).sum(axis=1) / count
    square = np.where(inside, (values - mean[:, None]) ** 2, 0.0).sum(axis=1)
    return np.asarray(np.sqrt(square / count))
