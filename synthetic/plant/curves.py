"""What stands at the places where a logger can be put on: true curves by name.

Takes the stations of a batch and gives arrays of second by test, named as the rest of the
simulator names them. Service ports are chosen by car. No sensor error here.
"""

import numpy as np

from synthetic.plant import cars as kinds
from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.simulate import Stations

# a leaking blend door warms one side more than the other
UNEVEN_DOOR_SHARE = 0.4
FAN_STAGES = 2.0

Curves = dict[str, FloatArray]


def port_pressures(stations: Stations, cars: Batch) -> tuple[FloatArray, FloatArray]:
    """Pressures at the service ports [kPa], at the station of each car."""
    before = cars.low_port_station == kinds.LOW_PORT_EVAPORATOR
    low = np.where(before, stations.evaporator_outlet_kpa, stations.compressor_suction_kpa)
    is_hot = cars.high_port_station == kinds.HIGH_PORT_DISCHARGE
    return low, np.where(is_hot, stations.discharge_kpa, stations.condenser_outlet_kpa)


def duct_sides(stations: Stations, cars: Batch) -> tuple[FloatArray, FloatArray]:
    """Air at the left and the right vents [degC]; their mean is the duct's."""
    hotter = stations.coolant_c - stations.duct_c
    side = UNEVEN_DOOR_SHARE * cars.blend_door_leak * np.maximum(hotter, 0.0)
    side = side + cars.vents_differ_k / 2.0
    return stations.duct_c + side, stations.duct_c - side


def true_curves(stations: Stations, cars: Batch) -> Curves:
    """True curves at every place of a logger's sensors."""
    low, high = port_pressures(stations, cars)
    left, right = duct_sides(stations, cars)
    return {
        "low_side_kpa": low,
        "high_side_kpa": high,
        "compressor_suction_c": stations.compressor_suction_c,
        "compressor_discharge_c": stations.compressor_discharge_c,
        "condenser_mid_c": stations.condensing_c,
        "condenser_outlet_c": stations.condenser_outlet_c,
        "expansion_inlet_c": stations.expansion_inlet_c,
        "evaporator_outlet_c": stations.front_evaporator_outlet_c,
        "rear_evaporator_outlet_c": stations.rear_evaporator_outlet_c,
        "duct_left_c": left,
        "duct_right_c": right,
        "duct_rear_c": stations.rear_duct_c,
        "intake_air_c": stations.intake_air_c,
        "intake_humidity_pct": stations.intake_humidity_pct,
        "evaporator_fin_c": stations.fin_c,
        "ambient_air_c": stations.ambient_c,
        "ambient_humidity_pct": stations.ambient_humidity_pct,
        "condenser_inlet_air_c": stations.condenser_inlet_air_c,
        "underhood_air_c": stations.underhood_c,
        "cabin_air_c": stations.cabin_c,
        "coolant_c": stations.coolant_c,
        "engine_rpm": stations.engine_rpm,
        "compressor_rpm": stations.compressor_rpm,
        "compressor_command_pct": 100.0 * stations.demand,
        "compressor_on": stations.is_engaged,
        "compressor_power_w": 1000.0 * stations.compressor_kw / cars.drive_efficiency,
        "condenser_fan_pct": 100.0 / FAN_STAGES * stations.fan_stage,
        "blower_pct": stations.blower_pct,
        "vehicle_speed_kmh": stations.vehicle_speed_kmh,
        "recirculation_pct": stations.recirculation_pct,
    }
