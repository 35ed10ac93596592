"""Mishaps of headers, hoses and labels: sides, units, gauge and absolute, refrigerant.

Each draw gives one `Drawn` for one test. Does not belong here: clocks and single readings
(`clock_mishaps`), where clamps sit (`clamp_mishaps`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from synthetic.befalling import Drawn, number_of, one_of
from synthetic.plant.placement import ALL_TEMPERATURES, BOTH_PRESSURES, PRESSURES
from synthetic.plant.sensors import (
    ABSOLUTE_AS_GAUGE,
    CELSIUS_AS_FAHRENHEIT,
    FAHRENHEIT_AS_CELSIUS,
    GAUGE_AS_ABSOLUTE,
    OTHER_PRESSURE_UNIT,
)

if TYPE_CHECKING:
    import numpy as np

    from synthetic.befalling import Scene


def _group(rng: np.random.Generator, scene: Scene, kind: str) -> tuple[float, tuple[str, ...]]:
    """One sensor of a kind or, as often, all of them: a header is wrong for both alike."""
    names = PRESSURES if kind == "pressure" else (*scene.clamps, *scene.ducts, "intake_air_c")
    if rng.random() < 0.5:
        every = BOTH_PRESSURES if kind == "pressure" else ALL_TEMPERATURES
        return every, tuple(name for name in names if name in scene.sensors)
    name = one_of(rng, [name for name in names if name in scene.sensors])
    return number_of(name), (name,)


def swapped(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one of a kind
    """Hoses or columns of the two sides are exchanged."""
    return Drawn({"swapped_sides": 1.0}, PRESSURES, 1.0, "")


def gauge_as_absolute(rng: np.random.Generator, scene: Scene) -> Drawn:
    """Gauge pressure under an absolute header, on one gauge or both."""
    meant, names = _group(rng, scene, "pressure")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(GAUGE_AS_ABSOLUTE)}
    return Drawn(changes, names, -1.0, "bar")


def absolute_as_gauge(rng: np.random.Generator, scene: Scene) -> Drawn:
    """Absolute pressure under a gauge header, on one gauge or both."""
    meant, names = _group(rng, scene, "pressure")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(ABSOLUTE_AS_GAUGE)}
    return Drawn(changes, names, 1.0, "bar")


# kPa in one of each unit
_UNIT_KPA = {"kPa": 1.0, "psi": 6.894757, "bar": 100.0, "kgf/cm2": 98.0665}


def unit_slip(rng: np.random.Generator, scene: Scene) -> Drawn:
    """kPa, psi, bar or kgf/cm2 under the header of another, on one gauge or both."""
    meant, names = _group(rng, scene, "pressure")
    written, claimed = (str(each) for each in rng.choice(list(_UNIT_KPA), 2, replace=False))
    if {written, claimed} == {"bar", "kgf/cm2"}:
        # alike to 2 %: a draw of its own, since nobody can tell
        claimed = "psi"
    factor = _UNIT_KPA[claimed] / _UNIT_KPA[written]
    changes = {
        "wrong_unit_channel": meant, "wrong_unit": float(OTHER_PRESSURE_UNIT),
        "unit_factor": factor,
    }  # fmt: skip
    return Drawn(changes, names, round(factor, 4), "times", detail=f"{written} as {claimed}")


def kgf_as_bar(rng: np.random.Generator, scene: Scene) -> Drawn:
    """kgf/cm2 under the header bar: 2 % off."""
    meant, names = _group(rng, scene, "pressure")
    changes = {
        "wrong_unit_channel": meant, "wrong_unit": float(OTHER_PRESSURE_UNIT),
        "unit_factor": 100.0 / 98.0665,
    }  # fmt: skip
    return Drawn(changes, names, 1.02, "times", detail="kgf/cm2 as bar")


def celsius_as_fahrenheit(rng: np.random.Generator, scene: Scene) -> Drawn:
    """DegC under the header degF, on one sensor or on all."""
    meant, names = _group(rng, scene, "temperature")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(CELSIUS_AS_FAHRENHEIT)}
    return Drawn(changes, names, 1.8, "times")


def fahrenheit_as_celsius(rng: np.random.Generator, scene: Scene) -> Drawn:
    """DegF under the header degC, on one sensor or on all."""
    meant, names = _group(rng, scene, "temperature")
    changes = {"wrong_unit_channel": meant, "wrong_unit": float(FAHRENHEIT_AS_CELSIUS)}
    return Drawn(changes, names, 1.8, "times")


def other_refrigerant(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """The registry names R-290, R-22, R-600a or R-1270."""
    name = one_of(rng, ["R290", "R22", "R600a", "R1270"])
    return Drawn({}, PRESSURES, 1.0, "", detail=f"registered as {name}", registered=name)


def like_refrigerant(rng: np.random.Generator, scene: Scene) -> Drawn:  # noqa: ARG001 - one shape
    """The registry names R-134a for R-1234yf, or the reverse."""
    name = "R1234yf" if scene.refrigerant == "R134a" else "R134a"
    return Drawn({}, PRESSURES, 1.0, "", detail=f"registered as {name}", registered=name)
