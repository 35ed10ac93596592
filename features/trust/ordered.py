"""Stacked samples in order, and the segments of each test that several rules need.

Holds `Ordered`: the samples by test and time with a number per test and the step to the
sample before, whether the compressor runs at each sample, and per test the soak before the
first start and the rest after the last stop with the medians of all channels. Computed once
per stack, each only when a rule asks. Does not belong here: any rule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.channels import CHANNEL, channels_in

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.channels import Channel

    Floats = NDArray[np.float64]

# columns beside those of the samples: the number of the test in the stack (0, 1, ...; UInt32)
# and the time since the sample before, null at a test's first
TEST = "__test"
STEP_S = "__step_s"
PRESSURES = ("low_side_kpa", "high_side_kpa")

_RUNNING_RATIO = 1.5
# at rest the sides agree; this much apart two gauges may be, one of them read without the
# atmosphere and the other with air in the high side
_EQUAL_WITHIN_KPA = 210.0
# both read in a wrong unit they are nearly equal still
_LN_EQUAL = math.log(1.2)
# or one of them read in a wrong unit: then they differ by more than any gauges do, and part
# by more than they do when a working machine is asked for more
_LN_UNIT_APART, _LN_GREATEST_RISE = math.log(2.5), math.log(3.0)
_LEAST_FAR_SHARE = 0.2
# the sides part by this factor within seconds of a start, and by no drift of two gauges
_LN_PARTED = math.log(1.15)
_FIRST_S = 4.0
_LEAST_SOAK_S = 3.0
_LEAST_SOAK_READINGS = 4
# the first seconds after a start may show on a clamp before they show on the gauges
_BEFORE_START_S = 1.0
_LATE_STRIDE = 5
# the sides need a while to meet after a stop; only what comes then is rest
_SETTLED_AFTER_STOP_S = 60.0
_NONE = pl.lit(None, pl.Float64())
# a variable compressor is off up to this command
_OFF_COMMAND_PCT = 2.0


@dataclass(frozen=True)
class _Turns:
    """Per test: when the compressor first runs and when it last did [s], NaN where unknown.

    Unknown too where the machine did not rest at first, as far as can be told.
    """

    start_s: Floats
    stop_s: Floats


@dataclass(frozen=True)
class Ordered:
    """Samples of stacked tests by test and time.

    `samples` has the given columns, then TEST and STEP_S; `places` says where each row
    stood (None: as it stands now).
    """

    samples: pl.DataFrame
    places: pl.Series | None

    @cached_property
    def channels(self) -> list[str]:
        """The channels that the samples carry, in the order of the dictionary."""
        return channels_in(self.samples)

    @cached_property
    def first(self) -> NDArray[np.int64]:
        """The place of each test's first sample and, last, the number of samples."""
        if self.samples.is_empty():
            return np.zeros(1, dtype=np.int64)
        borders = np.flatnonzero(np.diff(self.samples[TEST].to_numpy())) + 1
        return np.concatenate(([0], borders, [self.samples.height])).astype(np.int64)

    def readings(self, channel: str) -> Floats:
        """The readings of a channel that a working sensor can show, NaN elsewhere.

        Kept for the next rule that asks; nobody may write into them.
        """
        if channel not in self._readings:
            self._readings[channel] = _possible(self.samples[channel], CHANNEL[channel])
        return self._readings[channel]

    @cached_property
    def _readings(self) -> dict[str, Floats]:
        return {}

    @cached_property
    def test_ids(self) -> pl.DataFrame:
        """TEST and test_id, one row per test."""
        return self.samples[self.first[:-1]].select(TEST, "test_id")

    @cached_property
    def is_running(self) -> pl.Series:
        """Whether the compressor works at each sample, by the pressures; False if unknown."""
        low, high = (_real(name) if name in self.samples.columns else _NONE for name in PRESSURES)
        return self.samples.select(
            (high >= _RUNNING_RATIO * low).fill_null(value=False).alias("is_running")
        ).to_series()

    @cached_property
    def soak(self) -> pl.DataFrame:
        """The stretch before the compressor first runs, one row per test that has one.

        Columns: TEST, test_id, from_s, to_s, n_samples, then for each channel its median
        over the stretch. A log that begins with the machine running has none. The sides are
        within 210 kPa of each other, or a logged command says that the compressor is off.
        """
        before_s = self._per_sample(self._turns.start_s) - _BEFORE_START_S
        return self._medians(self.samples["time_s"] < before_s)

    @cached_property
    def beginning(self) -> pl.DataFrame:
        """The first seconds, one row per test with readings; columns as of `soak`.

        Whether the machine rests then is told by `soak`.
        """
        first_s = self.samples["time_s"].to_numpy()[self.first[:-1]]
        until_s = pl.Series(np.repeat(first_s, np.diff(self.first)) + _FIRST_S, nan_to_null=True)
        return self._medians(self.samples["time_s"] <= until_s, at_least_s=0.0)

    @cached_property
    def late(self) -> pl.DataFrame:
        """The second half, one row per test with readings; columns as of `soak`.

        Of long logs not every sample is asked.
        """
        ends_s = self.samples["time_s"].to_numpy()
        middle_s = (ends_s[self.first[:-1]] + ends_s[self.first[1:] - 1]) / 2.0
        place = np.arange(self.samples.height)
        is_late = ends_s > np.repeat(middle_s, np.diff(self.first))
        return self._medians(pl.Series(is_late & (place % _LATE_STRIDE == 0)), at_least_s=0.0)

    @cached_property
    def rest_after_stop(self) -> pl.DataFrame:
        """The rest after the last stop, one row per test that has one; columns as of `soak`.

        It begins a minute after the sides were last apart. A test without a soak has none:
        without a state of rest to compare with, rest cannot be told.
        """
        after_s = self._per_sample(self._turns.stop_s) + _SETTLED_AFTER_STOP_S
        return self._medians(self.samples["time_s"] > after_s)

    @cached_property
    def _turns(self) -> _Turns:
        """When the compressor of each test first runs and when it last did."""
        return _turns(self)

    def _per_sample(self, per_test: Floats) -> pl.Series:
        return pl.Series(np.repeat(per_test, np.diff(self.first)), nan_to_null=True)

    def _medians(self, is_inside: pl.Series, at_least_s: float = _LEAST_SOAK_S) -> pl.DataFrame:
        numbers = [pl.col(name).cast(pl.Float64()).median() for name in self.channels]
        return (
            self.samples.filter(is_inside.fill_null(value=False))
            .group_by(TEST, "test_id", maintain_order=True)
            .agg(
                pl.col("time_s").first().alias("from_s"),
                pl.col("time_s").last().alias("to_s"),
                pl.len().alias("n_samples"),
                *numbers,
            )
            .filter(
                (at_least_s <= 0.0)
                | (
                    (pl.col("to_s") - pl.col("from_s") >= at_least_s)
                    & (pl.col("n_samples") >= _LEAST_SOAK_READINGS)
                )
            )
        )


