"""Against closed forms, a case worked by hand, and a Monte Carlo of the standard error."""

import numpy as np
import pytest

from models.cumulative_incidence import CAME_BACK, LEFT, STILL_FOLLOWED, cumulative_incidence


def test_a_case_worked_by_hand():
    """At 1: 1/5; at 2 one leaves: S = 4/5 * 3/4 = 3/5; at 4: 3/5 * 1/2 more."""
    followed = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    ended = np.array([CAME_BACK, LEFT, STILL_FOLLOWED, CAME_BACK, STILL_FOLLOWED])
    found = cumulative_incidence(followed, ended)
    assert found.share == pytest.approx([1 / 5, 1 / 5, 1 / 5 + 3 / 5 * 1 / 2])
    assert found.at(0.5) == (0.0, 0.0)
    assert found.at(3.0)[0] == pytest.approx(0.2)


@pytest.mark.parametrize("ties", [False, True])
def test_without_censoring_it_is_a_plain_share_with_its_binomial_variance(ties):
    rng = np.random.default_rng(1)
    followed = np.round(4 * rng.exponential(size=60)) + 1 if ties else rng.exponential(size=60)
    ended = rng.integers(1, 3, 60)
    found = cumulative_incidence(followed, ended)
    plain = [((followed <= t) & (ended == CAME_BACK)).mean() for t in found.exposure]
    assert found.share == pytest.approx(plain)
    assert found.standard_error == pytest.approx(
        np.sqrt(found.share * (1 - found.share) / 60), abs=1e-12
    )


def test_without_exits_it_is_the_complement_of_kaplan_and_meier():
    rng = np.random.default_rng(2)
    followed, ended = rng.exponential(size=80), rng.integers(0, 2, 80)
    found = cumulative_incidence(followed, ended)
    survivors = 1.0
    for time in np.sort(followed[ended == CAME_BACK]):
        survivors *= 1 - 1 / (followed >= time).sum()
    assert found.share[-1] == pytest.approx(1 - survivors)


def test_the_standard_error_is_the_scatter_of_many_samples_with_the_true_share():
    """Constant hazards a and b: share by t is a / (a + b) * (1 - exp(-(a + b) t))."""
    rng = np.random.default_rng(3)
    came_rate, left_rate, at = 0.5, 0.3, 1.0
    truth = came_rate / 0.8 * (1 - np.exp(-0.8 * at))
    found = []
    for _ in range(300):
        came, left = rng.exponential(1 / came_rate, 150), rng.exponential(1 / left_rate, 150)
        ends = rng.uniform(0.3, 2.5, 150)
        times = np.stack([ends, came, left])
        incidence = cumulative_incidence(times.min(axis=0), times.argmin(axis=0))
        found.append((*incidence.at(at), *incidence.interval_at(at)[1:]))
    share, error, low, high = np.array(found).T
    assert share.mean() == pytest.approx(truth, abs=4 * share.std() / 300**0.5)
    assert error.mean() == pytest.approx(share.std(), rel=0.1)
    held = float(((low <= truth) & (truth <= high)).mean())
    assert held == pytest.approx(0.90, abs=0.05)


def test_no_event_leaves_room_for_one():
    found = cumulative_incidence(np.full(12, 300.0), np.zeros(12, dtype=int))
    share, low, high = found.interval_at(180.0)
    assert (share, low) == (0.0, 0.0)
    assert 0.05 < high < 0.3


def test_nobody_followed():
    assert cumulative_incidence(np.empty(0), np.empty(0, dtype=int)).at(1.0) == (0.0, 0.0)
