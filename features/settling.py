"""Has a test settled? Room for a window, and the key channels that must hold still in it.

Takes blocks with their regime and events; judges, block for block, the window that ends
there. Does not belong here: taking windows (`windows`), the arithmetic of steadiness
(`steadiness`, `ratio_statistic`), telling why a test has none (`unread`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.blocks import is_same_test
from features.ratio_statistic import Stretches, likeness, steady_by_ratio
from features.regimes import CONTINUOUS
from features.steadiness import SteadyLimits, is_steady, slope_of_one_step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.settings import DerivationSettings

    Booleans = NDArray[np.bool_]
    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Key:
    """A channel that must hold still; the first of `inputs` that is logged speaks for it."""

    inputs: tuple[str, ...]
    words: str
    unit: str
    slope: str | None
    spread: str
    counts: bool = True

    def values(self, blocks: pl.DataFrame) -> Floats | None:
        """Its values in every block; None when none of its inputs is logged."""
        logged = self.logged(blocks)
        return blocks.select(pl.coalesce(logged)).to_series().to_numpy() if logged else None

    def logged(self, blocks: pl.DataFrame) -> list[str]:
        """Those of its inputs that the blocks carry."""
        return [name for name in self.inputs if name in blocks.columns]

    def limits(self, settings: DerivationSettings, block_s: float) -> SteadyLimits:
        """Its limits by the settings."""
        per_min = math.inf if self.slope is None else float(getattr(settings, self.slope))
        return SteadyLimits(per_min * block_s / 60.0, float(getattr(settings, self.spread)))


KEYS = (
    Key(
        ("low_side_kpa",), "low side", "kPa",
        "low_side_slope_kpa_per_min", "low_side_spread_kpa",
    ),
    Key(
        ("high_side_kpa",), "high side", "kPa",
        "high_side_slope_kpa_per_min", "high_side_spread_kpa",
    ),
    Key(
        ("condenser_outlet_c",), "liquid line", "K",
        "liquid_line_slope_k_per_min", "liquid_line_spread_k",
    ),
    Key(
        ("evaporator_outlet_c", "compressor_suction_c"), "suction line", "K",
        "suction_line_slope_k_per_min", "suction_line_spread_k",
    ),
    Key(
        ("duct_air_c", "duct_left_c", "duct_right_c"), "duct air", "K",
        "duct_slope_k_per_min", "duct_spread_k",
    ),
    # an idling engine hunts: only its scatter is bounded, and it says nothing of the circuit
    Key(("engine_rpm",), "engine speed", "1/min", None, "engine_speed_spread_rpm", counts=False),
)  # fmt: skip

# Smaller differences are the arithmetic of unit conversion, not steps of a logger.
_SMALLEST_STEP = 1e-6
# A slope and a scatter need this many blocks at least, however slow the logger.
_LEAST_BLOCKS = 4
# The line bounds the drift; the ratio is there for steps and for transients that have not
# ended, and lets pass drifts of so many times the limit (tuning value).
_RATIO_TOLERATES = 1.5
# One channel alone does not make a window: it may be steady because it is off the car.
LEAST_KEY_CHANNELS = 2


@dataclass(frozen=True)
class Settling:
    """Block for block, of the window of `length` blocks that ends there.

    `has_room`: it lies in one settled regime, without gap, event or start. `present` and
    `steady` by place in `KEYS`; a key that is absent counts as not steady.
    """

    length: int
    has_room: Booleans
    present: tuple[Booleans, ...]
    steady: tuple[Booleans, ...]

    @property
    def n_present(self) -> NDArray[np.int64]:
        """How many channels of the circuit are logged in the window."""
        counting = [p for key, p in zip(KEYS, self.present, strict=True) if key.counts]
        return np.asarray(np.sum(counting, axis=0), dtype=np.int64)

    @property
    def is_settled(self) -> Booleans:
        """True means: room, enough channels, and every channel there is holds still."""
        settled = self.has_room & (self.n_present >= LEAST_KEY_CHANNELS)
        for present, steady in zip(self.present, self.steady, strict=True):
            settled = settled & (~present | steady)
        return settled


def judge_settling(
    blocks: pl.DataFrame,
    events: pl.DataFrame,
    resolutions: pl.DataFrame,
    settings: DerivationSettings,
    block_s: float,
) -> Settling:
    """Whether the test has settled, for the window that ends at each block.

    Parameters
    ----------
    blocks
        With `regime` and `is_past_start`, ordered by test and block.
    events
        With test_number and time_s.
    resolutions
        Per test_number the smallest step of each channel (`logger_resolutions`).
    """
    length = max(math.ceil(settings.window_s / block_s), _LEAST_BLOCKS)
    is_admissible, is_joined = _admissible(blocks, events, settings, block_s)
    has_room = _runs_on(is_admissible, is_joined, length)
    stretches = Stretches.of(is_admissible, is_joined)
    present, steady = [], []
    for key in KEYS:
        values = key.values(blocks)
        if values is None:
            present.append(np.zeros(blocks.height, dtype=np.bool_))
            steady.append(np.zeros(blocks.height, dtype=np.bool_))
            continue
        resolution = _spread_over_blocks(resolutions, key.logged(blocks), blocks)
        present.append(~_is_absent(values, length))
        steady.append(
            _holds_still(values, length, key.limits(settings, block_s), (resolution, stretches))
        )
    return Settling(length, has_room, tuple(present), tuple(steady))


def logger_resolutions(ordered: pl.DataFrame) -> pl.DataFrame:
    """Smallest step between two different readings: test_number and the key channels."""
    inputs = [name for key in KEYS for name in key.inputs if name in ordered.columns]
    test = ordered["test_number"].to_numpy()
    first = np.flatnonzero(np.diff(test, prepend=-1))
    return ordered[first].select(
        "test_number", *(_smallest_steps(ordered[name], first) for name in inputs)
    )


def _smallest_steps(channel: pl.Series, first: NDArray[np.int64]) -> pl.Series:
    """The smallest step of each test, null where there is none; `first` of each its place."""
    values = channel.to_numpy()
    steps = np.empty_like(values)
    np.subtract(values[1:], values[:-1], out=steps[1:])
    # into another test leads no step; written so that a NaN is none either
    steps[first] = np.nan
    np.abs(steps, out=steps)
    np.putmask(steps, ~(steps > _SMALLEST_STEP), np.inf)
    smallest = np.minimum.reduceat(steps, first)
    return pl.Series(channel.name, np.where(np.isinf(smallest), np.nan, smallest), nan_to_null=True)


def is_quiet(blocks: pl.DataFrame, events: pl.DataFrame, settle_s: float) -> Booleans:
    """True means: at least so long since the last event of the test before the block ends.

    Columns used: test_number, start_s and end_s of the blocks.
    """
    last_event = events.select("test_number", "time_s", event_s="time_s")
    joined = blocks.select("test_number", "start_s", time_s="end_s").join_asof(
        last_event,
        on="time_s",
        by="test_number",
        allow_exact_matches=False,
        check_sortedness=False,
    )
    since_s = pl.col("start_s") - pl.col("event_s")
    return joined.select((since_s >= settle_s).fill_null(value=True)).to_series().to_numpy()


def _admissible(
    blocks: pl.DataFrame, events: pl.DataFrame, settings: DerivationSettings, block_s: float
) -> tuple[Booleans, Booleans]:
    """Blocks that a window may hold, and blocks that go on from the one before.

    A window lies in one settled regime, without gap, event or start.
    """
    flags = blocks.select(
        settled=pl.col("regime").is_in([regime.value for regime in CONTINUOUS])
        & pl.col("is_past_start"),
        joined=is_same_test(1)
        & (pl.col("block_number").diff() == 1)
        & (pl.col("regime") == pl.col("regime").shift(1)),
    ).fill_null(value=False)
    timed = blocks.select("test_number", "start_s", end_s=pl.col("start_s") + block_s)
    quiet = is_quiet(timed, events, settings.settle_after_event_s)
    return flags["settled"].to_numpy() & quiet, flags["joined"].to_numpy()


def _runs_on(is_admissible: Booleans, is_joined: Booleans, length: int) -> Booleans:
    """True means: this block and the `length - 1` before it are one stretch."""
    row = np.arange(is_admissible.size)
    begins = np.where(is_admissible, np.where(is_joined, 0, row), row + 1)
    return row - np.maximum.accumulate(begins) + 1 >= length


def _holds_still(
    values: Floats,
    length: int,
    limits: SteadyLimits,
    logged: tuple[Floats, Stretches],
) -> Booleans:
    """True means: steady in the window that ends here, by line and scatter, and by the ratio.

    `logged` is the logger's resolution at every block and the stretches of blocks on end. The
    ratio is asked only of channels whose drift is bounded.
    """
    resolution, stretches = logged
    phi = likeness(values, stretches)
    at_blocks = stretches.spread(phi, values.size, 0.0)
    steady = is_steady(values, length, limits, resolution, at_blocks)
    if math.isinf(limits.slope_per_block):
        return steady
    step = slope_of_one_step(resolution[stretches.first_row], length)
    tolerated = _RATIO_TOLERATES * np.maximum(limits.slope_per_block, step)
    calm = steady_by_ratio(values, stretches, tolerated, phi)
    return steady & _runs_on(calm, np.ones_like(calm), length)


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
