"""How the circuit answered an event: change of both sides, swing of the high side, its pace.

The swing is the furthest that the high side goes the event's way within 40 s, from its mean
over 10 s before (the window of the fan swing of a fan that cycles, common practice, no source),
and not beyond the next event. The time constant is the time to 63.2 % of it, as that of a
first-order answer. Takes events and the event grid and adds columns. Does not belong here:
finding events.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.event_kinds import EVENT_KIND

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.event_grid import EventGrid

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

_BEFORE_S, _AFTER_S = 10.0, 40.0
# The lasting change is read from so long after the event (tuning values).
_LASTING_FROM_S, _LASTING_TO_S = 15.0, 30.0
_FIRST_ORDER_SHARE = 1.0 - float(np.exp(-1.0))
# Of a smaller swing nobody can tell a pace (tuning value).
_LEAST_PACED_SWING_KPA = 15.0
# An event so soon after is part of the same movement (tuning value).
_SAME_MOVEMENT_S = 5.0


def add_responses(events: pl.DataFrame, grid: EventGrid) -> pl.DataFrame:
    """The events with low_side_change_kpa, high_side_change_kpa, swing and time constant."""
    place = grid.places(events["test_number"].to_numpy().astype(np.int64), _times(events))
    high = _courses(grid, "high_side_kpa", place)
    low = _courses(grid, "low_side_kpa", place)
    since_s = _since_s(grid, place, _times(events))
    swing, constant = _swings(high, since_s, _ways(events), _until_next_s(events))
    return events.with_columns(
        low_side_change_kpa=_known(_change(low, since_s)),
        high_side_change_kpa=_known(_change(high, since_s)),
        high_side_swing_kpa=_known(swing),
        time_constant_s=_known(constant),
    )


def _known(values: Floats) -> pl.Series:
    return pl.Series(values, dtype=pl.Float64).fill_nan(None)


def _times(events: pl.DataFrame) -> Floats:
    return events["time_s"].to_numpy()


def _ways(events: pl.DataFrame) -> Floats:
    """Which way the high side goes under each event; 0 where either."""
    ways = {code: float(kind.high_side) for code, kind in EVENT_KIND.items()}
    return events["kind_code"].replace_strict(ways, return_dtype=pl.Float64).to_numpy()


def _until_next_s(events: pl.DataFrame) -> Floats:
    """Time to the next event of the test, beyond those that are one movement with it."""
    if events.is_empty():
        return np.empty(0)
    times = events.select("test_number", "time_s")
    later = times.select("test_number", next_s="time_s", time_s=pl.col("time_s") - _SAME_MOVEMENT_S)
    joined = times.join_asof(
        later, on="time_s", by="test_number", strategy="forward", check_sortedness=False
    )
    gap_s = pl.col("next_s") - pl.col("time_s")
    return joined.select(gap_s.fill_null(np.inf)).to_series().to_numpy()


def _offsets(grid: EventGrid) -> Integers:
    return np.arange(-grid.cells(_BEFORE_S) - 1, grid.cells(_AFTER_S) + 2)


def _courses(grid: EventGrid, channel: str, place: Integers) -> Floats:
    """Values around each event, a row per event, a column per cell; NaN where not known."""
    cells = place[:, None] + _offsets(grid)
    if channel not in grid.values:
        return np.full(cells.shape, np.nan)
    cells = np.clip(cells, 0, grid.test.size - 1)
    is_own = grid.test[cells] == grid.test[place][:, None]
    return np.where(is_own, grid.values[channel][cells], np.nan)


def _since_s(grid: EventGrid, place: Integers, time_s: Floats) -> Floats:
    """Time of each cell's middle after its event; the cell must lie on that side as a whole."""
    return (grid.time_s[place] - time_s)[:, None] + _offsets(grid) * grid.cell_s


def _mean(values: Floats, inside: NDArray[np.bool_]) -> Floats:
    inside = inside & np.isfinite(values)
    total = np.sum(np.where(inside, values, 0.0), axis=1)
    count = np.sum(inside, axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _level_before(values: Floats, since_s: Floats) -> Floats:
    half = _half_cell_s(since_s)
    return _mean(values, (since_s <= -half) & (since_s >= -_BEFORE_S - half))


def _half_cell_s(since_s: Floats) -> float:
    if since_s.shape[0] == 0:
        return 0.0
    return float(since_s[0, 1] - since_s[0, 0]) / 2.0


def _change(values: Floats, since_s: Floats) -> Floats:
    lasting = (since_s >= _LASTING_FROM_S) & (since_s <= _LASTING_TO_S)
    return _mean(values, lasting) - _level_before(values, since_s)


def _swings(high: Floats, since_s: Floats, ways: Floats, until_s: Floats) -> tuple[Floats, Floats]:
    """Swing with its sign, and time to 63.2 % of it."""
    if high.shape[0] == 0:
        return np.empty(0), np.empty(0)
    row = np.arange(high.shape[0])
    away = high - _level_before(high, since_s)[:, None]
    inside = (since_s >= 0.0) & (since_s <= np.fmin(_AFTER_S, until_s)[:, None])
    free = np.where(inside & np.isfinite(away), np.abs(away), -np.inf)
    furthest = np.sign(away[row, np.argmax(free, axis=1)])
    way = np.where(ways == 0.0, furthest, ways)
    along = np.where(inside & np.isfinite(away), away * way[:, None], -np.inf)
    most = np.max(along, axis=1)
    size = np.where(np.isfinite(most), np.maximum(most, 0.0), np.nan)
    return size * way, _time_constants_s(along, since_s, size)


def _time_constants_s(along: Floats, since_s: Floats, size: Floats) -> Floats:
    """When each answer first passes 63.2 % of its swing, drawn between two cells."""
    wanted = _FIRST_ORDER_SHARE * size
    has_passed = along >= np.where(size >= _LEAST_PACED_SWING_KPA, wanted, np.inf)[:, None]
    row, after = np.arange(size.size), np.argmax(has_passed, axis=1)
    before = np.maximum(after - 1, 0)
    low, high = np.maximum(along[row, before], 0.0), along[row, after]
    share = np.clip((wanted - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    # the cell before may lie before the event, where nothing had happened yet
    from_s = np.maximum(since_s[row, before], 0.0)
    constant = from_s + share * (since_s[row, after] - from_s)
    return np.where(has_passed.any(axis=1), np.maximum(constant, 0.0), np.nan)