def put_in_order(samples: pl.DataFrame) -> Ordered:
    """The samples by test and time, equal instants in their given order.

    Tests that arrive in one piece and in order of time stay where they are: their order
    among each other is immaterial, and moving millions of rows there and back is not.
    """
    order = None if _is_in_order(samples) else _order(samples)
    # in one chunk: every rule asks columns for arrays, which would copy chunks each time
    ordered = (samples if order is None else samples[order]).rechunk()
    numbered = ordered.with_columns(pl.col("test_id").rle_id().alias(TEST)).with_columns(
        pl.when(is_same_test(1)).then(pl.col("time_s").diff()).alias(STEP_S)
    )
    return Ordered(numbered, order)


def _is_in_order(samples: pl.DataFrame) -> bool:
    """Whether every test is one run of rows in which time never falls; False with unknowns."""
    tests, time_s = samples["test_id"], samples["time_s"]
    if tests.null_count() or time_s.null_count() or not time_s.is_finite().all():
        return False
    run = tests.rle_id()
    falls = (np.diff(time_s.to_numpy()) < 0.0) & (np.diff(run.to_numpy()) == 0)
    # runs are counted from 0
    return not falls.any() and (tests.is_empty() or tests.n_unique() == run[-1] + 1)


def _order(samples: pl.DataFrame) -> pl.Series:
    return samples.select(
        pl.arg_sort_by("test_id", "time_s", nulls_last=True, maintain_order=True)
    ).to_series()


