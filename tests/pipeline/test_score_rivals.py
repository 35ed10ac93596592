"""Simpler detectors beside the judgement: counts by hand, the area against scikit-learn."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from sklearn.metrics import roc_auc_score

from models.rivals import forest_scores, mean_spread_scores, standardised
from pipeline.score_rivals import Method, score_methods


def method(name, scores, alarms=()):
    frame = pl.DataFrame(list(scores.items()), schema=["test_id", "score"], orient="row")
    return Method(name, frame, frozenset(alarms))


def truth(healthy, affected, masked=()):
    rows = [(name, "healthy") for name in healthy]
    rows += [(name, "affected") for name in affected] + [(name, "masked") for name in masked]
    return pl.DataFrame(rows, schema=["test_id", "standing"], orient="row")


def test_alarms_are_counted_over_the_same_tests():
    """h4 has no score and is no alarm; the masked test counts for nobody."""
    tests = truth(["h1", "h2", "h3", "h4"], ["a1", "a2", "a3"], ["m1"])
    ours = method("ours", {"h1": 0.1, "h2": 5.0, "a1": 9.0, "a2": 6.0}, ["h2", "a1", "a2", "m1"])
    other = method(
        "other", {"h1": 4.0, "h2": 3.0, "h3": 1.0, "a1": 3.5, "a2": 2.0, "a3": 0.5, "m1": 9.0},
        ["h1", "h2", "a1"],
    )  # fmt: skip
    first, second = score_methods(tests, (ours, other))
    assert (first.detected.n_hits, first.detected.n_all) == (2, 3)
    assert (first.false_alarms.n_hits, first.false_alarms.n_all) == (1, 4)
    assert (second.detected.n_hits, second.false_alarms.n_hits) == (1, 2)
    # one false alarm allowed: the threshold of the other is 3.0, which only a1 exceeds
    assert second.detected_at_our_rate.n_hits == 1


def test_the_area_is_that_of_scikit_learn():
    rng = np.random.default_rng(5)
    healthy, affected = rng.normal(0.0, 1.0, 200).round(1), rng.normal(1.0, 1.0, 80).round(1)
    names = [f"h{n}" for n in range(200)], [f"a{n}" for n in range(80)]
    scores = dict(zip(names[0], healthy, strict=True)) | dict(zip(names[1], affected, strict=True))
    [found] = score_methods(truth(*names), (method("ours", scores),))
    expected = roc_auc_score([0] * 200 + [1] * 80, np.concatenate([healthy, affected]))
    assert found.area == pytest.approx(expected)
    alarms, shares = zip(*found.curve, strict=True)
    assert list(alarms) == sorted(alarms)
    assert list(shares) == sorted(shares)


def test_a_test_far_from_its_model_scores_its_distance():
    """Values 1 to 5 of two models: mean 3, standard deviation sqrt(2.5)."""
    from models.findings import JUDGED  # noqa: PLC0415 - only here

    names = [each.name for each in JUDGED]
    values = [1.0, 2.0, 3.0, 4.0, 5.0]
    features = pl.DataFrame(
        {"test_id": [f"t{n}" for n in range(10)], "regime": ["saturated"] * 10,
         "duct_air_c": values + [10.0 * value for value in values]}
    ).with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in names if name != "duct_air_c"),
        blower_pct=pl.lit(None, pl.Float64),
    )  # fmt: skip
    context = pl.DataFrame(
        {"test_id": [f"t{n}" for n in range(10)], "vehicle_id": [f"v{n}" for n in range(10)],
         "model_id": ["m1"] * 5 + ["m2"] * 5, "started_at": list(range(10))}
    ).with_columns(
        architecture=pl.lit("x"), refrigerant=pl.lit("R134a"),
        rear_evaporator=pl.lit(None, pl.Boolean),
        expansion_device=pl.lit("txv"), blower_pct=pl.lit(None, pl.Float64),
    )  # fmt: skip
    told = standardised(features, context)
    scores = dict(mean_spread_scores(told).iter_rows())
    assert scores["t0"] == pytest.approx(2.0 / 2.5**0.5)
    assert scores["t0"] == pytest.approx(scores["t5"])
    assert scores["t2"] == pytest.approx(0.0)
    strange = told.with_columns(duct_air_c=pl.Series([0.1 * n for n in range(9)] + [30.0]))
    forest = forest_scores(strange, seed=1).sort("score")
    assert forest["test_id"][-1] == "t9"
    assert forest["score"][-1] > 0.0
