"""What of a log can be trusted: the entry to the trust rules.

Holds `screen`, which takes a samples frame and gives it back with distrusted values made
null and the table TRUST that counts them, and `distrust_flags`, the boolean column of each
rule (`{channel}__{rule}`, True means: do not trust it). Rows are neither dropped nor moved.
A rule speaks of the data, never of the car: bad data and bad car are two vocabularies. Does
not belong here: findings (`models`), the rules themselves (`features.trust`), values that
only a whole window shows to be impossible (`impossible`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.channels import CHANNEL
from features.context import CONTEXT
from features.trust.coarse import find_clipped, find_too_coarse
from features.trust.instants import (
    find_clock_jumps,
    find_gaps,
    find_repeated_instants,
    longest_step_s,
)
from features.trust.ordered import STEP_S, TEST, Ordered, as_before, put_in_order
from features.trust.placement import find_misplaced_sensors
from features.trust.pressures import find_pressure_mistakes, find_swapped_sides
from features.trust.rules import LEAST_EVIDENCE, RULES, TRUST, Rule, Screened
from features.trust.second_clock import find_second_clocks
from features.trust.single_channel import find_out_of_range, find_spikes, find_stuck
from features.trust.soak_biases import find_soak_biases
from features.trust.temperature_unit import find_temperature_unit_slips
from features.trust.verdicts import Verdicts, flag_name, join_verdicts

if TYPE_CHECKING:
    from collections.abc import Callable

    from features.settings import DerivationSettings

__all__ = ["LEAST_EVIDENCE", "RULES", "TRUST", "Rule", "Screened", "distrust_flags", "screen"]

# in the order in which they are asked; none sees what another found
_RULES: tuple[Callable[[Ordered, pl.DataFrame, DerivationSettings], Verdicts], ...] = (
    find_out_of_range,
    find_spikes,
    find_stuck,
    find_clipped,
    find_too_coarse,
    find_swapped_sides,
    find_pressure_mistakes,
    find_temperature_unit_slips,
    find_misplaced_sensors,
    find_repeated_instants,
    find_gaps,
    find_clock_jumps,
    find_second_clocks,
)

# working columns
_LOST_S = "__lost_s"
_LENGTH_S = "__length_s"


def screen(samples: pl.DataFrame, context: pl.DataFrame, settings: DerivationSettings) -> Screened:
    """The samples with distrusted readings made null, and what was distrusted.

    Parameters
    ----------
    samples
        One row per test and instant, in any order.
    context
        Frame of `context.CONTEXT`; a test without a row is judged by its samples alone.

    Returns
    -------
    Screened
        `samples`: same rows, order and columns; a channel to which a clamp was moved comes
        last where the samples lack it. `trust`: TRUST, and `soak_biases`: SOAK_BIASES, each
        sorted by its key. `soak`: what stood before the start, of `Ordered.soak`.
    """
    ordered = put_in_order(samples)
    verdicts = _judge(ordered, context, settings)
    trusted = _without_distrusted(ordered.samples, verdicts.flags)
    moved = _moved(trusted, ordered.samples, verdicts.moves).drop(TEST, STEP_S)
    return Screened(
        as_before(ordered, moved),
        _trust(ordered.samples, verdicts),
        ordered.soak.drop(TEST),
        _clamp_moves(ordered.samples, verdicts.flags),
        find_soak_biases(ordered, _known(context), settings),
    )


def distrust_flags(
    samples: pl.DataFrame, context: pl.DataFrame, settings: DerivationSettings
) -> pl.DataFrame:
    """One boolean column per channel and rule, named `{channel}__{rule}`, rows as in samples.

    True means: do not trust this reading. A rule that looks at whole tests gives a column
    only where it found something. Row rules stand under `time_s`: True in
    `time_s__time_not_increasing` distrusts every channel of that row, True in
    `time_s__gap` marks the first sample after a gap and distrusts none.
    """
    ordered = put_in_order(samples)
    return as_before(ordered, _judge(ordered, context, settings).flags)


def _judge(ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings) -> Verdicts:
    known = _known(context)
    return join_verdicts(rule(ordered, known, settings) for rule in _RULES)


def _known(context: pl.DataFrame) -> pl.DataFrame:
    return CONTEXT.conform(context.select(set(context.columns) & CONTEXT.schema.keys()))


def _rules_on(channel: str, flags: pl.DataFrame) -> list[str]:
    row_rule = flag_name("time_s", Rule.TIME_NOT_INCREASING)
    return [name for name in flags.columns if name.startswith(f"{channel}__") or name == row_rule]


def _without_distrusted(samples: pl.DataFrame, flags: pl.DataFrame) -> pl.DataFrame:
    firing = flags.select(name for name in flags.columns if flags[name].any())
    return samples.hstack(firing).select(
        pl.when(~pl.any_horizontal(on)).then(pl.col(name)).alias(name)
        if name in CHANNEL and (on := _rules_on(name, firing))
        else pl.col(name)
        for name in samples.columns
    )


def _moved(trusted: pl.DataFrame, ordered: pl.DataFrame, moves: pl.DataFrame) -> pl.DataFrame:
    """The trusted samples with readings of moved channels put where they belong."""
    for to_channel in moves["to_channel"].unique().sort():
        for row in moves.filter(to_channel=to_channel).iter_rows(named=True):
            is_moved = (pl.col("test_id") == row["test_id"]) & (pl.col("time_s") >= row["from_s"])
            reading = pl.when(is_moved).then(ordered[row["channel"]])
            own = to_channel if to_channel in trusted.columns else pl.lit(None, pl.Float64())
            trusted = trusted.with_columns(pl.coalesce(own, reading).alias(to_channel))
    return trusted


def _clamp_moves(ordered: pl.DataFrame, flags: pl.DataFrame) -> pl.DataFrame:
    """When each clamp that moved did so: test_id, channel, from_s."""
    ending = f"__{Rule.CLAMP_MOVED.code}"
    names = [name for name in flags.columns if name.endswith(ending)]
    per_clamp = [
        ordered.select("test_id", pl.col("time_s").alias("from_s"))
        .filter(flags[name])
        .group_by("test_id", maintain_order=True)
        .agg(channel=pl.lit(name.removesuffix(ending)).first(), from_s=pl.col("from_s").min())
        for name in names
    ]
    schema = {"test_id": pl.String(), "channel": pl.String(), "from_s": pl.Float64()}
    return pl.concat([pl.DataFrame(schema=schema), *per_clamp])


def _trust(ordered: pl.DataFrame, verdicts: Verdicts) -> pl.DataFrame:
    """The TRUST frame: which rule fired on which channel, how often, in words."""
    flags, notes = verdicts.flags, verdicts.notes
    firing = [name for name in flags.columns if flags[name].any()]
    counted = [_counted(ordered, flags.select(firing), firing)] if firing else []
    told = notes.rename({"sentence": "told"})
    found = pl.concat([TRUST.empty(), *counted]).join(told, on=TRUST.key, how="full", coalesce=True)
    return TRUST.conform(
        found.with_columns(
            pl.coalesce("told", "sentence").alias("sentence"),
            pl.col("distrusted_share").fill_null(0.0),
        ).drop("told")
    ).sort(TRUST.key)


def _counted(ordered: pl.DataFrame, flags: pl.DataFrame, firing: list[str]) -> pl.DataFrame:
    """The TRUST rows of all flags that fired, with counts in words."""
    channels = {name.split("__")[0] for name in firing} - {"time_s"}
    concerned = ordered[TEST].filter(flags.select(pl.any_horizontal(firing)).to_series()).unique()
    per_test = (
        ordered.select("test_id", TEST, STEP_S, *channels)
        .hstack(flags)
        .lazy()
        .filter(pl.col(TEST).is_in(concerned.implode()))
        .group_by("test_id")
        .agg(
            pl.col(firing).sum(),
            *(pl.col(name).count().alias(f"{name}__readings") for name in channels),
            pl.len().alias("time_s__readings"),
            pl.col(STEP_S).filter(pl.col(STEP_S) > longest_step_s()).sum().alias(_LOST_S),
            pl.col(STEP_S).sum().alias(_LENGTH_S),
        )
        .collect()
    )
    return pl.concat([TRUST.conform(_rows_of(flag, per_test)) for flag in firing])


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
