"""What a simulated car is made of: one record of plain numbers, and invented architectures.

Sizes are of the usual order for a passenger car (common practice, no source) and were chosen,
not taken from any product. `CarDesign` holds neutral values of every quantity that a fault
can change; `faults` changes them.
"""

from dataclasses import dataclass, replace

from synthetic.plant.property_tables import R134A, R1234YF

FIXED_CLUTCH, INTERNAL, EXTERNAL, ELECTRIC = range(4)
EVAPORATOR_TEMPERATURE, SUCTION_PRESSURE, FLOW = range(3)
LOW_PORT_EVAPORATOR, LOW_PORT_COMPRESSOR = range(2)
HIGH_PORT_DISCHARGE, HIGH_PORT_LIQUID = range(2)


@dataclass(frozen=True, kw_only=True)
class CarDesign:
    """One car: sizes, controls, and the neutral values of what faults change."""

    # refrigerant and charge
    refrigerant: float = R1234YF
    contaminant: float = R134A
    contaminant_share: float = 0.0
    charge_kg: float = 0.46
    non_condensable_mol: float = 0.0
    # compressor and its control
    compressor_kind: float = EXTERNAL
    control_target: float = EVAPORATOR_TEMPERATURE
    displacement_m3: float = 165e-6
    pulley_ratio: float = 1.25
    volumetric_best: float = 0.93
    clearance_share: float = 0.050
    slip_share: float = 0.016
    throttling_per_1000_rpm: float = 0.035
    isentropic_best: float = 0.68
    best_pressure_ratio: float = 3.2
    best_rpm: float = 1800.0
    compressor_health: float = 1.0
    work_health: float = 1.0
    drive_efficiency: float = 0.86
    least_displacement: float = 0.05
    greatest_displacement: float = 1.0
    displacement_s: float = 4.0
    stroke_play: float = 0.03
    least_rpm: float = 900.0
    greatest_rpm: float = 8000.0
    target_c: float = 3.5
    suction_target_kpa: float = 300.0
    suction_target_fall: float = 0.02
    control_gain_per_k: float = 0.035
    control_integral_per_k_s: float = 0.004
    clutch_off_c: float = 2.0
    clutch_on_c: float = 4.5
    pressure_switch_off_kpa: float = 0.0
    pressure_switch_on_kpa: float = 0.0
    low_cut_out_kpa: float = 150.0
    high_cut_out_kpa: float = 2900.0
    shell_loss_kw_per_k: float = 0.006
    shell_s: float = 45.0
    # condenser, receiver, fans
    condenser_m3: float = 0.70e-3
    liquid_line_m3: float = 0.09e-3
    receiver_m3: float = 0.12e-3
    subcool_pass_share: float = 0.16
    condensing_kw_per_k: float = 1.60
    desuperheating_kw_per_k: float = 0.55
    subcooling_kw_per_k: float = 0.95
    condenser_air_kw_per_k: float = 0.80
    condenser_reference_air_kg_per_s: float = 0.80
    condenser_wall_kj_per_k: float = 2.8
    liquid_s: float = 10.0
    condenser_drop_factor: float = 0.9e6
    discharge_drop_factor: float = 0.6e6
    restriction_factor: float = 0.0
    fan_low_kg_per_s: float = 0.38
    fan_high_kg_per_s: float = 0.85
    fan_health: float = 1.0
    condenser_open_share: float = 1.0
    ram_air_kg_per_s_per_kmh: float = 0.022
    fan_low_on_kpa: float = 0.0
    fan_low_off_kpa: float = 0.0
    fan_high_on_kpa: float = 1500.0
    fan_high_off_kpa: float = 1150.0
    hot_air_share_idle: float = 0.18
    # expansion
    expansion_kind: float = 0.0
    valve_area_m2: float = 1.0e-6
    valve_spring_kpa: float = 2.0
    valve_range_kpa: float = 110.0
    valve_bulb_limit_kpa: float = 520.0
    valve_bias: float = 0.0
    valve_least_opening: float = 0.03
    valve_greatest_opening: float = 1.0
    valve_needle_s: float = 0.8
    bulb_s: float = 20.0
    electronic_target_k: float = 7.0
    # internal heat exchanger and low-side lines
    exchanger_effectiveness: float = 0.0
    suction_gain_kw_per_k: float = 0.0025
    suction_line_s: float = 7.0
    low_side_m3: float = 1.5e-3
    accumulator_m3: float = 0.0
    evaporator_drop_factor: float = 0.35e6
    suction_drop_factor: float = 0.20e6
    low_port_station: float = LOW_PORT_COMPRESSOR
    high_port_station: float = HIGH_PORT_LIQUID
    # front evaporator and its air
    boiling_kw_per_k: float = 2.0
    vapour_kw_per_k: float = 0.02
    evaporator_m3: float = 0.38e-3
    air_transfer_units: float = 3.4
    evaporator_reference_air_kg_per_s: float = 0.10
    evaporator_wall_kj_per_k: float = 2.0
    blower_kg_per_s: float = 0.14
    evaporator_open_share: float = 1.0
    frost_kg_to_half: float = 0.25
    fin_sensor_s: float = 10.0
    fin_sensor_bias_k: float = 0.0
    fin_coldest_share: float = 0.2
    # rear evaporator (share of the front one's size; 0 = none)
    rear_share: float = 0.0
    rear_blower_kg_per_s: float = 0.08
    # cabin, ducts, under-hood air
    blend_door_leak: float = 0.0
    heater_leak: float = 0.0
    vents_differ_k: float = 0.4
    duct_gain_kw_per_k: float = 0.0012
    duct_s: float = 6.0
    blower_heat_kw: float = 0.12
    cabin_air_kj_per_k: float = 6.0
    cabin_mass_kj_per_k: float = 90.0
    cabin_mass_kw_per_k: float = 0.09
    cabin_loss_kw_per_k: float = 0.05
    solar_kw: float = 0.4
    recirculation_leak: float = 0.10
    cowl_leak: float = 0.04
    engine_heat_share: float = 0.20
    underhood_s: float = 150.0
    has_engine: float = 1.0


