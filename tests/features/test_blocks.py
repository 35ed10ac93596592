"""The block grid on small frames, by hand."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features.blocks import block_lengths, make_blocks, number_tests, order_samples


def blocks(samples, block_s=5.0):
    return make_blocks(order_samples(samples, number_tests(samples)), block_s)


def test_block_means_by_hand():
    samples = pl.DataFrame(
        {
            "test_id": ["b"] * 4 + ["a"],
            "time_s": [0.0, 4.9, 5.0, 9.0, 2.0],
            "duct_air_c": [10.0, 12.0, None, 8.0, 30.0],
        }
    )
    found = blocks(samples)
    # a: one block of 30; b: (10 + 12) / 2 = 11, then 8 alone
    assert found["test_number"].to_list() == [0, 1, 1]
    assert found["block_number"].to_list() == [0, 0, 1]
    assert found["n_samples"].to_list() == [1, 2, 2]
    assert found["duct_air_c"].to_list() == [30.0, 11.0, 8.0]
    assert found["start_s"].to_list() == [0.0, 0.0, 5.0]


def test_one_empty_block_is_bridged_and_two_are_not():
    samples = pl.DataFrame(
        {"test_id": ["a"] * 3, "time_s": [0.0, 10.0, 25.0], "duct_air_c": [10.0, 14.0, 20.0]}
    )
    found = blocks(samples)
    # 5 s lies between 0 s and 10 s: (10 + 14) / 2; 15 s and 20 s are two and stay out
    assert found["start_s"].to_list() == [0.0, 5.0, 10.0, 25.0]
    assert found["duct_air_c"].to_list() == [10.0, 12.0, 14.0, 20.0]
    assert found["n_samples"].to_list() == [1, 0, 1, 1]


def test_nothing_is_bridged_from_test_to_test():
    samples = pl.DataFrame(
        {
            "test_id": ["a", "a", "b", "b"],
            "time_s": [0.0, 5.0, 0.0, 5.0],
            "duct_air_c": [10.0, None, None, 20.0],
        }
    )
    assert blocks(samples)["duct_air_c"].to_list() == [10.0, None, None, 20.0]


def test_order_of_rows_is_immaterial_even_at_equal_instants():
    samples = pl.DataFrame(
        {
            "test_id": ["a", "a", "a", "b"],
            "time_s": [1.0, 1.0, 0.0, 0.0],
            "duct_air_c": [10.0, 11.0, 12.0, 13.0],
        }
    )
    tests = number_tests(samples)
    expected = order_samples(samples, tests)
    assert expected["time_s"].to_list() == [0.0, 1.0, 1.0, 0.0]
    for seed in range(5):
        shuffled = samples.sample(fraction=1.0, shuffle=True, seed=seed)
        assert order_samples(shuffled, tests).equals(expected)


def test_rows_without_time_or_test_are_left_out():
    samples = pl.DataFrame(
        {
            "test_id": ["a", None, "a", "a"],
            "time_s": [0.0, 1.0, None, np.nan],
            "duct_air_c": [10.0, 11.0, 12.0, 13.0],
        }
    )
    assert blocks(samples)["duct_air_c"].to_list() == [10.0]


@pytest.mark.parametrize(
    ("interval_s", "block_s"),
    # two samples must fit: 2.5 s into 5 s, 3 s and 5 s only into 10 s, 6 s into 20 s
    [(0.1, 5.0), (1.0, 5.0), (2.5, 5.0), (3.0, 10.0), (5.0, 10.0), (6.0, 20.0)],
)
def test_slow_loggers_get_longer_blocks(interval_s, block_s):
    samples = pl.DataFrame(
        {"test_id": ["a"] * 50, "time_s": interval_s * np.arange(50), "duct_air_c": 1.0}
    )
    ordered = order_samples(samples, number_tests(samples))
    assert block_lengths(ordered, 5.0)["block_s"].item() == block_s
