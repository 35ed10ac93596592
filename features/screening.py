"""What of a log can be trusted: rules over single channels and instants.

Holds the rules (`Rule`), the boolean column of each (`{channel}__{rule}`, True means: do
not trust it), the table TRUST that counts them, and `screen`, which takes a samples frame
and gives it back with distrusted values made null. Rows are neither dropped nor moved. A
rule speaks of the data, never of the car: bad data and bad car are two vocabularies. Does
not belong here: findings (`models`), the arithmetic of frozen readings (`stuck`), values
that only a whole window shows to be impossible (`impossible`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
import polars as pl

from features.channels import CHANNEL, Channel, channels_in
from features.stuck import Stacked, stuck_readings
from features.tables import Column, Table


class Rule(Enum):
    """Why a reading is not trusted; the value is the sentence for a reader."""

    OUT_OF_RANGE = "outside what a working sensor can show on a car"
    SPIKE = "a jump away and straight back, faster than the line or the air can follow"
    STUCK = (
        "frozen: the value stood still although the machine ran and the channel is not that quiet"
    )
    SIDES_SWAPPED = "low side well above high side: hoses or columns are swapped"
    TIME_NOT_INCREASING = "the same instant stands more than once, or none is given"
    GAP = "nothing was logged for a while; nothing is carried across"
    IMPOSSIBLE = (
        "below zero no circuit can have it: clamp off its line, pressure read wrong, or another "
        "refrigerant than on record"
    )

    @property
    def code(self) -> str:
        """The name used in columns and tables."""
        return self.name.lower()


RULES: dict[str, str] = {rule.code: rule.value for rule in Rule}

TRUST = Table(
    "trust",
    "one row per test, channel and rule that found something",
    ("test_id", "channel", "rule_code"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("channel", pl.String(), "", "the channel, time_s for the instants themselves"),
        Column("rule_code", pl.String(), "", "the rule of features.screening"),
        Column(
            "distrusted_share",
            pl.Float64(),
            "1",
            "share of the channel's readings not trusted; for a gap, share of the duration lost; "
            "for an impossible value, share of the regimes",
        ),
        Column("sentence", pl.String(), "", "what was found, with counts"),
    ),
)


@dataclass(frozen=True)
class Screened:
    """Samples with distrusted values made null, and the TRUST frame that says which."""

    samples: pl.DataFrame
    trust: pl.DataFrame


# A reading that leaves both neighbours by more than this and comes straight back is no
# pressure and no temperature of a pipe or of duct air (common practice, no source).
_SPIKE_KPA = 300.0
_SPIKE_K = 10.0
# slower loggers can catch a true peak in a single sample
_SPIKE_LONGEST_INTERVAL_S = 2.5
# At rest the two sides are equal but for the accuracy of two sensors.
_SWAPPED_RATIO = 1.2
_SWAPPED_MARGIN_KPA = 50.0
# from this share of a test on, the whole test is taken as swapped
_SWAPPED_SHARE = 0.1
_GAP_LEAST_S = 10.0
_GAP_INTERVALS = 5.0
_RUNNING_RATIO = 1.5

# working columns
_TEST = "__test"
_STEP = "__step_s"
_LOST_S = "__lost_s"
_LENGTH_S = "__length_s"
_PRESSURES = ("low_side_kpa", "high_side_kpa")
_AIR_THAT_MUST_MOVE = frozenset(
    {"duct_air_c", "duct_left_c", "duct_right_c", "duct_rear_c", "evaporator_fin_c"}
)


def screen(samples: pl.DataFrame) -> Screened:
    """The samples with distrusted readings made null, and what was distrusted.

    Parameters
    ----------
    samples
        One row per test and instant, in any order.

    Returns
    -------
    Screened
        `samples`: same rows, order and columns. `trust`: TRUST, sorted by its key.
    """
    ordered, order = _in_order(samples)
    flags = _flags(ordered)
    trusted = _without_distrusted(ordered, flags).select(samples.columns)
    return Screened(_as_before(trusted, order), _trust(ordered, flags))


def distrust_flags(samples: pl.DataFrame) -> pl.DataFrame:
    """One boolean column per channel and rule, named `{channel}__{rule}`, rows as in samples.

    True means: do not trust this reading. Row rules stand under `time_s`: True in
    `time_s__time_not_increasing` distrusts every channel of that row, True in
    `time_s__gap` marks the first sample after a gap and distrusts none.
    """
    ordered, order = _in_order(samples)
    return _as_before(_flags(ordered), order)


def _in_order(samples: pl.DataFrame) -> tuple[pl.DataFrame, pl.Series | None]:
    """The samples by test and time with the test's number, and the places they came from.

    The places are None when the samples stood in order already.
    """
    order = samples.select(
        pl.arg_sort_by("test_id", "time_s", nulls_last=True, maintain_order=True)
    ).to_series()
    is_ordered = bool((order == pl.Series(np.arange(samples.height))).all())
    ordered = samples if is_ordered else samples[order]
    numbered = ordered.with_columns(pl.col("test_id").rle_id().alias(_TEST)).with_columns(
        pl.when(_same_test(1)).then(pl.col("time_s").diff()).alias(_STEP)
    )
    return numbered, None if is_ordered else order


def _as_before(ordered: pl.DataFrame, order: pl.Series | None) -> pl.DataFrame:
    return ordered if order is None else ordered[order.arg_sort()]


def _flags(ordered: pl.DataFrame) -> pl.DataFrame:
    return ordered.select(
        *_out_of_range(ordered), *_spike(ordered), *_swapped(ordered), *_instants(ordered)
    ).with_columns(_stuck(ordered))


def _out_of_range(ordered: pl.DataFrame) -> list[pl.Expr]:
    # written so that NaN and infinity are out of range too
    return [
        (~pl.col(name).is_between(CHANNEL[name].lowest, CHANNEL[name].highest))
        .fill_null(value=False)
        .alias(_flag(name, Rule.OUT_OF_RANGE))
        for name in channels_in(ordered)
    ]


def _spike(ordered: pl.DataFrame) -> list[pl.Expr]:
    limits = {name: _spike_limit(CHANNEL[name]) for name in channels_in(ordered)}
    step_s = pl.col(_STEP)
    near = (step_s <= _SPIKE_LONGEST_INTERVAL_S) & (step_s.shift(-1) <= _SPIKE_LONGEST_INTERVAL_S)
    flags = []
    for name, limit in limits.items():
        if limit is not None:
            there = pl.col(name).diff()
            back = there.shift(-1)
            up, down = (there > limit) & (back < -limit), (there < -limit) & (back > limit)
            spike = (near & (up | down)).fill_null(value=False)
            flags.append(spike.alias(_flag(name, Rule.SPIKE)))
    return flags


def _spike_limit(channel: Channel) -> float | None:
    if channel.quantity == "pressure":
        return _SPIKE_KPA
    if channel.quantity == "temperature" and channel.station != "engine":
        return _SPIKE_K
    return None


def _swapped(ordered: pl.DataFrame) -> list[pl.Expr]:
    if not set(_PRESSURES) <= set(ordered.columns):
        return []
    low, high = pl.col("low_side_kpa"), pl.col("high_side_kpa")
    above = (low > _SWAPPED_RATIO * high + _SWAPPED_MARGIN_KPA).fill_null(value=False)
    share = above.cast(pl.Float64()).mean().over(_TEST)
    # the samples at rest before and after are swapped as well
    swapped = above | (share >= _SWAPPED_SHARE)
    return [swapped.alias(_flag(name, Rule.SIDES_SWAPPED)) for name in _PRESSURES]


def _instants(ordered: pl.DataFrame) -> list[pl.Expr]:
    return [
        _repeated(ordered).alias(_flag("time_s", Rule.TIME_NOT_INCREASING)),
        _after_gap(ordered).alias(_flag("time_s", Rule.GAP)),
    ]


def _repeated(ordered: pl.DataFrame) -> pl.Expr:
    unknown = ~pl.col("time_s").is_finite().fill_null(value=False)
    if not (ordered[_STEP] == 0.0).any():
        return unknown
    # a clock of whole seconds repeats each instant alike; that is no fault
    rows = pl.len().over(_TEST, "time_s")
    return unknown | (rows >= rows.median().over(_TEST) + 1.0)


def _after_gap(ordered: pl.DataFrame) -> pl.Expr:
    if not (ordered[_STEP] > _GAP_LEAST_S).any():
        return pl.repeat(value=False, n=pl.len())
    return (pl.col(_STEP) > _longest_step().over(_TEST)).fill_null(value=False)


def _longest_step() -> pl.Expr:
    """The longest step [s] between samples of a test that is no gap."""
    return pl.max_horizontal(_GAP_INTERVALS * pl.col(_STEP).median(), pl.lit(_GAP_LEAST_S))


def _stuck(ordered: pl.DataFrame) -> list[pl.Series]:
    if not set(_PRESSURES) <= set(ordered.columns) or ordered.is_empty():
        return []
    names = [name for name in channels_in(ordered) if _must_move(CHANNEL[name])]
    real = ordered.select(_in_range(CHANNEL[name]) for name in names)
    borders = np.flatnonzero(np.diff(ordered[_TEST].to_numpy())) + 1
    stacked = Stacked(
        time_s=ordered["time_s"].to_numpy(),
        first=np.concatenate(([0], borders, [ordered.height])).astype(np.int64),
        running=(real["high_side_kpa"] >= _RUNNING_RATIO * real["low_side_kpa"])
        .fill_null(value=False)
        .to_numpy(),
    )
    return [
        pl.Series(_flag(name, Rule.STUCK), stuck_readings(real[name].to_numpy(), stacked))
        for name in names
    ]


def _in_range(channel: Channel) -> pl.Expr:
    value = pl.col(channel.name).cast(pl.Float64())
    real = pl.when(value.is_between(channel.lowest, channel.highest)).then(value)
    return real.alias(channel.name)


def _must_move(channel: Channel) -> bool:
    """Whether the channel cannot stand still through a start or stop of the compressor."""
    on_the_circuit = channel.quantity == "temperature" and channel.station[0].isdigit()
    return channel.quantity == "pressure" or on_the_circuit or channel.name in _AIR_THAT_MUST_MOVE


def _same_test(by: int) -> pl.Expr:
    return pl.col(_TEST) == pl.col(_TEST).shift(by)


def _flag(channel: str, rule: Rule) -> str:
    return f"{channel}__{rule.code}"


def _rules_on(channel: str, flags: pl.DataFrame) -> list[str]:
    row_rule = _flag("time_s", Rule.TIME_NOT_INCREASING)
    return [name for name in flags.columns if name.startswith(f"{channel}__") or name == row_rule]


def _without_distrusted(samples: pl.DataFrame, flags: pl.DataFrame) -> pl.DataFrame:
    firing = flags.select(name for name in flags.columns if flags[name].any())
    return samples.hstack(firing).select(
        pl.when(~pl.any_horizontal(on)).then(pl.col(name)).alias(name)
        if name in CHANNEL and (on := _rules_on(name, firing))
        else pl.col(name)
        for name in samples.columns
    )


def _trust(ordered: pl.DataFrame, flags: pl.DataFrame) -> pl.DataFrame:
    """The TRUST frame: which rule fired on which channel, how often, in words."""
    firing = [name for name in flags.columns if flags[name].any()]
    if not firing:
        return TRUST.empty()
    channels = {name.split("__")[0] for name in firing} - {"time_s"}
    per_test = (
        ordered.hstack(flags.select(firing))
        .lazy()
        .group_by("test_id")
        .agg(
            pl.col(firing).sum(),
            *(pl.col(name).count().alias(f"{name}__readings") for name in channels),
            pl.len().alias("time_s__readings"),
            pl.col(_STEP).filter(pl.col(_STEP) > _longest_step()).sum().alias(_LOST_S),
            pl.col(_STEP).sum().alias(_LENGTH_S),
        )
        .collect()
    )
    found = pl.concat([_rows_of(flag, per_test) for flag in firing])
    return TRUST.conform(found).sort(TRUST.key)


def _rows_of(flag: str, per_test: pl.DataFrame) -> pl.DataFrame:
    """The TRUST rows of one flag."""
    channel, code = flag.split("__")
    rule = Rule[code.upper()]
    count, readings = pl.col(flag), pl.col(f"{channel}__readings")
    share = pl.col(_LOST_S) / pl.col(_LENGTH_S) if rule is Rule.GAP else count / readings
    counted = (
        pl.format(
            "{} gaps, {} of {} s", count, pl.col(_LOST_S).round(1), pl.col(_LENGTH_S).round(1)
        )
        if rule is Rule.GAP
        else pl.format("{} of {} readings", count, readings)
    )
    return per_test.filter(count > 0).select(
        "test_id",
        pl.lit(channel).alias("channel"),
        pl.lit(code).alias("rule_code"),
        share.cast(pl.Float64()).alias("distrusted_share"),
        pl.format("{}: {}", counted, pl.lit(_in_words(channel, rule))).alias("sentence"),
    )


def _in_words(channel: str, rule: Rule) -> str:
    if rule is not Rule.OUT_OF_RANGE:
        return str(rule.value)
    of = CHANNEL[channel]
    return f"{rule.value} ({of.lowest:g} to {of.highest:g} {of.unit})"
