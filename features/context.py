"""What is known of a test besides its samples: the car, its circuit, the place, the protocol.

Holds the table `CONTEXT`, one row per test, which the pipeline makes from the registry
and which `features`, `models` and `reports` take. Does not belong here: reading the
registry, and anything measured by the logger.
"""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table

CONTEXT = Table(
    "context",
    "one row per test",
    ("test_id",),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("vehicle_id", pl.String(), "", "the vehicle under test"),
        Column("model_id", pl.String(), "", "its model"),
        Column("log_path", pl.String(), "", "the log file, relative to the logs folder"),
        Column("started_at", pl.Datetime("us", "UTC"), "", "start of the log, UTC"),
        Column("refrigerant", pl.String(), "", "trade designation of the refrigerant"),
        Column(
            "compressor",
            pl.String(),
            "",
            "fixed_clutch, variable_internal, variable_external or electric",
        ),
        Column(
            "control_target",
            pl.String(),
            "",
            "what the compressor control holds: evaporator_temperature, suction_pressure or flow",
        ),
        Column("expansion_device", pl.String(), "", "txv, orifice_tube or electronic"),
        Column("internal_heat_exchanger", pl.Boolean(), "", "has an internal heat exchanger"),
        Column("rear_evaporator", pl.Boolean(), "", "has a second evaporator at the rear"),
        Column("receiver", pl.String(), "", "integrated, separate or accumulator"),
        Column(
            "low_port_station",
            pl.String(),
            "",
            "where the low-side port sits: evaporator_outlet or compressor_suction",
        ),
        Column(
            "high_port_station",
            pl.String(),
            "",
            "where the high-side port sits: compressor_discharge or condenser_outlet",
        ),
        Column("architecture", pl.String(), "", "label of like circuits, used for pooling"),
        Column("charge_g", pl.Float64(), "g", "nominal refrigerant charge"),
        Column("ambient_c", pl.Float64(), "degC", "ambient air as noted for the test"),
        Column("ambient_humidity_pct", pl.Float64(), "%", "ambient relative humidity as noted"),
        Column("altitude_m", pl.Float64(), "m", "altitude of the place above sea level"),
        Column("barometric_kpa", pl.Float64(), "kPa", "barometric pressure as noted"),
        Column("recirculation", pl.String(), "", "fresh, recirculated or mixed"),
        Column("blower_pct", pl.Float64(), "%", "blower setting as noted"),
        Column("doors_open", pl.Boolean(), "", "doors stood open during the test"),
        Column("cabin_setpoint_c", pl.Float64(), "degC", "cabin temperature asked for"),
        Column(
            "purpose",
            pl.String(),
            "",
            "screening, complaint, before_repair, after_repair or claim",
        ),
        Column("protocol", pl.String(), "", "free label of the test protocol"),
        Column("site_id", pl.String(), "", "where the test was run"),
        Column("technician_id", pl.String(), "", "who ran it"),
        Column("instrument_id", pl.String(), "", "the instrument that logged it"),
        Column("clamps_insulated", pl.Boolean(), "", "temperature clamps were insulated"),
        Column("repair_id", pl.String(), "", "the repair that the test belongs to"),
        Column("odometer_km", pl.Float64(), "km", "odometer reading at the test"),
    ),
)
