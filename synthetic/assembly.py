"""From planned tests to the sizes of every car in a batch.

`assemble` takes a frame of planned tests (one row per test, from `fleet`) and gives the
`Plant` of `batch`: the parts of each car's model, the car's own scatter, the state of charge,
the weather and the faults. Does not belong here: how the cars move (`circuit`, `controls`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic.batch import BoolArray, Plant
from synthetic.faults import defects
from synthetic.moist_air import water_content
from synthetic.refrigerants import FLUIDS, FloatArray, IntArray
from synthetic.scenario import MODELS

if TYPE_CHECKING:
    from collections.abc import Callable

    import polars as pl

    from synthetic.faults import Defects
    from synthetic.scenario import Model, Parts

# Share of the nominal charge that fills the subcooling end of the condenser
_SUBCOOLING_ZONE = 0.13
# Of what is missing beyond that, the share of vapour that leaves the condenser instead
_CIRCULATING_SHARE = 0.85


@dataclass(frozen=True)
class _Sizes:
    """Look-up of model sizes and own scatter for the tests of a batch."""

    tests: pl.DataFrame
    which: IntArray

    def of_parts(self, read: Callable[[Parts], object]) -> FloatArray:
        """A size of each test's model, one number (or tuple) per test."""
        return np.array([read(model.parts) for model in MODELS], dtype=np.float64)[self.which]

    def of_model(self, read: Callable[[Model], bool]) -> BoolArray:
        """A property of each test's model."""
        return np.array([read(model) for model in MODELS], dtype=np.bool_)[self.which]

    def column(self, name: str) -> FloatArray:
        """A column of the planned tests as numbers."""
        return self.tests[name].to_numpy().astype(np.float64)

    def scattered(self, size: FloatArray, own: str, spread: float) -> FloatArray:
        """A size changed by each car's own share."""
        share = 1.0 + spread * self.column(own)
        return np.asarray(size * (share if size.ndim == 1 else share[:, None]))


def model_index(tests: pl.DataFrame) -> IntArray:
    """Index into `MODELS` of each test's car."""
    place = {model.model_id: index for index, model in enumerate(MODELS)}
    return np.array([place[name] for name in tests["model_id"]], dtype=np.int64)


def _charge_state(sizes: _Sizes) -> tuple[FloatArray, FloatArray]:
    """Filling of the subcooling zone (0 to 1) and vapour share at the condenser outlet.

    The receiver's reserve is lost first and shows nowhere; then the subcooling zone empties;
    then vapour leaves the condenser.
    """
    nominal = np.array([model.charge_g for model in MODELS])[sizes.which]
    beyond = nominal - sizes.column("true_charge_g") - sizes.of_parts(lambda p: p.reserve_g)
    zone = _SUBCOOLING_ZONE * nominal
    fill = 1.0 - np.clip(beyond / zone, 0.0, 1.0)
    quality = np.clip((beyond - zone) / (_CIRCULATING_SHARE * nominal), 0.0, 0.6)
    return fill, quality


def _fin_target_c(sizes: _Sizes) -> FloatArray:
    """Leaving-air temperature that thermistor or controller aims at."""
    auto = sizes.tests["true_set_point_c"].is_not_null().to_numpy()
    target = np.where(auto, 7.0, 4.0) + 0.6 * sizes.column("own_target")
    return np.where(sizes.of_model(lambda m: m.has_clutch), 1.9, target)


def _blower_kg_per_s(sizes: _Sizes) -> FloatArray:
    """Air over the coil: blower setting, the car's own blower, thinner air in the heights."""
    full = sizes.scattered(sizes.of_parts(lambda p: p.blower_kg_per_s), "own_blower", 0.03)
    setting = 0.15 + 0.85 * sizes.column("blower_pct") / 100.0
    return np.asarray(full * setting * sizes.column("true_site_kpa") / 101.3)


def _fan_kw_per_k(sizes: _Sizes) -> FloatArray:
    """Condenser conductance per fan stage, shape (tests, 3)."""
    rated = sizes.of_parts(lambda p: p.condenser_fan_kw_per_k)
    thin = (sizes.column("true_site_kpa") / 101.3) ** 0.8
    return sizes.scattered(rated, "own_condenser", 0.05) * thin[:, None]


