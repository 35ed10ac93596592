"""Healthy cars on the bench against the sanity bands of the trade.

All bands are common practice, no source, unless a check names one.
"""

from __future__ import annotations

import numpy as np
import pytest

from synthetic.scenario import MODELS

MODEL_IDS = [model.model_id for model in MODELS]
WITH_EXCHANGER = ("brelku_van", "osmelto_saloon")
WITH_VALVE = ("brelku_van", "osmelto_saloon", "pelvarn_pickup", "vindrel_hatch")


@pytest.fixture(scope="module")
def warm(bench, setup_of):
    """Every model at 30 degC, 50 % relative humidity, 1500 rpm, full cold."""
    return bench([setup_of(model_id) for model_id in MODEL_IDS])


@pytest.fixture(scope="module")
def of_model(warm, settled):
    def value(model_id, name):
        return settled(warm, name)[MODEL_IDS.index(model_id)]

    return value


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_pressures_are_those_of_a_warm_day(of_model, model_id):
    # service manual example at 25 to 35 degC, 50-70 % relative humidity, idle: 171-280 kPa
    # and 1204-1820 kPa gauge; widened for 1500 rpm and a drier coil
    low = of_model(model_id, "low_side_kpa") - 101.3
    high = of_model(model_id, "high_side_kpa") - 101.3
    assert 120.0 < low < 300.0
    assert 950.0 < high < 1850.0


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_condensing_temperature_stands_above_ambient(of_model, model_id):
    # 15-25 K healthy; an efficient big fan may do a little better
    assert 12.0 < of_model(model_id, "condensing_over_ambient_k") < 27.0


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_discharge_line_is_hot_but_not_alarming(of_model, model_id):
    # 60-100 degC; above 120 stop and check
    assert 55.0 < of_model(model_id, "compressor_discharge_c") < 105.0


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_ducts_blow_cold(of_model, model_id):
    # 8-15 degC at 30 degC ambient, recirculated, moderate humidity; a controlled car may hold
    # its target of a few degrees
    assert 2.0 < of_model(model_id, "duct_air_c") < 15.0


@pytest.mark.parametrize("model_id", WITH_VALVE)
def test_valve_holds_superheat_at_the_evaporator(of_model, model_id):
    # 3-10 K at the evaporator; a port on the suction line reads up to 3 K more (line drop)
    assert 3.0 < of_model(model_id, "evaporator_superheat_k") < 13.0


@pytest.mark.parametrize("model_id", WITH_EXCHANGER)
def test_heat_exchanger_adds_superheat_at_the_compressor(of_model, model_id):
    # 10-25 K with an internal heat exchanger
    assert 10.0 < of_model(model_id, "suction_superheat_k") < 27.0


def test_orifice_tube_leaves_the_evaporator_wet(bench, setup_of, settled):
    # accumulator systems: no superheat at the evaporator while the compressor runs steadily
    curves = bench([setup_of("yarpelo_wagon", ambient_c=34.0, engine_rpm=800.0)])
    assert settled(curves, "evaporator_superheat_k")[0] < 2.0


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_liquid_is_subcooled(of_model, model_id):
    # 5-15 K with a subcooling condenser, 1-8 K with a plain receiver
    assert 1.0 < of_model(model_id, "subcooling_k") < 15.0


def test_orifice_tube_car_cycles_on_low_side_pressure(bench, setup_of):
    curves = bench([setup_of("yarpelo_wagon", ambient_c=22.0, humidity_pct=45.0)])
    late = slice(400, None)
    low_bar = (curves["low_side_kpa"][late, 0] - 101.3) / 100.0
    on = curves["compressor_on"][late, 0] > 0
    switched_off = np.flatnonzero(on[:-1] & ~on[1:])
    switched_on = np.flatnonzero(~on[:-1] & on[1:])
    assert 4 <= len(switched_off) <= 40
    # pressure switch: out at about 1.5, in at about 3.1 bar gauge; a second of play either side
    assert np.abs(low_bar[switched_off] - 1.5).max() < 0.5
    assert np.abs(low_bar[switched_on] - 3.1).max() < 0.6


