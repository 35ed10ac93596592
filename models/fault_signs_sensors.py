"""What a sensor that reads too much does to every quantity, as data.

Holds `SENSORS`, in least effects of each quantity. The numbers are partial derivatives of the
definitions of superheat, subcooling and the ratios at 300 and 1,500 kPa, where saturation
moves 0.09 and 0.031 K per kPa (published tables of R-134a and R-1234yf at 2 and 50 degC).
Both signs are candidates. Does not belong here: faults of the car (`fault_signs`).
"""

from __future__ import annotations

SENSORS: dict[str, dict[str, float]] = {
    "low_side_kpa": {
        "low_side_kpa": 1.0, "pressure_ratio": -0.8, "evaporator_outlet_superheat_k": -0.75,
        "rear_evaporator_outlet_superheat_k": -0.75, "compressor_suction_superheat_k": -0.56,
        "evaporator_approach_k": -1.1, "coil_effectiveness": 0.8,
        "discharge_over_reference_k": 0.4,
    },
    "high_side_kpa": {
        "high_side_kpa": 1.0, "condensing_over_air_k": 1.0, "pressure_ratio": 0.67,
        "condenser_outlet_subcooling_k": 1.55, "expansion_inlet_subcooling_k": 1.24,
        "compressor_discharge_superheat_k": -0.5, "discharge_over_reference_k": -0.7,
        "subcooling_share": 1.2,
    },
    "condenser_outlet_c": {
        "condenser_outlet_subcooling_k": -1.0, "subcooling_share": -1.0,
        "heat_exchanger_effectiveness": -0.2, "heat_exchanger_balance": 1.0,
    },
    "expansion_inlet_c": {"expansion_inlet_subcooling_k": -1.0, "heat_exchanger_balance": -1.0},
    "evaporator_outlet_c": {
        "evaporator_outlet_superheat_k": 1.0, "heat_exchanger_effectiveness": -1.0,
        "heat_exchanger_balance": 1.0,
    },
    "rear_evaporator_outlet_c": {"rear_evaporator_outlet_superheat_k": 1.0},
    "compressor_suction_c": {
        "compressor_suction_superheat_k": 1.0, "heat_exchanger_effectiveness": 1.3,
        "heat_exchanger_balance": -1.0, "discharge_over_reference_k": -0.7,
    },
    "compressor_discharge_c": {
        "compressor_discharge_c": 1.0, "compressor_discharge_superheat_k": 1.0,
        "discharge_over_reference_k": 1.0,
    },
    "duct_air_c": {
        "duct_air_c": 1.0, "duct_drop_k": -1.0, "evaporator_approach_k": 1.0,
        "coil_effectiveness": -1.0,
    },
    "intake_air_c": {"duct_air_c": -0.6, "duct_drop_k": 0.4, "coil_effectiveness": 0.4},
    "condenser_air_c": {
        "condensing_over_air_k": -1.0, "high_side_kpa": -0.8, "pressure_ratio": -0.5,
        "compressor_discharge_c": -0.5, "subcooling_share": 0.7,
    },
}  # fmt: skip

SENSOR_WORDS: dict[str, str] = {
    "low_side_kpa": "low-side gauge",
    "high_side_kpa": "high-side gauge",
    "condenser_outlet_c": "clamp at the condenser outlet",
    "expansion_inlet_c": "clamp at the expansion device",
    "evaporator_outlet_c": "clamp at the evaporator outlet",
    "rear_evaporator_outlet_c": "clamp at the rear evaporator outlet",
    "compressor_suction_c": "clamp at the compressor suction",
    "compressor_discharge_c": "clamp on the discharge line",
    "duct_air_c": "duct air probe",
    "intake_air_c": "intake air probe",
    "condenser_air_c": "condenser or ambient air probe",
}
