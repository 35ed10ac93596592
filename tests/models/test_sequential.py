"""Evidence, chances of crossing and limits, against closed forms and drawn streams."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.cusum import cusum_path
from models.sequential import (
    crossing_chance,
    first_day_limit,
    later_crossing_chance,
    later_limit,
    log_ratio,
)


def _ever(limit: float, ratio: float) -> float:
    """Chance that a healthy stream ever crosses, with what to expect known for certain.

    The waiting time in a queue with one server and constant service, Erlang (1909), as in
    Prabhu, Stochastic Storage Processes (1980) (from memory): a claim is a job of length 1,
    `slope` expected claims serve one.
    """
    slope, level = (ratio - 1.0) / math.log(ratio), limit / math.log(ratio)
    terms = [
        ((k - level) / slope) ** k / math.factorial(k) * math.exp(-(k - level) / slope)
        for k in range(math.floor(level) + 1)
    ]
    return 1.0 - (1.0 - 1.0 / slope) * math.fsum(terms)


@pytest.mark.parametrize("ratio", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("limit", [1.5, 3.0, 4.5])
def test_chance_of_ever_crossing_is_that_of_erlang(ratio, limit):
    # 120 expected claims are as good as for ever: the evidence has fallen far by then
    chance = crossing_chance(limit, ratio, 1e12, 120.0)
    assert chance == pytest.approx(_ever(limit, ratio), rel=2e-3)
    # Ville (1939): never more than this
    assert chance <= math.exp(-limit)


@pytest.mark.parametrize(("certainty", "horizon"), [(1e9, 5.0), (60.0, 10.0), (8.0, 3.0)])
def test_chance_of_crossing_is_that_of_drawn_streams(certainty, horizon):
    rng = np.random.default_rng(5)
    n, limit, ratio = 40_000, 2.4, 2.5
    rate = rng.gamma(certainty, 1.0 / certainty, n)
    due = np.cumsum(rng.exponential(size=(n, 40)), axis=1) / rate[:, None]
    evidence = log_ratio(np.arange(1.0, 41.0), due, ratio, certainty)
    drawn = ((evidence >= limit) & (due <= horizon)).any(axis=1).mean()
    error = math.sqrt(drawn / n)
    assert abs(crossing_chance(limit, ratio, certainty, horizon) - drawn) < 4 * error


def test_later_chance_is_that_of_drawn_streams_or_more():
    rng = np.random.default_rng(6)
    n, limit, ratio, horizon = 8000, 4.0, 2.5, 12.0
    due = np.cumsum(rng.exponential(size=(n, 40)), axis=1)
    steps = math.log(ratio) - (ratio - 1.0) * np.diff(due, axis=1, prepend=0.0)
    crossed = [
        ((cusum_path(step) >= limit) & (time <= horizon)).any()
        for step, time in zip(steps, due, strict=True)
    ]
    drawn = float(np.mean(crossed))
    chance = later_crossing_chance(limit, ratio, 1e9, horizon)
    assert drawn - 3 * math.sqrt(drawn / n) <= chance <= 1.3 * drawn


@pytest.mark.parametrize("limit_of", [first_day_limit, later_limit])
def test_limits_keep_to_their_chance_and_grow_as_it_shrinks(limit_of):
    chance_of = crossing_chance if limit_of is first_day_limit else later_crossing_chance
    limits = [limit_of(chance, 2.5, 100.0, 10.0) for chance in (0.1, 0.01, 0.001)]
    assert limits == sorted(limits)
    for chance, limit in zip((0.1, 0.01, 0.001), limits, strict=True):
        assert chance_of(limit, 2.5, 100.0, 10.0) <= 1.05 * chance


def test_an_uncertain_expectation_says_less():
    ten_for_three = [log_ratio(np.array(10.0), np.array(3.0), 2.5, c) for c in (5.0, 50.0, 1e9)]
    assert ten_for_three == sorted(ten_for_three)
    # without doubt about the expectation: 10 ln 2.5 - 1.5 * 3
    assert ten_for_three[-1] == pytest.approx(10 * math.log(2.5) - 4.5, rel=1e-6)
