"""The invented scenario: five car models, four sites, their technicians and instruments.

Every name is made up. Holds frozen records only; it makes no random choice (`fleet` does) and
knows no physics beyond the sizes of each model's parts. Does not belong here: vehicles, tests.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Parts:
    """Sizes of one model's refrigerant circuit, before vehicle-to-vehicle scatter.

    `swept_cm3` per revolution; `pulley_ratio` compressor over engine speed; conductances in
    kW/K; air flows in kg/s; `valve_kg_per_s` is the flow of the wide-open expansion device at
    10 bar difference and 1100 kg/m3; `subcool_effectiveness` is subcooling over (condensing
    minus condenser air) with the receiver filled; switch points in bar gauge.
    """

    swept_cm3: float
    pulley_ratio: float
    evaporator_kw_per_k: float
    blower_kg_per_s: float
    condenser_fan_kw_per_k: tuple[float, float, float]
    valve_kg_per_s: float
    subcool_effectiveness: float
    exchanger_effectiveness: float
    reserve_g: float
    fan_on_bar: tuple[float, float]
    fan_off_bar: tuple[float, float]
    suction_drop_kpa: float
    condenser_drop_kpa: float


@dataclass(frozen=True)
class Model:
    """One invented car model: the registry row and the sizes of its parts."""

    model_id: str
    fleet_share: float
    refrigerant: str
    charge_g: float
    compressor: str
    control_target: str | None
    expansion_device: str
    internal_heat_exchanger: bool
    rear_evaporator: bool
    receiver: str
    low_port_station: str
    high_port_station: str
    condenser_fan_stages: int
    parts: Parts

    @property
    def is_electric(self) -> bool:
        """The compressor has its own motor and there is no engine."""
        return self.compressor == "electric"

    @property
    def has_clutch(self) -> bool:
        """The compressor is switched, not throttled."""
        return self.compressor == "fixed_clutch"


MODELS: tuple[Model, ...] = (
    Model(
        "brelku_van", 0.24, "R1234yf", 780.0, "variable_external", "evaporator_temperature",
        "txv", internal_heat_exchanger=True, rear_evaporator=True, receiver="integrated",
        low_port_station="compressor_suction", high_port_station="condenser_outlet",
        condenser_fan_stages=2,
        parts=Parts(
            160.0, 1.35, 2.70, 0.140, (0.06, 0.165, 0.50), 0.080, 0.36, 0.31, 110.0,
            (6.5, 12.8), (4.8, 9.3), 13.0, 45.0,
        ),
    ),
    Model(
        "osmelto_saloon", 0.24, "R1234yf", 520.0, "variable_internal", "suction_pressure",
        "txv", internal_heat_exchanger=True, rear_evaporator=False, receiver="integrated",
        low_port_station="compressor_suction", high_port_station="compressor_discharge",
        condenser_fan_stages=2,
        parts=Parts(
            130.0, 1.40, 2.30, 0.125, (0.06, 0.155, 0.43), 0.062, 0.35, 0.30, 80.0,
            (6.5, 13.0), (4.8, 9.6), 14.0, 50.0,
        ),
    ),
    Model(
        "pelvarn_pickup", 0.20, "R134a", 650.0, "fixed_clutch", None,
        "txv", internal_heat_exchanger=False, rear_evaporator=False, receiver="separate",
        low_port_station="evaporator_outlet", high_port_station="compressor_discharge",
        condenser_fan_stages=2,
        parts=Parts(
            140.0, 1.30, 2.40, 0.135, (0.07, 0.170, 0.46), 0.058, 0.20, 0.0, 90.0,
            (6.0, 12.8), (4.5, 9.6), 14.0, 45.0,
        ),
    ),
    Model(
        "yarpelo_wagon", 0.16, "R134a", 880.0, "fixed_clutch", None,
        "orifice_tube", internal_heat_exchanger=False, rear_evaporator=False,
        receiver="accumulator", low_port_station="compressor_suction",
        high_port_station="condenser_outlet", condenser_fan_stages=1,
        parts=Parts(
            128.0, 1.30, 2.50, 0.135, (0.10, 0.42, 0.42), 0.046, 0.30, 0.0, 120.0,
            (12.6, 99.0), (8.8, 98.0), 12.0, 40.0,
        ),
    ),
    Model(
        "vindrel_hatch", 0.16, "R1234yf", 600.0, "electric", "evaporator_temperature",
        "txv", internal_heat_exchanger=False, rear_evaporator=False, receiver="integrated",
        low_port_station="compressor_suction", high_port_station="compressor_discharge",
        condenser_fan_stages=2,
        parts=Parts(
            31.0, 1.0, 2.30, 0.125, (0.05, 0.155, 0.44), 0.062, 0.34, 0.0, 85.0,
            (6.0, 12.2), (4.5, 9.2), 12.0, 40.0,
        ),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Site:
    """A workshop: where it lies and how warm and damp its summers are."""

    site_id: str
    region: str
    altitude_m: float
    warmer_k: float
    humidity_pct: float
    technicians: tuple[str, ...]
    instruments: tuple[str, ...]


SITES: tuple[Site, ...] = (
    Site("low_quay", "shore", 6.0, 0.0, 62.0, ("tec_01", "tec_02", "tec_03"), ("inst_a", "inst_d")),
    Site("mid_plain", "plain", 310.0, 2.5, 50.0, ("tec_04", "tec_05"), ("inst_b", "inst_e")),
    Site("dry_basin", "basin", 760.0, 4.5, 33.0, ("tec_06", "tec_07"), ("inst_c", "inst_f")),
    Site("high_fold", "heights", 1585.0, -1.5, 42.0, ("tec_08",), ("inst_g",)),
)


@dataclass(frozen=True)
class Instrument:
    """A data logger with its clamps and transducers: dialect, packing, accuracy (95 %)."""

    instrument_id: str
    dialect: str
    packing: str
    low_side_kpa: float
    high_side_kpa: float
    temperature_k: float
    calibrated_on: str


INSTRUMENTS: tuple[Instrument, ...] = (
    Instrument("inst_a", "header_block_imperial", "", 5.0, 20.0, 0.8, "2025-02-11"),
    Instrument("inst_b", "semicolon_metric", "", 4.0, 15.0, 0.6, "2025-03-04"),
    Instrument("inst_c", "long_parquet", "", 3.0, 12.0, 0.5, "2025-01-20"),
    Instrument("inst_d", "semicolon_metric", "gz", 4.0, 15.0, 0.6, "2024-11-18"),
    Instrument("inst_e", "long_parquet", "", 3.0, 12.0, 0.5, "2025-03-19"),
    Instrument("inst_f", "header_block_imperial", "zst", 6.0, 22.0, 0.9, "2024-09-02"),
    Instrument("inst_g", "header_block_imperial", "", 5.0, 20.0, 0.8, "2025-02-25"),
)


@dataclass(frozen=True)
class Protocol:
    """How a test is run; `set_point_c` is None where the controls stand at full cold."""

    label: str
    share: float
    engine_rpm: float
    blower_pct: float
    doors_open: bool
    recirculation: str
    recirculated_share: float
    set_point_c: float | None


PROTOCOLS: tuple[Protocol, ...] = (
    Protocol(
        "full_cold_1500", 0.45, 1500.0, 100.0, doors_open=True,
        recirculation="recirculated", recirculated_share=0.88, set_point_c=None,
    ),
    Protocol(
        "full_cold_idle", 0.35, 800.0, 100.0, doors_open=True,
        recirculation="recirculated", recirculated_share=0.88, set_point_c=None,
    ),
    Protocol(
        "auto_idle", 0.20, 800.0, 60.0, doors_open=False,
        recirculation="fresh", recirculated_share=0.10, set_point_c=22.0,
    ),
)  # fmt: skip
