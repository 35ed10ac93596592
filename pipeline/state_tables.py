"""Tables of changes between runs: which states changed, and what each state was made from.

Holds the declarations and the reasons of a change; `state_changes` makes the frames. Does
not belong here: what a state is (`models`).
"""

from __future__ import annotations

from enum import Enum

import polars as pl

from features.tables import Column, Table


class Mover(Enum):
    """An input that differs from the one before; the value is how it is told."""

    NEW_LOG = "a new log of the car"
    CHANGED_LOG = "a log of the car that changed or is gone"
    REGISTRY = "the registry's rows of the car or its model"
    DISPOSITION = "what a person recorded"
    SETTINGS = "the settings"
    CODE = "another version of the program"
    BASELINE = "the baselines, fitted anew"
    TIME = "the passing of time"

    @property
    def code(self) -> str:
        """The code stored: `new_log`."""
        return self.name.lower()


_TEXT = pl.String()

STATE_CHANGES = Table(
    "state_changes",
    "one row per vehicle and run that changed its state or how it is handled",
    ("run_number", "vehicle_id"),
    (
        Column("run_number", pl.Int32(), "1", "the run, as in the table runs"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("changed_at", pl.Datetime("us", "UTC"), "", "the instant the run took for now"),
        Column("earlier_state", _TEXT, "", "state before; null: the vehicle is new"),
        Column("state", _TEXT, "", "state after; null: the vehicle is gone from the registry"),
        Column("earlier_handling_code", _TEXT, "", "how it was handled before"),
        Column("handling_code", _TEXT, "", "how it is handled after"),
        Column("mover_codes", _TEXT, "", "inputs that changed since, separated by blanks"),
        Column("sentence", _TEXT, "", "the change in one sentence"),
    ),
)

STATE_INPUTS = Table(
    "state_inputs",
    "one row per vehicle: what its latest state was made from",
    ("vehicle_id",),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("state", _TEXT, "", "its state"),
        Column("handling_code", _TEXT, "", "how it is handled"),
        Column("logs", _TEXT, "", "its tests and the fingerprint of each, separated by blanks"),
        Column("registry_hash", _TEXT, "", "fingerprint of the registry's rows of car and model"),
        Column("dispositions_hash", _TEXT, "", "fingerprint of what was recorded of it"),
        Column("settings_hash", _TEXT, "", "fingerprint of the settings of the judgement"),
        Column("code_hash", _TEXT, "", "fingerprint of the code"),
        Column("baseline_version", pl.Int32(), "1", "the version that it was judged by"),
        Column("judged_on", pl.Date(), "", "the day judged at"),
    ),
)
