"""The same test on the same car without its fault: what a fault really changed.

Takes planned tests, simulates those of a car with a fault a second time with the fault gone
and the charge of the works, and gives true station values as of `truth`, named `healthy_*`,
with the receiver's reserve. Faults that a control makes up for, or a reserve covers, change
none of them. A car whose charge is off what the works filled has a twin too, however little:
what it shows decides whether anything is wrong with it. Does not belong here: logs, which know
nothing of this (`logs`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from synthetic.car_models import MODEL
from synthetic.car_tests import Row, simulate_stations
from synthetic.lives import WORKS_FILL_SPREAD
from synthetic.plant.curves import true_curves
from synthetic.plant.properties import Charge
from synthetic.troubles import KINDS
from synthetic.truth import LATE_S, station_truth

if TYPE_CHECKING:
    from synthetic.plant.arrays import Batch, FloatArray
    from synthetic.plant.simulate import Stations

_OF_CHARGE = ("undercharge", "overcharge")
# of the nominal charge; fills of the works stray as far
_OFF_FILL_SHARE = 2.5 * WORKS_FILL_SPREAD


def healthy_row(row: Row) -> Row:
    """The planned test with nothing wrong; a charge that was off is what the works filled."""
    healthy = row | {f"true_severity_{kind}": 0.0 for kind in KINDS}
    if is_off_fill(row) or any(row[f"true_severity_{kind}"] > 0 for kind in _OF_CHARGE):
        healthy["true_charge_g"] = _works_fill_g(row)
    return healthy


def is_off_fill(row: Row) -> bool:
    """Whether the charge is further from what the works filled than fills of the works stray."""
    allowed_g = _OFF_FILL_SHARE * MODEL[row["model_id"]].charge_g
    return bool(abs(row["true_charge_g"] - _works_fill_g(row)) > allowed_g)


def _works_fill_g(row: Row) -> float:
    share = 1.0 + WORKS_FILL_SPREAD * float(row["own_charge"])
    return round(MODEL[row["model_id"]].charge_g * share, 1)


def healthy_twins(tests: pl.DataFrame, *, seconds: int, rng: np.random.Generator) -> pl.DataFrame:
    """One row per test with a fault or a charge that is off: test_id, healthy_*, reserve.

    `reserve_g` is the liquid that stood in the receiver, `room_g` what more it could have
    taken; null without a receiver on the high side.
    """
    is_off = pl.Series([is_off_fill(row) for row in tests.to_dicts()], dtype=pl.Boolean)
    ill = tests.filter((pl.col("true_severity") > 0) | is_off)
    if ill.is_empty():
        return pl.DataFrame({"test_id": []}, schema={"test_id": pl.String})
    rows = [healthy_row(row) for row in ill.to_dicts()]
    stations, cars = simulate_stations(rows, seconds, rng)
    values = station_truth(ill, true_curves(stations, cars)).drop("running_s")
    reserve_g, room_g = _reserve_g(stations, cars)
    return values.rename(lambda name: name.replace("true_", "healthy_", 1)).with_columns(
        pl.Series("healthy_charge_g", [row["true_charge_g"] for row in rows], pl.Float64),
        pl.Series("reserve_g", reserve_g, pl.Float64, nan_to_null=True),
        pl.Series("room_g", room_g, pl.Float64, nan_to_null=True),
    )


def _reserve_g(stations: Stations, cars: Batch) -> tuple[FloatArray, FloatArray]:
    """Liquid in the receiver late in each test [g], and the room that was left there."""
    late = slice(-LATE_S, None)
    charge = Charge.of(cars.refrigerant, cars.contaminant, cars.contaminant_share)
    at = charge.saturation(stations.condenser_outlet_kpa[late].mean(axis=0))
    whole = 1000.0 * cars.receiver_m3 * (at.liquid_kg_per_m3 - at.vapour_kg_per_m3)
    whole = np.where(cars.receiver_m3 > 0.0, whole, np.nan)
    filled = stations.receiver_filled[late].mean(axis=0)
    return np.round(whole * filled, 1), np.round(whole * (1.0 - filled), 1)
