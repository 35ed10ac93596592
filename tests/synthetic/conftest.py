"""A bench for single cars: one average car of a model, one condition, with or without a fault."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
import pytest

from synthetic.behaviour import simulate
from synthetic.fleet import OWN
from synthetic.moist_air import site_pressure_kpa
from synthetic.refrigerants import FLUIDS, saturation_temperature_c
from synthetic.scenario import MODELS

_SECONDS = 900


@dataclass(frozen=True)
class Setup:
    """One test on the bench."""

    model_id: str
    ambient_c: float = 30.0
    humidity_pct: float = 50.0
    fault: str = "none"
    severity: float = 0.0
    engine_rpm: float = 1500.0
    blower_pct: float = 100.0
    doors_open: bool = True
    recirculated_share: float = 0.88
    altitude_m: float = 0.0
    short_g: float = 0.0
    own: dict[str, float] = field(default_factory=dict)


def _row(setup):
    model = next(model for model in MODELS if model.model_id == setup.model_id)
    short = setup.short_g + (
        0.6 * setup.severity * model.charge_g if setup.fault == "undercharge" else 0.0
    )
    return {
        "model_id": setup.model_id,
        "blower_pct": setup.blower_pct,
        "doors_open": setup.doors_open,
        "true_fault": setup.fault,
        "true_severity": setup.severity,
        "true_charge_g": model.charge_g - short,
        "true_ambient_c": setup.ambient_c,
        "true_ambient_humidity_pct": setup.humidity_pct,
        "true_site_kpa": float(site_pressure_kpa(np.array(setup.altitude_m))),
        "true_engine_rpm": setup.engine_rpm,
        "true_start_s": 20.0,
        "true_raise_after_s": 40.0,
        "true_soak_k": 2.0,
        "true_condenser_rise_k": 5.5,
        "true_recirculated_share": setup.recirculated_share,
        "true_set_point_c": None,
        "true_intake_stray_share": 0.0,
        **dict.fromkeys(OWN, 0.0),
        **setup.own,
    }


def _bench(setups):
    """Curves of every setup, and the derived temperatures a technician would work out."""
    tests = pl.DataFrame([_row(setup) for setup in setups]).with_columns(
        pl.col("true_set_point_c").cast(pl.Float64)
    )
    curves = dict(simulate(tests, seconds=_SECONDS, rng=np.random.default_rng(5)).values)
    refrigerant = {model.model_id: model.refrigerant for model in MODELS}
    fluid = np.array([FLUIDS.index(refrigerant[setup.model_id]) for setup in setups])
    evaporating = saturation_temperature_c(fluid, curves["low_side_kpa"])
    condensing = saturation_temperature_c(fluid, curves["high_side_kpa"])
    curves["evaporating_c"] = evaporating
    curves["condensing_c"] = condensing
    curves["evaporator_superheat_k"] = curves["evaporator_outlet_c"] - evaporating
    curves["suction_superheat_k"] = curves["compressor_suction_c"] - evaporating
    curves["subcooling_k"] = condensing - curves["condenser_outlet_c"]
    curves["condensing_over_ambient_k"] = condensing - curves["ambient_air_c"]
    curves["pressure_ratio"] = curves["high_side_kpa"] / curves["low_side_kpa"]
    curves["duct_air_c"] = (curves["duct_left_c"] + curves["duct_right_c"]) / 2.0
    curves["approach_k"] = curves["duct_air_c"] - evaporating
    return curves


def _settled(curves, name):
    """Mean of a curve over the running compressor in the last five minutes, one per setup."""
    late = slice(_SECONDS - 300, None)
    running = curves["compressor_on"][late] > 0
    return np.nanmean(np.where(running, curves[name][late], np.nan), axis=0)


@pytest.fixture(scope="session")
def bench():
    return _bench


@pytest.fixture(scope="session")
def settled():
    return _settled


@pytest.fixture(scope="session")
def setup_of():
    return Setup
