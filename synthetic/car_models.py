"""The invented car models: ten architectures, each a plant design and its registry row.

Five of them have two more models, built alike and sized otherwise.

Every name is made up. What the registry says of a model is read off its design, so that the
two cannot disagree. Frozen records only: no random choice (`fleet`), no physics (`plant`).
Does not belong here: single cars and their scatter (`fleet`, `car_tests`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from synthetic.plant import cars as kinds
from synthetic.plant.cars import ARCHITECTURES, WORKSHOP_CAR, CarDesign
from synthetic.plant.property_tables import R1234YF

_SPACES = (
    "condenser_m3", "liquid_line_m3", "receiver_m3", "evaporator_m3", "accumulator_m3",
    "low_side_m3",
)  # fmt: skip
_COMPRESSORS = {
    kinds.FIXED_CLUTCH: "fixed_clutch",
    kinds.INTERNAL: "variable_internal",
    kinds.EXTERNAL: "variable_external",
    kinds.ELECTRIC: "electric",
}
_CONTROL_TARGETS = {
    kinds.EVAPORATOR_TEMPERATURE: "evaporator_temperature",
    kinds.SUCTION_PRESSURE: "suction_pressure",
    kinds.FLOW: "flow",
}
_EXPANSION_DEVICES = ("txv", "orifice_tube", "electronic")
# a fan switch point that no high side reaches: the fan has one stage
_NEVER_KPA = 9e3


@dataclass(frozen=True)
class Model:
    """One invented car model: its share of the fleet, its nominal charge and its design."""

    model_id: str
    fleet_share: float
    charge_g: float
    basis: CarDesign
    is_commercial: bool = False

    @property
    def design(self) -> CarDesign:
        """The design with every space scaled so that its nominal charge is the model's."""
        share = self.charge_g / 1000.0 / self.basis.charge_kg
        spaces = {name: getattr(self.basis, name) * share for name in _SPACES}
        return replace(self.basis, charge_kg=self.charge_g / 1000.0, **spaces)

    @property
    def refrigerant(self) -> str:
        """Trade designation of the refrigerant."""
        return "R1234yf" if self.basis.refrigerant == R1234YF else "R134a"

    @property
    def compressor(self) -> str:
        """Kind of compressor as the registry names it."""
        return _COMPRESSORS[int(self.basis.compressor_kind)]

    @property
    def control_target(self) -> str | None:
        """What the displacement or speed is controlled to; nothing with a clutch."""
        if self.has_clutch:
            return None
        if self.compressor == "variable_internal":
            return "suction_pressure"
        return _CONTROL_TARGETS[int(self.basis.control_target)]

    @property
    def expansion_device(self) -> str:
        """Expansion device as the registry names it."""
        return _EXPANSION_DEVICES[int(self.basis.expansion_kind)]

    @property
    def internal_heat_exchanger(self) -> bool:
        """The suction line cools the liquid line."""
        return self.basis.exchanger_effectiveness > 0

    @property
    def rear_evaporator(self) -> bool:
        """A second evaporator lies in parallel."""
        return self.basis.rear_share > 0

    @property
    def receiver(self) -> str:
        """Where spare charge stands."""
        if self.basis.accumulator_m3 > 0:
            return "accumulator"
        return "separate" if self.basis.subcool_pass_share < 0.1 else "integrated"

    @property
    def low_port_station(self) -> str:
        """Station of the low-side service port."""
        at_evaporator = self.basis.low_port_station == kinds.LOW_PORT_EVAPORATOR
        return "evaporator_outlet" if at_evaporator else "compressor_suction"

    @property
    def high_port_station(self) -> str:
        """Station of the high-side service port."""
        is_hot = self.basis.high_port_station == kinds.HIGH_PORT_DISCHARGE
        return "compressor_discharge" if is_hot else "condenser_outlet"

    @property
    def condenser_fan_stages(self) -> int:
        """Speeds of the condenser fan."""
        return 1 if self.basis.fan_high_on_kpa >= _NEVER_KPA else 2

    @property
    def is_electric(self) -> bool:
        """The compressor has its own motor and there is no engine."""
        return self.compressor == "electric"

    @property
    def has_clutch(self) -> bool:
        """The compressor is switched, not throttled."""
        return self.compressor == "fixed_clutch"

    @property
    def is_variable(self) -> bool:
        """The compressor changes its stroke."""
        return self.compressor.startswith("variable")


def _with_hot_port(name: str, **changes: float) -> CarDesign:
    """One of the plant's architectures with its high-side port at the discharge."""
    return replace(ARCHITECTURES[name], high_port_station=kinds.HIGH_PORT_DISCHARGE, **changes)


