"""Table contracts of the judgement: baselines, residuals, assessments, states, evidence.

Holds the declarations only; the frames are made by `baseline_table`, `residuals`, `flags`,
`assessments`, `states` and `instrument_offsets`. Quantities of a residual are in the unit of
its feature,
which is the suffix of the feature's name. Does not belong here: the wording of findings
and reasons (`findings`, `reasons`).
"""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table
from models.frozen_tables import VERSION

_TEXT = pl.String()
_REAL = pl.Float64()
_COUNT = pl.Int32()
_INSTANT = pl.Datetime("us", "UTC")
_FEATURE_UNIT = "unit of the feature"

# The columns that a residual and the evidence made from it share.
_JUDGEMENT = (
    Column("observed", _REAL, _FEATURE_UNIT, "value in this test"),
    Column("expected", _REAL, _FEATURE_UNIT, "value expected under the conditions of this test"),
    Column(
        "spread", _REAL, _FEATURE_UNIT,
        "standard deviation of observed minus expected for a healthy car: cars, sensors and fit",
    ),
    Column(
        "degrees_of_freedom", _REAL, "1",
        "of the Student t by which z is read: small for small baselines and heavy tails",
    ),
    Column("standard_uncertainty", _REAL, _FEATURE_UNIT, "share of the spread due to the sensors"),
    Column("z", _REAL, "1", "observed minus expected, in spreads"),
    Column("p_value", _REAL, "1", "chance that a healthy car deviates this far in this feature"),
    Column(
        "calibration_code", _TEXT, "",
        "how p was found: exact (counted among cars of the model), pooled (among cars of the "
        "architecture or control state), tail_model (beyond what counting carries) or "
        "approximate (too few cars: the stated tail)",
    ),
    Column("n_calibration", _COUNT, "1", "cars counted among; 0 where the tail is only stated"),
    Column("q_value", _REAL, "1", "false discovery rate at which this row would be a finding"),
    Column(
        "pooling_level", _TEXT, "",
        "what the car was compared with: model, architecture or none",
    ),
    Column("baseline_vehicles", _COUNT, "1", "other cars behind the expected value"),
    Column("terms", _TEXT, "", "operating conditions that the expected value allows for"),
    Column(
        "window_kind_code", _TEXT, "",
        "kind of the windows behind the value, steady or periodic; null for a whole test",
    ),
    Column("n_windows", _COUNT, "1", "steady windows behind the observed value"),
    Column("steady_s", _REAL, "s", "steady time behind the observed value"),
)  # fmt: skip

RESIDUALS = Table(
    "residuals",
    "one row per test, regime and feature",
    ("test_id", "regime", "feature"),
    (
        Column("test_id", _TEXT, "", "the test"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("model_id", _TEXT, "", "its model"),
        Column("regime", _TEXT, "", "control state in which the value was taken"),
        Column("feature", _TEXT, "", "name of the derived quantity"),
        *_JUDGEMENT,
        Column("finding_code", _TEXT, "", "the finding that this row supports; null is none"),
        Column("reason_code", _TEXT, "", "why the row could not be judged; null when it was"),
        VERSION,
    ),
)

ASSESSMENTS = Table(
    "assessments",
    "one row per test",
    ("test_id",),
    (
        Column("test_id", _TEXT, "", "the test"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("tested_at", _INSTANT, "", "start of the test, UTC"),
        Column(
            "verdict_code", _TEXT, "",
            "in_band, finding, far_beyond or not_assessable",
        ),
        Column("n_findings", _COUNT, "1", "different findings of this test"),
        Column("n_assessed_features", _COUNT, "1", "rows (regime and feature) that were judged"),
        Column(
            "p_value", _REAL, "1",
            "p-value of the test over single quantities and adverse directions (Simes in each)",
        ),
        Column(
            "direction_code", _TEXT, "",
            "adverse direction that stands out most, for detection only: it names no cause",
        ),
        Column("direction_p_value", _REAL, "1", "p-value over the adverse directions (Simes)"),
        Column("calibration_code", _TEXT, "", "how the leading p-value was found"),
        Column("n_calibration", _COUNT, "1", "cars it was counted among"),
        Column("q_value", _REAL, "1", "q-value of the test over the fleet (Benjamini-Hochberg)"),
        Column("reason", _TEXT, "", "the verdict in one sentence"),
        VERSION,
    ),
)  # fmt: skip

STATES = Table(
    "states",
    "one row per vehicle",
    ("vehicle_id",),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("model_id", _TEXT, "", "its model"),
        Column("state", _TEXT, "", "in band, watch, service, retest, no verdict or silent"),
        Column("reason", _TEXT, "", "why, in one sentence"),
        Column("latest_test_id", _TEXT, "", "its latest test"),
        Column("latest_tested_at", _INSTANT, "", "start of its latest test, UTC"),
        Column("n_tests", _COUNT, "1", "tests on record"),
        Column(
            "worst_z", _REAL, "1",
            "the largest adverse deviation in the latest test, in spreads, with its sign",
        ),
        Column("missing", _TEXT, "", "what would be needed for a fuller judgement"),
        Column(
            "handling_code", _TEXT, "",
            "what a person made of the state: acknowledged, snoozed or reopened; null: nothing",
        ),
        Column("acknowledged_until", pl.Date(), "", "day from which that no longer counts"),
        Column("handling", _TEXT, "", "the same in words: who, when, why"),
        VERSION,
    ),
)  # fmt: skip

EVIDENCE = Table(
    "evidence",
    "one row per finding, test and regime behind the state of a vehicle",
    ("vehicle_id", "test_id", "regime", "feature"),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("test_id", _TEXT, "", "the test"),
        Column("tested_at", _INSTANT, "", "start of the test, UTC"),
        Column("regime", _TEXT, "", "control state in which the value was taken"),
        Column("feature", _TEXT, "", "name of the derived quantity"),
        Column("finding_code", _TEXT, "", "the finding"),
        Column("sentence", _TEXT, "", "the finding in words, with its size"),
        *_JUDGEMENT,
    ),
)

