"""Icing recovery: an evaporator that had frozen up and is free again after a stop.

What tells it, all together: before the stop the evaporating temperature had drifted below
about -1 degC while the duct air grew warmer, because ice keeps the air out; after the restart
the low side is higher and the duct air colder than before the stop (common practice, no
source). The event is the restart. Takes compressor events, the event grid and the samples.
Does not belong here: stops and starts, what the ice came from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from features.event_grid import make_event_grid, mean_between
from features.event_kinds import STARTS, STOPS
from features.refrigerant import RefrigerantError, dew_pressure_kpa, resolve_refrigerant

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.event_grid import EventGrid

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

RECOVERIES_SCHEMA = {"test_number": pl.UInt32(), "time_s": pl.Float64()}
DUCTS = ("duct_air_c", "duct_left_c", "duct_right_c")

_ICED_C = -1.0
# Spans that are compared, relative to the stop and to the restart (tuning values).
_EARLIER_S, _BEFORE_S, _AFTER_S = (-240.0, -180.0), (-40.0, -10.0), (60.0, 120.0)
_LEAST_REST_S, _LONGEST_REST_S = 30.0, 1800.0
_LEAST_DRIFT_KPA, _LEAST_RECOVERY_KPA = 5.0, 10.0
_LEAST_WARMING_K, _LEAST_COOLING_K = 1.0, 1.0


class _Rests(NamedTuple):
    """Rests of the compressor between two runs: test, stop and restart."""

    test: Integers
    stop_s: Floats
    start_s: Floats


def find_recoveries(
    compressor: pl.DataFrame, grid: EventGrid, ordered: pl.DataFrame, tests: pl.DataFrame
) -> pl.DataFrame:
    """One row per recovery: test_number, time_s of the restart."""
    rests = _rests(compressor)
    if rests.test.size == 0:
        return pl.DataFrame(schema=RECOVERIES_SCHEMA)
    earlier, before, after = _levels(grid, "low_side_kpa", rests)
    iced_kpa = _iced_kpa(tests, rests.test)
    is_suspect = (before <= iced_kpa) & (before <= earlier - _LEAST_DRIFT_KPA)
    is_suspect &= after >= before + _LEAST_RECOVERY_KPA
    suspects = _Rests(rests.test[is_suspect], rests.stop_s[is_suspect], rests.start_s[is_suspect])
    if suspects.test.size == 0:
        return pl.DataFrame(schema=RECOVERIES_SCHEMA)
    is_free = _is_ducts_word(suspects, ordered, grid.cell_s)
    return pl.DataFrame(
        {"test_number": suspects.test[is_free], "time_s": suspects.start_s[is_free]},
        schema=RECOVERIES_SCHEMA,
    )


def _rests(compressor: pl.DataFrame) -> _Rests:
    following = pl.col("kind_code").shift(-1).over("test_number").is_in(STARTS)
    start_s = pl.col("time_s").shift(-1).over("test_number")
    found = compressor.select(
        "test_number", "kind_code", stop_s="time_s", start_s=pl.when(following).then(start_s)
    ).filter(
        pl.col("kind_code").is_in(STOPS)
        & (pl.col("start_s") - pl.col("stop_s")).is_between(_LEAST_REST_S, _LONGEST_REST_S)
    )
    return _Rests(
        found["test_number"].to_numpy().astype(np.int64),
        found["stop_s"].to_numpy(),
        found["start_s"].to_numpy(),
    )


def _levels(grid: EventGrid, channel: str, rests: _Rests) -> tuple[Floats, Floats, Floats]:
    """Means well before the stop, just before it, and after the restart."""

    def mean(from_s: Floats, span_s: tuple[float, float]) -> Floats:
        first = grid.places(rests.test, from_s + span_s[0])
        return mean_between(grid, channel, first, grid.places(rests.test, from_s + span_s[1]))

    return (
        mean(rests.stop_s, _EARLIER_S),
        mean(rests.stop_s, _BEFORE_S),
        mean(rests.start_s, _AFTER_S),
    )


def _is_ducts_word(rests: _Rests, ordered: pl.DataFrame, cell_s: float) -> NDArray[np.bool_]:
    """Whether the air of any duct had grown warmer before the stop and is colder after it."""
    own = ordered.filter(pl.col("test_number").is_in(np.unique(rests.test).tolist()))
    grid = make_event_grid(own, DUCTS, cell_s)
    confirmed = np.zeros(rests.test.size, dtype=np.bool_)
    for channel in grid.values:
        earlier, before, after = _levels(grid, channel, rests)
        confirmed |= (before >= earlier + _LEAST_WARMING_K) & (after <= before - _LEAST_COOLING_K)
    return confirmed


def _iced_kpa(tests: pl.DataFrame, test: Integers) -> Floats:
    """Low side at which each test's evaporator freezes; NaN with an unknown refrigerant."""
    kpa = {name: _dew_kpa(name) for name in tests["refrigerant"].drop_nulls().unique().sort()}
    known = dict(tests.select("test_number", "refrigerant").iter_rows())
    return np.array([kpa.get(known.get(number), np.nan) for number in test.tolist()])


def _dew_kpa(designation: str) -> float:
    try:
        refrigerant = resolve_refrigerant(designation)
    except RefrigerantError:
        return float("nan")
    return float(dew_pressure_kpa(np.array([_ICED_C]), refrigerant)[0])