_VAN = replace(
    WORKSHOP_CAR, exchanger_effectiveness=0.36, fan_high_on_kpa=1400.0, fan_high_off_kpa=1030.0
)
_SALOON = _with_hot_port(
    "yf_internal",
    exchanger_effectiveness=0.31,
    displacement_m3=130e-6,
    pulley_ratio=1.4,
    fan_low_kg_per_s=0.25,
    fan_high_on_kpa=1400.0,
    fan_high_off_kpa=1060.0,
)
_PICKUP = _with_hot_port(
    "134a_fixed_clutch",
    subcool_pass_share=0.06,
    receiver_m3=0.15e-3,
    low_port_station=kinds.LOW_PORT_EVAPORATOR,
    fan_high_on_kpa=1400.0,
    fan_high_off_kpa=1060.0,
)
_WAGON = replace(
    ARCHITECTURES["134a_orifice_tube"],
    fan_low_kg_per_s=0.70,
    fan_high_on_kpa=_NEVER_KPA,
    fan_low_on_kpa=1360.0,
    fan_low_off_kpa=980.0,
)
_HATCH = _with_hot_port(
    "yf_electric",
    expansion_kind=0.0,
    displacement_m3=31e-6,
    greatest_rpm=6500.0,
    fan_low_kg_per_s=0.25,
    fan_high_on_kpa=1340.0,
    fan_high_off_kpa=1020.0,
)
_COUPE = replace(
    ARCHITECTURES["yf_external_suction"],
    fan_low_kg_per_s=0.25,
    fan_high_on_kpa=1380.0,
    fan_high_off_kpa=1040.0,
)

MODELS: tuple[Model, ...] = (
    Model("brelku_van", 0.24, 780.0, _VAN, is_commercial=True),
    Model("osmelto_saloon", 0.24, 520.0, _SALOON),
    Model("pelvarn_pickup", 0.20, 650.0, _PICKUP, is_commercial=True),
    Model("yarpelo_wagon", 0.16, 880.0, _WAGON),
    Model("vindrel_hatch", 0.16, 600.0, _HATCH),
    Model("tunderlo_coupe", 0.12, 480.0, _COUPE),
    Model("garvesk_estate", 0.16, 500.0, ARCHITECTURES["yf_external_flow"]),
    Model("moltenby_mini", 0.14, 420.0, _with_hot_port("yf_fixed_clutch")),
    Model("quenstra_tourer", 0.12, 560.0, ARCHITECTURES["134a_internal"]),
    Model("sorviq_crossover", 0.16, 640.0, _with_hot_port("yf_electric")),
)
"""The first five make the small demo fleet; shares are relative to those taken."""

_SIZES = (
    "displacement_m3", "valve_area_m2", "condensing_kw_per_k", "desuperheating_kw_per_k",
    "subcooling_kw_per_k", "condenser_air_kw_per_k", "fan_low_kg_per_s", "fan_high_kg_per_s",
    "boiling_kw_per_k", "blower_kg_per_s", "evaporator_reference_air_kg_per_s",
)  # fmt: skip


def _sibling(basis: CarDesign, size: float, **changes: float) -> CarDesign:
    """A design of the same architecture: everything scaled, and what else is its own."""
    scaled = {name: getattr(basis, name) * size for name in _SIZES}
    return replace(basis, **(scaled | changes))


SIBLINGS: tuple[Model, ...] = (
    Model("hulmarn_bus", 0.10, 900.0, _sibling(_VAN, 1.10, exchanger_effectiveness=0.40)),
    Model("feltrup_box", 0.10, 720.0, _sibling(_VAN, 0.93, target_c=2.6, stroke_play=0.10)),
    Model("ervanto_sedan", 0.10, 560.0, _sibling(_SALOON, 1.08, suction_target_kpa=296.0)),
    Model("lismord_liftback", 0.10, 470.0, _sibling(_SALOON, 0.90, air_transfer_units=3.2)),
    Model("gromdal_pickup", 0.10, 700.0, _sibling(_PICKUP, 1.06, valve_spring_kpa=12.5)),
    Model("tasvik_flatbed", 0.10, 610.0, _sibling(_PICKUP, 0.94, hot_air_share_idle=0.29)),
    Model("nolberk_camper", 0.08, 960.0, _sibling(_WAGON, 1.07, pressure_switch_off_kpa=228.0)),
    Model("ulvento_wagon", 0.08, 820.0, _sibling(_WAGON, 0.95, accumulator_m3=0.8e-3)),
    Model("zelvani_compact", 0.08, 640.0, _sibling(_HATCH, 1.06, target_c=3.0)),
    Model("pirrolo_city", 0.08, 550.0, _sibling(_HATCH, 0.92, air_transfer_units=3.2)),
)
"""Two more models of each of the first five architectures: what is new can be judged by kin."""

FLEET_MODELS: tuple[Model, ...] = (*MODELS, *SIBLINGS)

MODEL: dict[str, Model] = {model.model_id: model for model in FLEET_MODELS}
