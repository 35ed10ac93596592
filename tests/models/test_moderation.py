"""Spreads of small groups: the prior that made them is found, and collapsed ones are held."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from models.moderation import MOST_PRIOR_FREEDOM, learn_prior


def moderated(variances, freedom, groups):
    prior = learn_prior(variances, freedom, groups)
    return (variances, freedom) if prior is None else prior.draw(variances, freedom)


def drawn(rng, prior_freedom, freedom, n=400, level=4.0):
    """Smyth (2004), section 3: 1 / true variance ~ chi2(d0) / (d0 s0^2), s^2 ~ chi2(d)."""
    true = level * prior_freedom / rng.chisquare(prior_freedom, size=n)
    return true, true * rng.chisquare(freedom, size=n) / freedom


@pytest.mark.parametrize(("prior_freedom", "freedom"), [(4.0, 6.0), (12.0, 8.0), (30.0, 5.0)])
def test_prior_of_the_published_model_is_found(prior_freedom, freedom):
    found = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        _, variances = drawn(rng, prior_freedom, freedom)
        _, together = moderated(variances, np.full(400, freedom), np.arange(400))
        found.append(together[0] - freedom)
    assert np.median(found) == pytest.approx(prior_freedom, rel=0.45)


def test_moderated_t_follows_students_t_with_the_summed_freedom():
    # Smyth (2004), section 4: the moderated t has d0 + d degrees of freedom.
    rng = np.random.default_rng(1)
    true, variances = drawn(rng, 10.0, 5.0, n=20_000)
    z = rng.normal(size=true.size) * np.sqrt(true)
    steadied, together = moderated(variances, np.full(true.size, 5.0), np.arange(true.size))
    p = 2 * student.sf(np.abs(z) / np.sqrt(steadied), together)
    for level in (0.001, 0.01, 0.1):
        assert (p <= level).mean() == pytest.approx(level, rel=0.35)


def test_a_collapsed_scale_is_held_by_the_others():
    rng = np.random.default_rng(2)
    _, variances = drawn(rng, 1000.0, 6.0, n=50, level=1.0)
    variances[0] = 0.01
    steadied, _ = moderated(variances, np.full(50, 6.0), np.arange(50))
    assert steadied[0] > 0.6
    assert (np.argsort(steadied[:50]) == np.argsort(variances)).all()


def test_groups_that_differ_for_good_are_left_as_they_are():
    variances = np.geomspace(0.1, 10.0, 30)
    steadied, together = moderated(variances, np.full(30, 40.0), np.arange(30))
    assert steadied == pytest.approx(variances, rel=0.5)
    assert together[0] < 40.0 + MOST_PRIOR_FREEDOM / 10


def test_few_groups_say_nothing_of_each_other():
    variances, freedom = np.array([1.0, 4.0, 9.0]), np.full(3, 5.0)
    steadied, together = moderated(variances, freedom, np.arange(3))
    assert (steadied == variances).all()
    assert (together == freedom).all()


def test_rows_of_one_group_count_once():
    rng = np.random.default_rng(3)
    _, variances = drawn(rng, 8.0, 6.0, n=40)
    once = moderated(variances, np.full(40, 6.0), np.arange(40))[0]
    groups = np.repeat(np.arange(40), rng.integers(1, 9, 40))
    often = moderated(variances[groups], np.full(groups.size, 6.0), groups)[0]
    assert often == pytest.approx(once[groups])
