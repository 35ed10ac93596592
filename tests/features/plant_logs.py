"""Logs of the simulated plant for tests of trust rules: cars in order and with any fault.

Independent of the rules: the plant shares no formula with `features`.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl

from synthetic.car_models import MODEL
from synthetic.car_tests import run_tests
from synthetic.fleet import FleetSize, plan_fleet
from synthetic.planned_tests import Habits
from synthetic.troubles import KINDS

SECONDS = 600
LOGGED = (
    "low_side_kpa", "high_side_kpa", "compressor_suction_c", "compressor_discharge_c",
    "condenser_outlet_c", "expansion_inlet_c", "evaporator_outlet_c", "duct_left_c",
    "duct_right_c", "intake_air_c", "ambient_air_c", "engine_rpm",
)  # fmt: skip
TEMPERATURES = tuple(name for name in LOGGED if name.endswith("_c"))


@cache
def plant_logs(n=60, seed=20260611):
    """Samples and context of logs without a sensor mishap; every second car has a fault."""
    rng = np.random.default_rng(seed)
    size = FleetSize(n, n, 0.0, n_models=10, habits=Habits(mishap_share=0.0, seconds=SECONDS))
    tests = plan_fleet(np.random.default_rng(seed + 1), size).tests.to_dicts()
    for number, row in enumerate(tests):
        kind, severity = str(rng.choice(KINDS)), float(rng.uniform(0.3, 1.0))
        if number % 2 and kind == "undercharge":
            row["true_charge_g"] = MODEL[row["model_id"]].charge_g * (1.0 - 0.75 * severity)
        elif number % 2:
            row[f"true_severity_{kind}"] = severity
    planned = pl.DataFrame(tests, infer_schema_length=None)
    read = run_tests(planned, seconds=SECONDS, rng=np.random.default_rng(seed + 2)).read
    names = [f"p{number:03d}" for number in range(n)]
    samples = pl.concat(
        pl.DataFrame(
            {
                "test_id": [name] * SECONDS,
                "time_s": np.arange(float(SECONDS)),
                **{channel: read[channel][:, number] for channel in LOGGED},
            }
        )
        for number, name in enumerate(names)
    ).with_columns(pl.selectors.float().fill_nan(None))
    told = planned.select("altitude_m", "barometric_kpa", "ambient_c", "model_id").with_columns(
        test_id=pl.Series(names),
        refrigerant=pl.Series([MODEL[row["model_id"]].refrigerant for row in tests]),
    )
    return samples, told
