"""Control events: the condenser fan changes its stage, the compressor starts or stops.

Healthy cars swing when their controls act; an event explains a swing that a snapshot
reader calls a fault. From logged commands where there are any, else from the signs of the
pressure edges; where neither way is possible there are no rows and the sources say so
with null, because "no event seen" and "could not look" are different things. Takes
ordered samples and their blocks. Does not belong here: finding steps and edges
(`command_steps`, `pressure_edges`), cycles (`cycles`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.blocks import is_same_test
from features.command_steps import compressor_steps, fan_steps
from features.pressure_edges import compressor_edges, fan_edges
from features.tables import Column, Table

if TYPE_CHECKING:
    from features.settings import DerivationSettings

EVENTS = Table(
    "events",
    "one row per control event of a test",
    ("test_id", "event_number"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("event_number", pl.Int32(), "1", "counted from 1 in order of time"),
        Column("kind_code", pl.String(), "", "fan_up, fan_down, compressor_on or compressor_off"),
        Column("time_s", pl.Float64(), "s", "when it began, since the start of the log"),
        Column("source_code", pl.String(), "", "command (logged) or pressure (inferred)"),
        Column("size_pct", pl.Float64(), "%", "change of the logged command, points"),
        Column("low_side_change_kpa", pl.Float64(), "kPa", "response of the low side"),
        Column("high_side_change_kpa", pl.Float64(), "kPa", "response of the high side"),
        Column("sentence", pl.String(), "", "the event in words"),
    ),
)

_SPOKEN = {
    "fan_up": "condenser fan up",
    "fan_down": "condenser fan down",
    "compressor_on": "compressor on",
    "compressor_off": "compressor off",
}
# A channel that is null for more than half of a test cannot be searched for events.
_LEAST_COVERAGE = 0.5
# Near a compressor event a pressure edge is the compressor's, not the fan's.
_COMPRESSOR_SHADOW_S = 30.0
_COMPRESSOR_COMMANDS = ("compressor_on", "compressor_command_pct", "compressor_power_w")


@dataclass(frozen=True)
class EventLog:
    """Events, and per test where they were looked for.

    `events` has test_number, time_s, kind_code, source_code, size_pct and the responses;
    `sources` has test_number, fan_source and compressor_source (command, pressure, null).
    """

    events: pl.DataFrame
    sources: pl.DataFrame


def detect_events(
    ordered: pl.DataFrame, blocks: pl.DataFrame, settings: DerivationSettings
) -> EventLog:
    """The control events of all tests, in order of test and time."""
    sources = _event_sources(blocks)
    compressor = pl.concat(
        [
            _named(
                _where(compressor_steps(ordered, settings), sources, compressor_source="command"),
                is_rise=pl.col("size_pct") > 0,
                kinds=("compressor_on", "compressor_off"),
            ),
            _named(
                compressor_edges(_where(blocks, sources, compressor_source="pressure"), settings),
                is_rise=pl.col("is_rise"),
                kinds=("compressor_on", "compressor_off"),
            ),
        ]
    )
    fan_by_pressure = fan_edges(_where(blocks, sources, fan_source="pressure"), settings)
    fan = pl.concat(
        [
            _named(
                _where(fan_steps(ordered, settings), sources, fan_source="command"),
                is_rise=pl.col("size_pct") > 0,
                kinds=("fan_up", "fan_down"),
            ),
            _named(
                _outside_shadow(fan_by_pressure, compressor),
                is_rise=pl.col("is_rise"),
                kinds=("fan_down", "fan_up"),
            ),
        ]
    )
    events = pl.concat([compressor, fan]).sort("test_number", "time_s", "kind_code")
    return EventLog(_add_responses(events, blocks), sources)


def describe_events(events: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """The events as a frame of `EVENTS`: with test_id, numbered, each with its sentence."""
    numbered = events.join(
        tests.select("test_id", "test_number"), on="test_number", maintain_order="left"
    ).with_columns(
        event_number=pl.int_range(1, pl.len() + 1).over("test_number").cast(pl.Int32),
        sentence=_sentence(),
    )
    figures = ("time_s", "size_pct", "low_side_change_kpa", "high_side_change_kpa")
    return EVENTS.conform(numbered.drop("test_number").with_columns(pl.col(figures).round(6)))


def _event_sources(blocks: pl.DataFrame) -> pl.DataFrame:
    def covered(*names: str) -> pl.Expr:
        shares = [pl.col(name).is_not_null().mean() for name in names if name in blocks.columns]
        return pl.max_horizontal([*shares, pl.lit(0.0)]) >= _LEAST_COVERAGE

    both_sides = covered("low_side_kpa") & covered("high_side_kpa")

    def source(is_commanded: pl.Expr) -> pl.Expr:
        inferred = pl.when(both_sides).then(pl.lit("pressure"))
        return pl.when(is_commanded).then(pl.lit("command")).otherwise(inferred)

    return blocks.group_by("test_number", maintain_order=True).agg(
        fan_source=source(covered("condenser_fan_pct")),
        compressor_source=source(covered(*_COMPRESSOR_COMMANDS)),
    )


def _where(frame: pl.DataFrame, sources: pl.DataFrame, **wanted: str) -> pl.DataFrame:
    """The rows of tests whose event source is the one wanted."""
    tests = sources.filter(**wanted).select("test_number")
    return frame.join(tests, on="test_number", how="semi", maintain_order="left")


def _named(found: pl.DataFrame, *, is_rise: pl.Expr, kinds: tuple[str, str]) -> pl.DataFrame:
    """Steps or edges as events; `kinds` are for a rise and for a fall."""
    is_step = "size_pct" in found.columns
    size_pct = pl.col("size_pct") if is_step else pl.lit(None, pl.Float64)
    return found.select(
        "test_number",
        "time_s",
        kind_code=pl.when(is_rise).then(pl.lit(kinds[0])).otherwise(pl.lit(kinds[1])),
        source_code=pl.lit("command" if is_step else "pressure"),
        size_pct=size_pct,
    )


def _outside_shadow(edges: pl.DataFrame, compressor: pl.DataFrame) -> pl.DataFrame:
    """The edges that are not within the shadow of a compressor event of the same test."""
    shadows = compressor.select("test_number", "time_s", shadow_s="time_s").sort(
        "test_number", "time_s"
    )
    return (
        edges.sort("test_number", "time_s")
        .join_asof(
            shadows, on="time_s", by="test_number", strategy="nearest", check_sortedness=False
        )
        .filter(
            ((pl.col("time_s") - pl.col("shadow_s")).abs() > _COMPRESSOR_SHADOW_S).fill_null(
                value=True
            )
        )
        .select(edges.columns)
    )


def _add_responses(events: pl.DataFrame, blocks: pl.DataFrame) -> pl.DataFrame:
    """Change of both pressures from the mean of 10 s before to that of about 15 to 30 s after."""
    changes = {
        "low_side_change_kpa": _response(blocks, "low_side_kpa"),
        "high_side_change_kpa": _response(blocks, "high_side_kpa"),
    }
    responses = blocks.select("test_number", pl.col("start_s").alias("time_s"), **changes)
    return events.join_asof(
        responses, on="time_s", by="test_number", strategy="backward", check_sortedness=False
    )


def _response(blocks: pl.DataFrame, channel: str) -> pl.Expr:
    if channel not in blocks.columns:
        return pl.lit(None, pl.Float64)
    value = pl.col(channel)
    before = (value.shift(1) + value.shift(2)) / 2
    after = (value.shift(-3) + value.shift(-4) + value.shift(-5)) / 3
    return pl.when(is_same_test(2) & is_same_test(-5)).then(after - before)


def _sentence() -> pl.Expr:
    """For example: condenser fan up 50 points at 4:10, high side -290 kPa, low side -12 kPa."""
    minutes = (pl.col("time_s") // 60).cast(pl.Int64).cast(pl.String)
    seconds = (pl.col("time_s") % 60).floor().cast(pl.Int64).cast(pl.String).str.zfill(2)
    is_fan = pl.col("kind_code").str.starts_with("fan")
    size = pl.when(is_fan).then(pl.format(" {} points", _whole(pl.col("size_pct").abs())))
    how = pl.when(pl.col("source_code") == "pressure").then(pl.lit(" (seen in the pressures)"))
    return pl.concat_str(
        pl.col("kind_code").replace_strict(_SPOKEN),
        size.fill_null(""),
        pl.lit(" at "),
        minutes,
        pl.lit(":"),
        seconds,
        how.fill_null(""),
        _response_words("high_side_change_kpa", "high side"),
        _response_words("low_side_change_kpa", "low side"),
    )


def _response_words(column: str, side: str) -> pl.Expr:
    whole = _whole(pl.col(column))
    sign = pl.when(whole >= 0).then(pl.lit("+")).otherwise(pl.lit("-"))
    words = pl.format(", {} {}{} kPa", pl.lit(side), sign, whole.abs())
    return pl.when(whole.is_not_null()).then(words).otherwise(pl.lit(""))


def _whole(value: pl.Expr) -> pl.Expr:
    return value.round(0).cast(pl.Int64)