def _ambient_content(sizes: _Sizes) -> FloatArray:
    """Water content of the outside air [kg/kg]."""
    return water_content(
        sizes.column("true_ambient_c"),
        sizes.column("true_ambient_humidity_pct") / 100.0,
        sizes.column("true_site_kpa"),
    )


def _subcool_effectiveness(sizes: _Sizes, faults: Defects, orifice: BoolArray) -> FloatArray:
    """Subcooling over the condenser's temperature lift.

    Without a receiver on the high side, liquid that a blocked orifice does not pass backs up
    in the condenser.
    """
    rated = sizes.of_parts(lambda p: p.subcool_effectiveness)
    backed_up = np.where(orifice, 1.0 + 1.3 * faults.valve_underfeeding, 1.0)
    return np.asarray(sizes.scattered(rated, "own_subcool", 0.08) * backed_up)


def assemble(tests: pl.DataFrame) -> Plant:
    """Sizes of every car in the batch, one element per row of `tests`."""
    sizes = _Sizes(tests, model_index(tests))
    fill, quality = _charge_state(sizes)
    faults = defects(tests["true_fault"].to_list(), tests["true_severity"].to_list())
    orifice = sizes.of_model(lambda m: m.expansion_device == "orifice_tube")
    switch = 0.25 * sizes.column("own_fan")[:, None]
    fluids = np.array([FLUIDS.index(model.refrigerant) for model in MODELS], dtype=np.int64)
    part = sizes.of_parts
    return Plant(
        fluid=fluids[sizes.which],
        swept_m3=sizes.scattered(1e-6 * part(lambda p: p.swept_cm3), "own_pump", 0.03),
        pulley_ratio=part(lambda p: p.pulley_ratio),
        is_electric=sizes.of_model(lambda m: m.is_electric),
        has_clutch=sizes.of_model(lambda m: m.has_clutch),
        is_orifice=orifice,
        is_internal=sizes.of_model(lambda m: m.compressor == "variable_internal"),
        low_port_is_far=sizes.of_model(lambda m: m.low_port_station == "compressor_suction"),
        high_port_is_hot=sizes.of_model(lambda m: m.high_port_station == "compressor_discharge"),
        has_two_stages=sizes.of_model(lambda m: m.condenser_fan_stages > 1),
        coil_kw_per_k=sizes.scattered(part(lambda p: p.evaporator_kw_per_k), "own_coil", 0.05),
        air_kg_per_s=_blower_kg_per_s(sizes),
        fan_kw_per_k=_fan_kw_per_k(sizes),
        valve_kg_per_s=sizes.scattered(part(lambda p: p.valve_kg_per_s), "own_valve", 0.04),
        valve_setting_k=2.8 + 0.6 * sizes.column("own_setting"),
        valve_gain_per_k=0.085 * np.exp(0.2 * sizes.column("own_gain")),
        subcool_effectiveness=_subcool_effectiveness(sizes, faults, orifice),
        exchanger_effectiveness=sizes.scattered(
            part(lambda p: p.exchanger_effectiveness), "own_exchanger", 0.06
        ),
        receiver_fill=fill,
        exit_quality=quality,
        fan_on_bar=part(lambda p: p.fan_on_bar) + switch,
        fan_off_bar=part(lambda p: p.fan_off_bar) + switch,
        suction_drop_kpa=part(lambda p: p.suction_drop_kpa),
        condenser_drop_kpa=part(lambda p: p.condenser_drop_kpa),
        fin_target_c=_fin_target_c(sizes),
        suction_target_bar=np.where(orifice, 1.5, 2.15) + 0.07 * sizes.column("own_target"),
        ambient_c=sizes.column("true_ambient_c"),
        ambient_content=_ambient_content(sizes),
        site_kpa=sizes.column("true_site_kpa"),
        condenser_rise_k=sizes.column("true_condenser_rise_k"),
        recirculated_share=sizes.column("true_recirculated_share"),
        is_open=tests["doors_open"].to_numpy(),
        defects=faults,
    )
