"""True curves of a batch of tests at 1 Hz: what a perfect sensor at each station would read.

`simulate` takes a frame of planned tests (one row per test, from `fleet`) and gives `Curves`,
arrays of shape (seconds, tests). The engine, the weather and the scatter between cars enter
here. Does not belong here: circuit (`circuit`), controllers (`controls`), sensors (`sensors`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic.batch import Drive, Flows, Plant, State
from synthetic.circuit import advance, at_rest
from synthetic.controls import Memory, Senses, control, fresh_memory
from synthetic.faults import defects
from synthetic.moist_air import relative_humidity, water_content
from synthetic.refrigerants import FLUIDS, FloatArray, IntArray
from synthetic.scenario import MODELS

_STEPS_PER_S = 2
_RATED_KG_PER_S = 0.045

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


def _per_model(tests: pl.DataFrame) -> IntArray:
    """Index into `MODELS` of each test's car."""
    place = {model.model_id: index for index, model in enumerate(MODELS)}
    return np.array([place[name] for name in tests["model_id"]], dtype=np.int64)


def _pick(which: IntArray, values: list[object]) -> FloatArray:
    """One number per test, looked up by model."""
    return np.asarray(values, dtype=np.float64)[which]


def _charge_state(tests: pl.DataFrame, which: IntArray) -> tuple[FloatArray, FloatArray]:
    """Filling of the subcooling zone (0 to 1) and vapour share at the condenser outlet.

    The receiver's reserve is lost first and shows nowhere; then the subcooling zone empties;
    then vapour leaves the condenser.
    """
    nominal = _pick(which, [model.charge_g for model in MODELS])
    reserve = _pick(which, [model.parts.reserve_g for model in MODELS])
    short = nominal - tests["true_charge_g"].to_numpy()
    zone = 0.13 * nominal
    fill = 1.0 - np.clip((short - reserve) / zone, 0.0, 1.0)
    quality = np.clip((short - reserve - zone) / (0.85 * nominal), 0.0, 0.6)
    return fill, quality


def _plant(tests: pl.DataFrame) -> Plant:
    """Sizes of every car in the batch: its model's parts with its own scatter."""
    which = _per_model(tests)
    parts = [model.parts for model in MODELS]
    scatter = {name: tests[name].to_numpy() for name in tests.columns if name.startswith("own_")}
    air_density = tests["true_site_kpa"].to_numpy() / 101.3
    fill, quality = _charge_state(tests, which)
    ambient = tests["true_ambient_c"].to_numpy()
    humidity = tests["true_ambient_humidity_pct"].to_numpy() / 100.0
    fan = np.array([p.condenser_fan_kw_per_k for p in parts])[which]
    internal = np.array([m.compressor == "variable_internal" for m in MODELS])[which]
    orifice = np.array([m.expansion_device == "orifice_tube" for m in MODELS])[which]
    electric = np.array([m.is_electric for m in MODELS])[which]
    auto = tests["true_set_point_c"].is_not_null().to_numpy()
    fin_target = np.where(auto, 6.0, 3.0) + 0.6 * scatter["own_target"]
    fin_target = np.where(np.array([m.has_clutch for m in MODELS])[which], 1.9, fin_target)
    exchanger = _pick(which, [p.exchanger_effectiveness for p in parts])
    return Plant(
        fluid=np.array([FLUIDS.index(m.refrigerant) for m in MODELS])[which],
        swept_m3=1e-6 * _pick(which, [p.swept_cm3 for p in parts]) * (1 + 0.03 * scatter["own_pump"]),
        pulley_ratio=_pick(which, [p.pulley_ratio for p in parts]),
        is_electric=electric,
        has_clutch=np.array([m.has_clutch for m in MODELS])[which],
        is_orifice=orifice,
        is_internal=internal,
        has_rear=np.array([m.rear_evaporator for m in MODELS])[which],
        coil_kw_per_k=_pick(which, [p.evaporator_kw_per_k for p in parts])
        * (1 + 0.05 * scatter["own_coil"]),
        air_kg_per_s=_pick(which, [p.blower_kg_per_s for p in parts])
        * (0.15 + 0.85 * tests["blower_pct"].to_numpy() / 100.0)
        * (1 + 0.03 * scatter["own_blower"])
        * air_density,
        fan_kw_per_k=fan * ((1 + 0.05 * scatter["own_condenser"]) * air_density**0.8)[:, None],
        valve_kg_per_s=_pick(which, [p.valve_kg_per_s for p in parts])
        * (1 + 0.04 * scatter["own_valve"]),
        valve_setting_k=5.5 + 0.9 * scatter["own_setting"],
        valve_gain_per_k=0.065 * np.exp(0.25 * scatter["own_gain"]),
        subcool_effectiveness=_pick(which, [p.subcool_effectiveness for p in parts])
        * (1 + 0.08 * scatter["own_subcool"]),
        exchanger_effectiveness=exchanger * (1 + 0.06 * scatter["own_exchanger"]),
        receiver_fill=fill,
        exit_quality=quality,
        fan_on_bar=np.array([p.fan_on_bar for p in parts])[which] + 0.25 * scatter["own_fan"][:, None],
        fan_off_bar=np.array([p.fan_off_bar for p in parts])[which]
        + 0.25 * scatter["own_fan"][:, None],
        suction_drop_kpa=_pick(which, [p.suction_drop_kpa for p in parts]),
        condenser_drop_kpa=_pick(which, [p.condenser_drop_kpa for p in parts]),
        fin_target_c=fin_target,
        suction_target_bar=np.where(orifice, 1.5, 2.0) + 0.07 * scatter["own_target"],
        ambient_c=ambient,
        ambient_content=water_content(ambient, humidity, tests["true_site_kpa"].to_numpy()),
        site_kpa=tests["true_site_kpa"].to_numpy(),
        condenser_rise_k=tests["true_condenser_rise_k"].to_numpy(),
        recirculated_share=tests["true_recirculated_share"].to_numpy(),
        is_open=tests["doors_open"].to_numpy(),
        defects=defects(tests["true_fault"].to_list(), tests["true_severity"].to_list()),
    )


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
    is_requested: FloatArray


