"""Windows in which a test can be read: steady stretches and whole cycles.

A steady window is a stretch of fixed length in one settled regime, far enough from the
last start and event, in which every key channel that is logged is steady at once. A
periodic window is a chain of whole cycles of like period without a trend. Takes blocks
with their regime, events and cycles. Gives windows and their units: a steady window is
one unit, a periodic window has one unit per cycle. Does not belong here: whether a test
has settled (`settling`), the arithmetic of cycles (`periodic`), what is read in a window.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.tables import Column, Table
from features.window_levels import LEVEL_COLUMNS, read_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from features.settling import Settling

    Booleans = NDArray[np.bool_]

WINDOWS = Table(
    "windows",
    "one row per window of a test",
    ("test_id", "window_number"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("window_number", pl.Int32(), "1", "counted from 1 in order of time"),
        Column("kind_code", pl.String(), "", "steady or periodic (whole cycles)"),
        Column("regime", pl.String(), "", "control regime throughout the window"),
        Column("start_s", pl.Float64(), "s", "start, since the start of the log"),
        Column("end_s", pl.Float64(), "s", "end, since the start of the log"),
        Column("n_samples", pl.Int32(), "1", "samples in it"),
        Column(
            "cycle_code", pl.String(), "",
            "what cycles in a periodic window: compressor, fan, or swing: the circuit by itself, "
            "as under a hunting expansion valve; null for a steady window",
        ),
        *LEVEL_COLUMNS,
    ),
)  # fmt: skip

_STORED_DECIMALS = 6

# Units as this module and `periodic` give them; rows count the frame of blocks.
UNITS_SCHEMA = {
    "window_number": pl.Int64(),
    "first_row": pl.Int64(),
    "last_row": pl.Int64(),
    "test_number": pl.UInt32(),
    "kind_code": pl.String(),
    "regime": pl.String(),
}


def find_steady_units(blocks: pl.DataFrame, settling: Settling) -> pl.DataFrame:
    """Steady windows, one unit each, not overlapping, earliest first (schema `UNITS_SCHEMA`)."""
    length = settling.length
    ends = _pick_disjoint(settling.is_settled, length)
    picked = blocks.select("test_number", "regime")[ends]
    return picked.select(
        window_number=pl.int_range(pl.len()),
        first_row=pl.Series(ends - length + 1, dtype=pl.Int64),
        last_row=pl.Series(ends, dtype=pl.Int64),
        test_number="test_number",
        kind_code=pl.lit("steady"),
        regime="regime",
    )


def join_units(found: Sequence[tuple[str | None, pl.DataFrame]]) -> pl.DataFrame:
    """The units of several finders as one frame, their windows numbered apart.

    Each with its cycle_code: what cycles, None for steady windows.
    """
    marked = pl.concat(
        units.with_columns(finder=pl.lit(place), cycle_code=pl.lit(code, pl.String))
        for place, (code, units) in enumerate(found)
    )
    apart = pl.struct("finder", "window_number").rle_id().cast(pl.Int64)
    return marked.with_columns(window_number=apart).drop("finder")


def describe_windows(
    units: pl.DataFrame, blocks: pl.DataFrame, tests: pl.DataFrame, block_s: float
) -> pl.DataFrame:
    """The windows behind the units as a frame of `WINDOWS`, numbered in order of time."""
    windows = units.group_by("window_number", maintain_order=True).agg(
        pl.col("test_number", "kind_code", "regime", "cycle_code").first(),
        pl.col("first_row").min(),
        pl.col("last_row").max(),
    )
    rows = blocks.select("start_s", "n_samples", total=pl.col("n_samples").cum_sum())
    first, last = rows[windows["first_row"]], rows[windows["last_row"]]
    placed = windows.with_columns(
        start_s=first["start_s"],
        end_s=last["start_s"] + block_s,
        n_samples=last["total"] - first["total"] + first["n_samples"],
    ).join(tests.select("test_id", "test_number"), on="test_number", maintain_order="left")
    levels = read_levels(blocks, units, block_s).with_columns(
        pl.selectors.float().round(_STORED_DECIMALS)
    )
    placed = placed.join(levels, on="window_number", how="left", maintain_order="left")
    return WINDOWS.conform(
        placed.sort("test_number", "start_s", "kind_code")
        .with_columns(window_number=pl.int_range(1, pl.len() + 1).over("test_number"))
        .select(column.name for column in WINDOWS.columns)
    )


def _pick_disjoint(is_end: Booleans, length: int) -> NDArray[np.int64]:
    """Rows of the windows taken: the earliest, then each next one that does not overlap it.

    Windows never cross from one test to the next, so the tests do not influence each other.
    """
    candidates = np.flatnonzero(is_end)
    picked: list[int] = []
    place = 0
    while place < candidates.size:
        picked.append(int(candidates[place]))
        place = int(np.searchsorted(candidates, picked[-1] + length))
    return np.asarray(picked, dtype=np.int64)
