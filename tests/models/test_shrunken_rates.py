"""Rates drawn together, against a published fit and a search over a grid."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom

from models.shrunken_rates import shrink_ratios, shrink_shares

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


def test_the_published_gamma_law_of_scottish_districts():
    # printed there: shape 1.88, rate 1.32 (from memory)
    drawn = shrink_ratios(OBSERVED, EXPECTED)
    assert drawn.first == pytest.approx(1.88, abs=0.005)
    assert drawn.second == pytest.approx(1.32, abs=0.005)
    # the district with the highest raw ratio, 6.4 from 9 cases, is not the highest any more
    assert np.argmax(OBSERVED / EXPECTED) == 0
    assert np.argmax(drawn.low) == 1
    assert ((drawn.low < drawn.mean) & (drawn.mean < drawn.high)).all()


def test_beta_law_is_that_of_a_search_over_a_grid():
    rng = np.random.default_rng(2)
    trials = rng.integers(5, 60, 80).astype(float)
    hits = rng.binomial(trials.astype(int), rng.beta(2.0, 12.0, 80)).astype(float)
    drawn = shrink_shares(hits, trials)
    a, b = np.meshgrid(np.geomspace(0.5, 10, 60), np.geomspace(3, 60, 60))
    loss = sum(betabinom.logpmf(h, n, a, b) for h, n in zip(hits, trials, strict=True))
    best = float(loss.max())
    here = betabinom.logpmf(hits, trials, drawn.first, drawn.second).sum()
    assert best - 1e-9 <= here <= best + 0.1


def test_intervals_hold_what_was_drawn_and_small_groups_do_not_lead():
    rng = np.random.default_rng(3)
    expected = rng.choice([0.5, 3.0, 30.0], 3000)
    truth = rng.gamma(8.0, 1.0 / 8.0, 3000)
    drawn = shrink_ratios(rng.poisson(truth * expected).astype(float), expected)
    held = ((drawn.low <= truth) & (truth <= drawn.high)).mean()
    assert held == pytest.approx(0.9, abs=0.02)
    top = np.argsort(-drawn.low)[:20]
    assert (expected[top] == 30.0).mean() > 0.8


def test_alike_groups_and_too_few_of_them():
    same = shrink_ratios(np.full(10, 20.0), np.full(10, 20.0))
    assert np.allclose(same.mean, 1.0, atol=1e-3)
    two = shrink_ratios(np.array([0.0, 5.0]), np.array([1.0, 1.0]))
    assert (two.first, two.second) == (1.0, 1.0)
    assert np.isfinite(two.high).all()
    none = shrink_shares(np.zeros(3), np.zeros(3))
    assert np.allclose(none.mean, 0.5)
