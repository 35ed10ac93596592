"""Table contracts of baselines that stand: which versions there were, and the one in force.

Holds the declarations only. `BASELINE_VERSIONS` has a row for every fit that ever was; the
others hold all that the version in force judges by, in rows that `frozen_rows` makes and
reads. What of it is for people to read stands in BASELINES (`tables`). Does not belong here:
when baselines are fitted anew (`pipeline`).
"""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table

_TEXT = pl.String()
_COUNT = pl.Int32()
VERSION = Column("baseline_version", _COUNT, "1", "the version, as in the table baseline_versions")

BASELINE_VERSIONS = Table(
    "baseline_versions",
    "one row per fit of the baselines; the highest number is in force",
    ("baseline_version",),
    (
        Column("baseline_version", _COUNT, "1", "counts from 1"),
        Column("fitted_at", pl.Datetime("us", "UTC"), "", "the instant that the fit took for now"),
        Column("reason_code", _TEXT, "", "why it was fitted, for machines"),
        Column("n_vehicles", _COUNT, "1", "vehicles fitted to"),
        Column("n_tests", _COUNT, "1", "tests fitted to"),
        Column("code_version", _TEXT, "", "version of chillroster"),
        Column("code_hash", _TEXT, "", "fingerprint of the code that baselines depend on"),
        Column("settings_hash", _TEXT, "", "fingerprint of the settings that they depend on"),
        Column("tests_hash", _TEXT, "", "fingerprint of the tests fitted to, as they were read"),
    ),
)

BASELINE_ARRAYS = Table(
    "baseline_arrays",
    "one row per array of numbers that the version in force judges by",
    ("part_code", "piece_code", "group_number", "basis_number", "fold", "owner", "head"),
    (
        VERSION,
        Column("part_code", _TEXT, "", "regimes, whole_tests, diagnostics or drift"),
        Column("owner", _TEXT, "", "the model or pool that it belongs to; empty: the fleet"),
        Column("piece_code", _TEXT, "", "what the numbers are, such as fold or unit"),
        Column("group_number", _COUNT, "1", "number of the group of cars; null where of none"),
        Column("basis_number", _COUNT, "1", "number of the set of conditions in the group"),
        Column("fold", _COUNT, "1", "the part of the cars held out; the last holds nobody out"),
        Column("head", _TEXT, "", "JSON: what the numbers are of, and their shape"),
        Column("numbers", pl.List(pl.Float64()), "1", "the numbers, to the last bit"),
    ),
)

BASELINE_CARS = Table(
    "baseline_cars",
    "one row per group of cars of the version in force and vehicle that it was fitted to",
    ("part_code", "group_number", "vehicle_id"),
    (
        VERSION,
        Column("part_code", _TEXT, "", "regimes, whole_tests or diagnostics"),
        Column("group_number", _COUNT, "1", "number of the group of cars"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("fold", _COUNT, "1", "the fold that holds it out: it is judged by that one"),
        Column("known_features", pl.Int64(), "1", "bits: the quantities that it has any value of"),
    ),
)

BASELINE_TESTS = Table(
    "baseline_tests",
    "one row per test that the version in force knows",
    ("test_id",),
    (
        VERSION,
        Column("test_id", _TEXT, "", "the test"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("age_rank", pl.Int64(), "1", "1 was the latest test of its car, 2 the one before"),
        Column(
            "p_value",
            pl.Float64(),
            "1",
            "its p-value then, which later tests stand beside; null: not judged",
        ),
    ),
)

BASELINE_COVERAGE = Table(
    "baseline_coverage",
    "one row per model and quantity that its tests are judged by in the version in force",
    ("model_id", "feature"),
    (
        VERSION,
        Column("model_id", _TEXT, "", "the model"),
        Column("feature", _TEXT, "", "name of the derived quantity"),
    ),
)

IN_FORCE = (BASELINE_ARRAYS, BASELINE_CARS, BASELINE_TESTS, BASELINE_COVERAGE)
