"""A test bench for the plant: cars at held speeds, air flows and temperatures."""

from dataclasses import dataclass

import numpy as np

from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import CarDesign
from synthetic.plant.circuit import CircuitInputs
from synthetic.plant.evaporator import Air
from synthetic.plant.moist_air import humidity_ratio
from synthetic.plant.steady import Steady, compression_kw, cooling_kw, settle


@dataclass(frozen=True, kw_only=True)
class Point:
    """One held operating point."""

    rpm: float = 1800.0
    displacement: float = 1.0
    evaporator_air_c: float = 27.0
    evaporator_humidity_pct: float = 45.0
    evaporator_air_kg_per_s: float = 0.12
    condenser_air_c: float = 35.0
    condenser_air_kg_per_s: float = 0.85
    underhood_c: float = 50.0


def inputs(points: list[Point]) -> CircuitInputs:
    at = side_by_side(points)
    sea_level = np.full(len(points), 101.325)
    ratio = humidity_ratio(at.evaporator_air_c, at.evaporator_humidity_pct, sea_level)
    air = Air(at.evaporator_air_kg_per_s, at.evaporator_air_c, ratio, sea_level)
    rear = Air(0.5 * at.evaporator_air_kg_per_s, at.evaporator_air_c, ratio, sea_level)
    return CircuitInputs(
        rpm=at.rpm,
        displacement=at.displacement,
        front_air=air,
        rear_air=rear,
        condenser_air_kg_per_s=at.condenser_air_kg_per_s,
        condenser_air_c=at.condenser_air_c,
        underhood_c=at.underhood_c,
    )


def on_the_bench(cars: list[CarDesign], points: list[Point]) -> Steady:
    return settle(side_by_side(cars), inputs(points))


def cop(steady: Steady):
    return cooling_kw(steady) / compression_kw(steady)
