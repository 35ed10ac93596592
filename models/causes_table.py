"""Table contract of the causes considered. Frames are made by `causes`."""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table

_TEXT, _REAL = pl.String(), pl.Float64()

CAUSES = Table(
    "causes",
    "one row per vehicle in service or watch and cause that was considered and not ruled out",
    ("vehicle_id", "cause_code"),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("cause_code", _TEXT, "", "the cause; sensor:channel is a sensor, a+b both at once"),
        Column("test_id", _TEXT, "", "latest of the tests that were looked at"),
        Column("cause_rank", pl.Int32(), "1", "1 fits best"),
        Column("cause", _TEXT, "", "the cause in words"),
        Column("fault", _TEXT, "", "the row of the sign table that fits best"),
        Column(
            "fit_share", _REAL, "1",
            "weight of the cause among all considered: prior times likelihood, no chance of being "
            "right",
        ),
        Column(
            "prior_share", _REAL, "1",
            "weight before anything was measured: published shares, moved by what workshops found",
        ),
        Column(
            "found_before", _TEXT, "",
            "how often workshops found it on cars looked at, in words; null: none was",
        ),
        Column(
            "fault_severity", _REAL, "1",
            "severity fitted: 1 moves what is marked clear by one effect worth reporting",
        ),
        Column(
            "is_in_set", pl.Boolean(), "",
            "a twentieth of the best or more, a third for two at once: not ruled out",
        ),
        Column("is_named", pl.Boolean(), "", "leads all others threefold"),
        Column("evidence_for", _TEXT, "", "deviations that agree, in words"),
        Column("evidence_against", _TEXT, "", "deviations that contradict, in words"),
        Column("next_measurement", _TEXT, "", "what would tell the causes left apart"),
        Column(
            "needs_full_load", pl.Boolean(), "",
            "the compressor's control hides what would tell; a test under full load is needed",
        ),
        Column("sentence", _TEXT, "", "of rank 1: all of it as a short paragraph; else null"),
    ),
)  # fmt: skip
