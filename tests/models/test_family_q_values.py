"""Tests that come after the fit: asked like the known ones, and the false discovery rate holds."""

from __future__ import annotations

import sys

import numpy as np
import polars as pl
import pytest
from scipy.stats import false_discovery_control, norm

from models.family_q_values import add_q_values, among_known, known_tests
from models.settings import AssessmentSettings

RATE = 0.1
GROWTH = AssessmentSettings().refit_growth
# as many later tests as that allows
N_KNOWN, N_LATER = 400, round(400 * GROWTH)


def table(p, prefix, rank=1):
    names = [f"{prefix}{n:04d}" for n in range(len(p))]
    tests = pl.DataFrame({"test_id": names, "p_value": p})
    ranks = pl.DataFrame({"test_id": names, "vehicle_id": names, "age_rank": [rank] * len(p)})
    return tests, ranks


def test_known_tests_get_what_benjamini_and_hochberg_give():
    p = np.random.default_rng(1).uniform(size=300) ** 2
    tests, ranks = table(p, "t")
    found = add_q_values(tests, ranks, known_tests(tests, ranks), growth=0.0)
    assert found["q_value"].to_numpy() == pytest.approx(false_discovery_control(p), rel=1e-12)


def test_a_later_test_is_asked_among_the_others_and_itself():
    rng = np.random.default_rng(2)
    members = np.sort(rng.uniform(size=80) ** 3)
    later = rng.uniform(size=20) ** 3
    joined = among_known(later, np.full(20, np.nan), members)
    for p, q in zip(later, joined, strict=True):
        assert q == pytest.approx(false_discovery_control(np.r_[members, p])[-1], rel=1e-12)
    # in the place of what its car had in the family
    stead = among_known(later, members[:20], members)
    for k, (p, q) in enumerate(zip(later, stead, strict=True)):
        assert q == pytest.approx(false_discovery_control(np.r_[np.delete(members, k), p])[-1])


def test_a_fleet_without_a_rejection_asks_like_bonferroni():
    members = np.linspace(0.2, 1.0, 99)
    assert among_known(np.array([1e-9]), np.array([np.nan]), members) == pytest.approx(1e-7)
    assert among_known(np.array([0.3]), np.array([np.nan]), np.empty(0)) == pytest.approx(0.3)


def test_another_car_moves_no_q():
    rng = np.random.default_rng(3)
    known, ranks = table(rng.uniform(size=200) ** 2, "t")
    family = known_tests(known, ranks)
    for p in (1e-12, 0.04, 0.9):
        new, rank = table(np.array([p]), "new")
        both = add_q_values(
            pl.concat([known, new]), pl.concat([ranks, rank]), family, growth=GROWTH
        )
        assert both.head(200).equals(add_q_values(known, ranks, family, growth=GROWTH))


def drawn(rng, n, faulty):
    """P-values of `n` tests, a share of them four spreads off (one-sided normal tail)."""
    is_faulty = rng.uniform(size=n) < faulty
    return norm.sf(rng.normal(size=n) + 4.0 * is_faulty), is_faulty


def rates(replicates, faulty, n_known=N_KNOWN, n_later=N_LATER):
    """Mean false discovery proportion over known and later tests, its error, power of the later."""
    shares, found = [], []
    for seed in range(replicates):
        rng = np.random.default_rng((seed, round(100 * faulty)))
        known, known_faulty = drawn(rng, n_known, faulty)
        later, later_faulty = drawn(rng, n_later, faulty)
        tests, ranks = table(known, "known")
        family = known_tests(tests, ranks)
        tests, ranks = (
            pl.concat(both) for both in zip((tests, ranks), table(later, "later"), strict=True)
        )
        q = add_q_values(tests, ranks, family, growth=GROWTH)["q_value"].to_numpy()
        flagged, truth = q <= RATE, np.r_[known_faulty, later_faulty]
        shares.append((flagged & ~truth).sum() / max(flagged.sum(), 1))
        found.append(flagged[n_known:][later_faulty])
    error = np.std(shares) / np.sqrt(replicates)
    return np.mean(shares), error, np.concatenate(found).mean() if faulty else None


@pytest.mark.parametrize(
    "replicates", [300, pytest.param(10_000, marks=pytest.mark.slow)], ids=["short", "full"]
)
@pytest.mark.parametrize("faulty", [0.0, 0.1, 0.2])
def test_false_discovery_rate_with_later_tests(replicates, faulty):
    share, error, power = rates(replicates, faulty)
    sys.stdout.write(
        f"faulty {faulty:.0%}: false share {share:.4f} +- {error:.4f}, power {power}\n"
    )
    assert share <= RATE + 3.0 * error
    if faulty:
        assert power > 0.85