def test_fixed_clutch_car_with_a_valve_cycles_on_fin_temperature(bench, setup_of):
    curves = bench([setup_of("pelvarn_pickup", ambient_c=21.0, humidity_pct=45.0)])
    on = curves["compressor_on"][400:, 0] > 0
    low = curves["low_side_kpa"][400:, 0]
    off_edges = np.flatnonzero(on[:-1] & ~on[1:])
    assert 4 <= len(off_edges) <= 40
    # five seconds after the clutch lets go the low side is up by more than half a bar
    rise = [low[edge + 5] - low[edge] for edge in off_edges if edge + 5 < len(low)]
    assert np.median(rise) > 50.0


def test_fan_stage_swings_the_high_side_of_a_healthy_car(bench, setup_of):
    # 2-6 bar per fan event where the fan cycles on pressure
    setups = [
        setup_of("brelku_van", ambient_c=c, humidity_pct=45.0, engine_rpm=800.0)
        for c in (20.0, 22.0, 24.0, 26.0)
    ]
    curves = bench(setups)
    swings = []
    for column in range(len(setups)):
        fan = curves["condenser_fan_pct"][300:, column]
        high = curves["high_side_kpa"][300:, column]
        for edge in np.flatnonzero(np.diff(fan) > 0):
            after = high[edge + 5 : edge + 40]
            if edge > 10 and len(after) == 35:
                swings.append(np.median(high[edge - 10 : edge - 1]) - after.min())
    assert len(swings) >= 4
    assert 200.0 < np.median(swings) < 600.0


def test_displacement_of_a_controlled_car_moves_and_its_duct_stays(bench, setup_of):
    curves = bench([setup_of("brelku_van", ambient_c=24.0, humidity_pct=45.0)])
    command = curves["compressor_command_pct"][400:, 0]
    duct = curves["duct_air_c"][400:, 0]
    assert 10.0 < command.mean() < 95.0
    assert np.ptp(command) > 5.0
    assert np.ptp(duct) < 5.0


def test_internal_valve_holds_the_low_side(bench, setup_of, settled):
    setups = [setup_of("osmelto_saloon", ambient_c=c) for c in (20.0, 24.0, 28.0)]
    low = settled(bench(setups), "low_side_kpa") - 101.3
    # about 2 bar gauge, held
    assert np.all(np.abs(low - 205.0) < 35.0)
    assert np.ptp(low) < 30.0


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_damp_air_costs_duct_drop(bench, setup_of, settled, model_id):
    # physics: latent load; at fixed capacity the drop falls by a quarter from 40 to 60 %
    setups = [
        setup_of(model_id, ambient_c=33.0, engine_rpm=800.0, humidity_pct=humidity)
        for humidity in (25.0, 50.0, 75.0)
    ]
    curves = bench(setups)
    drop = settled(curves, "intake_air_c") - settled(curves, "duct_air_c")
    assert drop[0] > drop[1] > drop[2]


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_pressures_are_equal_before_the_start(warm, model_id):
    column = MODEL_IDS.index(model_id)
    low, high = warm["low_side_kpa"][5, column], warm["high_side_kpa"][5, column]
    assert abs(high - low) < 10.0
    # standing pressure is the saturation pressure at the temperature of the car, about 32 degC
    assert warm["evaporating_c"][5, column] == pytest.approx(32.0, abs=1.0)


@pytest.mark.parametrize("model_id", MODEL_IDS)
def test_ducts_pull_down_within_minutes(warm, model_id):
    # cooldown self-test of a service manual: the evaporator falls 11 K within about 2 minutes
    fall = warm["duct_air_c"][15] - warm["duct_air_c"][150]
    assert fall[MODEL_IDS.index(model_id)] > 11.0


def test_heights_lower_the_gauge_but_not_the_absolute_set_point(bench, setup_of, settled):
    # the bellows of an internal valve works against the air around it
    setups = [setup_of("osmelto_saloon", ambient_c=24.0, altitude_m=h) for h in (0.0, 1600.0)]
    low = settled(bench(setups), "low_side_kpa")
    assert low[0] - low[1] == pytest.approx(101.3 - 83.5, abs=8.0)
