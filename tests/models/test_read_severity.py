"""Readings drawn towards their group, against the truth they were drawn from."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.read_severity import with_likely_severity


def _read(shift: float, seed: int) -> tuple[pl.DataFrame, np.ndarray]:
    """400 groups of 30 cars; those of odd number get cars that are worse by `shift`."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(400), 30)
    truth = 5.0 + 2.0 * rng.standard_normal(group.size) + shift * (group % 2)
    rows = pl.DataFrame(
        {"group": group, "severity_before": truth + rng.standard_normal(group.size)}
    )
    return rows, truth


@pytest.mark.parametrize("shift", [0.0, 1.0, 3.0])
def test_likely_severity_regresses_without_loss(shift):
    """What depends on the truth alone is explained whole: slope 1, nothing left to the groups."""
    rows, truth = _read(shift, 1)
    likely = with_likely_severity(rows)["severity_before"].to_numpy()
    slope, start = np.polyfit(likely, truth, 1)
    assert slope == pytest.approx(1.0, abs=0.02)
    left = truth - start - slope * likely
    is_odd = rows["group"].to_numpy() % 2 == 1
    # standard error of the difference: 2 * 0.9 / sqrt(12,000)
    assert left[is_odd].mean() - left[~is_odd].mean() == pytest.approx(0.0, abs=0.06)


def test_bare_readings_would_leave_a_part_to_the_groups():
    rows, truth = _read(3.0, 2)
    read = rows["severity_before"].to_numpy()
    slope, start = np.polyfit(read, truth, 1)
    left = truth - start - slope * read
    is_odd = rows["group"].to_numpy() % 2 == 1
    assert left[is_odd].mean() - left[~is_odd].mean() > 0.2


def test_nothing_known_and_one_group_stay_as_they_are():
    one = pl.DataFrame({"group": ["a", "a"], "severity_before": [1.0, None]})
    assert with_likely_severity(one).equals(one)
    none = pl.DataFrame({"group": ["a", "b"], "severity_before": [None, None]}).cast(
        {"severity_before": pl.Float64}
    )
    assert with_likely_severity(none).equals(none)
    some = pl.DataFrame({"group": ["a", "b", "b", "a"], "severity_before": [3.0, 5.0, 9.0, None]})
    assert with_likely_severity(some)["severity_before"].null_count() == 1
