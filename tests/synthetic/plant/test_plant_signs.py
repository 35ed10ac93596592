"""Every cell of the sign tables C1 and C2 of the trade's fault tables, fault by fault.

C1 holds for fixed or saturated control, C2 for a regulating one. Source of the signs: a cycle
model, Rossi & Braun 1997, service manuals, and common practice without a source. A clear sign
is `+`, `++`, `-` or `--`; signs in brackets, `?` and alternatives are not clear. A cell agrees
where the plant moves that way by more than `NOISE`; a `0` agrees where it moves by less than
`NOTHING`. Known disagreements carry a reason.
"""

import sys
from dataclasses import dataclass

import pytest
from plant_sign_runs import (
    EXTERNAL,
    EXTERNAL_SATURATED,
    FIXED,
    FIXED_LOW_LOAD,
    INTERNAL,
    ORIFICE,
    Setting,
    observed,
)

from synthetic.plant.faults import Faults

# least change that counts as a sign, and greatest that counts as none (chosen; kPa, K, 1)
NOISE = {
    "low_side": 2.0, "superheat": 0.4, "suction_superheat": 0.4, "high_side": 8.0,
    "subcooling": 0.4, "pressure_ratio": 0.03, "discharge": 0.5, "discharge_residual": 0.7,
    "duct": 0.15, "approach": 0.3, "displacement": 0.02,
}  # fmt: skip
NOTHING = {
    "low_side": 12.0, "superheat": 1.5, "suction_superheat": 2.0, "high_side": 25.0,
    "subcooling": 1.0, "pressure_ratio": 0.2, "discharge": 1.5, "discharge_residual": 1.5,
    "duct": 0.5, "approach": 1.0, "displacement": 0.04,
}  # fmt: skip
C1 = (
    "low_side", "superheat", "suction_superheat", "high_side", "subcooling", "pressure_ratio",
    "discharge", "discharge_residual", "duct", "approach",
)  # fmt: skip
C2 = (
    "low_side", "duct", "superheat", "subcooling", "high_side", "discharge",
    "discharge_residual", "displacement",
)  # fmt: skip


# every fault at one severity, but for low charge: the tables know three degrees of it
MEDIUM = 0.5
RESERVE, GROSS = 0.1, 0.9


@dataclass(frozen=True)
class Row:
    """One row of a table: its name, the twin that stands for it, and its cells in order."""

    name: str
    setting: Setting
    fault: Faults
    cells: str
    columns: tuple[str, ...]


def row(name, setting, cells, columns=C1, **fault):
    return Row(name, setting, Faults(**fault), cells, columns)


