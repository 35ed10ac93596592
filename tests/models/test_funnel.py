"""Limits against scipy's incomplete beta and gamma functions, which know nothing of ppf."""

import numpy as np
import pytest
from scipy.special import betainc, gammaincc
from scipy.stats import binom

from models.funnel import Counts, Scatter, find_scatter, limits, scores

CHANCE = Scatter(1.0, 0.0)


def _binomial_cdf(r, n, p):
    """P(X <= r) = I(1-p; n-r, r+1), Abramowitz and Stegun 26.5.24."""
    return 1.0 if r >= n else float(betainc(n - r, r + 1, 1.0 - p))


def _poisson_cdf(r, mean):
    """P(X <= r) = Q(r+1, mean), Abramowitz and Stegun 26.4.21."""
    return float(gammaincc(r + 1, mean))


def _interpolated(cdf, probability, most):
    """Smallest r with F(r) >= p, drawn back by how far F(r) overshoots, in parts of its step."""
    r = next(r for r in range(most + 1) if cdf(r) >= probability)
    below = cdf(r - 1) if r else 0.0
    return r - (cdf(r) - probability) / (cdf(r) - below)


@pytest.mark.parametrize("n", [30, 50, 100, 200, 400])
@pytest.mark.parametrize("p", [0.02, 0.08, 0.5, 0.93])
@pytest.mark.parametrize("tail", [0.025, 0.001])
def test_binomial_limits_are_those_of_the_incomplete_beta_function(n, p, tail):
    counts = Counts(np.zeros(1), np.array([n * p]), np.array([float(n)]))
    low, high = (float(each[0]) * n * p for each in limits(counts, tail, CHANCE))
    cdf = lambda r: _binomial_cdf(r, n, p)  # noqa: E731 - one line of a formula
    assert low == pytest.approx(max(_interpolated(cdf, tail, n), 0.0), rel=1e-9, abs=1e-9)
    assert high == pytest.approx(min(_interpolated(cdf, 1 - tail, n), n), rel=1e-9)


@pytest.mark.parametrize("mean", [0.7, 5.0, 23.4, 180.0])
def test_poisson_limits_are_those_of_the_incomplete_gamma_function(mean):
    low, high = limits(Counts(np.zeros(1), np.array([mean])), 0.001, CHANCE)
    cdf = lambda r: _poisson_cdf(r, mean)  # noqa: E731 - one line of a formula
    assert float(low[0]) * mean == pytest.approx(max(_interpolated(cdf, 0.001, 999), 0), abs=1e-9)
    assert float(high[0]) * mean == pytest.approx(_interpolated(cdf, 0.999, 999), rel=1e-9)


@pytest.mark.parametrize(
    ("n", "low", "high"), [(30, 0.0, 25.4), (100, 0.4, 17.0), (200, 2.5, 14.3), (400, 4.0, 12.4)]
)
def test_limits_of_eight_percent(n, low, high):
    """Computed apart by the interpolated exact method, in percent."""
    counts = Counts(np.zeros(1), np.array([0.08 * n]), np.array([float(n)]))
    found = [100 * 0.08 * float(each[0]) for each in limits(counts, 0.001, CHANCE)]
    assert found == pytest.approx([low, high], abs=0.05)


@pytest.mark.parametrize(("n", "power"), [(30, 0.09), (200, 0.75)])
def test_a_shop_of_twice_the_rate_exceeds_the_limit_as_often_as_the_binomial_says(n, power):
    """8 % against 16 %: the chance is that of the binomial tail beyond the limit."""
    counts = Counts(np.zeros(1), np.array([0.08 * n]), np.array([float(n)]))
    limit = float(limits(counts, 0.001, CHANCE)[1][0]) * 0.08 * n
    exact = float(binom.sf(np.floor(limit), n, 0.16))
    assert exact == pytest.approx(power, abs=0.005)
    seen = np.random.default_rng(7).binomial(n, 0.16, 20_000).astype(float)
    many = Counts(seen, np.full(seen.size, 0.08 * n), np.full(seen.size, float(n)))
    share = float((seen / many.expected > limits(many, 0.001, CHANCE)[1]).mean())
    assert share == pytest.approx(exact, abs=4 * (exact * (1 - exact) / seen.size) ** 0.5)


def test_of_equal_shops_two_in_a_thousand_lie_outside():
    """The expectation over shop sizes, from the probabilities themselves: no sampling."""
    outside = []
    for n in range(20, 400, 3):
        seen = np.arange(n + 1.0)
        counts = Counts(seen, np.full(n + 1, 0.08 * n), np.full(n + 1, float(n)))
        low, high = limits(counts, 0.001, CHANCE)
        ratio = seen / counts.expected
        outside.append(binom.pmf(seen, n, 0.08)[(ratio > high) | (ratio < low)].sum())
    assert np.mean(outside) == pytest.approx(0.002, abs=0.0002)


def test_scores_of_equal_shops_are_about_standard_normal():
    rng = np.random.default_rng(3)
    seen = rng.binomial(80, 0.2, 20_000).astype(float)
    z = scores(Counts(seen, np.full(seen.size, 16.0), np.full(seen.size, 80.0)))
    assert abs(z.mean()) < 0.03
    assert z.std() == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("spread", [0.15, 0.3, 0.5])
def test_the_spread_between_shops_is_found(spread):
    rng = np.random.default_rng(11)
    ratio = rng.gamma(spread**-2, spread**2, 4000)
    expected = rng.uniform(5, 60, 4000)
    found = find_scatter(Counts(rng.poisson(expected * ratio).astype(float), expected))
    assert found.variance**0.5 == pytest.approx(spread, rel=0.12)


def test_equal_shops_rarely_seem_to_differ():
    rng = np.random.default_rng(5)
    called = sum(
        find_scatter(Counts(rng.poisson(8.0, 60).astype(float), np.full(60, 8.0))).variance > 0
        for _ in range(400)
    )
    assert called <= 400 * 0.05 + 3 * (400 * 0.05 * 0.95) ** 0.5


def test_a_few_bad_shops_do_not_widen_the_limits_for_all():
    rng = np.random.default_rng(6)
    rates = np.where(np.arange(2000) < 80, 32.0, 16.0)
    found = find_scatter(Counts(rng.poisson(rates).astype(float), np.full(2000, 16.0)))
    # with them in full the spread of the true ratios is 0.196
    assert found.variance**0.5 < 0.13


def test_nothing_seen_of_nothing_expected_lies_inside():
    counts = Counts(np.zeros(2), np.array([1e-9, 0.01]), np.array([1.0, 4.0]))
    low, high = limits(counts, 0.001, CHANCE)
    assert (low <= 0).all()
    assert (high >= 0).all()


def test_counts_without_trials_have_no_share():
    with pytest.raises(ValueError, match="no number of trials"):
        _ = Counts(np.zeros(1), np.ones(1)).share
