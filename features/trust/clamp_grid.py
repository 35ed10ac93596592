"""Stacked tests on blocks of five seconds, for rules that hold temperatures against pressures.

Holds `ClampGrid` (block means of clamps, air and pressures as arrays, saturation
temperatures, whether and since when the compressor runs) and the shifting means over it.
Takes `Ordered` samples and the context. Arrays are one behind the other, test after test;
`first` holds the borders. NaN is unknown here. Does not belong here: any rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.refrigerant import add_saturation_temperatures

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from features.trust.ordered import Ordered

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Places = NDArray[np.int64]

BLOCK_S = 5.0
CLAMPS = (
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "rear_evaporator_outlet_c",
)
# channels that tell whether the compressor works, and from which value on
_WORKS_FROM = {
    "compressor_on": 0.5,
    "compressor_command_pct": 2.0,
    "compressor_rpm": 100.0,
    "compressor_power_w": 50.0,
}
AIR = ("intake_air_c", "ambient_air_c", "underhood_air_c", "coolant_c")
DUCTS = ("duct_air_c", "duct_left_c", "duct_right_c")
_PRESSURES = ("low_side_kpa", "high_side_kpa")
_RUNNING_RATIO = 1.5
# the sides of a stopped machine meet within minutes, and the low side rises (common practice)
_LONGEST_PAUSE_S = 60.0
_SIDES_MEET_S, _RISES_AFTER_STOP = 240.0, 1.15
_NOTED = {
    "test_id": pl.String(),
    "refrigerant": pl.String(),
    "internal_heat_exchanger": pl.Boolean(),
    "ambient_c": pl.Float64(),
}
_LEAST_SHARE = 0.6
# a median of fewer blocks is none
_FEWEST_BLOCKS = 6


@dataclass(frozen=True)
class ClampGrid:
    """Block means of stacked tests.

    `first`: place of each test's first block and, last, the number of blocks. `start_s`: when
    each block begins, from the start of its test. `values`: block means by channel, and
    `evaporating_c`, `condensing_c`. `context`: one row per test, in order: test_id,
    refrigerant, internal_heat_exchanger, ambient_c.
    """

    first: Places
    start_s: Floats
    values: dict[str, Floats]
    context: pl.DataFrame

    @cached_property
    def test(self) -> Places:
        """The number of the test of each block."""
        return np.repeat(np.arange(self.n_tests), np.diff(self.first))

    @property
    def n_tests(self) -> int:
        """How many tests are stacked."""
        return self.first.size - 1

    def of(self, name: str) -> Floats:
        """A channel's block means, NaN throughout where it was not logged."""
        found = self.values.get(name)
        return np.full(self.start_s.size, np.nan) if found is None else found

    @cached_property
    def is_running(self) -> Booleans:
        """Whether the compressor works in a block: the sides are apart and no channel says no.

        A channel that says no for minutes while the low side stays down is not believed: a
        variable compressor at no command still pumps a little.
        """
        ratio = self.of("high_side_kpa") / self.of("low_side_kpa")
        is_apart = np.asarray(ratio >= _RUNNING_RATIO)
        told_off = np.zeros(is_apart.size, dtype=np.bool_)
        for name, least in _WORKS_FROM.items():
            told_off |= self.of(name) < least
        return is_apart & ~(told_off & ~self._stays_down(is_apart & told_off))

    @cached_property
    def is_at_work(self) -> Booleans:
        """Whether the compressor works, or pauses for less than a minute between two runs.

        The lines of a machine that cycles stay where its mean keeps them.
        """
        is_pause = ~self.is_running
        if not is_pause.any():
            return self.is_running
        begins, length = _rows(is_pause, self.test)
        ends = begins + length
        test = self.test[begins]
        inside = (begins > self.first[test]) & (ends < self.first[test + 1])
        # rows alternate within a test: what stands before and after a pause inside is a run
        is_short = is_pause[begins] & inside & (length * BLOCK_S <= _LONGEST_PAUSE_S)
        return self.is_running | np.repeat(is_short, length)

    def _stays_down(self, is_so: Booleans) -> Booleans:
        """Which of the marked blocks stand in a long row over which the low side does not rise."""
        if not is_so.any():
            return is_so
        begins, length = _rows(is_so, self.test)
        low_kpa = self.of("low_side_kpa")
        rise = low_kpa[begins + length - 1] / low_kpa[begins]
        is_long = (length * BLOCK_S > _SIDES_MEET_S) & (rise < _RISES_AFTER_STOP)
        return np.repeat(is_long, length) & is_so

    @cached_property
    def since_start_s(self) -> Floats:
        """Time since the compressor first ran in the test [s]; NaN before."""
        began = np.full(self.n_tests, np.nan)
        running = np.flatnonzero(self.is_running)[::-1]
        began[self.test[running]] = self.start_s[running]
        since = self.start_s - began[self.test]
        return np.where(since >= 0.0, since, np.nan)

    def rolling(self, values: Floats, n_blocks: int) -> Floats:
        """Mean of each block and those after it, `n_blocks` in all; NaN where too few are known.

        NaN also where they reach into another test or across a pause of the log.
        """
        known = np.isfinite(values)
        if known.all():
            mean = _windows(values, n_blocks) / n_blocks
            return np.where(self.reaches(n_blocks - 1), mean, np.nan)
        mean = _windows(np.where(known, values, 0.0), n_blocks)
        count = _windows(known.astype(np.float64), n_blocks)
        enough = (count >= _LEAST_SHARE * n_blocks) & self.reaches(n_blocks - 1)
        return np.where(enough, mean / np.where(enough, count, 1.0), np.nan)

    def rolling_at(self, values: Floats, n_blocks: int, places: Places) -> Floats:
        """What `rolling` gives at some places, worked out there alone."""
        ahead = np.minimum(places[:, None] + np.arange(n_blocks), values.size - 1)
        known = np.isfinite(values[ahead])
        count = known.sum(axis=1)
        total = np.sum(np.where(known, values[ahead], 0.0), axis=1)
        enough = (count >= _LEAST_SHARE * n_blocks) & self.reaches(n_blocks - 1)[places]
        return np.where(enough, total / np.where(enough, count, 1), np.nan)

    def later(self, values: Floats, n_blocks: int) -> Floats:
        """The values that stand so many blocks later (earlier when negative), NaN past the end.

        Whether the two blocks are of one test says `reaches`.
        """
        moved = np.full(values.size, np.nan)
        if abs(n_blocks) >= values.size:
            return moved
        if n_blocks >= 0:
            moved[: values.size - n_blocks] = values[n_blocks:]
        else:
            moved[-n_blocks:] = values[:n_blocks]
        return moved

    def reaches(self, n_blocks: int) -> Booleans:
        """Whether the block so many blocks later is of the same test, without a pause between."""
        if n_blocks not in self._reaching:
            passed = self.later(self._instant_s, n_blocks) - self._instant_s
            self._reaching[n_blocks] = np.abs(passed - BLOCK_S * n_blocks) < 2.0 * BLOCK_S
        return self._reaching[n_blocks]

    @cached_property
    def _instant_s(self) -> Floats:
        """Instants of all blocks on one clock [s], the tests far apart."""
        return self.start_s + 1e9 * self.test

    @cached_property
    def _reaching(self) -> dict[int, Booleans]:
        return {}

    def medians(self, names: Iterable[str], is_inside: Booleans) -> dict[str, Floats]:
        """Medians of channels in each test over the blocks inside.

        NaN where fewer than six blocks are known.
        """
        inside = {name: self.of(name)[is_inside] for name in names}
        per_test = (
            pl.DataFrame({"test": self.test[is_inside], **inside})
            .lazy()
            .with_columns(pl.col(*inside).fill_nan(None))
            .group_by("test")
            .agg(
                pl.when(pl.col(name).count() >= _FEWEST_BLOCKS)
                .then(pl.col(name).median())
                .alias(name)
                for name in inside
            )
            .collect()
        )
        medians = {name: np.full(self.n_tests, np.nan) for name in inside}
        for name, found in medians.items():
            found[per_test["test"].to_numpy()] = per_test[name].to_numpy()
        return medians

    def noted(self, name: str) -> Floats:
        """A number of the context, one per test, NaN where none is noted."""
        return self.context[name].to_numpy()