def _course(tests: pl.DataFrame, seconds: int, rng: np.random.Generator) -> _Course:
    """Outside air, engine speed and compressor request over the test."""
    shape = (seconds, tests.height)
    clock = np.arange(seconds)[:, None]
    start = tests["true_start_s"].to_numpy()
    wanted = tests["true_engine_rpm"].to_numpy()
    idle = 760.0 + 25.0 * (clock >= start)
    raise_at = start + tests["true_raise_after_s"].to_numpy()
    ramp = np.clip((clock - raise_at) / 6.0, 0.0, 1.0)
    rpm = idle + (wanted - 800.0) * ramp + np.where(wanted > 1000.0, 28.0, 9.0) * _wander(rng, shape, 12.0)
    outside = tests["true_ambient_c"].to_numpy() + 0.5 * _wander(rng, shape, 180.0)
    return _Course(outside, rpm, np.broadcast_to(clock >= start, shape))


def _compressor_rpm(plant: Plant, engine_rpm: FloatArray, memory: Memory) -> FloatArray:
    """Shaft speed: by belt, or full motor speed times the share that the command asks for."""
    return np.where(plant.is_electric, 5200.0, engine_rpm * plant.pulley_ratio)


def _port_pressures(
    tests: pl.DataFrame, plant: Plant, flows: Flows
) -> tuple[FloatArray, FloatArray]:
    """Pressures at the service ports of each model, with the drop in the lines before them."""
    which = _per_model(tests)
    load = (flows.compressor_kg_per_s / _RATED_KG_PER_S) ** 2
    far = np.array([m.low_port_station == "compressor_suction" for m in MODELS])[which]
    hot = np.array([m.high_port_station == "compressor_discharge" for m in MODELS])[which]
    low = flows.low_kpa - np.where(far, plant.suction_drop_kpa * load, 0.0)
    return low, flows.condensing_kpa + np.where(hot, plant.condenser_drop_kpa * load, 0.0)


@dataclass(frozen=True)
class _Moment:
    """Everything known about one instant, from which the curves are read."""

    state: State
    flows: Flows
    memory: Memory
    drive: Drive
    low_kpa: FloatArray
    high_kpa: FloatArray
    engine_rpm: FloatArray


def _readings(tests: pl.DataFrame, plant: Plant, now: _Moment) -> list[FloatArray]:
    """True values of one instant, in the order of `CURVES`."""
    state, flows = now.state, now.flows
    side = 0.5 * tests["own_sides"].to_numpy()
    leak = plant.defects.blend_door_leak
    warm_side = 0.35 * leak * (state.heater_c - state.fin_c)
    rear = flows.evaporator_outlet_c + tests["own_rear"].to_numpy()
    stray = tests["true_intake_stray_share"].to_numpy()
    probe = flows.intake_c + stray * (state.underhood_c - flows.intake_c)
    humidity = relative_humidity(probe, flows.intake_content, plant.site_kpa)
    running = now.drive.is_running
    return [
        now.low_kpa,
        now.high_kpa,
        state.suction_c,
        state.discharge_c,
        flows.liquid_line_c,
        flows.expansion_inlet_c,
        flows.evaporator_outlet_c,
        rear,
        state.duct_c + side + warm_side,
        state.duct_c - side - warm_side,
        probe,
        100.0 * humidity,
        now.drive.outside_c + 0.3,
        state.underhood_c,
        now.engine_rpm,
        now.drive.compressor_rpm * now.drive.displacement * running,
        1000.0 * flows.power_kw / 0.86,
        100.0 * now.memory.command * running,
        running.astype(np.float64),
        50.0 * now.memory.fan_stage
        if MODELS[0].condenser_fan_stages == 2
        else 100.0 * now.memory.fan_stage,
    ]


def simulate(tests: pl.DataFrame, *, seconds: int, rng: np.random.Generator) -> Curves:
    """True curves of the planned tests, `seconds` long, one sample a second.

    `tests` has one row per test with the registry columns, the `true_` conditions and the
    `own_` scatter of `fleet`. The loop runs over time; every car moves at once.
    """
    plant = _plant(tests)
    course = _course(tests, seconds, rng)
    state = at_rest(plant, plant.ambient_c + tests["true_soak_k"].to_numpy())
    memory = fresh_memory(tests.height)
    out = np.empty((len(CURVES), seconds, tests.height))
    for second in range(seconds):
        for _ in range(_STEPS_PER_S):
            drive = Drive(
                is_running=memory.is_running,
                compressor_rpm=_compressor_rpm(plant, course.engine_rpm[second], memory),
                displacement=memory.displacement,
                fan_stage=memory.fan_stage,
                outside_c=course.outside_c[second],
            )
            before = state
            state, flows = advance(plant, state, drive, 1.0 / _STEPS_PER_S)
            low, high = _port_pressures(tests, plant, flows)
            senses = Senses(
                (low - plant.site_kpa) / 100.0,
                (high - plant.site_kpa) / 100.0,
                state.fin_c,
                course.is_requested[second],
            )
            memory = control(plant, senses, memory, 1.0 / _STEPS_PER_S)
        moment = _Moment(before, flows, memory, drive, low, high, course.engine_rpm[second])
        out[:, second] = _readings(tests, plant, moment)
    return Curves(dict(zip(CURVES, out, strict=True)))
