"""Windows in which a test can be read: steady stretches and whole cycles.

A steady window is a stretch of fixed length in one settled regime, far enough from the
last start and event, in which every key channel that is logged is steady at once. A
periodic window is a chain of whole cycles of like period without a trend. Takes blocks
with their regime, events and cycles. Gives windows and their units: a steady window is
one unit, a periodic window has one unit per cycle. Does not belong here: the arithmetic
of steadiness (`steadiness`) and of cycles (`periodic`), what is read in a window.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.blocks import is_same_test
from features.regimes import CONTINUOUS
from features.steadiness import SteadyLimits, is_steady
from features.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from features.settings import DerivationSettings

    Booleans = NDArray[np.bool_]
    Floats = NDArray[np.float64]

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
    ),
)

# Units as this module and `periodic` give them; rows count the frame of blocks.
UNITS_SCHEMA = {
    "window_number": pl.Int64(),
    "first_row": pl.Int64(),
    "last_row": pl.Int64(),
    "test_number": pl.UInt32(),
    "kind_code": pl.String(),
    "regime": pl.String(),
}


@dataclass(frozen=True)
class _Key:
    """A channel that must hold still; the first of `inputs` that is logged speaks for it."""

    inputs: tuple[str, ...]
    slope: str | None
    spread: str
    counts: bool = True


_KEYS = (
    _Key(("low_side_kpa",), "low_side_slope_kpa_per_min", "low_side_spread_kpa"),
    _Key(("high_side_kpa",), "high_side_slope_kpa_per_min", "high_side_spread_kpa"),
    _Key(("condenser_outlet_c",), "liquid_line_slope_k_per_min", "liquid_line_spread_k"),
    _Key(
        ("evaporator_outlet_c", "compressor_suction_c"),
        "suction_line_slope_k_per_min",
        "suction_line_spread_k",
    ),
    _Key(("duct_air_c", "duct_left_c", "duct_right_c"), "duct_slope_k_per_min", "duct_spread_k"),
    # an idling engine hunts: only its scatter is bounded, and it says nothing of the circuit
    _Key(("engine_rpm",), None, "engine_speed_spread_rpm", counts=False),
)

# Smaller differences are the arithmetic of unit conversion, not steps of a logger.
_SMALLEST_STEP = 1e-6
# A slope and a scatter need this many blocks at least, however slow the logger.
_LEAST_BLOCKS = 4
# One channel alone does not make a window: it may be steady because it is off the car.
_LEAST_KEY_CHANNELS = 2


def find_steady_units(
    blocks: pl.DataFrame,
    events: pl.DataFrame,
    resolutions: pl.DataFrame,
    settings: DerivationSettings,
    block_s: float,
) -> pl.DataFrame:
    """Steady windows, one unit each, not overlapping, earliest first (schema `UNITS_SCHEMA`).

    Parameters
    ----------
    blocks
        With `regime`, ordered by test and block.
    events
        With test_number and time_s.
    resolutions
        Per test_number the smallest step of each channel (`logger_resolutions`).
    """
    length = max(math.ceil(settings.window_s / block_s), _LEAST_BLOCKS)
    is_end = _has_room(blocks, events, length, settings, block_s) & _are_keys_steady(
        blocks, resolutions, length, settings, block_s
    )
    ends = _pick_disjoint(is_end, length)
    picked = blocks.select("test_number", "regime")[ends]
    return picked.select(
        window_number=pl.int_range(pl.len()),
        first_row=pl.Series(ends - length + 1, dtype=pl.Int64),
        last_row=pl.Series(ends, dtype=pl.Int64),
        test_number="test_number",
        kind_code=pl.lit("steady"),
        regime="regime",
    )


def logger_resolutions(ordered: pl.DataFrame) -> pl.DataFrame:
    """Smallest step between two different readings: test_number and the key channels."""
    inputs = [name for key in _KEYS for name in key.inputs if name in ordered.columns]
    step = pl.col(inputs).diff().abs()
    steps = ordered.select(
        "test_number", pl.when(is_same_test(1) & (step > _SMALLEST_STEP)).then(step)
    )
    return steps.group_by("test_number", maintain_order=True).agg(pl.col(inputs).min())


def join_units(found: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """The units of several finders as one frame, their windows numbered apart."""
    marked = pl.concat(
        units.with_columns(finder=pl.lit(place)) for place, units in enumerate(found)
    )
    apart = pl.struct("finder", "window_number").rle_id().cast(pl.Int64)
    return marked.with_columns(window_number=apart).drop("finder")


def describe_windows(
    units: pl.DataFrame, blocks: pl.DataFrame, tests: pl.DataFrame, block_s: float
) -> pl.DataFrame:
    """The windows behind the units as a frame of `WINDOWS`, numbered in order of time."""
    windows = units.group_by("window_number", maintain_order=True).agg(
        pl.col("test_number", "kind_code", "regime").first(),
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
    return WINDOWS.conform(
        placed.sort("test_number", "start_s", "kind_code")
        .with_columns(window_number=pl.int_range(1, pl.len() + 1).over("test_number"))
        .select(column.name for column in WINDOWS.columns)
    )


def _has_room(
    blocks: pl.DataFrame,
    events: pl.DataFrame,
    length: int,
    settings: DerivationSettings,
    block_s: float,
) -> Booleans:
    """True means: the window that ends here lies in one regime, without gap, event or start."""
    last_event = events.select("test_number", "time_s", event_s="time_s")
    marked = blocks.select(
        "test_number",
        time_s=pl.col("start_s") + block_s,
        is_settled=pl.col("regime").is_in([regime.value for regime in CONTINUOUS]),
        is_joined=is_same_test(1)
        & (pl.col("block_number").diff() == 1)
        & (pl.col("regime") == pl.col("regime").shift(1)),
    ).join_asof(
        last_event,
        on="time_s",
        by="test_number",
        allow_exact_matches=False,
        check_sortedness=False,
    )
    since_event_s = pl.col("time_s") - block_s - pl.col("event_s")
    is_quiet = (since_event_s >= settings.settle_after_event_s).fill_null(value=True)
    flags = marked.select(
        admissible=(pl.col("is_settled") & is_quiet).fill_null(value=False),
        joined=pl.col("is_joined").fill_null(value=False),
    )
    admissible, joined = (flags[name].to_numpy() for name in ("admissible", "joined"))
    row = np.arange(admissible.size)
    begins = np.where(admissible, np.where(joined, 0, row), row + 1)
    return row - np.maximum.accumulate(begins) + 1 >= length


def _are_keys_steady(
    blocks: pl.DataFrame,
    resolutions: pl.DataFrame,
    length: int,
    settings: DerivationSettings,
    block_s: float,
) -> Booleans:
    """True means: every key channel logged in the window is steady, and enough are logged."""
    steady = np.ones(blocks.height, dtype=np.bool_)
    n_present = np.zeros(blocks.height, dtype=np.int64)
    for key in _KEYS:
        logged = [name for name in key.inputs if name in blocks.columns]
        if not logged:
            continue
        values = blocks.select(pl.coalesce(logged)).to_series().to_numpy()
        is_absent = _is_absent(values, length)
        limits = _limits(key, settings, block_s)
        resolution = _spread_over_blocks(resolutions, logged, blocks)
        steady &= is_absent | is_steady(values, length, limits, resolution)
        n_present += ~is_absent & key.counts
    return steady & (n_present >= _LEAST_KEY_CHANNELS)


def _limits(key: _Key, settings: DerivationSettings, block_s: float) -> SteadyLimits:
    per_min = math.inf if key.slope is None else float(getattr(settings, key.slope))
    return SteadyLimits(per_min * block_s / 60.0, float(getattr(settings, key.spread)))


def _spread_over_blocks(
    resolutions: pl.DataFrame, names: list[str], blocks: pl.DataFrame
) -> Floats:
    """The coarsest resolution among the names, at every block; 0 where none was seen."""
    known = [name for name in names if name in resolutions.columns]
    if not known:
        return np.zeros(blocks.height)
    coarsest = resolutions.select("test_number", resolution=pl.max_horizontal(known).fill_null(0.0))
    spread = blocks.select("test_number").join(
        coarsest, on="test_number", how="left", maintain_order="left"
    )
    return spread["resolution"].fill_null(0.0).to_numpy()


def _is_absent(values: Floats, length: int) -> Booleans:
    """True means: not one value in the window that ends here."""
    row = np.arange(values.size)
    last_known = np.maximum.accumulate(np.where(np.isnan(values), -1, row))
    return row - last_known >= length


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
