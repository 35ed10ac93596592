"""Events: what changed the circuit during a test, each with its moment, size and answer.

A specialist reads the curves by them: the fan came on and the high side fell, the control drew
the stroke back, the engine was raised. An event explains a swing that a snapshot reader calls
a fault. From logged commands where there are any, else from the signs of both pressures;
where neither way is possible there are no rows and the sources say so with null, because "no
event seen" and "could not look" are different things. Does not belong here: finding steps,
moves and edges (`command_steps`, `commanded_moves`, `pressure_edges`), what an event is
called (`event_kinds`), its answer (`event_responses`) and confidence (`event_confidence`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.event_confidence import LEAST_TOLD, add_confidence
from features.event_grid import make_event_grid
from features.event_kinds import EVENT_KINDS
from features.event_responses import add_responses
from features.event_search import EventInputs, EventSearch, no_clamp_moves
from features.event_sentences import event_sentence
from features.event_sources import event_sources
from features.tables import Column, Table

if TYPE_CHECKING:
    from features.settings import DerivationSettings

__all__ = [
    "EVENTS", "EventInputs", "EventLog", "describe_events", "detect_events", "no_clamp_moves",
]  # fmt: skip

EVENTS = Table(
    "events",
    "one row per event of a test",
    ("test_id", "event_number"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("event_number", pl.Int32(), "1", "counted from 1 in order of time"),
        Column("kind_code", pl.String(), "", ", ".join(kind.code for kind in EVENT_KINDS)),
        Column("time_s", pl.Float64(), "s", "when it began, since the start of the log"),
        Column(
            "source_code", pl.String(), "",
            "command (a logged channel shows it), pressure (inferred from both pressures), air "
            "(from low side and duct air) or trust (a trust rule)",
        ),
        Column("size_pct", pl.Float64(), "%", "change of the logged command, points"),
        Column("size_rpm", pl.Float64(), "1/min", "change of the engine's or compressor's speed"),
        Column(
            "low_side_change_kpa", pl.Float64(), "kPa",
            "low side 15 to 30 s after, less its mean over 10 s before",
        ),
        Column("high_side_change_kpa", pl.Float64(), "kPa", "the same of the high side"),
        Column(
            "high_side_swing_kpa", pl.Float64(), "kPa",
            "furthest that the high side goes the event's way within 40 s or until the next event",
        ),
        Column(
            "time_constant_s", pl.Float64(), "s",
            "time to 63.2 % of the swing; null where that is under 15 kPa",
        ),
        Column(
            "confidence", pl.Float64(), "1",
            "which share of such events are what they are called, 0 to 1",
        ),
        Column("sentence", pl.String(), "", "the event in words"),
    ),
)  # fmt: skip

_GRID_CHANNELS = (
    "low_side_kpa", "high_side_kpa", "engine_rpm", "blower_pct", "recirculation_pct",
    "compressor_command_pct", "compressor_rpm", "compressor_power_w",
)  # fmt: skip


@dataclass(frozen=True)
class EventLog:
    """Events, and per test where they were looked for.

    `events` has test_number, time_s, kind_code, source_code, sizes, answer and confidence;
    `sources` has test_number and, per family of events, its source (null: could not look).
    """

    events: pl.DataFrame
    sources: pl.DataFrame


def detect_events(inputs: EventInputs, settings: DerivationSettings) -> EventLog:
    """The events of all tests, in order of test and time."""
    sources = event_sources(inputs.blocks, inputs.tests)
    # half a block: a cell then holds a sample of the slowest logger of these blocks
    grid = make_event_grid(inputs.ordered, _GRID_CHANNELS, inputs.block_s / 2.0)
    search = EventSearch(inputs, sources, grid, settings)
    compressor = search.compressor()
    engine = search.engine()
    fan = search.fan(compressor, engine)
    found = pl.concat(
        [
            compressor,
            engine,
            fan,
            search.displacement(compressor, engine, fan),
            search.others(),
            search.icing(compressor),
            search.clamps(),
        ]
    ).sort("test_number", "time_s", "kind_code")
    told = add_confidence(add_responses(found, grid))
    return EventLog(told.filter(pl.col("confidence") >= LEAST_TOLD), sources)


def describe_events(events: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """The events as a frame of `EVENTS`: with test_id, numbered, each with its sentence."""
    numbered = events.join(
        tests.select("test_id", "test_number"), on="test_number", maintain_order="left"
    ).with_columns(
        event_number=pl.int_range(1, pl.len() + 1).over("test_number").cast(pl.Int32),
        sentence=event_sentence(),
    )
    figures = [column.name for column in EVENTS.columns if column.dtype == pl.Float64()]
    return EVENTS.conform(
        numbered.select(EVENTS.schema.keys()).with_columns(pl.col(figures).round(6))
    )
