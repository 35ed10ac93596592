"""How the logger was put on in each test: clamps, instrument, clock, and mishaps.

`fitting_of` draws one `Fitting` of the plant's sensors per test; a stated share of tests has
a mishap, more with sloppy technicians. Does not belong here: what a fitting does to a curve
(`plant.sensors`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from synthetic.plant.placement import CHANNELS
from synthetic.plant.sensors import (
    ABSOLUTE_AS_GAUGE,
    CELSIUS_AS_FAHRENHEIT,
    FAHRENHEIT_AS_CELSIUS,
    GAUGE_AS_ABSOLUTE,
    Fitting,
)
from synthetic.scenario import INSTRUMENTS

if TYPE_CHECKING:
    from synthetic.scenario import Instrument, Technician

MISHAP_SHARE = 0.05
"""Share of tests with a mishap of the sensors, over all technicians (chosen)."""
# mean of `is_sloppy` over technicians, which the share above refers to
_USUAL_SLOPPINESS = 0.08
_USUAL_SECONDS = 900
_CLAMPED = (
    "compressor_suction_c", "compressor_discharge_c", "condenser_outlet_c", "evaporator_outlet_c",
)  # fmt: skip
_NEIGHBOUR = {
    "compressor_suction_c": "evaporator_outlet_c",
    "compressor_discharge_c": "condenser_outlet_c",
    "condenser_outlet_c": "compressor_suction_c",
    "evaporator_outlet_c": "condenser_outlet_c",
}


def _channel(name: str) -> float:
    return float(CHANNELS.index(name))


def _offset(instrument: Instrument, name: str) -> float:
    """A number about 1 in size that stays with an instrument and sensor over all its tests."""
    seed = [INSTRUMENTS.index(instrument), *name.encode()]
    return float(np.clip(np.random.default_rng(seed).standard_normal(), -1.5, 1.5))


def _careful(
    rng: np.random.Generator, instrument: Instrument, *, clamps_insulated: bool
) -> Fitting:
    """A fitting without mishap: contact and lag of the clamps, errors of the instrument."""
    low, high = instrument.low_side_kpa / 2.0, instrument.high_side_kpa / 2.0
    kelvin = instrument.temperature_k / 2.0
    return Fitting(
        contact_share=0.025 if clamps_insulated else 0.07,
        contact_scatter=0.35,
        clamp_lag_s=(7.0 if clamps_insulated else 12.0) * float(np.exp(0.2 * rng.normal())),
        low_offset_kpa=0.6 * low * _offset(instrument, "low"),
        high_offset_kpa=0.6 * high * _offset(instrument, "high"),
        temperature_offset_k=0.5 * kelvin * _offset(instrument, "temperature"),
        channel_scatter_k=0.4 * kelvin,
        low_noise_kpa=0.35 * low,
        high_noise_kpa=0.35 * high,
        gaps_per_hour=float(rng.random() < 0.1) * 4.0,
        clock_skew_s=float(rng.choice([0.0, 0.0, 0.0, 1.0, 2.0])),
        clock_drift_s_per_h=float(rng.choice([0.0, 0.0, 1.0])),
        intake_stray_share=float(rng.uniform(0.0, 0.04)),
    )


def _swapped(rng: np.random.Generator) -> dict[str, float]:  # noqa: ARG001 - one of a kind
    return {"swapped_sides": 1.0}


def _stuck(rng: np.random.Generator) -> dict[str, float]:
    name = str(rng.choice([*_CLAMPED, "low_side_kpa"]))
    return {"stuck_channel": _channel(name), "stuck_from_s": float(rng.integers(60, 500))}


def _moved(rng: np.random.Generator) -> dict[str, float]:
    name = str(rng.choice(list(_CLAMPED)))
    return {
        "moved_channel": _channel(name),
        "moved_to": _channel(_NEIGHBOUR[name]),
        "moved_from_s": float(rng.integers(120, 600)),
    }


def _fallen(rng: np.random.Generator) -> dict[str, float]:
    name = str(rng.choice(list(_CLAMPED)))
    return {"fallen_channel": _channel(name), "fallen_from_s": float(rng.integers(60, 600))}


def _stray(rng: np.random.Generator) -> dict[str, float]:
    return {"intake_stray_share": float(rng.uniform(0.15, 0.45))}


def _clipped(rng: np.random.Generator) -> dict[str, float]:
    return {"high_greatest_kpa": float(rng.uniform(1300.0, 1700.0))}


def _gappy(rng: np.random.Generator) -> dict[str, float]:
    return {"gaps_per_hour": float(rng.uniform(30.0, 120.0)), "gap_s": 12.0}


def _late_clock(rng: np.random.Generator) -> dict[str, float]:
    return {"clock_skew_s": float(rng.uniform(8.0, 25.0)), "clock_drift_s_per_h": 20.0}


def _wrong_unit(rng: np.random.Generator) -> dict[str, float]:
    if rng.random() < 0.5:
        unit = (CELSIUS_AS_FAHRENHEIT, FAHRENHEIT_AS_CELSIUS)[int(rng.integers(0, 2))]
        return {"wrong_unit_channel": _channel("condenser_outlet_c"), "wrong_unit": float(unit)}
    unit = (GAUGE_AS_ABSOLUTE, ABSOLUTE_AS_GAUGE)[int(rng.integers(0, 2))]
    return {"wrong_unit_channel": _channel("low_side_kpa"), "wrong_unit": float(unit)}


_MISHAPS = {
    "clamp_fallen": _fallen,
    "stray_intake_probe": _stray,
    "clamp_moved": _moved,
    "stuck": _stuck,
    "many_gaps": _gappy,
    "clipped": _clipped,
    "second_clock_off": _late_clock,
    "sides_swapped": _swapped,
    "wrong_unit": _wrong_unit,
}
MISHAPS: tuple[str, ...] = tuple(_MISHAPS)
_WEIGHTS = np.array([0.20, 0.22, 0.12, 0.10, 0.10, 0.06, 0.10, 0.05, 0.05])


def fitting_of(
    rng: np.random.Generator,
    instrument: Instrument,
    technician: Technician,
    *,
    mishap_share: float = MISHAP_SHARE,
    seconds: int = 900,
) -> tuple[Fitting, str, bool]:
    """The fitting of one test, its mishap (or `none`), and whether clamps were insulated.

    `seconds` is the length of the test: what happens midway in 900 s happens midway in less.
    """
    insulated = bool(rng.random() < technician.clamps_well)
    fitting = _careful(rng, instrument, clamps_insulated=insulated)
    chance = mishap_share * technician.is_sloppy / _USUAL_SLOPPINESS
    if rng.random() >= chance:
        return fitting, "none", insulated
    mishap = MISHAPS[int(rng.choice(len(MISHAPS), p=_WEIGHTS))]
    changes = {
        name: value * seconds / _USUAL_SECONDS if name.endswith("_from_s") else value
        for name, value in _MISHAPS[mishap](rng).items()
    }
    return replace(fitting, **changes), mishap, insulated
