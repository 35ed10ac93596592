"""The registry's tables: models, vehicles, tests, repairs, instruments, volumes, dispositions.

Holds one `RegistryTable` per file: its columns, which of them are required, which words
a column may hold, between which limits a number makes sense, and which other table it
refers to. Schemas, checks, empty files and documentation derive from it. Does not
belong here: reading and checking (`registry`, `registry_checks`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

from features.channels import CHANNELS
from features.tables import Column, Table
from models.disposition_tables import KIND_CODES, OUTCOME_CODES

Kind = Literal["text", "number", "count", "truth", "date", "instant", "month"]

_TYPES: dict[Kind, pl.DataType] = {
    "text": pl.String(),
    "number": pl.Float64(),
    "count": pl.Int64(),
    "truth": pl.Boolean(),
    "date": pl.Date(),
    "instant": pl.Datetime("us", "UTC"),
    "month": pl.Date(),
}


@dataclass(frozen=True)
class Entry:
    """One column of a registry file.

    `choices` are the words allowed (empty: any text); `refers_to` is `table.column` of
    the row that must exist (with `may_dangle_when_empty` only if that table has rows);
    `lowest` and `highest` bound what a number can be at all.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    required: bool = False
    choices: tuple[str, ...] = ()
    refers_to: str = ""
    may_dangle_when_empty: bool = False
    lowest: float = float("-inf")
    highest: float = float("inf")


@dataclass(frozen=True)
class RegistryTable:
    """One registry file: name, grain, key, entries, and columns that reading adds."""

    name: str
    grain: str
    key: tuple[str, ...]
    entries: tuple[Entry, ...]
    added: tuple[Column, ...] = ()
    optional: bool = False

    @property
    def entry(self) -> dict[str, Entry]:
        """The entries by name."""
        return {entry.name: entry for entry in self.entries}

    @property
    def table(self) -> Table:
        """The contract of the frame that reading gives."""
        read = (Column(e.name, _TYPES[e.kind], e.unit, e.meaning) for e in self.entries)
        return Table(self.name, self.grain, self.key, (*read, *self.added))


MODEL_ENTRIES = RegistryTable(
    "models", "one row per vehicle model", ("model_id",),
    (
        Entry("model_id", "text", "the vehicle model", required=True),
        Entry("refrigerant", "text", "trade designation, such as R1234yf or R134a", required=True),
        Entry("charge_g", "number", "nominal refrigerant charge", "g", lowest=1, highest=20_000),
        Entry("compressor", "text", "kind of compressor", choices=(
            "fixed_clutch", "variable_internal", "variable_external", "electric")),
        Entry("control_target", "text", "what the compressor control holds", choices=(
            "evaporator_temperature", "suction_pressure", "flow")),
        Entry("expansion_device", "text", "kind of expansion device", choices=(
            "txv", "orifice_tube", "electronic")),
        Entry("internal_heat_exchanger", "truth", "has an internal heat exchanger"),
        Entry("rear_evaporator", "truth", "has a second evaporator at the rear"),
        Entry("receiver", "text", "where the refrigerant reserve sits", choices=(
            "integrated", "separate", "accumulator")),
        Entry("low_port_station", "text", "where the low-side port sits", choices=(
            "evaporator_outlet", "compressor_suction")),
        Entry("high_port_station", "text", "where the high-side port sits", choices=(
            "compressor_discharge", "condenser_outlet")),
        Entry("condenser_fan_stages", "count", "stages of the condenser fan", "1",
              lowest=0, highest=20),
        Entry("warranty_months", "number", "length of the warranty", "months", lowest=0),
        Entry("warranty_km", "number", "distance under warranty", "km", lowest=0),
        Entry("architecture", "text", "label of like circuits, used for pooling"),
    ),
    added=(
        Column("refusal_code", pl.String(), "", "why tests of the model are refused; null: read"),
        Column("refusal", pl.String(), "", "the same as a sentence"),
    ),
)  # fmt: skip

VEHICLE_ENTRIES = RegistryTable(
    "vehicles", "one row per vehicle", ("vehicle_id",),
    (
        Entry("vehicle_id", "text", "the vehicle", required=True),
        Entry("model_id", "text", "its model", required=True, refers_to="models.model_id"),
        Entry("build_date", "date", "day it was built"),
        Entry("in_service_date", "date", "first day in service"),
        Entry("plant", "text", "where it was built"),
        Entry("region", "text", "where it runs"),
        Entry("fleet", "text", "the fleet it belongs to"),
        Entry("odometer_km", "number", "odometer when last seen", "km", lowest=0),
        Entry("last_seen_date", "date", "day it was last seen"),
    ),
)  # fmt: skip

