"""The workshop-idle reference test: a healthy car whose readings swing.

An externally controlled R-1234yf car with internal heat exchanger and rear evaporator idles
in a mild workshop, doors open, while the condenser fan blows under-hood air over the place
where the intake probe lies. Holds the conditions and the logger's fitting; no physics.
"""

import numpy as np

from synthetic.plant.arrays import side_by_side
from synthetic.plant.cars import WORKSHOP_CAR
from synthetic.plant.conditions import Conditions, Course, profiles, surroundings
from synthetic.plant.curves import Curves, true_curves
from synthetic.plant.sensors import Fitting, measure
from synthetic.plant.simulate import Stations, simulate

ROOM = Conditions(
    ambient_c=21.1,  # 70 degF
    ambient_humidity_pct=50.0,
    parts_c=24.0,
    cabin_c=22.0,
    coolant_c=88.0,
    solar_share=0.0,
    doors_open=1.0,
    underhood_c=38.0,  # 100 degF
    hot_air_share=0.05,
)
IDLE = Course(
    seconds=660, engine_rpm=750.0, blower_pct=68.0, rear_blower_pct=50.0, recirculation_pct=100.0
)
# clamps taped on and insulated; the probe lies in the fan's air
FITTING = Fitting(intake_stray_share=0.95, contact_share=0.010, clamp_lag_s=5.0)


def workshop_idle(rng: np.random.Generator) -> tuple[Stations, Curves]:
    """True stations and what the logger reads, for the reference test."""
    cars = side_by_side([WORKSHOP_CAR])
    stations = simulate(cars, surroundings([ROOM]), profiles([IDLE], rng))
    return stations, measure(true_curves(stations, cars), side_by_side([FITTING]), rng)
