"""Writes `features/saturation_points.csv` from the installed property library.

Run as `python -m tests.features.write_saturation_points` after the list of refrigerants
or the validity changed; `test_saturation_points.py` compares the file with the library.
"""

from __future__ import annotations

from pathlib import Path

from features import saturation_points
from features.refrigerant import REFRIGERANTS, library_points


def main() -> None:
    points = {name: library_points(refrigerant) for name, refrigerant in REFRIGERANTS.items()}
    file = Path(saturation_points.__file__).with_name(saturation_points.FILE_NAME)
    saturation_points.points_frame(points).write_csv(file)


if __name__ == "__main__":
    main()