TEST_ENTRIES = RegistryTable(
    "tests", "one row per log file", ("log",),
    (
        Entry("log", "text", "path of the log file under logs/", required=True),
        Entry("vehicle_id", "text", "the vehicle under test", required=True,
              refers_to="vehicles.vehicle_id"),
        Entry("started_at", "instant", "start of the log", required=True),
        Entry("test_id", "text", "the test; null: the hash of the log file serves"),
        Entry("site_id", "text", "where the test was run"),
        Entry("technician_id", "text", "who ran it"),
        Entry("purpose", "text", "why it was run", choices=(
            "screening", "complaint", "before_repair", "after_repair", "claim")),
        Entry("repair_id", "text", "the repair it belongs to", refers_to="repairs.repair_id"),
        Entry("protocol", "text", "free label of the test protocol"),
        Entry("profile", "text", "logger profile; null: recognised from the file"),
        Entry("odometer_km", "number", "odometer at the test", "km", lowest=0),
        Entry("altitude_m", "number", "altitude of the place", "m", lowest=-500, highest=6000),
        Entry("barometric_kpa", "number", "barometric pressure of the place, not reduced to "
              "sea level", "kPa", lowest=45, highest=112),
        Entry("ambient_c", "number", "ambient air", "degC", lowest=-50, highest=70),
        Entry("ambient_humidity_pct", "number", "ambient relative humidity", "%",
              lowest=0, highest=100),
        Entry("recirculation", "text", "air intake setting", choices=(
            "fresh", "recirculated", "mixed")),
        Entry("blower_pct", "number", "blower setting", "%", lowest=0, highest=100),
        Entry("doors_open", "truth", "doors were open"),
        Entry("cabin_setpoint_c", "number", "temperature asked for", "degC",
              lowest=5, highest=40),
        Entry("instrument_id", "text", "the instrument used",
              refers_to="instruments.instrument_id", may_dangle_when_empty=True),
        Entry("clamps_insulated", "truth", "temperature clamps were insulated"),
    ),
)  # fmt: skip

REPAIR_ENTRIES = RegistryTable(
    "repairs", "one row per repair or service event", ("repair_id",),
    (
        Entry("repair_id", "text", "the repair", required=True),
        Entry("vehicle_id", "text", "the vehicle repaired", required=True,
              refers_to="vehicles.vehicle_id"),
        Entry("performed_at", "instant", "when it was done", required=True),
        Entry("shop_id", "text", "the shop"),
        Entry("technician_id", "text", "who did it"),
        Entry("odometer_km", "number", "odometer at the repair", "km", lowest=0),
        Entry("complaint", "text", "what the driver said"),
        Entry("component", "text", "the component worked on"),
        Entry("action", "text", "what was done", choices=(
            "inspect", "leak_repair", "replace", "recharge", "airflow", "electrical", "none")),
        Entry("recovered_g", "number", "refrigerant recovered", "g", lowest=0, highest=20_000),
        Entry("charged_g", "number", "refrigerant charged", "g", lowest=0, highest=20_000),
        Entry("oil_ml", "number", "oil added", "ml", lowest=0, highest=5000),
        Entry("leak_found", "truth", "a leak was found"),
        Entry("part_number", "text", "part fitted"),
        Entry("supplier", "text", "its supplier"),
        Entry("part_lot", "text", "its lot"),
        Entry("parts_cost", "number", "cost of parts", "currency of the workspace", lowest=0),
        Entry("labour_cost", "number", "cost of labour", "currency of the workspace", lowest=0),
        Entry("claim_id", "text", "the warranty claim"),
        Entry("reported_at", "instant", "when the claim was reported"),
    ),
    optional=True,
)  # fmt: skip

INSTRUMENT_ENTRIES = RegistryTable(
    "instruments", "one row per instrument and channel", ("instrument_id", "channel"),
    (
        Entry("instrument_id", "text", "the instrument", required=True),
        Entry("channel", "text", "the channel it measures", required=True,
              choices=tuple(channel.name for channel in CHANNELS)),
        Entry("accuracy", "number", "half width of its 95 % interval",
              "the channel's unit", lowest=0),
        Entry("resolution", "number", "smallest step it shows", "the channel's unit", lowest=0),
        Entry("calibrated_on", "date", "last calibration"),
    ),
    optional=True,
)  # fmt: skip

VOLUME_ENTRIES = RegistryTable(
    "volumes", "one row per model, build month and plant", ("model_id", "build_month", "plant"),
    (
        Entry("model_id", "text", "the vehicle model", required=True,
              refers_to="models.model_id"),
        Entry("build_month", "month", "first day of the build month", required=True),
        Entry("vehicles_built", "count", "vehicles built", "1", required=True, lowest=0),
        Entry("plant", "text", "where they were built"),
    ),
    optional=True,
)  # fmt: skip

DISPOSITION_ENTRIES = RegistryTable(
    "dispositions", "one row per thing found or decided about a vehicle", ("disposition_id",),
    (
        Entry("disposition_id", "text", "the row, counted up", required=True),
        Entry("recorded_at", "instant", "when it was written", required=True),
        Entry("kind", "text", "what the row is", required=True, choices=KIND_CODES),
        Entry("vehicle_id", "text", "the vehicle", required=True),
        Entry("test_id", "text", "the test it is about; null: the state of the vehicle"),
        Entry("finding_codes", "text", "the findings it is about, separated by blanks"),
        Entry("cause", "text", "the cause it is about, or that was found"),
        Entry("outcome", "text", "what the workshop found", choices=OUTCOME_CODES),
        Entry("until_date", "date", "day from which it no longer counts"),
        Entry("undoes", "text", "the earlier row that this one takes back"),
        Entry("state", "text", "state of the vehicle at that time"),
        Entry("worst_z", "number", "its largest adverse deviation at that time, in spreads", "1"),
        Entry("person", "text", "who found or decided it"),
        Entry("reason", "text", "why, in their words"),
    ),
    optional=True,
)  # fmt: skip

REGISTRY_FILES: tuple[RegistryTable, ...] = (
    MODEL_ENTRIES, VEHICLE_ENTRIES, TEST_ENTRIES, REPAIR_ENTRIES,
    INSTRUMENT_ENTRIES, VOLUME_ENTRIES, DISPOSITION_ENTRIES,
)  # fmt: skip

REGISTRY_TABLES: dict[str, Table] = {file.name: file.table for file in REGISTRY_FILES}
