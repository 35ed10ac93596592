"""Clock jump against pause: the hole is the same, only the readings tell."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from plant_logs import SECONDS, plant_logs

from features.screening import screen
from features.settings import DerivationSettings


def found(samples, told, code):
    trust = screen(samples, told, DerivationSettings()).trust
    return trust.filter(rule_code=code, channel="time_s")["test_id"].n_unique()


def at_some_moment(seed, latest):
    samples, told = plant_logs()
    rng = np.random.default_rng(seed)
    moments = rng.integers(60, latest, told.height).astype(float)
    at = told.select("test_id").with_columns(at=pl.Series(moments))
    return samples.join(at, on="test_id", how="left"), told


@pytest.mark.parametrize(
    ("by_s", "least"), [(0.0, 0.0), (45.0, 0.8), (200.0, 0.8), (300.0, 0.9), (3600.0, 0.9)]
)
def test_a_clock_that_was_put_forward(by_s, least):
    samples, told = at_some_moment(3, SECONDS - 60)
    late = pl.when(pl.col("time_s") >= pl.col("at")).then(pl.lit(by_s)).otherwise(pl.lit(0.0))
    jumped = samples.with_columns(pl.col("time_s") + late).drop("at")
    count = found(jumped, told, "clock_jump")
    assert count >= least * told.height, f"{count} of {told.height} jumps of {by_s} s"
    assert by_s > 0.0 or count == 0


@pytest.mark.parametrize("lost_s", [45.0, 100.0])
def test_a_pause_is_a_gap_and_seldom_taken_for_a_jump(lost_s):
    samples, told = at_some_moment(4, int(SECONDS - 60 - lost_s))
    is_lost = (pl.col("time_s") >= pl.col("at")) & (pl.col("time_s") < pl.col("at") + lost_s)
    paused = samples.filter(~is_lost).drop("at")
    assert found(paused, told, "gap") == told.height
    count = found(paused, told, "clock_jump")
    assert count <= 0.25 * told.height, f"{count} of {told.height} pauses of {lost_s} s"


def test_nothing_is_distrusted_for_a_jump():
    samples, told = at_some_moment(5, SECONDS - 60)
    late = pl.when(pl.col("time_s") >= pl.col("at")).then(300.0).otherwise(0.0)
    jumped = samples.with_columns(pl.col("time_s") + late).drop("at")
    screened = screen(jumped, told, DerivationSettings()).samples
    assert screened["engine_rpm"].null_count() == jumped["engine_rpm"].null_count()