def make_clamp_grid(ordered: Ordered, context: pl.DataFrame) -> ClampGrid:
    """The grid of ordered samples.

    Parameters
    ----------
    ordered
        Samples in order; rows without a time are left out.
    context
        Frame of `context.CONTEXT`; a test without a row has nothing noted.
    """
    time_s = ordered.samples["time_s"].to_numpy()
    begins, starts_s = _borders(time_s, ordered)
    test = np.repeat(np.arange(ordered.first.size - 1), np.diff(ordered.first))[begins]
    first = np.searchsorted(test, np.arange(ordered.first.size)).astype(np.int64)
    values = {
        name: _means(ordered.readings(name), begins)
        for name in (*_PRESSURES, *CLAMPS, *AIR, *DUCTS, *_WORKS_FROM)
        if name in ordered.samples.columns
    }
    ids = ordered.test_ids.select("test_id")
    noted = ids.join(_noted(context), on="test_id", how="left", maintain_order="left")
    saturated = _saturation(ids["test_id"].gather(test), values, noted)
    return ClampGrid(first, starts_s, values | saturated, noted)


def _noted(context: pl.DataFrame) -> pl.DataFrame:
    """What the rules use of the context; null where the frame lacks it."""
    return context.select(
        (pl.col(name) if name in context.columns else pl.lit(None)).cast(dtype).alias(name)
        for name, dtype in _NOTED.items()
    )


