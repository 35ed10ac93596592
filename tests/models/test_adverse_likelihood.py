"""Likelihood of adverse directions: against the closed form, and p-values that keep their word."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm
from scipy.stats import t as student

import models.adverse_likelihood as module
from models.adverse_calibration import calibrate_adverse, learn_adverse
from models.adverse_likelihood import adverse_scores
from models.calibration import Kinship

RHO = np.array([[1.0, 0.5, 0.0], [0.5, 1.0, -0.3], [0.0, -0.3, 1.0]])
WEIGHTS = np.array([[1.0, 1.0, 0.0], [0.0, -0.5, 1.0]])


def weigh(z, freedom=1e6, correlation=RHO):
    allowed = np.ones((len(z), 2), dtype=bool)
    return adverse_scores(z, np.full(z.shape, freedom), WEIGHTS, allowed, correlation)


def test_normal_rows_give_the_ratio_of_two_normal_densities(monkeypatch):
    monkeypatch.setattr(module, "_OWN_WAY", 0.0)
    monkeypatch.setattr(module, "_SIZES", (3.0,))
    z = np.random.default_rng(1).normal(size=(40, 3))
    density = multivariate_normal(np.zeros(3), RHO)
    each = [density.pdf(z - 3.0 * w) / density.pdf(z) for w in WEIGHTS]
    assert np.exp(weigh(z).ratio) == pytest.approx(np.mean(each, axis=0), rel=1e-3)
    assert (weigh(z).direction == np.argmax(each, axis=0)).all()


def test_student_rows_by_themselves_give_the_ratio_of_student_densities(monkeypatch):
    monkeypatch.setattr(module, "_OWN_WAY", 0.0)
    monkeypatch.setattr(module, "_SIZES", (4.0,))
    z = student.rvs(5, size=(200, 3), random_state=2)
    each = [(student.logpdf(z - 4.0 * w, 5) - student.logpdf(z, 5)).sum(axis=1) for w in WEIGHTS]
    truth = np.logaddexp(*each) - np.log(2.0)
    # without correlation the normal scores cancel and the ratio is that of the densities
    assert weigh(z, 5.0, np.eye(3)).ratio == pytest.approx(truth, abs=1e-9)


def test_the_image_is_the_row_turned_round_and_what_is_missing_is_left_out():
    z = np.random.default_rng(3).normal(size=(50, 3))
    z[:20, 2] = np.nan
    forth, back = weigh(z), weigh(-z)
    assert forth.mirrored == pytest.approx(back.ratio)
    allowed = np.ones((20, 2), dtype=bool)
    alone = adverse_scores(z[:20, :2], np.full((20, 2), 1e6), WEIGHTS[:, :2], allowed, RHO[:2, :2])
    assert forth.ratio[:20] == pytest.approx(alone.ratio)
    nothing = adverse_scores(z, np.ones(z.shape), WEIGHTS, allowed=np.zeros((50, 2), bool),
                             correlation=RHO)  # fmt: skip
    assert np.isnan(nothing.ratio).all()


def kinship(n):
    one = np.full(n, "all")
    return Kinship(one, one, one, np.ones(n, dtype=bool), np.zeros((n, 1), dtype=bool))


@pytest.mark.parametrize("faulty", [0, 200, 400])
def test_p_values_of_healthy_cars_keep_their_word_with_faulty_ones_among_them(faulty):
    n, found = 2000, []
    for seed in range(12):
        rng = np.random.default_rng([seed, faulty])
        z = student.ppf(norm.cdf(rng.multivariate_normal(np.zeros(3), RHO, size=n)), 6)
        z[:faulty] += rng.uniform(2, 8, size=(faulty, 1)) * WEIGHTS[rng.integers(0, 2, faulty)]
        weighed, alike = weigh(z, 6.0), kinship(n)
        units = learn_adverse(weighed, alike)
        p = calibrate_adverse(weighed, alike, units).p_values[faulty:, 0]
        found.append([(p <= a).mean() for a in (0.01, 0.05, 0.1)])
    error = 3.0 * np.std(found, axis=0) / np.sqrt(len(found))
    assert (np.mean(found, axis=0) <= np.array([0.01, 0.05, 0.1]) + error).all()
