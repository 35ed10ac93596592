"""What a good mechanic who writes Python would write: pandas, row by row, scalar properties.

The script a workshop would do for itself: saturation temperatures by one property call per
row and pressure, superheats and subcoolings from them, rolling spreads, fan events, steady
stretches and their means. It does less than `features.derive` (no trust rules, no cycles,
no uncertainties, no enthalpies). Readings come as frames: no file is read in the time.

Run as `python -m tests.benchmarks.peer_loop FOLDER`; prints one line of JSON. Only so many
tests of the folder are done, spread over it, since all would take minutes to hours.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from CoolProp.CoolProp import PropsSI

from tests.benchmarks.sample_frames import read_frames

if TYPE_CHECKING:
    import pandas as pd

N_TESTS = 10
_WINDOW_S = 60
_STEADY_HIGH_SIDE_KPA, _STEADY_LOW_SIDE_KPA, _STEADY_DUCT_K = 30.0, 8.0, 0.5
_LEAST_WINDOW_S = 120
_FAN_STEP_PCT = 20.0


def read_test(log: pd.DataFrame, fluid: str) -> pd.DataFrame:
    """The means of the steady stretches of one test, a row per stretch."""
    evaporating, condensing, discharge_dew = [], [], []
    for row in log.itertuples():
        evaporating.append(saturated_c(row.low_side_kpa, 1, fluid))
        condensing.append(saturated_c(row.high_side_kpa, 0, fluid))
        discharge_dew.append(saturated_c(row.high_side_kpa, 1, fluid))
    log = log.assign(
        evaporating_c=evaporating,
        condensing_c=condensing,
        superheat_k=log.evaporator_outlet_c - evaporating,
        suction_superheat_k=log.compressor_suction_c - evaporating,
        discharge_superheat_k=log.compressor_discharge_c - discharge_dew,
        subcooling_k=condensing - log.condenser_outlet_c,
        inlet_subcooling_k=condensing - log.expansion_inlet_c,
        pressure_ratio=log.high_side_kpa / log.low_side_kpa,
        duct_drop_k=log.intake_air_c - log.duct_left_c,
        fan_event=log.condenser_fan_pct.diff().abs() > _FAN_STEP_PCT,
    )
    rolling = log.rolling(_WINDOW_S)
    steady = (
        (log.pressure_ratio > 1.5)
        & (rolling.high_side_kpa.std() < _STEADY_HIGH_SIDE_KPA)
        & (rolling.low_side_kpa.std() < _STEADY_LOW_SIDE_KPA)
        & (rolling.duct_left_c.std() < _STEADY_DUCT_K)
        & (rolling.fan_event.sum() == 0)
    )
    stretch = (steady != steady.shift()).cumsum()[steady]
    by_stretch = log[steady].drop(columns="test_id").groupby(stretch)
    return by_stretch.mean()[by_stretch.size() >= _LEAST_WINDOW_S]


def saturated_c(pressure_kpa: float, vapour_share: int, fluid: str) -> float:
    """Saturation temperature of one reading [degC]; NaN where there is none."""
    try:
        return PropsSI("T", "P", pressure_kpa * 1000.0, "Q", vapour_share, fluid) - 273.15
    except ValueError:
        return float("nan")


def main() -> None:
    """Do the tests one after the other; print how many and how long."""
    root = Path(sys.argv[1])
    n_logs = sum(1 for _ in (root / "logs").rglob("*.csv"))
    samples, context = read_frames(root, every=n_logs // N_TESTS + 1)
    fluids = dict(context.select("test_id", "refrigerant").iter_rows())
    logs = {test_id: log.to_pandas() for (test_id,), log in samples.group_by("test_id")}
    # what is built at the first call is not counted
    for fluid in set(fluids.values()):
        saturated_c(300.0, 1, fluid)
    start, own_start = time.perf_counter(), time.process_time()
    n_stretches = sum(len(read_test(log, fluids[test_id])) for test_id, log in logs.items())
    seconds, own_seconds = time.perf_counter() - start, time.process_time() - own_start
    if not n_stretches:
        raise RuntimeError("the loop found no steady stretch in any test")
    found = {"seconds": round(seconds, 3), "processor_seconds": round(own_seconds, 3)}
    print(json.dumps({**found, "tests": len(logs)}))


if __name__ == "__main__":
    main()
