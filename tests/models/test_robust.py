"""The robust line against published robust fits, an independent optimiser, and contamination."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from models import robust
from models.robust import (
    Problem,
    bisquare_weights,
    fit_robust,
    huber_weights,
    iterate,
    weighted_median,
)

# Stack loss of a plant oxidising ammonia, 21 days: air flow, water temperature, acid
# concentration, loss (Brownlee 1965; data from memory, checked by its least-squares fit).
AIR = [80, 80, 75, 62, 62, 62, 62, 62, 58, 58, 58, 58, 58, 58, 50, 50, 50, 50, 50, 56, 70]
WATER = [27, 27, 25, 24, 22, 23, 24, 24, 23, 18, 18, 17, 18, 19, 18, 18, 19, 19, 20, 20, 20]
ACID = [89, 88, 90, 87, 87, 87, 93, 93, 87, 80, 89, 88, 82, 93, 89, 86, 72, 79, 80, 82, 91]
LOSS = [42, 37, 37, 28, 18, 18, 19, 20, 15, 14, 14, 13, 11, 12, 8, 7, 8, 8, 9, 15, 15]

STACK_DESIGN = np.column_stack([np.ones(21), AIR, WATER, ACID]).astype(float)
STACK_LOSS = np.array([LOSS], dtype=float)


@pytest.fixture
def stack_loss():
    # The published fits use the plain median of absolute residuals, uncorrected for the
    # number of coefficients: freedom 1.
    return Problem(STACK_DESIGN, STACK_LOSS, np.ones((1, 21)), np.ones(1))


def least_squares():
    return np.linalg.lstsq(STACK_DESIGN, STACK_LOSS[0], rcond=None)[0][None, :]


def test_the_recalled_stack_loss_data_give_their_published_least_squares_fit():
    # Draper & Smith, Applied Regression Analysis (from memory).
    assert least_squares()[0] == pytest.approx([-39.9197, 0.7156, 1.2953, -0.1521], abs=2e-4)


def test_huber_steps_give_the_published_fit_of_stack_loss(stack_loss):
    # Documented output of a widely used M-estimator, Huber with k = 1.345 (from memory); it
    # stops at a relative change of 1e-4, hence the tolerance.
    coefficients, _ = iterate(stack_loss, least_squares(), huber_weights, 60)
    assert coefficients[0] == pytest.approx([-41.0265, 0.82937, 0.92611, -0.12785], rel=5e-4)


def test_bisquare_steps_give_the_published_fit_of_stack_loss(stack_loss):
    # The same with the bisquare at c = 4.685 (from memory).
    weigh = partial(bisquare_weights, constant=4.685)
    coefficients, _ = iterate(stack_loss, least_squares(), weigh, 60)
    assert coefficients[0] == pytest.approx([-42.2853, 0.92755, 0.65073, -0.11233], rel=5e-4)


def test_huber_steps_minimise_the_huber_loss():
    # Oracle: a general optimiser on Huber's loss at the scale that the steps ended with.
    rng = np.random.default_rng(7)
    design = np.column_stack([np.ones(50), rng.normal(size=(50, 2))])
    response = design @ [1.0, 2.0, -3.0] + rng.standard_t(2, size=50)
    problem = Problem(design, response[None, :], np.ones((1, 50)), np.ones(1))
    found, _ = iterate(problem, np.zeros((1, 3)), huber_weights, 200)
    # The median of an even number of values is the lower one here.
    scale = np.sort(np.abs(response - design @ found[0]))[24] / norm.ppf(0.75)

    def loss(coefficients):
        size = np.abs(response - design @ coefficients) / scale
        k = 1.345
        return np.where(size <= k, size**2 / 2, k * size - k**2 / 2).sum()

    best = minimize(loss, np.zeros(3), method="BFGS", options={"gtol": 1e-10})
    assert found[0] == pytest.approx(best.x, abs=1e-4)


def test_trimmed_second_moment_is_that_of_the_normal():
    c = robust._TRIM
    grid = norm.expect(lambda x: x**2, lb=-c, ub=c, conditional=True)
    assert pytest.approx(grid, rel=1e-8) == robust._TRIMMED_SECOND_MOMENT
    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-12) == robust.MAD_TO_SIGMA


def test_exact_line_is_recovered_through_a_fifth_of_gross_errors():
    rng = np.random.default_rng(5)
    design = np.column_stack([np.ones(60), rng.uniform(-1, 1, (60, 2))])
    response = design @ [4.0, -2.0, 0.5] + 0.01 * rng.normal(size=60)
    response[:12] += 50.0
    fit = fit_robust(design, response[None, :], np.ones((1, 60)))
    # Standard error of a coefficient of unit uniform spread: 0.01 / sqrt(48 / 3) = 0.0025.
    assert fit.coefficients[0] == pytest.approx([4.0, -2.0, 0.5], abs=0.0075)
    assert fit.scale[0] == pytest.approx(0.01, rel=0.35)


# Detection of +4 sigma at z > 2.576 in 60 values, part of them faulty by +4 sigma too, with
# median and MAD (computed by Monte Carlo, statistics of fleets, table H3).
@pytest.mark.parametrize(("share", "with_median"), [(0.0, 0.91), (0.1, 0.79), (0.2, 0.54)])
def test_detection_under_contamination_is_no_worse_than_median_and_mad(share, with_median):
    rng = np.random.default_rng(11)
    batch = 3000
    values = rng.normal(size=(batch, 60))
    values[:, : int(60 * share)] += 4.0
    fit = fit_robust(np.ones((60, 1)), values, np.ones((batch, 60)))
    z = (4.0 + rng.normal(size=batch) - fit.coefficients[:, 0]) / fit.scale
    standard_error = np.sqrt(with_median * (1 - with_median) / batch)
    assert (z > 2.576).mean() >= with_median - 3 * standard_error


@pytest.mark.parametrize(("cars", "terms"), [(13, 3), (20, 4), (40, 3), (200, 4)])
def test_scale_is_unbiased_within_five_percent_at_the_normal(cars, terms):
    rng = np.random.default_rng(2)
    design = np.column_stack([np.ones(cars), rng.normal(size=(cars, terms - 1))])
    fit = fit_robust(design, rng.normal(size=(600, cars)), np.ones((600, cars)))
    assert fit.scale.mean() == pytest.approx(1.0, abs=0.05)


def test_repeating_the_tests_of_a_car_at_divided_weight_changes_nothing():
    rng = np.random.default_rng(3)
    design = np.column_stack([np.ones(30), rng.normal(size=30)])
    response = rng.normal(size=(1, 30))
    once = fit_robust(design, response, np.ones((1, 30)))
    twice = np.repeat(np.arange(30), 3)
    thrice = fit_robust(design[twice], response[:, twice], np.full((1, 90), 1 / 3))
    assert thrice.coefficients == pytest.approx(once.coefficients, rel=1e-9)
    assert thrice.scale == pytest.approx(once.scale, rel=1e-9)


def test_values_without_weight_are_not_used_even_when_not_finite():
    rng = np.random.default_rng(4)
    response = rng.normal(size=(1, 40))
    weights = np.ones((1, 40))
    weights[0, 5] = 0.0
    spoiled = response.copy()
    spoiled[0, 5] = np.nan
    design = np.ones((40, 1))
    fit, expected = fit_robust(design, spoiled, weights), fit_robust(design, response, weights)
    assert fit.coefficients == pytest.approx(expected.coefficients, rel=1e-12)


def test_weighted_median_by_hand():
    # Half of 4 is reached at the second smallest value of the first row: 1 + 1; in the
    # second row the weight 3 of the 9 reaches it at once when 9 is smallest but one: 1 + 3.
    values = np.array([[4.0, 2.0, 1.0, 3.0], [1.0, 9.0, 20.0, np.nan]])
    weights = np.array([[1.0, 1.0, 1.0, 1.0], [1.0, 3.0, 1.0, 0.0]])
    assert weighted_median(values, weights).tolist() == [2.0, 9.0]
    assert np.isnan(weighted_median(values[:1], np.zeros((1, 4)))).all()
