"""True curves of a batch of tests at 1 Hz: what a perfect sensor at each station would read.

`simulate` takes a frame of planned tests (one row per test, from `fleet`) and gives `Curves`,
arrays of shape (seconds, tests). The engine, the weather and the scatter between cars enter
here. Does not belong here: circuit (`circuit`), controllers (`controls`), sensors (`sensors`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic.assembly import assemble
from synthetic.batch import BoolArray, Drive, Flows, Plant, State
from synthetic.circuit import advance, at_rest
from synthetic.controls import Memory, Senses, control, fresh_memory
from synthetic.moist_air import relative_humidity

if TYPE_CHECKING:
    import polars as pl

    from synthetic.refrigerants import FloatArray

_STEPS_PER_S = 2
# flow at which the models' pressure drops are stated
_RATED_KG_PER_S = 0.045
_MOTOR_RPM = 5200.0
_MOTOR_EFFICIENCY = 0.86

# Where each curve comes from: quantities recorded every second
CURVES = (
    "low_side_kpa",
    "high_side_kpa",
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "rear_evaporator_outlet_c",
    "duct_left_c",
    "duct_right_c",
    "intake_air_c",
    "intake_humidity_pct",
    "ambient_air_c",
    "underhood_air_c",
    "engine_rpm",
    "compressor_rpm",
    "compressor_power_w",
    "compressor_command_pct",
    "compressor_on",
    "condenser_fan_pct",
)


@dataclass(frozen=True)
class Curves:
    """True values by name, each of shape (seconds, tests); absolute kPa, degC, %, 1/min, W."""

    values: dict[str, FloatArray]

    def __getitem__(self, name: str) -> FloatArray:
        return self.values[name]


def _wander(rng: np.random.Generator, shape: tuple[int, int], memory_s: float) -> FloatArray:
    """Slow random wandering of standard deviation 1, correlated over `memory_s` seconds."""
    keep = np.exp(-1.0 / memory_s)
    fresh = rng.standard_normal(shape) * np.sqrt(1.0 - keep**2)
    series = np.empty(shape)
    series[0] = rng.standard_normal(shape[1])
    for second in range(1, shape[0]):
        series[second] = keep * series[second - 1] + fresh[second]
    return series


@dataclass(frozen=True)
class _Course:
    """What happens to each car during its test, shape (seconds, tests)."""

    outside_c: FloatArray
    engine_rpm: FloatArray
    is_requested: BoolArray


def _course(tests: pl.DataFrame, seconds: int, rng: np.random.Generator) -> _Course:
    """Outside air, engine speed and compressor request over the test."""
    shape = (seconds, tests.height)
    clock = np.arange(seconds)[:, None]
    start = tests["true_start_s"].to_numpy()
    wanted = tests["true_engine_rpm"].to_numpy()
    idle = 760.0 + 25.0 * (clock >= start)
    raise_at = start + tests["true_raise_after_s"].to_numpy()
    ramp = np.clip((clock - raise_at) / 6.0, 0.0, 1.0)
    rpm = (
        idle
        + (wanted - 800.0) * ramp
        + np.where(wanted > 1000.0, 28.0, 9.0) * _wander(rng, shape, 12.0)
    )
    outside = tests["true_ambient_c"].to_numpy() + 0.5 * _wander(rng, shape, 180.0)
    return _Course(outside, rpm, np.broadcast_to(clock >= start, shape))


def _port_pressures(plant: Plant, flows: Flows) -> tuple[FloatArray, FloatArray]:
    """Pressures at the service ports of each model, with the drop in the lines before them."""
    load = (flows.compressor_kg_per_s / _RATED_KG_PER_S) ** 2
    low = flows.low_kpa - np.where(plant.low_port_is_far, plant.suction_drop_kpa * load, 0.0)
    rise = np.where(plant.high_port_is_hot, plant.condenser_drop_kpa * load, 0.0)
    return low, flows.condensing_kpa + rise


@dataclass(frozen=True)
class _Moment:
    """Everything known about one instant, from which the curves are read."""

    state: State
    flows: Flows
    memory: Memory
    drive: Drive
    low_kpa: FloatArray
    high_kpa: FloatArray


@dataclass(frozen=True)
class _Fittings:
    """What is particular to each test's probes: vents that differ, a stray intake probe."""

    vents_differ_k: FloatArray
    rear_differs_k: FloatArray
    stray_share: FloatArray


