"""Conformal p-values from the healthy side: the published coverage law, and contamination."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, kstest, norm
from scipy.stats import t as student

from models.mirror import Side, Tail, both_sides, healthy_side, p_values, tail_of
from models.tail import normal_scores

FLAT = Tail(1.0, 1e9)


def p_of(scores, side, tail=FLAT):
    return p_values(np.atleast_1d(scores), side, tail)[0]


def test_nine_calibrating_cars_give_p_values_in_tenths():
    # By hand: nine sizes 1 to 9; a score of 8.5 has one size above it: (1 + 1) / (9 + 1),
    # halved since a healthy car lies on the adverse side half of the time.
    side = Side(np.arange(1.0, 10.0), 0.5, np.inf, 0)
    assert p_of([8.5, 9.5, 0.5], side) == pytest.approx([0.1, 0.05, 0.5])
    assert p_of([-0.5], side) == pytest.approx(norm.sf(-0.5))


@pytest.mark.parametrize(("n", "alpha"), [(9, 0.1), (99, 0.05), (200, 0.1)])
def test_coverage_given_the_calibrating_cars_follows_the_beta_law(n, alpha):
    # Vovk (2012); Angelopoulos & Bates (2023), section 3.2: coverage ~ Beta(k, n + 1 - k),
    # k = ceil((n + 1)(1 - alpha)).
    rng = np.random.default_rng(n)
    k = int(np.ceil((n + 1) * (1 - alpha)))
    coverage = []
    for _ in range(400):
        sizes = np.sort(rng.exponential(size=n))
        side = Side(sizes, 1.0, np.inf, 0)
        # the largest score that is not called out at alpha, found from the p-values alone
        scores = np.r_[sizes, sizes + 1e-9, sizes[-1] + 50.0]
        kept = scores[p_of(scores, side) > alpha]
        coverage.append(-np.expm1(-kept.max()))
    assert kstest(coverage, beta(k, n + 1 - k).cdf).pvalue > 0.001


def test_eight_calibrating_cars_can_call_out_nobody_at_a_tenth():
    # n = 8, alpha = 0.1: k = ceil(9 x 0.9) = 9 > n, the band is infinite.
    side = Side(np.arange(1.0, 9.0), 1.0, np.inf, 0)
    assert p_of([1e6], side).item() > 0.1


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2])
@pytest.mark.parametrize("tail", [None, 5.0], ids=["normal", "t5"])
def test_healthy_cars_are_called_out_no_more_often_than_stated(share, tail):
    # P(p <= a) <= a (Bates et al. 2023), faulty cars among the calibrating ones or not: they
    # lie on the adverse side, and the healthy side is counted by itself. Student residuals
    # come as scores, as in the fleet, here by a tail that is one degree off.
    def scored(values):
        return values if tail is None else normal_scores(values, np.full(400, 6.0))

    law = norm if tail is None else student(tail)
    rng = np.random.default_rng(3)
    levels = np.array([0.01, 0.05, 0.1])
    seen = []
    for _ in range(300):
        n_bad = int(400 * share)
        cars = law.rvs(size=400, random_state=rng)
        cars[:n_bad] += rng.uniform(2, 8, n_bad)
        side = healthy_side(scored(cars))
        fresh = scored(law.rvs(size=400, random_state=rng))
        seen.append((p_of(fresh, side, tail_of([side]))[:, None] <= levels).mean(axis=0))
    error = np.std(seen, axis=0, ddof=1) / np.sqrt(len(seen))
    assert (np.mean(seen, axis=0) <= levels + 3 * error).all()
    # and not for nothing: at 10 % at least three quarters of what is allowed is used
    assert np.mean(seen, axis=0)[2] >= 0.075


def test_counting_all_cars_instead_would_make_p_too_small():
    # Why the healthy side is counted by itself: with a fifth of the cars gone to the other
    # side, a rank among all cars is a fifth too small.
    rng = np.random.default_rng(4)
    cars = rng.normal(size=200_000)
    cars[:40_000] += 10.0
    mirrored = -cars[cars < 0]
    limit = norm.isf(0.05)
    of_all = (mirrored >= limit).mean() * mirrored.size / cars.size
    assert of_all == pytest.approx(0.04, rel=0.03)
    assert p_of([limit], healthy_side(cars)).item() == pytest.approx(0.05, rel=0.03)


def test_where_one_side_holds_more_the_lighter_one_stands_for_both():
    rng = np.random.default_rng(5)
    cars = rng.normal(size=4000)
    cars[:400] += 6.0
    side = both_sides(cars)
    assert side.sizes.size < 2500
    assert p_of([norm.isf(0.025)], side).item() == pytest.approx(0.05, rel=0.15)
    assert both_sides(rng.normal(size=4000)).sizes.size == 4000


@pytest.mark.parametrize(("law", "scale"), [(norm, 1.0), (norm, 1.3)])
def test_tail_goes_on_beyond_the_last_car_and_stays_on_the_safe_side(law, scale):
    rng = np.random.default_rng(6)
    found = []
    for _ in range(60):
        side = healthy_side(scale * law.rvs(size=2000, random_state=rng))
        found.append(p_of([4.5 * scale], side, tail_of([side])).item())
    truth = law.sf(4.5)  # 3.4e-6, a hundredth of what 1,000 cars can count
    assert truth / 2 <= np.median(found) <= 40 * truth


def test_p_falls_with_the_score_through_the_start_of_the_tail():
    side = healthy_side(np.random.default_rng(7).normal(size=500))
    scores = np.linspace(0.01, 8.0, 500)
    p, is_far = p_values(scores, side, tail_of([side]))
    assert (np.diff(p) <= 1e-15).all()
    assert is_far.any()
    assert not is_far[0]
    assert (p > 0).all()


def test_opposite_faults_do_not_make_the_tail_heavy():
    rng = np.random.default_rng(8)
    clean = rng.normal(size=2000)
    spoiled = clean.copy()
    spoiled[:10] = -rng.uniform(5, 8, 10)  # half a percent with the opposite fault
    tails = [tail_of([healthy_side(cars)]).mean for cars in (clean, spoiled)]
    assert tails[1] == pytest.approx(tails[0], rel=0.15)


def test_a_side_without_cars_says_nothing_of_the_tail():
    nobody = healthy_side(np.array([0.5, 1.0, 2.0]))
    cars = healthy_side(np.linspace(-3.0, 3.0, 200))
    assert tail_of([nobody, cars]) == tail_of([cars])
    assert np.isfinite(tail_of([nobody]).mean)
