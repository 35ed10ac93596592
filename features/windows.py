"""Windows in which a test can be read: steady stretches and whole cycles."""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table

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
