"""Benjamini-Hochberg and Simes against the published example and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import false_discovery_control

from models.multiplicity import adjusted_within

# Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995) 289, section 3.2: 15 p-values.
PUBLISHED = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
    0.5719, 0.6528, 0.7590, 1.000,
]  # fmt: skip


def adjusted_p_values(p_values):
    return adjusted_within(p_values, np.zeros(p_values.size, dtype=np.int64))


def test_published_example_has_four_rejections_where_bonferroni_has_three():
    adjusted = adjusted_p_values(np.array(PUBLISHED))
    assert (adjusted <= 0.05).sum() == 4
    assert (np.array(PUBLISHED) * 15 <= 0.05).sum() == 3


def test_simes_by_hand():
    # min(3 x 0.01 / 1, 3 x 0.02 / 2, 3 x 0.5 / 3) = 0.03
    assert adjusted_p_values(np.array([0.5, 0.01, 0.02])).min() == pytest.approx(0.03)


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_adjusted_p_values_are_those_of_the_reference_library(p_values):
    p = np.array(p_values)
    assert adjusted_p_values(p) == pytest.approx(false_discovery_control(p), abs=1e-12)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 4)), min_size=1, max_size=60))
def test_families_are_adjusted_each_for_itself(rows):
    p = np.array([row[0] for row in rows])
    family = np.array([row[1] for row in rows])
    found = adjusted_within(p, family)
    for number in set(family.tolist()):
        expected = false_discovery_control(p[family == number])
        assert found[family == number] == pytest.approx(expected, abs=1e-12)


def test_no_p_values_no_answer():
    assert adjusted_p_values(np.empty(0)).size == 0