def _borders(time_s: Floats, ordered: Ordered) -> tuple[Places, Floats]:
    """The first sample of each block, and when the block begins from the start of its test."""
    if time_s.size == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    test = np.repeat(np.arange(ordered.first.size - 1), np.diff(ordered.first))
    known = np.where(np.isfinite(time_s), time_s, 0.0)
    block = np.floor((known - known[ordered.first[:-1]][test]) / BLOCK_S)
    is_new = np.append(True, (np.diff(block) != 0) | (np.diff(test) != 0))
    begins = np.flatnonzero(is_new).astype(np.int64)
    return begins, block[begins] * BLOCK_S


def _means(values: Floats, begins: Places) -> Floats:
    if begins.size == 0:
        return np.zeros(0)
    known = np.isfinite(values)
    if known.all():
        return np.asarray(np.add.reduceat(values, begins) / np.diff(begins, append=values.size))
    total = np.add.reduceat(np.where(known, values, 0.0), begins)
    count = np.add.reduceat(known.astype(np.float64), begins)
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def _saturation(
    test_id: pl.Series, values: dict[str, Floats], context: pl.DataFrame
) -> dict[str, Floats]:
    pressures = {name: values[name] for name in _PRESSURES if name in values}
    frame = pl.DataFrame({"test_id": test_id, **pressures})
    added = add_saturation_temperatures(frame, context)
    return {
        "evaporating_c": added["evaporating_dew_c"].to_numpy(),
        "condensing_c": added["condensing_bubble_c"].to_numpy(),
    }


def _rows(is_so: Booleans, test: Places) -> tuple[Places, Places]:
    """Where each row of equal marks within a test begins, and how long it is [blocks]."""
    begins = np.flatnonzero(np.append(True, (np.diff(is_so) != 0) | (np.diff(test) != 0)))
    return begins, np.diff(np.append(begins, is_so.size))


def _windows(values: Floats, n_blocks: int) -> Floats:
    """Sum of each value and the next ones, `n_blocks` in all; NaN at the end of the stack."""
    sums = np.full(values.size, np.nan)
    if values.size >= n_blocks:
        running = np.concatenate(([0.0], np.cumsum(values)))
        sums[: values.size - n_blocks + 1] = running[n_blocks:] - running[:-n_blocks]
    return sums
