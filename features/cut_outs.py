"""Cut-outs: stops of the compressor that a pressure at its limit explains.

What tells one: the high side just before the stop at the height where protections act (27 to
31 bar gauge; low-pressure switches on the high side at 1.2 to 2 bar gauge; a low side near
that of the surrounding air, where nothing regulates: common practice, no source), and a rest
longer than that of a clutch that cycles. Takes stops and starts and renames those that are
cut-outs. Does not belong here: finding stops.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.event_grid import EventGrid
    from features.settings import DerivationSettings

    Floats = NDArray[np.float64]

_LOOK_BACK_S = 10.0
# the moment of a stop that only the pressures show is known to so much
_LOOK_ON_S = 2.5


def name_cut_outs(
    events: pl.DataFrame, grid: EventGrid, settings: DerivationSettings
) -> pl.DataFrame:
    """Compressor events in which stops at a pressure limit bear the name of their cut-out."""
    test = events["test_number"].to_numpy().astype(np.int64)
    time_s = events["time_s"].to_numpy()
    high = _extreme(grid, "high_side_kpa", test, time_s, np.fmax)
    high_low = _extreme(grid, "high_side_kpa", test, time_s, np.fmin)
    low = _extreme(grid, "low_side_kpa", test, time_s, np.fmin)
    rested = events.with_columns(
        rest_s=pl.col("time_s").shift(-1).over("test_number") - pl.col("time_s"),
        is_high=pl.Series(high >= settings.cut_out_high_side_kpa),
        is_low=pl.Series(
            (low <= settings.cut_out_low_side_kpa) | (high_low <= settings.cut_out_low_high_kpa)
        ),
    )
    is_stop = pl.col("kind_code") == "compressor_off"
    is_long = (pl.col("rest_s") >= settings.cut_out_rest_s).fill_null(value=True)
    return rested.with_columns(
        kind_code=pl.when(is_stop & is_long & pl.col("is_high"))
        .then(pl.lit("high_pressure_cut_out"))
        .when(is_stop & is_long & pl.col("is_low"))
        .then(pl.lit("low_pressure_cut_out"))
        .otherwise("kind_code")
    ).select(events.columns)


def _extreme(
    grid: EventGrid, channel: str, test: NDArray[np.int64], time_s: Floats, of: np.ufunc
) -> Floats:
    """Largest or smallest value in the seconds around each stop; NaN where none is known."""
    if channel not in grid.values or test.size == 0:
        return np.full(test.size, np.nan)
    first = grid.places(test, time_s - _LOOK_BACK_S)
    n = grid.cells(_LOOK_BACK_S + _LOOK_ON_S)
    cells = np.minimum(first[:, None] + np.arange(n + 1), grid.test.size - 1)
    is_own = grid.test[cells] == test[:, None]
    return np.asarray(of.reduce(np.where(is_own, grid.values[channel][cells], np.nan), axis=1))
