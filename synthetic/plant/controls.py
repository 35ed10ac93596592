"""The controls: fans with hysteresis, clutch, displacement, electric speed, cut-outs.

One-second steps. Array functions over the tests; every kind of compressor is worked out and
the right one chosen, so that a batch may mix them.
"""

from dataclasses import dataclass

import numpy as np

from synthetic.plant import cars as kinds
from synthetic.plant.arrays import Batch, BoolArray, FloatArray
from synthetic.plant.circuit import Flows
from synthetic.plant.state import ControlState
from synthetic.plant.surroundings import SEA_LEVEL_KPA, Moment

FAN_SPIN_UP_S = 2.5
LEAST_FAN_DWELL_S = 6.0
LEAST_CLUTCH_DWELL_S = 3.0
# suction-pressure and flow valves move the stroke at these rates; chosen
STROKE_PER_KPA_S, STROKE_PER_FLOW_S = 0.0011, 0.16
FULL_FLOW_KG_PER_S = 0.045
IDLE_STROKE = 0.01
# the control takes the stroke back as the high side nears its limit
LIMITER_KPA, LIMITER_WIDTH_KPA = 2450.0, 350.0
REGULATING_HIGH_SIDE_KPA = 1500.0


@dataclass(frozen=True)
class Sensed:
    """What the car's own sensors tell its controls."""

    fin_air_c: FloatArray
    suction_kpa: FloatArray
    high_kpa: FloatArray
    flow_kg_per_s: FloatArray
    thin_air_kpa: FloatArray


def sensed(cars: Batch, around: Batch, found: Flows) -> Sensed:
    """Sensor values of a state; the fin sensor sits nearer the coldest part or in mixed air."""
    front = found.low.front
    coldest = cars.fin_coldest_share * (front.coldest_air_c - front.air.celsius)
    return Sensed(
        fin_air_c=front.air.celsius + coldest,
        suction_kpa=found.high.suction_kpa,
        high_kpa=found.high.liquid_kpa,
        flow_kg_per_s=found.high.flow_kg_per_s,
        thin_air_kpa=SEA_LEVEL_KPA - around.barometric_kpa,
    )


def next_controls(
    cars: Batch, around: Batch, at: tuple[ControlState, Sensed], moment: Moment
) -> ControlState:
    """Control state one second later."""
    control, seen = at
    moved = 1.0 - np.exp(-1.0 / cars.fin_sensor_s)
    fin = control.fin_c + moved * (seen.fin_air_c + cars.fin_sensor_bias_k - control.fin_c)
    is_engaged, dwell = _next_clutch(cars, (control, seen, fin), moment)
    error = fin - (cars.target_c + around.setpoint_offset_k)
    demand, integral = _next_demand(cars, (control, seen), error, is_engaged)
    stage, fan_dwell = _next_fan_stage(cars, (control, seen), moment)
    flow = np.choose(
        stage.astype(np.intp), [np.zeros(len(cars)), cars.fan_low_kg_per_s, cars.fan_high_kg_per_s]
    )
    spin = 1.0 - np.exp(-1.0 / FAN_SPIN_UP_S)
    wanted_rpm = cars.least_rpm + demand * (cars.greatest_rpm - cars.least_rpm)
    return ControlState(
        is_engaged=is_engaged,
        dwell_s=dwell,
        demand=demand,
        integral=integral,
        displacement=_next_displacement(cars, (control, seen), demand, is_engaged),
        electric_rpm=control.electric_rpm + 0.3 * (wanted_rpm * is_engaged - control.electric_rpm),
        fan_stage=stage,
        fan_dwell_s=fan_dwell,
        fan_kg_per_s=control.fan_kg_per_s + spin * (flow * cars.fan_health - control.fan_kg_per_s),
        fin_c=fin,
    )


def _next_clutch(
    cars: Batch, at: tuple[ControlState, Sensed, FloatArray], moment: Moment
) -> tuple[FloatArray, FloatArray]:
    """Whether the compressor is asked to run (1 or 0), and for how long it has been so [s]."""
    control, seen, fin = at
    was_on = control.is_engaged > 0.5
    is_fixed = cars.compressor_kind == kinds.FIXED_CLUTCH
    has_switch = cars.pressure_switch_off_kpa > 0.0
    stays = np.where(was_on, fin > cars.clutch_off_c, fin > cars.clutch_on_c)
    switch = np.where(
        was_on,
        seen.suction_kpa > cars.pressure_switch_off_kpa,
        seen.suction_kpa > cars.pressure_switch_on_kpa,
    )
    cold_ok = np.where(is_fixed, np.where(has_switch, switch, stays), True)  # noqa: FBT003 - a value, not a flag
    high_limit = np.where(was_on, cars.high_cut_out_kpa, 0.75 * cars.high_cut_out_kpa)
    low_limit = np.where(was_on, cars.low_cut_out_kpa, cars.low_cut_out_kpa + 60.0)
    safe = (seen.high_kpa < high_limit) & (seen.high_kpa > low_limit)
    drives = (moment.engine_rpm > 300.0) | (cars.has_engine < 0.5)
    wanted = (moment.is_requested > 0.5) & cold_ok & safe & drives
    may_change = (control.dwell_s >= LEAST_CLUTCH_DWELL_S) | (seen.high_kpa >= high_limit)
    now_on = np.where(may_change, wanted, was_on)
    dwell = np.where(now_on == was_on, control.dwell_s + 1.0, 0.0)
    return now_on.astype(np.float64), dwell


