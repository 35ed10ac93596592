"""Words and tables of dispositions: what people found or decided about a car.

Holds the enums whose members are the words of `registry/dispositions.csv`, and the table
`DISPOSITION_PRECISION`. Does not belong here: what they do to states (`dispositions`), the
file itself (`pipeline`).
"""

from __future__ import annotations

from enum import Enum

import polars as pl

from features.tables import Column, Table


class Kind(Enum):
    """What a row of dispositions is."""

    FOUND = "what the workshop found"
    ACKNOWLEDGE = "the state is known and needs no further attention until it grows worse"
    SNOOZE = "the same, until a date"
    UNDO = "an earlier row does not count"

    @property
    def code(self) -> str:
        """The word in the file: `found`."""
        return self.name.lower()


class Outcome(Enum):
    """What the workshop found of a finding."""

    CONFIRMED = "the finding held"
    OTHER_CAUSE = "something was wrong, but not that"
    NO_FAULT_FOUND = "looked at, nothing was wrong"
    NOT_LOOKED_AT = "not looked at"

    @property
    def code(self) -> str:
        """The word in the file: `confirmed`."""
        return self.name.lower()


class Handling(Enum):
    """What a person's decision makes of a car's state."""

    ACKNOWLEDGED = "acknowledged"
    SNOOZED = "snoozed"
    REOPENED = "grew beyond what was acknowledged"

    @property
    def code(self) -> str:
        """The code stored with a state: `acknowledged`."""
        return self.name.lower()


KIND_CODES = tuple(kind.code for kind in Kind)
OUTCOME_CODES = tuple(outcome.code for outcome in Outcome)

_TEXT, _COUNT, _REAL = pl.String(), pl.Int32(), pl.Float64()

DISPOSITIONS_SCHEMA: dict[str, pl.DataType] = {
    "disposition_id": _TEXT,
    "recorded_at": pl.Datetime("us", "UTC"),
    "kind": _TEXT,
    "vehicle_id": _TEXT,
    "test_id": _TEXT,
    "finding_codes": _TEXT,
    "cause": _TEXT,
    "outcome": _TEXT,
    "until_date": pl.Date(),
    "undoes": _TEXT,
    "state": _TEXT,
    "worst_z": _REAL,
    "person": _TEXT,
    "reason": _TEXT,
}

DISPOSITION_PRECISION = Table(
    "disposition_precision",
    "one row per finding and model, and per finding over all models (model_id null)",
    ("finding_code", "model_id"),
    (
        Column("finding_code", _TEXT, "", "the finding that was looked at"),
        Column("model_id", _TEXT, "", "the model; null: all models"),
        Column("n_confirmed", _COUNT, "1", "cars on which it held"),
        Column("n_other_cause", _COUNT, "1", "cars with something else wrong"),
        Column("n_no_fault_found", _COUNT, "1", "cars with nothing wrong"),
        Column("n_not_looked_at", _COUNT, "1", "cars that were not looked at; not counted"),
        Column("precision", _REAL, "1", "share that held of those looked at; null: none was"),
        Column("precision_low", _REAL, "1", "lower end of its 95 % interval (Wilson)"),
        Column("precision_high", _REAL, "1", "upper end of its 95 % interval (Wilson)"),
    ),
)
