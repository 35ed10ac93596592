"""Registry files of the invented fleet, with the columns of the input contract.

`registry_frames` gives one frame per file; `write_registry` writes them as CSV. Columns that
only truth knows never get here. Does not belong here: the plan itself (`fleet`), log files
(`dialects`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from synthetic.car_models import FLEET_MODELS
from synthetic.scenario import INSTRUMENTS
from synthetic.service import WARRANTY_KM, WARRANTY_MONTHS

if TYPE_CHECKING:
    from pathlib import Path

    from synthetic.fleet import Fleet

_TESTS = (
    "log", "vehicle_id", "started_at", "test_id", "site_id", "technician_id", "purpose",
    "repair_id", "protocol", "odometer_km", "altitude_m", "barometric_kpa", "ambient_c",
    "ambient_humidity_pct", "recirculation", "blower_pct", "doors_open", "cabin_setpoint_c",
    "instrument_id", "clamps_insulated",
)  # fmt: skip
_VEHICLES = (
    "vehicle_id", "model_id", "build_date", "in_service_date", "plant", "region", "fleet",
    "odometer_km", "last_seen_date",
)  # fmt: skip
_REPAIRS = (
    "repair_id", "vehicle_id", "performed_at", "shop_id", "technician_id", "odometer_km",
    "complaint", "component", "action", "recovered_g", "charged_g", "oil_ml", "leak_found",
    "part_number", "supplier", "part_lot", "parts_cost", "labour_cost", "claim_id", "reported_at",
)  # fmt: skip


def _models(n_models: int) -> pl.DataFrame:
    """The models of the fleet."""
    return pl.DataFrame(
        [
            {
                "model_id": model.model_id,
                "refrigerant": model.refrigerant,
                "charge_g": model.charge_g,
                "compressor": model.compressor,
                "control_target": model.control_target,
                "expansion_device": model.expansion_device,
                "internal_heat_exchanger": model.internal_heat_exchanger,
                "rear_evaporator": model.rear_evaporator,
                "receiver": model.receiver,
                "low_port_station": model.low_port_station,
                "high_port_station": model.high_port_station,
                "condenser_fan_stages": model.condenser_fan_stages,
                "warranty_months": WARRANTY_MONTHS,
                "warranty_km": WARRANTY_KM,
            }
            for model in FLEET_MODELS[:n_models]
        ]
    )


def _instruments() -> pl.DataFrame:
    """Accuracy of every instrument, one row per instrument and channel it states."""
    rows = [
        {
            "instrument_id": each.instrument_id,
            "channel": channel,
            "accuracy": accuracy,
            "resolution": resolution,
            "calibrated_on": each.calibrated_on,
        }
        for each in INSTRUMENTS
        for channel, accuracy, resolution in (
            ("low_side_kpa", each.low_side_kpa, 0.7),
            ("high_side_kpa", each.high_side_kpa, 0.7),
            ("compressor_suction_c", each.temperature_k, 0.1),
            ("compressor_discharge_c", each.temperature_k, 0.1),
            ("condenser_outlet_c", each.temperature_k, 0.1),
            ("expansion_inlet_c", each.temperature_k, 0.1),
            ("evaporator_outlet_c", each.temperature_k, 0.1),
        )
    ]
    return pl.DataFrame(rows)


def _volumes(vehicles: pl.DataFrame) -> pl.DataFrame:
    """Cars built per model and month: the fleet is a sample of one in forty."""
    return (
        vehicles.group_by(
            "model_id", pl.col("build_date").dt.strftime("%Y-%m").alias("build_month")
        )
        .agg((pl.len() * 40).alias("vehicles_built"))
        .sort("model_id", "build_month")
    )


def registry_frames(fleet: Fleet, *, n_models: int) -> dict[str, pl.DataFrame]:
    """One frame per registry file, by file name without suffix."""
    has_repairs = fleet.repairs.height > 0
    return {
        "models": _models(n_models),
        "vehicles": fleet.vehicles.select(_VEHICLES),
        "tests": fleet.tests.select(_TESTS),
        "repairs": fleet.repairs.select(_REPAIRS)
        if has_repairs
        else pl.DataFrame(schema=dict.fromkeys(_REPAIRS, pl.String)),
        "instruments": _instruments(),
        "volumes": _volumes(fleet.vehicles),
    }


def write_registry(fleet: Fleet, folder: Path, *, n_models: int) -> list[Path]:
    """The registry files written into a folder, which is made if it is not there."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, frame in registry_frames(fleet, n_models=n_models).items():
        path = folder / f"{name}.csv"
        frame.write_csv(path)
        written.append(path)
    return written
