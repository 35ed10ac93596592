"""Which deviations may be findings at all on which car."""

from __future__ import annotations

import polars as pl
import pytest

from models.flags import add_flags, p_values_of_tests
from models.settings import AssessmentSettings

NO_DIRECTIONS = pl.DataFrame(
    schema={
        "test_id": pl.String,
        "direction_code": pl.String,
        "p_value": pl.Float64,
        "calibration_code": pl.String,
        "n_calibration": pl.Int32,
    }
)


def one_row(feature: str, observed: float, expected: float) -> pl.DataFrame:
    z = 10.0 if observed > expected else -10.0
    return pl.DataFrame(
        {
            "test_id": ["t"],
            "feature": [feature],
            "observed": [observed],
            "expected": [expected],
            "z": [z],
            "p_value": [1e-9],
            "calibration_code": ["approximate"],
            "n_calibration": [0],
        }
    )


def finding_of(row: pl.DataFrame, expansion_device: str | None) -> str | None:
    tests = pl.DataFrame(
        {"test_id": ["t"], "age_rank": [1], "expansion_device": [expansion_device]},
        schema_overrides={"expansion_device": pl.String},
    )
    settings = AssessmentSettings()
    found = p_values_of_tests(row, NO_DIRECTIONS, settings).with_columns(q_value="p_value")
    flagged = add_flags(row, found, tests, settings)
    return flagged["finding_code"].item()


# An accumulator passes saturated vapour: superheat near zero is its design, superheat well
# above it is not (common practice, no source).
@pytest.mark.parametrize(
    ("expansion_device", "finding"),
    [
        ("txv", "suction_superheat_low"),
        (None, "suction_superheat_low"),
        ("orifice_tube", None),
    ],
)
def test_low_superheat_is_no_finding_behind_an_orifice_tube(expansion_device, finding):
    row = one_row("compressor_suction_superheat_k", 0.5, 9.0)
    assert finding_of(row, expansion_device) == finding


def test_high_superheat_stays_a_finding_behind_an_orifice_tube():
    row = one_row("compressor_suction_superheat_k", 14.0, 2.0)
    assert finding_of(row, "orifice_tube") == "suction_superheat_high"
