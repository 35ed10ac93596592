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

# columns beside those of the samples: the number of the test in the stack (0, 1, ...; UInt32)
# and the time since the sample before, null at a test's first
TEST = "__test"
STEP_S = "__step_s"
PRESSURES = ("low_side_kpa", "high_side_kpa")

_RUNNING_RATIO = 1.5
# at rest the sides agree; this much apart two gauges may be, one of them read without the
# atmosphere
_EQUAL_WITHIN_KPA = 130.0
# the sides part by this factor within seconds of a start, and by no drift of two gauges
_LN_PARTED = math.log(1.15)
_FIRST_S = 5.0
_LEAST_SOAK_S = 10.0
_LEAST_SOAK_READINGS = 8
# the first seconds after a start may show on a clamp before they show on the gauges
_BEFORE_START_S = 2.0
# the sides need a while to meet after a stop; only what comes then is rest
_SETTLED_AFTER_STOP_S = 60.0
_NONE = pl.lit(None, pl.Float64())
# a variable compressor is off up to this command
_OFF_COMMAND_PCT = 2.0


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

    @cached_property
    def test_ids(self) -> pl.DataFrame:
        """TEST and test_id, one row per test."""
        return self.samples[self.first[:-1]].select(TEST, "test_id")

    @cached_property
    def is_running(self) -> pl.Series:
        """Whether the compressor works at each sample, by the pressures; False if unknown."""
        low, high = _pressures(self.samples)
        return self.samples.select(
            (high >= _RUNNING_RATIO * low).fill_null(value=False).alias("is_running")
        ).to_series()

    @cached_property
    def soak(self) -> pl.DataFrame:
        """The stretch before the compressor first runs, one row per test that has one.

        Columns: TEST, test_id, from_s, to_s, n_samples, then for each channel its median
        over the stretch. A log that begins with the machine running has none. The sides are
        within 130 kPa of each other, or a logged command says that the compressor is off.
        """
        before_s = self._per_sample("start_s") - _BEFORE_START_S
        return self._medians(self.samples["time_s"] < before_s)

    @cached_property
    def rest_after_stop(self) -> pl.DataFrame:
        """The rest after the last stop, one row per test that has one; columns as of `soak`.

        It begins a minute after the sides were last apart. A test without a soak has none:
        without a state of rest to compare with, rest cannot be told.
        """
        after_s = self._per_sample("stop_s") + _SETTLED_AFTER_STOP_S
        return self._medians(self.samples["time_s"] > after_s)

    @cached_property
    def _turns(self) -> pl.DataFrame:
        """Per test: when the compressor first runs and when it last did, null if never."""
        return _turns(self.samples)

    def _per_sample(self, name: str) -> pl.Series:
        return pl.Series(np.repeat(self._turns[name].to_numpy(), np.diff(self.first)))

    def _medians(self, is_inside: pl.Series) -> pl.DataFrame:
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
                (pl.col("to_s") - pl.col("from_s") >= _LEAST_SOAK_S)
                & (pl.col("n_samples") >= _LEAST_SOAK_READINGS)
            )
        )


def put_in_order(samples: pl.DataFrame) -> Ordered:
    """The samples by test and time, equal instants in their given order."""
    order = samples.select(
        pl.arg_sort_by("test_id", "time_s", nulls_last=True, maintain_order=True)
    ).to_series()
    is_ordered = bool((order == pl.Series(np.arange(samples.height))).all())
    ordered = samples if is_ordered else samples[order]
    numbered = ordered.with_columns(pl.col("test_id").rle_id().alias(TEST)).with_columns(
        pl.when(is_same_test(1)).then(pl.col("time_s").diff()).alias(STEP_S)
    )
    return Ordered(numbered, None if is_ordered else order)


def as_before(ordered: Ordered, frame: pl.DataFrame) -> pl.DataFrame:
    """The rows of a frame in ordered order, back in the order that was given."""
    return frame if ordered.places is None else frame[ordered.places.arg_sort()]


def is_same_test(by: int) -> pl.Expr:
    """True means: the sample `by` rows earlier (later when negative) is of the same test."""
    return pl.col(TEST) == pl.col(TEST).shift(by)


def in_range(name: str) -> pl.Expr:
    """The readings of a channel that a working sensor can show, null elsewhere."""
    return _real(name).alias(name)


def _real(name: str) -> pl.Expr:
    value = pl.col(name).cast(pl.Float64())
    return pl.when(value.is_between(CHANNEL[name].lowest, CHANNEL[name].highest)).then(value)


def _turns(samples: pl.DataFrame) -> pl.DataFrame:
    """Per test TEST, start_s and stop_s: the first and the last instant of a working machine.

    Null where the machine did not rest at first, as far as can be told.
    """
    parts = samples.select(
        TEST,
        "time_s",
        _ln_ratio(samples).alias("ln_ratio"),
        _apart_kpa(samples).alias("apart_kpa"),
        _commanded(samples).alias("commanded"),
    )
    first = pl.col("time_s") <= pl.col("time_s").first() + _FIRST_S
    parted = pl.col("ln_ratio") - pl.col("ln_ratio").filter(first).median()
    runs = (parted.abs() > _LN_PARTED) | pl.col("commanded")
    rests = (pl.col("apart_kpa").filter(first).median().abs() <= _EQUAL_WITHIN_KPA) | (
        ~pl.col("commanded")
    ).fill_null(value=False).filter(first).all()
    when = pl.col("time_s").filter(runs)
    return parts.group_by(TEST, maintain_order=True).agg(
        pl.when(rests).then(when.first()).alias("start_s"),
        pl.when(rests).then(when.last()).alias("stop_s"),
    )


def _ln_ratio(samples: pl.DataFrame) -> pl.Expr:
    low, high = _pressures(samples)
    return (high / low).log()


def _apart_kpa(samples: pl.DataFrame) -> pl.Expr:
    low, high = _pressures(samples)
    return high - low


def _pressures(samples: pl.DataFrame) -> tuple[pl.Expr, ...]:
    return tuple(_real(name) if name in samples.columns else _NONE for name in PRESSURES)


def _commanded(samples: pl.DataFrame) -> pl.Expr:
    """Whether a logged command says that the compressor works; null where none is logged."""
    told = {"compressor_on": 0.5, "compressor_command_pct": _OFF_COMMAND_PCT}
    works = [pl.col(name) > least for name, least in told.items() if name in samples.columns]
    return pl.max_horizontal(works) if works else pl.lit(None, pl.Boolean())
