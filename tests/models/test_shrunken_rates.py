"""Rates drawn together: a published fit, numerical integration, coverage on known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom, gamma, poisson

from models.funnel import Counts
from models.shrunken_rates import log_marginals, ratio_posteriors, share_posteriors

# Lip cancer in 56 districts of Scotland, Clayton & Kaldor, Biometrics 43 (1987) 671.
OBSERVED = np.array([
    9, 39, 11, 9, 15, 8, 26, 7, 6, 20, 13, 5, 3, 8, 17, 9, 2, 7, 9, 7, 16, 31, 11, 7, 19, 15, 7, 10,
    16, 11, 5, 3, 7, 8, 11, 9, 11, 8, 6, 4, 10, 8, 2, 6, 19, 3, 2, 3, 28, 6, 1, 1, 1, 1, 0, 0,
], dtype=float)  # fmt: skip
EXPECTED = np.array([
    1.4, 8.7, 3.0, 2.5, 4.3, 2.4, 8.1, 2.3, 2.0, 6.6, 4.4, 1.8, 1.1, 3.3, 7.8, 4.6, 1.1, 4.2, 5.5,
    4.4, 10.5, 22.7, 8.8, 5.6, 15.5, 12.5, 6.0, 9.0, 14.4, 10.2, 4.8, 2.9, 7.0, 8.5, 12.3, 10.1,
    12.7, 9.4, 7.2, 5.3, 18.8, 15.8, 4.3, 14.6, 50.7, 8.2, 5.6, 9.3, 88.7, 19.6, 3.4, 3.6, 5.7, 7.0,
    4.2, 1.8,
])  # fmt: skip


def test_the_published_gamma_law_of_scottish_districts_is_the_likeliest():
    # printed there: shape 1.88, rate 1.32 (from memory)
    shapes, rates = np.arange(1.70, 2.06, 0.01), np.arange(1.20, 1.45, 0.01)
    a, b = (each.ravel() for each in np.meshgrid(shapes, rates))
    best = int(np.argmax(log_marginals(Counts(OBSERVED, EXPECTED), a, b)))
    assert a[best] == pytest.approx(1.88, abs=0.011)
    assert b[best] == pytest.approx(1.32, abs=0.011)


def test_the_district_of_few_cases_does_not_lead():
    drawn = ratio_posteriors(Counts(OBSERVED, EXPECTED))
    # the district with the highest raw ratio, 6.4 from 9 cases, is not the highest any more
    assert np.argmax(OBSERVED / EXPECTED) == 0
    assert np.argmax(drawn.low) == 1
    assert ((drawn.low < drawn.ratio) & (drawn.ratio < drawn.high)).all()


def test_likelihood_of_shares_is_that_of_the_beta_binomial_law():
    rng = np.random.default_rng(2)
    trials = rng.integers(5, 60, 80).astype(float)
    hits = rng.binomial(trials.astype(int), rng.beta(2.0, 12.0, 80)).astype(float)
    shapes = np.array([[2.0, 12.0], [1.0, 20.0]])
    found = log_marginals(Counts(hits, 0.1 * trials, trials), *shapes.T)
    known = [betabinom.logpmf(hits, trials, a, b).sum() for a, b in shapes]
    # the module leaves out the number of ways, which is the same for all laws
    assert found[0] - found[1] == pytest.approx(known[0] - known[1], rel=1e-9)


def test_one_group_as_numerical_integration_gives_it():
    """Mean over the true ratio and the spread, both integrated: half-normal(0.5), gamma."""
    seen, due = 9.0, 4.0
    # the module's grid of spreads ends at 0.02 and 2
    spreads = np.geomspace(0.02, 2.0, 60)
    ratios = np.linspace(1e-4, 8.0, 4001)
    each = gamma.pdf(ratios, spreads[:, None] ** -2, scale=spreads[:, None] ** 2)
    each = each * poisson.pmf(seen, ratios * due)
    weight = each.sum(axis=1) * spreads * np.exp(-0.5 * (spreads / 0.5) ** 2)
    law = np.average(each / each.sum(axis=1, keepdims=True), axis=0, weights=weight)
    found = ratio_posteriors(Counts(np.array([seen]), np.array([due])))
    assert found.ratio[0] == pytest.approx(float(law @ ratios), rel=0.01)
    assert found.low[0] == pytest.approx(np.interp(0.05, law.cumsum(), ratios), rel=0.01)
    assert found.high[0] == pytest.approx(np.interp(0.95, law.cumsum(), ratios), rel=0.01)


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


def test_shares_hold_what_was_drawn_and_small_groups_do_not_lead():
    rng = np.random.default_rng(3)
    trials = rng.choice([5.0, 30.0, 300.0], 1000)
    truth = rng.beta(4.0, 36.0, 1000)
    found = share_posteriors(rng.binomial(trials.astype(int), truth).astype(float), trials)
    assert ((found.low <= truth) & (truth <= found.high)).mean() == pytest.approx(0.9, abs=0.03)
    # relative spread of this beta law, 0.468 [computed: sqrt(0.9 / (0.1 * 41))]
    assert found.spread == pytest.approx(0.468, rel=0.15)
    assert (trials[np.argsort(-found.low)[:20]] == 300.0).mean() > 0.8


def test_small_groups_are_drawn_further_in():
    seen, due = np.array([4.0, 40.0, 10.0, 30.0]), np.array([2.0, 20.0, 12.0, 35.0])
    found = ratio_posteriors(Counts(seen, due))
    assert 1.0 < found.ratio[0] < found.ratio[1] < 2.0
    assert found.above_one[1] > found.above_one[0]


def test_nothing_expected_nothing_seen_and_no_groups():
    assert ratio_posteriors(Counts(np.empty(0), np.empty(0))).ratio.size == 0
    blank = ratio_posteriors(Counts(np.array([0.0, 5.0]), np.array([0.0, 4.0])))
    assert np.isfinite([blank.ratio, blank.low, blank.high]).all()
    assert blank.low[0] < 0.9
    assert blank.high[0] > 1.1
    none = share_posteriors(np.zeros(3), np.array([10.0, 0.0, 20.0]))
    assert ((none.low < none.ratio) & (none.ratio < none.high)).all()
    assert np.isfinite(share_posteriors(np.zeros(2), np.zeros(2)).ratio).all()
