"""Vehicles that come back: chance by the negative binomial law, where cars differ."""

from __future__ import annotations

import numpy as np
import pytest

from models.recurrence.returning import chance_of_so_many


def test_chance_is_that_of_draws_of_differing_cars():
    rng = np.random.default_rng(3)
    expected = 0.8
    draws = rng.poisson(expected * rng.gamma(2.0, 0.5, 400_000))
    for count in (2, 4, 6):
        share = (draws >= count).mean()
        told = chance_of_so_many(np.array([count]), np.array([expected]), 0.5)[0]
        # four standard errors of the draws
        assert told == pytest.approx(share, abs=4.0 * np.sqrt(share / draws.size))


def test_chance_of_cars_that_are_alike_is_that_of_poisson():
    # 1 - exp(-1) (1 + 1) by hand
    told = chance_of_so_many(np.array([2]), np.array([1.0]), 0.0)
    assert told[0] == pytest.approx(1.0 - 2.0 * np.exp(-1.0))
    nearly = chance_of_so_many(np.array([2]), np.array([1.0]), 1e-6)
    assert nearly[0] == pytest.approx(told[0], rel=1e-5)
