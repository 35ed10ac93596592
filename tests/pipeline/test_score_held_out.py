"""A model is judged by the others alone; what is lost of samples is what was asked."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace

import polars as pl
import pytest

from models.assess import AssessmentInputs
from models.settings import AssessmentSettings
from pipeline import score_held_out
from pipeline.progress import Silence
from pipeline.score_dropout import CHANNELS, END, SAMPLES, drop
from pipeline.score_held_out import HeldOutOrder

NOON = datetime(2026, 7, 14, 12, tzinfo=UTC)
CONTEXT = pl.DataFrame(
    {"test_id": ["t1", "t2", "t3"], "vehicle_id": ["a", "b", "c"], "model_id": ["m1", "m1", "m2"]}
)
TRUTH = CONTEXT.select("test_id", "vehicle_id").with_columns(
    pl.Series("standing", ["healthy", "affected", "healthy"]),
    pl.Series("severity", [0.0, 0.5, 0.0]),
    fault=pl.lit("weak_fan"),
    duct_warmer_k=pl.lit(None, pl.Float64),
)
STRATA = CONTEXT.select("test_id", architecture=pl.lit("x"), regime=pl.lit("saturated"))


def test_no_test_of_a_model_is_in_the_fit_that_judges_it(monkeypatch):
    fitted, judged = [], []

    def fit(inputs, _settings, _as_of):
        fitted.append(inputs.context["model_id"].to_list())
        return SimpleNamespace(baselines=fitted[-1])

    def judge(inputs, baselines, _settings, _as_of):
        judged.append((baselines, inputs.context["model_id"].to_list()))
        tests = inputs.context
        return SimpleNamespace(
            assessments=tests.select("test_id", verdict_code=pl.lit("finding")),
            states=tests.select(
                "vehicle_id", state=pl.lit("service"), latest_test_id="test_id",
                latest_tested_at=pl.lit(NOON),
            ),
        )  # fmt: skip

    monkeypatch.setattr(score_held_out, "fit", fit)
    monkeypatch.setattr(score_held_out, "judge", judge)
    nothing = pl.DataFrame()
    vehicles = CONTEXT.select("vehicle_id", "model_id")
    inputs = AssessmentInputs(nothing, CONTEXT, vehicles, nothing, nothing)
    order = HeldOutOrder(inputs, AssessmentSettings(), NOON)
    found = score_held_out.score_held_out(TRUTH, STRATA, order, Silence())
    assert fitted == [["m2"], ["m1", "m1"]]
    assert judged == [(["m2"], ["m1", "m1"]), (["m1", "m1"], ["m2"])]
    # of three cars in service one is affected; both healthy tests are flagged
    assert (found.precision.by_readings.n_hits, found.precision.by_readings.n_all) == (1, 3)
    assert (found.false_alarms.n_hits, found.false_alarms.n_all) == (2, 2)
    assert [(each.model_id, each.n_vehicles) for each in found.models] == [("m1", 2), ("m2", 1)]


def samples():
    return pl.DataFrame(
        {
            "test_id": ["t1"] * 100 + ["t2"] * 100,
            "time_s": [float(second) for second in range(100)] * 2,
            "low_side_kpa": [300.0] * 200,
            "high_side_kpa": [1500.0] * 200,
            "duct_air_c": [9.0] * 200,
            "ambient_air_c": [30.0] * 200,
            "engine_rpm": [None] * 200,
        },
        schema_overrides={"engine_rpm": pl.Float64},
    )


@pytest.mark.parametrize(("share", "left"), [(0.0, 4), (0.25, 3), (0.5, 2), (0.75, 1)])
def test_channels_are_lost_whole_and_of_those_logged(share, left):
    kept = drop(samples(), CHANNELS, share, 1)
    assert kept.height == 200
    for test in kept.partition_by("test_id"):
        known = [name for name in test.columns[2:] if test[name].null_count() < 100]
        assert len(known) == left


def test_samples_and_ends_are_lost_row_by_row():
    assert drop(samples(), SAMPLES, 0.0, 1).height == 200
    most, few = (drop(samples(), SAMPLES, share, 1) for share in (0.4, 0.8))
    assert 90 < most.height < 150
    assert 20 < few.height < 65
    # what is lost at a share is lost at a larger one too
    assert few.join(most, on=["test_id", "time_s"], how="anti").is_empty()
    cut = drop(samples(), END, 0.6, 1)
    assert cut.group_by("test_id").agg(pl.col("time_s").max())["time_s"].to_list() == [39.0] * 2
