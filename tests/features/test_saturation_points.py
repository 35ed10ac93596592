"""The shipped saturation points against the installed property library (CoolProp)."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from features.refrigerant import REFRIGERANTS, library_points
from features.saturation_points import points_frame, shipped_points


@pytest.mark.parametrize("designation", REFRIGERANTS)
def test_shipped_points_are_what_the_library_answers(designation):
    shipped = shipped_points(designation)
    asked = library_points(REFRIGERANTS[designation])
    assert shipped is not None, "run `python -m tests.features.write_saturation_points`"
    # the grid is the library's critical pressure cut into even steps; the temperatures its own
    np.testing.assert_allclose(shipped.ln_pressure, asked.ln_pressure, rtol=0, atol=1e-9)
    # blends are solved by iteration, whose last digits may differ between processors
    np.testing.assert_allclose(shipped.dew_c, asked.dew_c, rtol=0, atol=1e-6)
    np.testing.assert_allclose(shipped.bubble_c, asked.bubble_c, rtol=0, atol=1e-6)


def test_a_refrigerant_without_points_has_none():
    assert shipped_points("R744") is None


def test_points_survive_the_way_through_rows():
    points = shipped_points("R134a")
    frame = points_frame({"R134a": points})
    assert frame["dew_c"].to_numpy().tolist() == points.dew_c.tolist()


def test_saturation_needs_no_library():
    code = (
        "import sys, numpy as np\n"
        "from features.refrigerant import REFRIGERANTS, dew_temperature_c\n"
        # R-134a boils at 101.325 kPa at -26.07 degC (its normal boiling point, NIST)
        "found = dew_temperature_c(np.array([101.325]), REFRIGERANTS['R134a'])[0]\n"
        "assert abs(found + 26.07) < 0.02, found\n"
        "print('CoolProp' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
