"""Regressions against scikit-learn, sums, and the cutting of follow-ups by hand."""

import numpy as np
import polars as pl
import pytest
from sklearn.linear_model import LogisticRegression, PoissonRegressor

from models.case_mix import Mix, design, expected, fit_coefficients, person_intervals


def _data(seed=1, n=400):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 3))])
    return rng, x, x @ [-1.5, 0.6, -0.4, 0.2]


@pytest.mark.parametrize("family", ["binomial", "poisson"])
def test_coefficients_without_pull_are_those_of_scikit_learn(family):
    rng, x, linear = _data()
    exposure = rng.uniform(0.5, 3.0, linear.size) if family == "poisson" else np.ones(linear.size)
    mean = np.exp(linear) * exposure if family == "poisson" else 1 / (1 + np.exp(-linear))
    y = rng.poisson(mean) if family == "poisson" else rng.random(mean.size) < mean
    y = y.astype(float)
    if family == "poisson":
        # a rate with its exposure as weight has the likelihood of the count
        other = PoissonRegressor(alpha=0, tol=1e-10, max_iter=1000)
        other.fit(x[:, 1:], y / exposure, sample_weight=exposure)
    else:
        other = LogisticRegression(C=np.inf, tol=1e-10, max_iter=1000).fit(x[:, 1:], y)
    theirs = np.r_[other.intercept_, other.coef_.ravel()]
    ours = fit_coefficients(x, y, family, offset=np.log(exposure), pull=np.full(4, 1e-12))
    assert ours == pytest.approx(theirs, abs=1e-5)


def test_as_many_are_expected_as_were_seen():
    rng, x, linear = _data(3)
    y = (rng.random(linear.size) < 1 / (1 + np.exp(-linear))).astype(float)
    assert expected(x, y, "binomial").sum() == pytest.approx(y.sum(), rel=1e-6)


@pytest.mark.parametrize("value", [0.0, 1.0])
def test_where_all_or_none_came_back_nothing_can_be_fitted(value):
    x = np.column_stack([np.ones(9), np.arange(9.0)])
    assert expected(x, np.full(9, value), "binomial") == pytest.approx(np.full(9, value))


def test_numbers_not_known_have_a_column_of_their_own():
    rows = pl.DataFrame({"age_years": [1.0, 3.0, None, 5.0], "architecture": ["a"] * 4})
    x = design(rows, Mix(("age_years",), ("architecture",)))
    assert x.shape == (4, 3)
    assert x[2, 1] == 0.0
    assert x[:, 2] == pytest.approx([-0.25, -0.25, 0.75, -0.25])


def test_rare_kinds_share_a_column():
    kinds = ["a"] * 50 + ["b"] * 30 + ["c"] * 3 + [None] * 2
    x = design(pl.DataFrame({"architecture": kinds}), Mix((), ("architecture",)))
    assert x.sum(axis=0) == pytest.approx([85, 30, 5])


def test_follow_up_is_cut_where_told():
    exposure, events, row, interval = person_intervals(
        np.array([25.0, 10.0, 99.0]), np.array([True, False, True]), [20.0, 40.0]
    )
    assert row.tolist() == [0, 0, 1, 2, 2]
    assert interval.tolist() == [0, 1, 0, 0, 1]
    assert exposure.tolist() == [20.0, 5.0, 10.0, 20.0, 20.0]
    # what comes after the last cut is no event of it
    assert events.tolist() == [0.0, 1.0, 0.0, 0.0, 0.0]