BASELINES = Table(
    "baselines",
    "one row per group of cars, regime, feature and set of conditions, of the last two versions",
    ("baseline_version", "pooling_level", "group_label", "regime", "window_kind_code",
     "fan_stage_code", "feature", "terms"),
    (
        VERSION,
        Column("pooling_level", _TEXT, "", "model or architecture"),
        Column("group_label", _TEXT, "", "the model, or architecture and refrigerant"),
        Column("model_id", _TEXT, "", "the model; null for an architecture"),
        Column("regime", _TEXT, "", "control state"),
        Column("window_kind_code", _TEXT, "", "steady or periodic; null for a whole test"),
        Column("fan_stage_code", _TEXT, "", "condenser fan stage, full or part; null is any"),
        Column("feature", _TEXT, "", "name of the derived quantity"),
        Column("n_vehicles", _COUNT, "1", "cars fitted"),
        Column("n_tests", _COUNT, "1", "tests fitted"),
        Column("n_models", _COUNT, "1", "models fitted"),
        Column("spread", _REAL, _FEATURE_UNIT, "robust standard deviation about the fit"),
        Column(
            "typical_uncertainty", _REAL, _FEATURE_UNIT,
            "median standard uncertainty of the values fitted",
        ),
        Column(
            "between_model_spread", _REAL, _FEATURE_UNIT,
            "standard deviation between models of the pool; null for a single model",
        ),
        Column(
            "spread_factor", _REAL, "1",
            "by which the fleet's own residuals widen or narrow the spread of this feature",
        ),
        Column(
            "tail_degrees_of_freedom", _REAL, "1",
            "tail of healthy cars as Student t, from the fleet's own residuals or the default",
        ),
        Column("tail_residuals", _COUNT, "1", "residuals behind that tail; 0 is the default"),
        Column("terms", _TEXT, "", "JSON: intercept and coefficient of every condition"),
        Column("condition_ranges", _TEXT, "", "JSON: lowest and highest value of every condition"),
        Column("version", _TEXT, "", "hash of the data and settings that gave this baseline"),
    ),
)  # fmt: skip

INSTRUMENT_OFFSETS = Table(
    "instrument_offsets",
    "one row per instrument, sensor and span of time over which it read off on every car",
    ("instrument_id", "channel", "from_at"),
    (
        Column("instrument_id", _TEXT, "", "the instrument"),
        Column(
            "channel", _TEXT, "",
            "the channel, or all_temperatures; more than one row where it cannot be told which",
        ),
        Column("from_at", _INSTANT, "", "start of the first test with the offset, UTC"),
        Column(
            "until_at", _INSTANT, "",
            "start of the first test without it, UTC; null while it lasts",
        ),
        Column("offset", _REAL, "unit", "what it reads too much, over all these tests"),
        Column("unit", _TEXT, "", "K or kPa"),
        Column("standard_uncertainty", _REAL, "unit", "of the offset"),
        Column("n_tests", _COUNT, "1", "tests on standing cars behind it"),
        Column("n_vehicles", _COUNT, "1", "vehicles behind it"),
        Column("sentence", _TEXT, "", "what, how large, since when, and what to do"),
    ),
)  # fmt: skip
