"""Writes `features/enthalpy_points.csv` from the installed property library.

Run as `python -m tests.features.write_enthalpy_points` after the list of refrigerants or
the grid changed; `test_cycle_properties.py` compares the file with the library.
"""

from __future__ import annotations

from pathlib import Path

from features import enthalpy_points
from features.refrigerant import REFRIGERANTS


def main() -> None:
    points = {
        name: enthalpy_points.library_enthalpies(refrigerant)
        for name, refrigerant in REFRIGERANTS.items()
    }
    file = Path(enthalpy_points.__file__).with_name(enthalpy_points.FILE_NAME)
    enthalpy_points.enthalpies_frame(points).write_csv(file)


if __name__ == "__main__":
    main()
