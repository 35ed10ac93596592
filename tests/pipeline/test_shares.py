"""Shares with their interval, against published worked values."""

from __future__ import annotations

import pytest

from pipeline.shares import Share, wilson_interval


@pytest.mark.parametrize(
    ("n_hits", "n_all", "low", "high"),
    [
        # Newcombe (1998), Statistics in Medicine 17, 857-872, Table I, method 3 (from memory)
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_interval_as_published(n_hits, n_all, low, high):
    # printed to four decimals
    assert wilson_interval(n_hits, n_all) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("n_hits", "n_all", "low", "high"),
    [
        # test cases of a public programming puzzle, z = 1.96:
        # codegolf.stackexchange.com/questions/105389/compute-the-wilson-score-interval
        (0, 1, 0.0, 0.7934567085261071),
        (1, 11, 0.016231752262825982, 0.3773646254862038),
        (10, 100, 0.05522854161313612, 0.1743673043676654),
        (100, 100, 0.9630051925239981, 1.0),
    ],
)
def test_wilson_interval_to_twelve_digits(n_hits, n_all, low, high):
    assert wilson_interval(n_hits, n_all, z=1.96) == pytest.approx((low, high), abs=1e-12)


def test_nothing_counted_says_nothing():
    assert wilson_interval(0, 0) == (0.0, 1.0)
    assert Share(0, 0).value is None
    assert Share(0, 0).text == "-"
    assert Share(0, 0).as_record()["share"] is None


def test_a_share_reads_in_percent():
    # Newcombe's 81 of 263 again: 30.8 %, 25.53 to 36.62 %
    assert Share(81, 263).text == "30.8 % (25.5 to 36.6)"
