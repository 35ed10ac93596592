"""Control events: the condenser fan changes its stage, the compressor starts or stops."""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table

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
