"""Posteriors of ratios: coverage on known truth, and limits worked out apart."""

import numpy as np
import pytest
from scipy.stats import gamma, poisson

from models.funnel import Counts
from models.ratio_posteriors import ratio_posteriors


def test_one_group_as_numerical_integration_gives_it():
    """Mean over the true ratio and the spread, both integrated: half-normal(0.5), gamma."""
    seen, due = 9.0, 4.0
    # the module's grid of spreads ends at 0.02 and 2
    spreads = np.geomspace(0.02, 2.0, 60)
    ratios = np.linspace(1e-4, 8.0, 20_001)
    weight, mean = [], []
    for spread in spreads:
        each = gamma(spread**-2, scale=spread**2).pdf(ratios) * poisson.pmf(seen, ratios * due)
        mean.append((ratios * each).sum() / each.sum())
        weight.append(each.sum() * spread * np.exp(-0.5 * (spread / 0.5) ** 2))
    truth = np.average(mean, weights=weight)
    found = ratio_posteriors(Counts(np.array([seen]), np.array([due])))
    assert found.ratio[0] == pytest.approx(truth, rel=0.01)


@pytest.mark.parametrize("has_trials", [False, True])
def test_ninety_percent_intervals_hold_the_truth(has_trials):
    rng = np.random.default_rng(4)
    held = total = 0
    for _ in range(30):
        spread = abs(rng.normal()) * 0.5 + 0.02
        ratio = np.minimum(rng.gamma(spread**-2, spread**2, 40), 5.0)
        trials = rng.integers(20, 200, 40).astype(float)
        due = 0.1 * trials
        seen = (
            rng.binomial(trials.astype(int), 0.1 * ratio)
            if has_trials
            else rng.poisson(due * ratio)
        )
        counts = Counts(seen.astype(float), due, trials if has_trials else None)
        found = ratio_posteriors(counts)
        held += int(((found.low <= ratio) & (ratio <= found.high)).sum())
        total += 40
    assert held / total == pytest.approx(0.90, abs=0.03)


def test_small_groups_are_drawn_further_in():
    seen, due = np.array([4.0, 40.0, 10.0, 30.0]), np.array([2.0, 20.0, 12.0, 35.0])
    found = ratio_posteriors(Counts(seen, due))
    assert 1.0 < found.ratio[0] < found.ratio[1] < 2.0
    assert found.above_one[1] > found.above_one[0]


def test_no_groups():
    assert ratio_posteriors(Counts(np.empty(0), np.empty(0))).ratio.size == 0
