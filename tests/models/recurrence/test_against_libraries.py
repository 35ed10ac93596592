"""Estimators against surpyval and lifelines on random truncated and censored ages.

surpyval is pinned and always asked. lifelines asks for pandas before 3, which the pins exclude, so
its test is skipped unless somebody installs it into an environment of its own.
"""

from __future__ import annotations

import importlib.util
import warnings

import numpy as np
import pytest

from models.recurrence.mean_cumulative import mean_cumulative_of_ages
from models.recurrence.product_limit import product_limit, risk_table
from models.recurrence.weibull import counts_of_ages, fit_weibull

HAS_LIFELINES = importlib.util.find_spec("lifelines") is not None
HAS_SURPYVAL = importlib.util.find_spec("surpyval") is not None


def _ages(rng):
    """Entries, exits, failed: half of the cars enter late, some are censored; never few."""
    while True:
        n = int(rng.integers(8, 120))
        life = 100.0 * rng.weibull(rng.uniform(0.6, 4.0), n)
        entries = np.where(rng.random(n) < 0.5, rng.uniform(0.0, 60.0, n), 0.0)
        ends = entries + rng.exponential(120.0, n)
        kept = life > entries
        exits, failed = np.minimum(life, ends)[kept], (life <= ends)[kept]
        if failed.sum() >= 3:
            return entries[kept], exits, failed


def _compare_lives(n_cases):
    import surpyval  # noqa: PLC0415 - it is slow to load

    rng = np.random.default_rng(77)
    away = []
    for _ in range(n_cases):
        entries, exits, failed = _ages(rng)
        fit = fit_weibull(counts_of_ages(entries, exits, failed))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = surpyval.Weibull.fit(x=exits, c=(~failed).astype(int), tl=entries)
            curve = surpyval.KaplanMeier.fit(x=exits, c=(~failed).astype(int), tl=entries)
        table = risk_table(entries, exits, failed)
        share = product_limit(table.failures, table.at_risk).share
        scale, shape = theirs.params
        away.append(
            (
                abs(scale / fit.scale[0] - 1.0),
                abs(shape / fit.shape[0] - 1.0),
                np.abs(curve.sf(table.ages) - share).max(),
                -theirs.neg_ll() - fit.log_likelihood[0],
            )
        )
    return np.array(away)


def _hold(away):
    # the product-limit estimate is exact in both
    assert away[:, 2].max() < 1e-9
    # ours is at least as likely as theirs, whose search stops a little before the top
    assert away[:, 3].max() < 1e-9
    assert np.median(away[:, :2]) < 1e-6
    same = (away[:, :2].max(axis=1) < 1e-6).mean()
    print(  # noqa: T201 - the figures of the slow form
        f"{len(away)} cases: scale and shape within 1e-6 of each other in {same:.3f}, farthest "
        f"{away[:, :2].max():.1e}, likelihood theirs minus ours at most {away[:, 3].max():.1e}"
    )


@pytest.mark.skipif(not HAS_SURPYVAL, reason="surpyval is not installed")
def test_lives_as_surpyval_tells_them():
    _hold(_compare_lives(25))


@pytest.mark.slow
@pytest.mark.skipif(not HAS_SURPYVAL, reason="surpyval is not installed")
def test_a_thousand_lives_as_surpyval_tells_them():
    _hold(_compare_lives(1000))


def _compare_repairs(n_cases):
    from surpyval import NonParametricCounting  # noqa: PLC0415 - it is slow to load

    rng = np.random.default_rng(78)
    for _ in range(n_cases):
        n = int(rng.integers(3, 40))
        exits = rng.uniform(5.0, 40.0, n)
        count = rng.poisson(exits * rng.gamma(2.0, 0.05, n))
        count[0] = max(count[0], 1)
        car = np.repeat(np.arange(n), count)
        age = rng.uniform(0.0, exits[car])
        ages, found = mean_cumulative_of_ages(car, age, np.zeros(n), exits)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = NonParametricCounting.fit(
                x=np.r_[age, exits], i=np.r_[car, np.arange(n)],
                c=np.r_[np.zeros(car.size, int), np.ones(n, int)],
            )  # fmt: skip
        place = np.searchsorted(theirs.x, ages)
        assert found.mean[0] == pytest.approx(theirs.mcf_hat[place], rel=1e-9)
        assert found.variance[0] == pytest.approx(theirs.var[place], rel=1e-6, abs=1e-12)


@pytest.mark.skipif(not HAS_SURPYVAL, reason="surpyval is not installed")
def test_mean_repairs_and_robust_variance_as_surpyval_tells_them():
    _compare_repairs(25)


@pytest.mark.slow
@pytest.mark.skipif(not HAS_SURPYVAL, reason="surpyval is not installed")
def test_a_thousand_mean_repairs_as_surpyval_tells_them():
    _compare_repairs(1000)


@pytest.mark.slow
@pytest.mark.skipif(
    not HAS_LIFELINES, reason="lifelines needs pandas before 3, the pinned one is later"
)
def test_a_thousand_lives_as_lifelines_tells_them():
    from lifelines import KaplanMeierFitter, WeibullFitter  # noqa: PLC0415

    rng = np.random.default_rng(79)
    away = []
    for _ in range(1000):
        entries, exits, failed = _ages(rng)
        fit = fit_weibull(counts_of_ages(entries, exits, failed))
        table = risk_table(entries, exits, failed)
        ours = product_limit(table.failures, table.at_risk)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = WeibullFitter().fit(exits, failed, entry=entries)
            curve = KaplanMeierFitter().fit(exits, failed, entry=entries)
        shares = curve.survival_function_at_times(table.ages).to_numpy()
        away.append(
            (
                abs(theirs.lambda_ / fit.scale[0] - 1.0),
                abs(theirs.rho_ / fit.shape[0] - 1.0),
                np.abs(shares - ours.share).max(),
                theirs.log_likelihood_ - fit.log_likelihood[0],
            )
        )
    _hold(np.array(away))
