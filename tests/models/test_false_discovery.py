"""The study of false discovery in short: `python -m tests.studies.false_discovery` in full."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from tests.studies.false_discovery import LEVELS, measure
from tests.studies.judged_fleets import judge_fleet
from tests.studies.persistence import confirmed_rate
from tests.studies.residual_fleets import FleetPlan, draw_fleet

_REPLICATES = 5


@pytest.mark.parametrize("tail", [None, 5.0], ids=["normal", "t5"])
@pytest.mark.parametrize("contamination", [0.0, 0.1])
def test_healthy_cars_and_the_share_of_false_flags(tail, contamination):
    # P(p <= a) <= a: Bates et al., Ann. Statist. 51 (2023) 149. FDR <= q: Benjamini &
    # Hochberg (1995). 5 fleets of 1,200 cars; three standard errors over the fleets.
    plan = FleetPlan(n_vehicles=1200, n_models=30, contamination=contamination, tail=tail)
    found = []
    for number in range(_REPLICATES):
        drawn = draw_fleet(np.random.default_rng([11, number]), plan)
        found.append(measure(drawn, judge_fleet(drawn)))
    for kind in ("row", "test"):
        for level in LEVELS:
            seen = np.array([f[f"{kind}_p_at_{level}"] for f in found])
            error = max(seen.std(ddof=1), np.sqrt(level / 1000)) / np.sqrt(_REPLICATES)
            assert seen.mean() <= level + 3 * error, (kind, level)
    false = np.array([f["false_discoveries"] for f in found])
    if contamination:
        assert false.mean() <= 0.1
        assert np.mean([f["power"] for f in found]) >= (0.6 if tail is None else 0.2)
    else:
        # any flag of a healthy fleet is a false discovery: at most one fleet in ten has one
        assert false.sum() <= binom.ppf(0.999, _REPLICATES, 0.1)


def test_two_of_three_by_hand_and_at_both_ends():
    # independent tests: 3 a^2 (1 - a) + a^3; all tests alike: the single rate
    assert confirmed_rate(0.1, 0.0, 2, 3) == pytest.approx(3 * 0.01 * 0.9 + 0.001, rel=1e-6)
    assert confirmed_rate(0.1, 1.0, 2, 3) == 0.1
    assert 0.028 < confirmed_rate(0.1, 0.5, 2, 3) < 0.1


def test_two_of_three_against_drawn_tests():
    rng = np.random.default_rng(1)
    z = np.sqrt(0.5) * rng.normal(size=(400_000, 1)) + np.sqrt(0.5) * rng.normal(size=(400_000, 3))
    drawn = ((z > 1.6449).sum(axis=1) >= 2).mean()
    assert confirmed_rate(0.05, 0.5, 2, 3) == pytest.approx(drawn, rel=0.03)