# A small car on a bench: what published bench tests are held against.
BENCH_CAR = CarDesign(
    refrigerant=R134A,
    compressor_kind=FIXED_CLUTCH,
    displacement_m3=120e-6,
    charge_kg=0.31,
    condenser_m3=0.30e-3,
    receiver_m3=0.04e-3,
    subcool_pass_share=0.22,
    valve_area_m2=1.4e-6,
)

WORKSHOP_CAR = CarDesign(
    charge_kg=0.52,
    displacement_m3=187e-6,
    isentropic_best=0.678,
    shell_loss_kw_per_k=0.0048,
    # a valve set for little superheat and quick to open, its bulb slow
    valve_area_m2=0.88e-6,
    valve_spring_kpa=9.5,
    valve_range_kpa=82.0,
    bulb_s=28.0,
    # large coils, a short wide suction line, an exchanger with some metal
    air_transfer_units=3.9,
    vapour_kw_per_k=0.027,
    rear_share=0.60,
    exchanger_effectiveness=0.43,
    evaporator_drop_factor=0.28e6,
    suction_drop_factor=0.06e6,
    suction_line_s=20.0,
    # a control that wanders by its play
    target_c=1.8,
    stroke_play=0.12,
    control_integral_per_k_s=0.0036,
    fin_sensor_s=11.4,
    # a condenser that two fan stages treat very differently
    condenser_air_kw_per_k=0.75,
    subcool_pass_share=0.155,
    subcooling_kw_per_k=1.35,
    liquid_s=2.5,
    fan_low_kg_per_s=0.21,
    fan_high_kg_per_s=0.68,
    fan_high_on_kpa=1175.0,
    fan_high_off_kpa=885.0,
)
"""Externally controlled R-1234yf car, internal heat exchanger and rear evaporator."""

# an older car standing: a small condenser, air that comes back from under the hood, and a fan
# whose fast stage waits for 16.5 bar gauge and holds to 12.5 (a service manual's example)
_R134A_CAR = CarDesign(
    refrigerant=R134A,
    condenser_air_kw_per_k=0.66,
    hot_air_share_idle=0.33,
    fan_high_kg_per_s=0.70,
    fan_high_on_kpa=1750.0,
    fan_high_off_kpa=1350.0,
)

ARCHITECTURES: dict[str, CarDesign] = {
    "yf_external_exchanger_front_rear": WORKSHOP_CAR,
    "yf_external_exchanger": CarDesign(
        exchanger_effectiveness=0.43,
        displacement_m3=155e-6,
        fan_low_kg_per_s=0.25,
        fan_high_on_kpa=1350.0,
        fan_high_off_kpa=950.0,
    ),
    "yf_external_suction": CarDesign(control_target=SUCTION_PRESSURE),
    "yf_external_flow": CarDesign(control_target=FLOW, exchanger_effectiveness=0.35),
    "yf_internal": CarDesign(compressor_kind=INTERNAL),
    "yf_fixed_clutch": CarDesign(
        compressor_kind=FIXED_CLUTCH,
        displacement_m3=115e-6,
        exchanger_effectiveness=0.35,
        fin_coldest_share=0.9,
    ),
    "yf_electric": CarDesign(
        compressor_kind=ELECTRIC,
        displacement_m3=34e-6,
        has_engine=0.0,
        expansion_kind=2.0,
        # a scroll has no clearance gas that expands back
        clearance_share=0.020,
        slip_share=0.020,
        control_gain_per_k=0.02,
        control_integral_per_k_s=0.0015,
    ),
    "134a_internal": replace(_R134A_CAR, compressor_kind=INTERNAL, charge_kg=0.50),
    "134a_fixed_clutch": replace(
        _R134A_CAR,
        compressor_kind=FIXED_CLUTCH,
        displacement_m3=135e-6,
        charge_kg=0.50,
        valve_spring_kpa=14.0,
        fan_high_kg_per_s=0.60,
        fan_high_on_kpa=1700.0,
        fin_coldest_share=0.9,
    ),
    "134a_orifice_tube": replace(
        _R134A_CAR,
        compressor_kind=FIXED_CLUTCH,
        displacement_m3=135e-6,
        expansion_kind=1.0,
        valve_area_m2=0.80e-6,
        receiver_m3=0.0,
        subcool_pass_share=0.0,
        accumulator_m3=0.9e-3,
        pressure_switch_off_kpa=235.0,
        pressure_switch_on_kpa=370.0,
        charge_kg=0.58,
        fan_high_on_kpa=1650.0,
    ),
}
