"""What was really so: frames for the truth store, which lies outside every workspace.

`truth_of_tests` per test, `station_truth` true values at each place of a logger late in a
test, and repairs and vehicles as they really were. Does not belong here: registry files.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from synthetic.car_models import MODEL
from synthetic.troubles import KINDS

if TYPE_CHECKING:
    from pathlib import Path

    from synthetic.fleet import Fleet
    from synthetic.plant.curves import Curves

# the last part of a test, over which true station values are averaged [s]
LATE_S = 300


def truth_of_tests(tests: pl.DataFrame) -> pl.DataFrame:
    """The truth per test: faults and severities, onset, charge, conditions, mishaps."""
    nominal = pl.col("model_id").replace_strict(
        {name: model.charge_g for name, model in MODEL.items()}, return_dtype=pl.Float64
    )
    return tests.select(
        "test_id",
        "log",
        "vehicle_id",
        "model_id",
        "started_at",
        (pl.col("true_severity") > 0).alias("is_faulty"),
        pl.col("true_fault").alias("fault"),
        pl.col("true_severity").alias("severity"),
        pl.col("true_onset").cast(pl.Date).alias("onset_date"),
        pl.col("true_n_faults").alias("n_faults"),
        *(pl.col(f"true_severity_{kind}").alias(f"severity_{kind}") for kind in KINDS),
        "true_charge_g",
        (pl.col("true_charge_g") / nominal).round(4).alias("true_charge_share"),
        pl.col("true_batch_id").alias("batch_id"),
        pl.col("true_mishap").alias("mishap"),
        pl.col("true_is_sloppy").alias("is_sloppy"),
        "true_logged_s",
        "true_ambient_c",
        "true_ambient_humidity_pct",
        "true_site_kpa",
        "true_condenser_rise_k",
        pl.col("fit_intake_stray_share").alias("true_intake_stray_share"),
        "purpose",
        "repair_id",
    )


def station_truth(tests: pl.DataFrame, truth: Curves) -> pl.DataFrame:
    """True mean of each curve over the last five minutes with the compressor at work, per test.

    Null where it never worked then.
    """
    late = slice(-LATE_S, None)
    runs = truth["compressor_on"][late] > 0
    n_running = runs.sum(axis=0)
    columns = [tests["test_id"], pl.Series("running_s", n_running.astype(np.int64))]
    for name, curve in truth.items():
        total = np.where(runs, curve[late], 0.0).sum(axis=0)
        mean = np.divide(total, n_running, out=np.full(total.shape, np.nan), where=n_running > 0)
        columns.append(pl.Series(f"true_{name}", np.round(mean, 4)).fill_nan(None))
    return pl.DataFrame(columns)


def _unprefixed(frame: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """The keys and all `true_` columns without that prefix."""
    if not frame.width:
        return frame
    true = [name for name in frame.columns if name.startswith("true_")]
    return frame.select(*keys, *(pl.col(name).alias(name.removeprefix("true_")) for name in true))


def write_truth(fleet: Fleet, stations: pl.DataFrame, folder: Path) -> Path:
    """The truth tables as Parquet and CSV; the path of the one per test is returned."""
    folder.mkdir(parents=True, exist_ok=True)
    frames = {
        "truth_tests": truth_of_tests(fleet.tests),
        "truth_stations": stations,
        "truth_repairs": _unprefixed(
            fleet.repairs, ["repair_id", "vehicle_id", "performed_at", "shop_id", "action"]
        ),
        "truth_vehicles": _unprefixed(fleet.vehicles, ["vehicle_id", "model_id", "build_date"]),
    }
    for name, frame in frames.items():
        if frame.width:
            frame.write_parquet(folder / f"{name}.parquet", statistics=False)
            frame.write_csv(folder / f"{name}.csv")
    return folder / "truth_tests.parquet"