ROWS = (
    # C1: superheat at the evaporator, then at the compressor; n = not in the table
    row("C1 reserve only", FIXED, "0 0 0 0 0 0 0 0 0 0", undercharge=RESERVE),
    row("C1 undercharge", FIXED, "(+) 0 (+) (-) -- (-) ? 0 (+) 0", undercharge=MEDIUM),
    row("C1 gross undercharge", FIXED, "-- ++ ++ - - + + 0 ++ ++", undercharge=GROSS),
    row("C1 overcharge", FIXED, "? ? (-) + ++ + (+) 0 ? 0", overcharge=MEDIUM),
    row("C1 condenser blocked", FIXED, "(+) ? (+) ++ ? + ++ 0 (+) 0", condenser_blockage=MEDIUM),
    row("C1 fan", FIXED, "+ ? + ++ ? ++ ++ 0 + 0", weak_fan=MEDIUM),
    row("C1 foreign gas", FIXED, "? 0 0 + ++ + + 0 (+) 0", non_condensables=MEDIUM),
    row("C1 compressor wear", FIXED, "++ (-) - - (-) -- ? ++ + (-)", compressor_wear=MEDIUM),
    row("C1 stroke stuck low", EXTERNAL_SATURATED, "++ (-) - -- - -- -- ? ++ (-)",
        displacement_stuck_low=MEDIUM),
    row("C1 stroke stuck high, light load", EXTERNAL, "- ? + (+) (+) + + 0 - (+)",
        displacement_stuck_high=MEDIUM),
    row("C1 valve under-feeding", FIXED, "-- ++ ++ - ? + ++ 0 + ++", valve_under_feeding=MEDIUM),
    row("C1 valve over-feeding", FIXED, "+ - - ? (-) - -- - (+) (-)", valve_over_feeding=MEDIUM),
    row("C1 tube restricted", ORIFICE, "-- n n - + + + 0 ++ ++", valve_under_feeding=MEDIUM),
    row("C1 liquid restriction", FIXED, "-- ++ ++ (-) ? + ++ 0 + ++", liquid_restriction=MEDIUM),
    row("C1 evaporator air low", FIXED, "-- ? ? - (-) (+) 0 0 - (-)", evaporator_air_low=MEDIUM),
    row("C1 icing", FIXED_LOW_LOAD, "- (-) - - (-) + 0 0 ? +", icing=MEDIUM),
    row("C1 blend door", FIXED, "0 0 0 0 0 0 0 0 ++ ++", blend_door_leak=MEDIUM),
    row("C1 heater valve", FIXED, "0 0 0 0 0 0 0 0 ++ ++", heater_valve_leak=MEDIUM),
    row("C1 oil overcharge", FIXED, "0 ? (-) ? (-) 0 (+) (+) (+) +", oil_overcharge=MEDIUM),
    row("C1 exchanger fouled", FIXED, "0 0 -- 0 0 0 - 0 (+) 0", exchanger_fouled=MEDIUM),
    row("C1 wrong refrigerant", FIXED, "? ? ? + ? ? ? ? ? ?", wrong_refrigerant=MEDIUM),
    # C2: regulation; externally controlled by evaporator temperature unless named
    row("C2 undercharge", EXTERNAL, "0 0 0 - (-) (+) 0 ?", C2, undercharge=MEDIUM),
    row("C2 gross undercharge", EXTERNAL, "- + ++ - 0 + 0 ++", C2, undercharge=GROSS),
    row("C2 overcharge", EXTERNAL, "0 0 0 + (+) (+) 0 (-)", C2, overcharge=MEDIUM),
    row("C2 condenser blocked", EXTERNAL, "0 0 0 ? + ++ 0 (+)", C2, condenser_blockage=MEDIUM),
    row("C2 fan", EXTERNAL, "0 0 0 ? ++ ++ 0 (+)", C2, weak_fan=MEDIUM),
    row("C2 foreign gas", EXTERNAL, "0 0 0 ++ + + 0 0", C2, non_condensables=MEDIUM),
    row("C2 compressor wear", EXTERNAL, "0 0 0 0 0 ++ ++ ++", C2, compressor_wear=MEDIUM),
    row("C2 stroke stuck low", EXTERNAL, "+ + (-) (-) - - 0 n", C2,
        displacement_stuck_low=MEDIUM),
    row("C2 stroke stuck high", EXTERNAL, "-- -- (+) + + + 0 n", C2,
        displacement_stuck_high=MEDIUM),
    row("C2 valve under-feeding", EXTERNAL, "-- 0 ++ ? ? ++ 0 ++", C2, valve_under_feeding=MEDIUM),
    row("C2 liquid restriction", EXTERNAL, "-- 0 ++ ? ? ++ 0 ++", C2, liquid_restriction=MEDIUM),
    row("C2 valve under-feeding, suction pressure", INTERNAL, "0 ++ ++ ? - + 0 --", C2,
        valve_under_feeding=MEDIUM),
    row("C2 liquid restriction, suction pressure", INTERNAL, "0 ++ ++ ? - + 0 --", C2,
        liquid_restriction=MEDIUM),
    row("C2 valve over-feeding", EXTERNAL, "0 0 - ? ? - - +", C2, valve_over_feeding=MEDIUM),
    row("C2 evaporator air low", EXTERNAL, "(+) 0 (-) - - - 0 --", C2, evaporator_air_low=MEDIUM),
    row("C2 blend door", EXTERNAL, "0 ++ 0 0 0 0 0 ?", C2, blend_door_leak=MEDIUM),
    row("C2 exchanger fouled", EXTERNAL, "0 0 0 0 0 - 0 0", C2, exchanger_fouled=MEDIUM),
    row("C2 oil overcharge", EXTERNAL, "(-) n 0 0 0 + (+) (+)", C2, oil_overcharge=MEDIUM),
)  # fmt: skip

