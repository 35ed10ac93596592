"""What surrounds a test: weather, soak, and what the driver or technician does each second.

One record per test; `side_by_side` gives a batch. Profiles are arrays of second by test.
"""

from dataclasses import dataclass, field

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray, side_by_side


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """Constant conditions of one test."""

    ambient_c: float = 25.0
    ambient_humidity_pct: float = 50.0
    barometric_kpa: float = 101.325
    parts_c: float = 30.0
    cabin_c: float = 30.0
    coolant_c: float = 80.0
    solar_share: float = 0.3
    doors_open: float = 0.0
    setpoint_offset_k: float = 0.0
    # forced air under the hood [degC]: a workshop heater, an exhaust, a neighbour; NaN = none
    underhood_c: float = float("nan")
    # share of the condenser's inlet air that is under-hood air at rest; NaN = the car's own
    hot_air_share: float = float("nan")


@dataclass(frozen=True)
class Profiles:
    """What happens each second (rows) in each test (columns)."""

    engine_rpm: FloatArray
    vehicle_speed_kmh: FloatArray
    blower_pct: FloatArray
    rear_blower_pct: FloatArray
    recirculation_pct: FloatArray
    is_requested: FloatArray

    @property
    def seconds(self) -> int:
        """Length of the tests [s]."""
        return int(self.engine_rpm.shape[0])

    def columns(self, chosen: slice) -> "Profiles":
        """Profiles of the chosen tests."""
        return Profiles(*(getattr(self, name)[:, chosen] for name in self.__dataclass_fields__))


@dataclass(frozen=True, kw_only=True)
class Course:
    """A plain test: constant settings, with the engine's own wander."""

    seconds: int = 900
    engine_rpm: float = 800.0
    vehicle_speed_kmh: float = 0.0
    blower_pct: float = 100.0
    rear_blower_pct: float = 0.0
    recirculation_pct: float = 100.0
    starts_s: int = 10
    changes: tuple[tuple[int, str, float], ...] = field(default=())


def profiles(courses: list[Course], rng: np.random.Generator) -> Profiles:
    """Profiles of plain courses; idle speed wanders by some 10 rev/min (chosen)."""
    seconds, n = courses[0].seconds, len(courses)
    names = Profiles.__dataclass_fields__
    columns = {name: np.empty((seconds, n)) for name in names}
    for i, course in enumerate(courses):
        for name in names:
            if name != "is_requested":
                columns[name][:, i] = getattr(course, name)
        columns["is_requested"][:, i] = np.arange(seconds) >= course.starts_s
        for second, name, value in course.changes:
            columns[name][second:, i] = value
    wander = rng.normal(0.0, 3.0, size=(seconds, n))
    for second in range(1, seconds):
        wander[second] += 0.95 * wander[second - 1]
    columns["engine_rpm"] = np.where(
        columns["engine_rpm"] > 0.0, columns["engine_rpm"] + wander, 0.0
    )
    return Profiles(**columns)


def surroundings(conditions: list[Conditions]) -> Batch:
    """Batch of the tests' constant conditions."""
    return side_by_side(conditions)
