"""The tables of the store: which there are, and those that belong to no other folder.

Declares `LOGS`, `REJECTED`, `NOTICES`, `UNASSIGNED` and `RUNS`, and lists all tables in
the order they are shown. Every other table is declared beside its producer. Does not
belong here: SQL (`warehouse`), and what fills them.
"""

from __future__ import annotations

import polars as pl

from features.catalogue import FEATURES
from features.channels import SAMPLES
from features.context import CONTEXT
from features.cycle_points import CYCLE_POINTS
from features.events import EVENTS
from features.explained_effects import EFFECTS
from features.regime_spans import REGIMES
from features.screening import TRUST
from features.story import STORIES
from features.tables import Column, Table
from features.trust.soak_biases import SOAK_BIASES
from features.unread import UNREAD
from features.windows import WINDOWS
from models.causes_table import CAUSES
from models.disposition_tables import DISPOSITION_PRECISION
from models.drift_tables import DRIFTS, LEAKS
from models.early_warning_tables import (
    BATCH_WARNINGS,
    CLAIM_WARNINGS,
    FINDING_SHARES,
    SIGNATURE_CLUSTERS,
)
from models.frozen_tables import BASELINE_VERSIONS, IN_FORCE
from models.recurrence.recurrence_tables import RECURRENCE_TABLES
from models.repair_tables import (
    PARTS,
    REFRIGERANT_REGISTER,
    REPAIR_OUTCOMES,
    REPLACEMENTS,
    SHOPS,
)
from models.tables import (
    ASSESSMENTS,
    BASELINES,
    EVIDENCE,
    INSTRUMENT_OFFSETS,
    RESIDUALS,
    STATES,
)
from pipeline.refusals import REFUSALS
from pipeline.registry_tables import REGISTRY_TABLES
from pipeline.state_tables import STATE_CHANGES, STATE_INPUTS

LOGS = Table(
    "logs",
    "one row per log file seen",
    ("path",),
    (
        Column("path", pl.String(), "", "the log file, relative to the logs folder"),
        Column("outcome_code", pl.String(), "", "stored, refused or unassigned"),
        Column("test_id", pl.String(), "", "the test, default the first 16 digits of its hash"),
        Column("vehicle_id", pl.String(), "", "the vehicle that the registry names for it"),
        Column("content_hash", pl.String(), "", "SHA-256 of the content that is stored"),
        Column(
            "inputs_hash",
            pl.String(),
            "",
            "SHA-256 of all that its rows depend on: content, registry row, profiles, "
            "settings, code; when it differs the log is read again",
        ),
        Column("size_bytes", pl.Int64(), "B", "size of the file"),
        Column("profile", pl.String(), "", "the profile that it was read with"),
        Column("n_rows", pl.Int64(), "1", "samples stored"),
        Column("first_time", pl.Datetime("us", "UTC"), "", "time of the first sample, where told"),
        Column("duration_s", pl.Float64(), "s", "from the first sample to the last"),
        Column("channels", pl.String(), "", "channels read, separated by blanks"),
    ),
)

_COMPLAINT_KEY = ("path", "column_name", "code", "place", "sentence")

REJECTED = Table(
    "rejected",
    "one row per log file or column refused, and per registry row without a file",
    _COMPLAINT_KEY,
    REFUSALS.columns,
)

NOTICES = Table(
    "notices",
    "one row per thing worth knowing about a log that was read all the same",
    _COMPLAINT_KEY,
    REFUSALS.columns,
)

UNASSIGNED = Table(
    "unassigned",
    "one row per log held until it is known which test it is",
    ("path",),
    (
        Column("path", pl.String(), "", "the log file, relative to the logs folder"),
        Column("reason_code", pl.String(), "", "why it is held, for machines"),
        Column("sentence", pl.String(), "", "why it is held, for people"),
        Column("missing", pl.String(), "", "columns to be filled in, separated by blanks"),
        Column("hint", pl.String(), "", "what to do about it"),
        Column("columns", pl.String(), "", "the columns of the tests table, in its order"),
        Column("row", pl.String(), "", "a row for the tests table, with what is known filled in"),
    ),
)

RUNS = Table(
    "runs",
    "one row per command that changed the store",
    ("run_number",),
    (
        Column("run_number", pl.Int32(), "1", "counts from 1"),
        Column("command", pl.String(), "", "the command, such as run or rebuild"),
        Column("clock", pl.Datetime("us", "UTC"), "", "the instant it took for now"),
        Column("code_version", pl.String(), "", "version of chillroster"),
        Column("code_hash", pl.String(), "", "fingerprint of the code that numbers depend on"),
        Column("settings_hash", pl.String(), "", "fingerprint of the settings"),
        Column("logs_hash", pl.String(), "", "fingerprint of all stored logs and their inputs"),
        Column("n_logs_stored", pl.Int32(), "1", "logs stored by this run"),
        Column("n_logs_refused", pl.Int32(), "1", "logs refused as of this run"),
        Column("n_rows_written", pl.Int64(), "1", "rows written by this run"),
    ),
)

# What one log brings, replaced together with its row in LOGS.
PER_TEST_TABLES = (
    CONTEXT,
    SAMPLES,
    TRUST,
    EVENTS,
    REGIMES,
    WINDOWS,
    UNREAD,
    FEATURES,
    SOAK_BIASES,
    CYCLE_POINTS,
    EFFECTS,
    STORIES,
)
PER_PATH_TABLES = (LOGS, REJECTED, NOTICES, UNASSIGNED)
ASSESSMENT_TABLES = (
    RESIDUALS, ASSESSMENTS, STATES, EVIDENCE, DRIFTS, LEAKS, DISPOSITION_PRECISION, CAUSES,
    REPAIR_OUTCOMES, SHOPS, PARTS, REPLACEMENTS, REFRIGERANT_REGISTER,
)  # fmt: skip
# What stands from one fit of the baselines to the next.
BASELINE_TABLES = (BASELINE_VERSIONS, BASELINES, INSTRUMENT_OFFSETS, *IN_FORCE)
# What is said of groups of cars, not of single ones.
WARNING_TABLES = (CLAIM_WARNINGS, BATCH_WARNINGS, SIGNATURE_CLUSTERS, FINDING_SHARES)
# What only the store knows, and a new store takes over from the old one.
KEPT_TABLES = (RUNS, STATE_CHANGES, STATE_INPUTS)

STORE_TABLES: tuple[Table, ...] = (
    *PER_PATH_TABLES,
    *PER_TEST_TABLES,
    *BASELINE_TABLES,
    *ASSESSMENT_TABLES,
    *WARNING_TABLES,
    *RECURRENCE_TABLES,
    *REGISTRY_TABLES.values(),
    *KEPT_TABLES,
)