def _next_demand(
    cars: Batch, at: tuple[ControlState, Sensed], error: FloatArray, is_engaged: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Demand of a temperature controller [1] and its memory: proportional and integral."""
    control, seen = at
    is_saturated = ((control.demand >= 1.0) & (error > 0.0)) | (
        (control.demand <= 0.0) & (error < 0.0)
    )
    grown = control.integral + np.where(
        is_saturated, 0.0, cars.control_integral_per_k_s * np.clip(error, -4.0, 8.0)
    )
    integral = np.where(is_engaged > 0.5, np.clip(grown, 0.0, 1.0), control.integral)
    relief = np.clip((seen.high_kpa - LIMITER_KPA) / LIMITER_WIDTH_KPA, 0.0, 1.0)
    demand = np.clip(integral + cars.control_gain_per_k * error, 0.0, 1.0) * (1.0 - relief)
    return demand * is_engaged, integral


def _next_displacement(
    cars: Batch, at: tuple[ControlState, Sensed], demand: FloatArray, is_engaged: FloatArray
) -> FloatArray:
    """Stroke [1] a second later, by the kind of compressor."""
    control, seen = at
    stroke = control.displacement
    # the swash plate sticks: it follows once the demand has left its play
    off = demand - stroke
    beyond = off - np.clip(off, -cars.stroke_play, cars.stroke_play)
    by_duty = stroke + (1.0 - np.exp(-1.0 / cars.displacement_s)) * beyond
    target = cars.suction_target_kpa - cars.suction_target_fall * (
        seen.high_kpa - REGULATING_HIGH_SIDE_KPA
    )
    # an internal valve's bellows works against the air around it (common practice)
    is_internal = cars.compressor_kind == kinds.INTERNAL
    target = target - np.where(is_internal, seen.thin_air_kpa, 0.0)
    by_pressure = stroke + STROKE_PER_KPA_S * np.clip(seen.suction_kpa - target, -60.0, 60.0)
    wanted_flow = demand * FULL_FLOW_KG_PER_S
    by_flow = stroke + STROKE_PER_FLOW_S * np.clip(
        (wanted_flow - seen.flow_kg_per_s) / FULL_FLOW_KG_PER_S, -0.5, 0.5
    )
    is_external = cars.compressor_kind == kinds.EXTERNAL
    next_stroke = np.select(
        [
            _one_of(cars, (kinds.FIXED_CLUTCH, kinds.ELECTRIC)),
            is_internal | (is_external & (cars.control_target == kinds.SUCTION_PRESSURE)),
            is_external & (cars.control_target == kinds.FLOW),
        ],
        [np.ones(len(cars)), by_pressure, by_flow],
        by_duty,
    )
    held = np.clip(next_stroke, cars.least_displacement, cars.greatest_displacement)
    # a clutchless machine turns along at next to no stroke, unless its stroke is stuck
    idle = np.where(cars.least_displacement > 0.1, cars.least_displacement, IDLE_STROKE)
    return np.where(is_engaged > 0.5, held, idle)


def _one_of(cars: Batch, wanted: tuple[int, ...]) -> BoolArray:
    return np.isin(cars.compressor_kind, wanted)


def _next_fan_stage(
    cars: Batch, at: tuple[ControlState, Sensed], moment: Moment
) -> tuple[FloatArray, FloatArray]:
    """Stage of the condenser fan (0, 1, 2) and how long it has held [s]."""
    control, seen = at
    high = seen.high_kpa
    second = np.where(
        control.fan_stage >= 2.0, high > cars.fan_high_off_kpa, high > cars.fan_high_on_kpa
    )
    first = np.where(
        control.fan_stage >= 1.0, high > cars.fan_low_off_kpa, high > cars.fan_low_on_kpa
    )
    wanted = np.where(second, 2.0, np.where(first, 1.0, 0.0))
    wanted = np.where(moment.is_requested > 0.5, wanted, 0.0)
    stage = np.where(control.fan_dwell_s >= LEAST_FAN_DWELL_S, wanted, control.fan_stage)
    dwell = np.where(stage == control.fan_stage, control.fan_dwell_s + 1.0, 0.0)
    return stage, dwell


def compressor_rpm(cars: Batch, control: ControlState, engine_rpm: FloatArray) -> FloatArray:
    """Speed of the compressor [rev/min]: belt, clutch or own motor."""
    belt = engine_rpm * cars.pulley_ratio
    clutched = np.where(cars.compressor_kind == kinds.FIXED_CLUTCH, control.is_engaged, 1.0)
    is_electric = cars.compressor_kind == kinds.ELECTRIC
    return np.where(is_electric, control.electric_rpm, belt * clutched)
