"""Records of a batch of simulated cars: what is fixed, what moves, what is set each step.

`Plant` holds the sizes of every car in a batch (one array element per test), `State` what
changes, `Drive` what controllers and test set, `Flows` what sensors and controllers read.
Does not belong here: how they move (`circuit`, `controls`), sizes of the models (`scenario`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from synthetic.faults import Defects
    from synthetic.refrigerants import FloatArray, IntArray

BoolArray = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


@dataclass(frozen=True)
class Plant:
    """Sizes and settings of every car in a batch, one element per test.

    Conductances kW/K, flows kg/s, temperatures degC, pressures kPa or bar gauge as named.
    """

    fluid: IntArray
    swept_m3: FloatArray
    pulley_ratio: FloatArray
    is_electric: BoolArray
    has_clutch: BoolArray
    is_orifice: BoolArray
    is_internal: BoolArray
    low_port_is_far: BoolArray
    high_port_is_hot: BoolArray
    has_two_stages: BoolArray
    coil_kw_per_k: FloatArray
    air_kg_per_s: FloatArray
    fan_kw_per_k: FloatArray
    valve_kg_per_s: FloatArray
    valve_setting_k: FloatArray
    valve_gain_per_k: FloatArray
    subcool_effectiveness: FloatArray
    exchanger_effectiveness: FloatArray
    receiver_fill: FloatArray
    exit_quality: FloatArray
    fan_on_bar: FloatArray
    fan_off_bar: FloatArray
    suction_drop_kpa: FloatArray
    condenser_drop_kpa: FloatArray
    fin_target_c: FloatArray
    suction_target_bar: FloatArray
    ambient_c: FloatArray
    ambient_content: FloatArray
    site_kpa: FloatArray
    condenser_rise_k: FloatArray
    recirculated_share: FloatArray
    is_open: BoolArray
    defects: Defects


@dataclass(frozen=True)
class State:
    """What changes from step to step, one element per test."""

    evaporating_c: FloatArray
    condensing_c: FloatArray
    coil_c: FloatArray
    wetted_share: FloatArray
    bulb_k: FloatArray
    liquid_line_c: FloatArray
    suction_c: FloatArray
    discharge_c: FloatArray
    cabin_c: FloatArray
    duct_c: FloatArray
    fin_c: FloatArray
    underhood_c: FloatArray
    heater_c: FloatArray
    condenser_kw_per_k: FloatArray


@dataclass(frozen=True)
class Drive:
    """What the controllers and the test set for this step."""

    is_running: BoolArray
    engine_rpm: FloatArray
    compressor_rpm: FloatArray
    displacement: FloatArray
    fan_stage: IntArray
    outside_c: FloatArray


@dataclass(frozen=True)
class Flows:
    """Instantaneous values behind a step, for controllers and sensors."""

    low_kpa: FloatArray
    condensing_kpa: FloatArray
    compressor_kg_per_s: FloatArray
    evaporator_outlet_c: FloatArray
    expansion_inlet_c: FloatArray
    liquid_line_c: FloatArray
    intake_c: FloatArray
    intake_content: FloatArray
    power_kw: FloatArray
