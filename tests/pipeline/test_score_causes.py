"""The score of causes: counts on cars made by hand."""

from __future__ import annotations

import polars as pl

from pipeline.score_causes import TRUE_CAUSE, score_causes
from synthetic.troubles import KINDS

SAID = pl.DataFrame(
    [
        ("a", "t1", "low_charge", True, True),
        ("b", "t2", "overcharge", True, False),
        ("b", "t2", "foreign_gas", True, False),
        ("c", "t3", "low_charge", True, True),
        ("d", "t4", "low_charge", True, True),
        ("e", "t5", "low_charge+foreign_gas", True, True),
        ("f", "t6", "overcharge", True, False),
        ("f", "t6", "compressor_weak", False, False),
    ],
    schema=["vehicle_id", "test_id", "cause_code", "is_in_set", "is_named"],
    orient="row",
)
TRUTH = pl.DataFrame(
    [
        ("t1", "undercharge", 0.5),
        ("t2", "non_condensables", 0.5),
        ("t3", "compressor_wear", 0.5),
        ("t4", "none", 0.0),
        ("t5", "undercharge", 0.9),
        ("t6", "compressor_wear", 0.4),
    ],
    schema=["test_id", "fault", "severity"],
    orient="row",
)


def test_in_set_named_and_right_are_counted_over_cars_with_a_fault():
    score = score_causes(SAID, TRUTH)
    # a, b, e hold the true cause; a, c, e are named, of which a and e are right
    assert (score.in_set.n_hits, score.in_set.n_all) == (3, 5)
    assert (score.named.n_hits, score.named.n_all) == (3, 5)
    assert (score.named_right.n_hits, score.named_right.n_all) == (2, 3)
    assert (score.misdiagnosed.n_hits, score.misdiagnosed.n_all) == (1, 5)
    # one cause in the sets of a, c, e and f, two in that of b
    assert score.mean_set_size == 6 / 5
    assert {fault: (s.n_hits, s.n_all) for fault, s in score.by_fault} == {
        "compressor_wear": (0, 2), "non_condensables": (1, 1), "undercharge": (2, 2),
    }  # fmt: skip


def test_no_faulty_car_gives_shares_of_nothing():
    score = score_causes(SAID.clear(), TRUTH)
    assert score.in_set.n_all == 0
    assert score.by_fault == ()


def test_every_simulated_fault_has_a_cause():
    assert set(TRUE_CAUSE) == set(KINDS)
