"""Scale and tail of healthy cars: the right answer where it is known, faulty cars or not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from scipy.stats import t as student

from models import tail
from models.settings import AssessmentSettings
from models.tail import CUT, estimate_tail, median_ratio, normal_scores

SETTINGS = AssessmentSettings()
FEATURES = 12


def estimated(scores, cars=None, settings=SETTINGS):
    everything = np.ones(scores.shape, dtype=bool)
    cars = np.arange(len(scores)) if cars is None else cars
    return estimate_tail(scores, (everything, everything), cars, settings)


def residuals_of(rng, nu, n):
    size = (n, FEATURES)
    return rng.normal(size=size) if nu is None else rng.standard_t(nu, size=size)


def with_faults(rng, scores, share):
    """A share of the cars faulty by about +4 in four of the quantities."""
    bad = rng.uniform(size=len(scores)) < share
    scores[np.ix_(bad, range(4))] += np.abs(rng.normal(4.0, 1.2, size=(bad.sum(), 4)))
    return scores


def test_cut_likelihood_is_that_of_the_reference_library():
    sizes = np.array([0.1, 0.9, 2.4])
    table = tail._log_likelihoods(sizes)
    for place in (0, 20, 66):
        nu = 1.0 / tail._INVERSE_FREEDOM[place]
        unit = student.ppf(0.75, nu) / norm.ppf(0.75)
        mass = 2 * student.cdf(CUT * unit, nu) - 1
        expected = student.logpdf(sizes * unit, nu) + np.log(unit / mass)
        # The density is that of a signed residual: half of it on either side.
        assert table[:, place] == pytest.approx(expected, rel=1e-9)
        half = quad(lambda x, u=unit, n=nu, m=mass: student.pdf(x * u, n) * u / m, 0, CUT)[0]
        assert half == pytest.approx(0.5, rel=1e-6)


def test_median_ratio_and_normal_scores_are_those_of_the_reference_library():
    assert median_ratio(np.array([5.0])) == pytest.approx(student.ppf(0.75, 5) / norm.ppf(0.75))
    z, nu = np.array([-3.0, 0.5, 4.0]), np.array([8.0, 5.0, 12.0])
    assert normal_scores(z, nu) == pytest.approx(norm.ppf(student.cdf(z, nu)), rel=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2])
@pytest.mark.parametrize(("nu", "low", "high"), [(5.0, 3.5, 7.0), (None, 15.0, 30.0)])
def test_tail_is_found_with_and_without_faulty_cars(nu, low, high, share):
    found = [
        estimated(with_faults(rng, residuals_of(rng, nu, 500), share)).degrees_of_freedom
        for rng in map(np.random.default_rng, range(8))
    ]
    assert low <= np.median(found) <= high


def test_tail_shared_by_the_quantities_of_a_car_is_found_too():
    # A car whose quantities stray together: multivariate Student, not twelve of them.
    found = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        scores = rng.normal(size=(800, FEATURES))
        scores /= np.sqrt(rng.chisquare(5, size=(800, 1)) / 5)
        found.append(estimated(scores).degrees_of_freedom)
    assert 4.0 <= np.median(found) <= 8.0


def test_few_residuals_leave_the_stated_default():
    few = np.random.default_rng(0).normal(size=(16, FEATURES))  # 192 residuals
    found = estimated(few)
    assert found.degrees_of_freedom == SETTINGS.tail_degrees_of_freedom
    assert found.n_residuals == 0
    assert (found.factors == 1.0).all()


def test_few_cars_stay_nearer_to_the_default_than_many():
    # One tail, normal; 20 cars say less of it than 2,000.
    found = [
        [estimated(residuals_of(rng, None, n)).degrees_of_freedom for n in (20, 2000)]
        for rng in map(np.random.default_rng, range(8))
    ]
    few, many = np.median(found, axis=0)
    assert SETTINGS.tail_degrees_of_freedom / 2 < few < many
    assert many == SETTINGS.lightest_tail_degrees_of_freedom


def test_repeated_tests_of_a_car_say_no_more_than_one():
    rng = np.random.default_rng(3)
    once = residuals_of(rng, None, 60)
    cars = np.repeat(np.arange(60), 20)
    repeated = estimated(np.repeat(once, 20, axis=0), cars).degrees_of_freedom
    assert repeated == pytest.approx(estimated(once).degrees_of_freedom, rel=0.02)


@pytest.mark.parametrize("scale", [0.8, 1.0, 1.3])
def test_scale_is_found_and_widened_by_faults_only(scale):
    rng = np.random.default_rng(4)
    scores = scale * residuals_of(rng, None, 1000)
    factors = estimated(scores).factors
    # Median of 1,000: 4 % [sqrt(pi / 2 / 2000) = 0.028 of sd at most], drawn to 1 by 5 %.
    assert factors == pytest.approx(scale * np.ones(FEATURES), rel=0.12)
    assert factors.mean() == pytest.approx(scale, rel=0.03)
    spoiled = estimated(with_faults(rng, scores.copy(), 0.2)).factors
    assert (spoiled[:4] > factors[:4]).all()
    assert spoiled[4:] == pytest.approx(factors[4:])
