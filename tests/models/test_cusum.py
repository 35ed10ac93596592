"""The cumulative sum against printed tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from models.cusum import average_run_length, cusum_path

# Montgomery, Introduction to Statistical Quality Control, table 9.1 (from memory)
MONTGOMERY = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62,
    11.31, 10.52,
])  # fmt: skip
# Two-sided run lengths at k = 1/2, the same book, after Lucas & Crosier, Technometrics 24
# (1982) 199 (from memory): shift in standard deviations, h = 4, h = 5
PRINTED = [
    (0.0, 168.0, 465.0), (0.25, 74.2, 139.0), (0.5, 26.6, 38.0), (0.75, 13.3, 17.0),
    (1.0, 8.38, 10.4), (1.5, 4.75, 5.75), (2.0, 3.34, 4.01), (2.5, 2.62, 3.11), (3.0, 2.19, 2.57),
    (4.0, 1.71, 2.01),
]  # fmt: skip


def test_path_of_the_printed_example():
    # mean 10, K 0.5: C+ is 5.28 at the 29th and 5.30 at the 30th value
    path = cusum_path(MONTGOMERY - 10.5)
    assert path[28] == pytest.approx(5.28, abs=0.005)
    assert path[29] == pytest.approx(5.30, abs=0.005)
    assert np.flatnonzero(path > 5)[0] == 28
    assert (path >= 0).all()


@pytest.mark.parametrize(("shift", "at_four", "at_five"), PRINTED)
def test_run_lengths_of_the_printed_table(shift, at_four, at_five):
    for limit, printed in ((4.0, at_four), (5.0, at_five)):
        up, down = (
            average_run_length(lambda x, m=m: norm.cdf(x + 0.5 - m), limit) for m in (shift, -shift)
        )
        # Siegmund (1985), (2.43): the two sides of a two-sided scheme by their harmonic sum
        assert 1.0 / (1.0 / up + 1.0 / down) == pytest.approx(printed, rel=0.005)


def test_the_sum_forgets_good_times():
    assert cusum_path(np.array([-3.0, 2.0, -5.0, 1.0])).tolist() == [0.0, 2.0, 0.0, 1.0]
    assert cusum_path(np.empty(0)).size == 0
