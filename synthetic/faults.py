"""The six faults of the first fleet and what each does to a circuit at a known size.

A fault has a kind and a severity from 0 (none) to 1 (the worst that still reaches a workshop);
`size` turns severity into the physical size in the fault's own unit, `Defects` gathers the
sizes of a whole batch of tests. Does not belong here: who has which fault (`fleet`), what
the circuit makes of it (`circuit`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from synthetic.refrigerants import FloatArray


@dataclass(frozen=True)
class Fault:
    """One kind of fault: its size at severity 1, its unit, and how it grows."""

    kind: str
    worst_size: float
    unit: str
    grows: bool
    component: str
    repair_action: str
    complaint: str


FAULTS: tuple[Fault, ...] = (
    Fault(
        "undercharge", 0.60, "share of the nominal charge missing", grows=True,
        component="refrigerant_circuit", repair_action="leak_repair", complaint="not cold enough",
    ),
    Fault(
        "condenser_blockage", 0.70, "share of condenser air flow lost", grows=True,
        component="condenser", repair_action="airflow", complaint="weak when standing",
    ),
    Fault(
        "dead_fan", 1.00, "share of fan air flow lost", grows=False,
        component="condenser_fan", repair_action="electrical", complaint="weak when standing",
    ),
    Fault(
        "compressor_wear", 0.60, "share of volumetric efficiency lost", grows=True,
        component="compressor", repair_action="replace", complaint="not cold enough",
    ),
    Fault(
        "valve_underfeeding", 0.85, "share of expansion device opening lost", grows=True,
        component="expansion_device", repair_action="replace", complaint="cold only at times",
    ),
    Fault(
        "blend_door_leak", 0.30, "share of duct air that passes the heater", grows=False,
        component="blend_door", repair_action="replace", complaint="one side warm",
    ),
)  # fmt: skip

KINDS: tuple[str, ...] = tuple(fault.kind for fault in FAULTS)
BY_KIND: dict[str, Fault] = {fault.kind: fault for fault in FAULTS}


def size(kind: str, severity: float) -> float:
    """Physical size of a fault of this severity, in the unit of its kind; 0 for `none`."""
    return BY_KIND[kind].worst_size * severity if kind in BY_KIND else 0.0


@dataclass(frozen=True)
class Defects:
    """Sizes of all faults in a batch of tests, one array per kind, 0 where healthy."""

    undercharge: FloatArray
    condenser_blockage: FloatArray
    dead_fan: FloatArray
    compressor_wear: FloatArray
    valve_underfeeding: FloatArray
    blend_door_leak: FloatArray


def defects(kinds: list[str], severities: list[float]) -> Defects:
    """The defects of a batch: one kind (or `none`) and one severity per test."""
    sizes = np.array(
        [size(kind, severity) for kind, severity in zip(kinds, severities, strict=True)]
    )
    named = np.array(kinds)
    return Defects(**{kind: np.where(named == kind, sizes, 0.0) for kind in KINDS})