WARM_SHELL = "the clutch or the flow goes on and off, and the shell keeps its warmth"
WETTED = "the whole coil is wetted now, so that it needs less difference than before"
SENSOR = "the fin sensor sits partly in the coldest air, so that mixed air is held less well"
ICED = "ice takes air away, so that less superheat and less difference are left on the coil"
LESS_FLOW = "a lower high side takes back what the superheat adds: the change is next to none"
# cells that the plant does not show, and why; the signs in question are those of the tables
KNOWN: dict[tuple[str, str], str] = {
    ("C1 gross undercharge", "discharge_residual"): WARM_SHELL,
    ("C1 icing", "approach"): ICED,
    ("C1 icing", "discharge"): ICED,
    ("C1 fan", "approach"): "the higher high side feeds the valve better: less dried-out coil",
    ("C1 valve over-feeding", "discharge_residual"): "the exchanger dries the gas at full load",
    ("C1 valve over-feeding", "duct"): WETTED,
    ("C1 stroke stuck low", "superheat"): "the valve closes far, and its superheat with the load",
    ("C2 gross undercharge", "high_side"): "little is left to condense once the coil is empty",
    ("C2 valve under-feeding", "duct"): SENSOR,
    ("C2 liquid restriction", "duct"): SENSOR,
    ("C2 valve over-feeding", "low_side"): WETTED,
    ("C2 valve over-feeding", "duct"): SENSOR,
    ("C2 valve over-feeding", "displacement"): WETTED,
    ("C2 valve under-feeding, suction pressure", "discharge"): LESS_FLOW,
    ("C2 liquid restriction, suction pressure", "discharge"): LESS_FLOW,
}

NOT_MODELLED = {
    "moisture": "ice in the valve comes and goes; the plant holds no water in the circuit",
    "intake sensor misplaced": "a fault of the logger: see test_plant_sensors",
    "clamp off the line": "a fault of the logger: see test_plant_sensors",
}


def verdict(cell: str, feature: str, change: float) -> str:
    """`agrees`, `disagrees` or `not clear` for one cell."""
    if cell in {"?", "n"}:
        return "not clear"
    if cell == "0":
        return "agrees" if abs(change) < NOTHING[feature] else "disagrees"
    sign = 1.0 if "+" in cell else -1.0
    if "(" in cell:
        return "agrees" if sign * change > -NOTHING[feature] else "disagrees"
    return "agrees" if sign * change > NOISE[feature] else "disagrees"


@pytest.fixture(scope="module")
def cells():
    """Every cell: (row, feature) -> (what the table says, change, verdict)."""
    found = {}
    for setting in {id(r.setting): r.setting for r in ROWS}.values():
        rows = [r for r in ROWS if r.setting is setting]
        changes = observed(setting, [r.fault for r in rows])
        for number, one in enumerate(rows):
            for feature, cell in zip(one.columns, one.cells.split(), strict=True):
                change = float(changes.get(feature)[number])
                found[one.name, feature] = (cell, change, verdict(cell, feature, change))
    return found


def is_clear(cell: str) -> bool:
    return cell in {"+", "++", "-", "--"}


def listing(cells) -> str:
    """Every cell with its verdict and, where it disagrees, the reason; then what is left out."""
    lines = [
        f"{name:44s} {feature:20s} {cell:>4s} {change:9.3f} {found} {KNOWN.get((name, feature))}"
        for (name, feature), (cell, change, found) in cells.items()
    ]
    lines += [f"{name:44s} not modelled: {why}" for name, why in NOT_MODELLED.items()]
    return "\n".join(lines)


def test_the_listing_names_every_cell_that_disagrees(cells):
    sys.stdout.write(f"\n{listing(cells)}\n")  # seen with pytest -s
    unlike = {key for key, (_, _, found) in cells.items() if found == "disagrees"}
    new = {key: cells[key] for key in unlike - set(KNOWN)}
    gone = set(KNOWN) - unlike
    assert not new, f"cells that disagree without a reason: {new}"
    assert not gone, f"cells that agree now; strike their reasons: {gone}"


def test_at_least_nine_of_ten_clear_signs_agree(cells):
    clear = [found for cell, _, found in cells.values() if is_clear(cell)]
    assert len(clear) > 100
    assert clear.count("agrees") / len(clear) >= 0.90


def test_every_row_of_the_tables_is_here_or_said_not_to_be_modelled():
    modelled = {
        name.removeprefix("C1 ") for name in (r.name for r in ROWS) if name.startswith("C1")
    }
    # 24 rows in C1, undercharge thrice; hunting has its own check below
    assert len(modelled) + len(NOT_MODELLED) + len({"hunting"}) == 25


def test_hunting_swings_the_superheat_by_more_than_three_kelvin_and_spares_the_mean():
    # oscillation > 3 K, 20-120 s (common practice)
    found = observed(INTERNAL, [Faults(valve_hunting=MEDIUM)])
    swing, healthy = found["superheat_swing"][0], found["healthy_superheat_swing"][0]
    assert healthy < 0.5
    assert swing * 1.65 > 3.0  # (q95 - q05) / 2 of a wave of this standard deviation