def as_before(ordered: Ordered, frame: pl.DataFrame) -> pl.DataFrame:
    """The rows of a frame in ordered order, back in the order that was given."""
    return frame if ordered.places is None else frame[ordered.places.arg_sort()]


def is_same_test(by: int) -> pl.Expr:
    """True means: the sample `by` rows earlier (later when negative) is of the same test."""
    return pl.col(TEST) == pl.col(TEST).shift(by)


def _possible(series: pl.Series, channel: Channel) -> Floats:
    values = series.cast(pl.Float64()).to_numpy()
    # most channels of most stacks are whole: no copy then; NaN is no extreme
    if values.size and channel.lowest <= values.min() and values.max() <= channel.highest:
        return values
    is_possible = (values >= channel.lowest) & (values <= channel.highest)
    return np.where(is_possible, values, np.nan)


def _real(name: str) -> pl.Expr:
    value = pl.col(name).cast(pl.Float64())
    return pl.when(value.is_between(CHANNEL[name].lowest, CHANNEL[name].highest)).then(value)


def _turns(ordered: Ordered) -> _Turns:
    """The turns of every test, by the parting of the sides and by logged commands."""
    samples = ordered.samples
    if samples.is_empty():
        return _Turns(np.empty(0), np.empty(0))
    first = ordered.first[:-1]
    parts = samples.select(_ln_ratio(samples), commanded=_commanded(samples))
    every = ordered.test_ids.join(
        ordered.beginning.drop("test_id"), on=TEST, how="left", maintain_order="left"
    )
    begun = every.select(_ln_ratio(samples), _apart_kpa(samples))
    ln_begun = begun["ln_ratio"].to_numpy()
    n_samples = np.diff(ordered.first)
    parted = np.abs(parts["ln_ratio"].to_numpy() - np.repeat(ln_begun, n_samples))
    # NaN where a pressure is unknown: neither parted nor together
    commanded = parts["commanded"].fill_null(value=False).to_numpy()
    runs = (parted > _LN_PARTED) | commanded
    far = np.add.reduceat((parted > _LN_GREATEST_RISE).astype(np.int64), first)
    told_off = _told_off(ordered, commanded)
    rests = (
        (np.abs(begun["apart_kpa"].to_numpy()) <= _EQUAL_WITHIN_KPA)
        | (np.abs(ln_begun) <= _LN_EQUAL)
        | ((np.abs(ln_begun) > _LN_UNIT_APART) & (far > _LEAST_FAR_SHARE * n_samples))
        | told_off
    )
    time_s = samples["time_s"].to_numpy()
    start_s = np.minimum.reduceat(np.where(runs, time_s, np.inf), first)
    stop_s = np.maximum.reduceat(np.where(runs, time_s, -np.inf), first)
    is_known = rests & np.isfinite(start_s)
    return _Turns(np.where(is_known, start_s, np.nan), np.where(is_known, stop_s, np.nan))


def _told_off(ordered: Ordered, commanded: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether a logged command says of each test's first sample that the compressor is off."""
    first = ordered.first[:-1]
    is_told = ordered.samples[first].select(pl.all(), _commanded(ordered.samples).alias("told"))
    return np.asarray(is_told["told"].is_not_null().to_numpy() & ~commanded[first])


def _ln_ratio(samples: pl.DataFrame) -> pl.Expr:
    low, high = _pressures(samples)
    return (high / low).log().alias("ln_ratio")


def _apart_kpa(samples: pl.DataFrame) -> pl.Expr:
    low, high = _pressures(samples)
    return (high - low).alias("apart_kpa")


def _pressures(samples: pl.DataFrame) -> tuple[pl.Expr, ...]:
    """Low and high side [kPa]; also readings outside the range, which a wrong unit makes."""
    return tuple(_positive(name) if name in samples.columns else _NONE for name in PRESSURES)


def _positive(name: str) -> pl.Expr:
    value = pl.col(name).cast(pl.Float64())
    return pl.when(value.is_finite() & (value > 0.0)).then(value)


def _commanded(samples: pl.DataFrame) -> pl.Expr:
    """Whether a logged command says that the compressor works; null where none is logged."""
    told = {"compressor_on": 0.5, "compressor_command_pct": _OFF_COMMAND_PCT}
    works = [pl.col(name) > least for name, least in told.items() if name in samples.columns]
    return pl.max_horizontal(works) if works else pl.lit(None, pl.Boolean())
