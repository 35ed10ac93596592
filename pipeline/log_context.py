"""What the registry says of each log: the car, its circuit, the place, the protocol.

Takes the registry, gives one frame with a row per tests row: the columns of
`features.context.CONTEXT`, the profile asked for, and why a model's tests are refused.
Does not belong here: reading the registry (`registry`), deciding what to read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.context import CONTEXT

if TYPE_CHECKING:
    from pipeline.registry import Registry

_OF_THE_MODEL = (
    "model_id",
    "refrigerant",
    "charge_g",
    "compressor",
    "control_target",
    "expansion_device",
    "internal_heat_exchanger",
    "rear_evaporator",
    "receiver",
    "low_port_station",
    "high_port_station",
    "architecture",
    "refusal_code",
    "refusal",
)


def log_contexts(registry: Registry, site_altitude_m: float | None) -> pl.DataFrame:
    """One row per tests row, sorted by log path.

    Columns of `CONTEXT` (test_id null where the content hash is to stand in), profile,
    refusal_code and refusal (null unless tests of the model are refused). A test that
    states no altitude stands at the workspace's own.
    """
    tests = registry.tests.rename({"log": "log_path"}).with_columns(
        pl.col("altitude_m").fill_null(pl.lit(site_altitude_m, pl.Float64))
    )
    return (
        tests.join(registry.vehicles.select("vehicle_id", "model_id"), "vehicle_id", "left")
        .join(registry.models.select(_OF_THE_MODEL), "model_id", "left")
        .select(*CONTEXT.schema, "profile", "refusal_code", "refusal")
        .sort("log_path")
    )
