"""Against a published example, the closed form of balanced data, and full matrices."""

import numpy as np
import pytest
from scipy.optimize import minimize

from models.random_intercepts import fit_random_intercepts, likely_intercepts

# Yield of dyestuff of six batches, grams of standard colour: Davies, Statistical Methods in
# Research and Production (1947), table 6.1, as given with the R package lme4.
DYESTUFF = np.array([
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
], dtype=float)  # fmt: skip


def _dyestuff():
    return DYESTUFF.ravel(), np.ones((30, 1)), np.repeat(np.arange(6), 5)


def test_the_published_fit_of_the_dyestuff_batches():
    """Restricted likelihood of lme4: 1764.05 and 2451.25, mean 1527.5 with error 19.38."""
    fit = fit_random_intercepts(*_dyestuff())
    assert fit.group_variance == pytest.approx(1764.05, abs=0.01)
    assert fit.residual_variance == pytest.approx(2451.25, abs=0.01)
    assert fit.coefficients[0] == pytest.approx(1527.5)
    assert fit.coefficient_errors[0] == pytest.approx(19.383, abs=1e-3)
    # the conditional modes printed there
    printed = [-17.60685, 0.39126, 28.56222, -23.08453, 56.73319, -44.99529]
    assert fit.intercepts == pytest.approx(printed, abs=1e-4)


def test_balanced_data_have_a_closed_form():
    """Analysis of variance: between (MSB - MSW) / 5, within MSW."""
    means = DYESTUFF.mean(axis=1)
    within = ((DYESTUFF - means[:, None]) ** 2).sum() / 24
    between = 5 * ((means - means.mean()) ** 2).sum() / 5
    fit = fit_random_intercepts(*_dyestuff())
    assert fit.residual_variance == pytest.approx(within, rel=1e-6)
    assert fit.group_variance == pytest.approx((between - within) / 5, rel=1e-6)


def _unbalanced(seed, spread=0.8):
    rng = np.random.default_rng(seed)
    groups = np.sort(np.r_[np.arange(12), rng.integers(0, 12, 130)])
    x = np.column_stack([np.ones(142), rng.normal(size=(142, 2))])
    own = spread * rng.normal(size=12)
    return x @ [1.0, 0.6, -0.3] + own[groups] + rng.normal(size=142), x, groups


@pytest.mark.parametrize("seed", range(4))
def test_unbalanced_data_with_covariates_by_the_likelihood_written_out(seed):
    """The restricted likelihood with all matrices, searched by scipy over both variances."""
    y, x, groups = _unbalanced(seed)
    z = (groups[:, None] == np.arange(12)).astype(float)

    def deviance(logs):
        v = np.exp(logs[0]) * z @ z.T + np.exp(logs[1]) * np.eye(y.size)
        inverse = np.linalg.inv(v)
        middle = x.T @ inverse @ x
        b = np.linalg.solve(middle, x.T @ inverse @ y)
        left = y - x @ b
        logs_of = np.linalg.slogdet(v)[1] + np.linalg.slogdet(middle)[1]
        return logs_of + left @ inverse @ left

    found = minimize(deviance, [-0.5, 0.0], method="Nelder-Mead", options={"xatol": 1e-6})
    fit = fit_random_intercepts(y, x, groups)
    assert [fit.group_variance, fit.residual_variance] == pytest.approx(np.exp(found.x), rel=1e-3)


def test_intercepts_and_errors_are_those_of_the_full_matrices():
    """Henderson's equations with all matrices written out, at the variances found."""
    y, x, groups = _unbalanced(9)
    fit = fit_random_intercepts(y, x, groups)
    z = (groups[:, None] == np.arange(12)).astype(float)
    v = fit.group_variance * z @ z.T + fit.residual_variance * np.eye(y.size)
    inverse = np.linalg.inv(v)
    p = inverse - inverse @ x @ np.linalg.inv(x.T @ inverse @ x) @ x.T @ inverse
    assert fit.intercepts == pytest.approx(fit.group_variance * z.T @ p @ y, abs=1e-8)
    error = fit.group_variance * np.eye(12) - fit.group_variance**2 * z.T @ p @ z
    assert fit.intercept_errors == pytest.approx(np.sqrt(np.diag(error)), abs=1e-8)


def test_groups_that_do_not_differ_have_no_variance_of_their_own():
    y, x, groups = _unbalanced(2, spread=0.0)
    fit = fit_random_intercepts(y, x, groups)
    assert fit.border_p > 0.05
    assert fit.group_variance < 0.1


def test_ninety_percent_intervals_hold_the_truth():
    """Groups drawn with spreads of the prior's size; intervals from the mixture of spreads."""
    rng = np.random.default_rng(21)
    held = total = 0
    for _ in range(150):
        spread = abs(rng.normal()) * 0.5
        groups = np.repeat(np.arange(10), 12)
        own = spread * rng.normal(size=10)
        y = own[groups] + rng.normal(size=120)
        mean, deviation = likely_intercepts(y, np.ones((120, 1)), groups)
        held += int((np.abs(own - mean) <= 1.645 * deviation).sum())
        total += 10
    assert held / total == pytest.approx(0.90, abs=0.03)


def test_too_few_values_are_refused():
    with pytest.raises(ValueError, match="2 values cannot fit 1 coefficients"):
        fit_random_intercepts(np.zeros(2), np.ones((2, 1)), np.arange(2))