def _air_readings(plant: Plant, now: _Moment, fittings: _Fittings) -> dict[str, FloatArray]:
    """True air values of one instant; a leaking blend door warms one side more."""
    state, flows = now.state, now.flows
    warm_side = 0.35 * plant.defects.blend_door_leak * (state.heater_c - state.fin_c)
    side = fittings.vents_differ_k + warm_side
    probe = flows.intake_c + fittings.stray_share * (state.underhood_c - flows.intake_c)
    humidity = relative_humidity(probe, flows.intake_content, plant.site_kpa)
    return {
        "duct_left_c": state.duct_c + side,
        "duct_right_c": state.duct_c - side,
        "intake_air_c": probe,
        "intake_humidity_pct": 100.0 * humidity,
        "ambient_air_c": now.drive.outside_c,
        "underhood_air_c": state.underhood_c,
    }


def _circuit_readings(plant: Plant, now: _Moment, fittings: _Fittings) -> dict[str, FloatArray]:
    """True pressures, pipe temperatures and commands of one instant."""
    state, flows, drive = now.state, now.flows, now.drive
    running = drive.is_running.astype(np.float64)
    stage_pct = np.where(plant.has_two_stages, 50.0, 100.0)
    return {
        "low_side_kpa": now.low_kpa,
        "high_side_kpa": now.high_kpa,
        "compressor_suction_c": state.suction_c,
        "compressor_discharge_c": state.discharge_c,
        "condenser_outlet_c": flows.liquid_line_c,
        "expansion_inlet_c": flows.expansion_inlet_c,
        "evaporator_outlet_c": flows.evaporator_outlet_c,
        "rear_evaporator_outlet_c": flows.evaporator_outlet_c + fittings.rear_differs_k,
        "engine_rpm": drive.engine_rpm,
        "compressor_rpm": drive.compressor_rpm * drive.displacement * running,
        "compressor_power_w": 1000.0 * flows.power_kw / _MOTOR_EFFICIENCY,
        "compressor_command_pct": 100.0 * now.memory.command * running,
        "compressor_on": running,
        "condenser_fan_pct": stage_pct * now.memory.fan_stage,
    }


def _drive(plant: Plant, course: _Course, memory: Memory, second: int) -> Drive:
    """What engine and controllers ask of the circuit; a motor runs at a share of full speed."""
    rpm = course.engine_rpm[second]
    return Drive(
        is_running=memory.is_running,
        engine_rpm=rpm,
        compressor_rpm=np.where(plant.is_electric, _MOTOR_RPM, rpm * plant.pulley_ratio),
        displacement=memory.displacement,
        fan_stage=memory.fan_stage,
        outside_c=course.outside_c[second],
    )


def _step(
    plant: Plant, course: _Course, state: State, memory: Memory, second: int
) -> tuple[State, _Moment]:
    """The state after one step of circuit and controllers, and the moment it began with."""
    drive = _drive(plant, course, memory, second)
    following, flows = advance(plant, state, drive, 1.0 / _STEPS_PER_S)
    low, high = _port_pressures(plant, flows)
    senses = Senses(
        low_bar=(low - plant.site_kpa) / 100.0,
        high_bar=(high - plant.site_kpa) / 100.0,
        fin_c=following.fin_c,
        is_requested=course.is_requested[second],
    )
    memory = control(plant, senses, memory, 1.0 / _STEPS_PER_S)
    return following, _Moment(state, flows, memory, drive, low, high)


def simulate(tests: pl.DataFrame, *, seconds: int, rng: np.random.Generator) -> Curves:
    """True curves of the planned tests, `seconds` long, one sample a second.

    `tests` has one row per test with the registry columns, the `true_` conditions and the
    `own_` scatter of `fleet`. The loop runs over time; every car moves at once.
    """
    plant = assemble(tests)
    course = _course(tests, seconds, rng)
    fittings = _Fittings(
        vents_differ_k=0.5 * tests["own_sides"].to_numpy(),
        rear_differs_k=tests["own_rear"].to_numpy(),
        stray_share=tests["true_intake_stray_share"].to_numpy(),
    )
    state = at_rest(plant, plant.ambient_c + tests["true_soak_k"].to_numpy())
    memory = fresh_memory(tests.height)
    values = {name: np.empty((seconds, tests.height)) for name in CURVES}
    for second in range(seconds):
        for _ in range(_STEPS_PER_S):
            state, moment = _step(plant, course, state, memory, second)
            memory = moment.memory
        now = _circuit_readings(plant, moment, fittings) | _air_readings(plant, moment, fittings)
        for name in CURVES:
            values[name][second] = now[name]
    return Curves(values)
