"""Sizes learned from simulated cars: each belongs to a pattern, and none turns a large mark round.

The marks come from sources outside the simulator (`fault_signs` names them).
"""

from __future__ import annotations

import numpy as np
import pytest

from models.fault_signs import PATTERNS, STATIONS
from models.fault_signs_numbers import QUANTITIES
from models.fault_sizes import LEARNED_OF, SIZES

# Most simulated cars with little air over the coil had a clutch that cycles and so holds the low
# side; the mark is of one that only runs.
TURNED = {("little air over the evaporator", "at_its_limit"): ["low_side_kpa"]}


def test_sizes_are_of_patterns_and_of_known_quantities():
    patterns = {(p.fault, p.control) for p in PATTERNS}
    assert set(SIZES) <= patterns
    assert len(SIZES) > 0.8 * len(patterns)
    assert set(LEARNED_OF) <= set(QUANTITIES)
    for size in SIZES.values():
        assert len(size.sizes.split()) == len(size.doubts.split()) == len(LEARNED_OF)
        assert min(map(int, size.doubts.split())) > 0


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: f"{p.fault}, {p.control}")
def test_learned_sizes_go_the_way_of_large_marks(pattern):
    size = SIZES.get((pattern.fault, pattern.control))
    if size is None:
        return
    learned = dict(zip(LEARNED_OF, np.array(size.sizes.split(), dtype=float) / 10.0, strict=True))
    marks = dict(zip(STATIONS, pattern.marks.split(), strict=True)) | dict(pattern.more)
    turned = [
        name
        for name, mark in marks.items()
        if mark in {"++", "--"} and learned[name] * (1.0 if mark == "++" else -1.0) < -0.3
    ]
    assert turned == TURNED.get((pattern.fault, pattern.control), [])
