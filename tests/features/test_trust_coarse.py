"""Clipped, coarse and slow: dose by dose, and displays that are merely quiet left alone."""

from __future__ import annotations

import polars as pl
import pytest
from plant_logs import plant_logs

from features.screening import screen
from features.settings import DerivationSettings

LOW, HIGH = "low_side_kpa", "high_side_kpa"


def codes(samples, told, channel):
    trust = screen(samples, told, DerivationSettings()).trust.filter(channel=channel)
    return {code: set(trust.filter(rule_code=code)["test_id"]) for code in trust["rule_code"]}


def rounded(name, step):
    return (pl.col(name) / step).round() * step


@pytest.mark.parametrize(
    ("name", "step", "least", "most"),
    [
        ("compressor_discharge_c", 0.5, 0.0, 0.0), ("compressor_discharge_c", 1.0, 0.0, 0.0),
        ("compressor_discharge_c", 5.0, 0.95, 1.0), ("evaporator_outlet_c", 1.0, 0.0, 0.0),
        ("evaporator_outlet_c", 5.0, 0.9, 1.0), ("evaporator_outlet_c", 10.0, 0.85, 1.0),
        (LOW, 10.0, 0.0, 0.0), (LOW, 50.0, 0.95, 1.0), (LOW, 100.0, 0.95, 1.0),
        (HIGH, 10.0, 0.0, 0.0), (HIGH, 100.0, 0.95, 1.0), (HIGH, 200.0, 0.9, 1.0),
    ],
)  # fmt: skip
def test_steps_of_a_display(name, step, least, most):
    samples, told = plant_logs()
    found = codes(samples.with_columns(rounded(name, step)), told, name).get("too_coarse", set())
    share = len(found) / told.height
    assert least <= share <= most, f"{len(found)} of {told.height} at steps of {step}"


@pytest.mark.parametrize(("every", "found"), [(1, False), (5, False), (15, False), (30, True)])
def test_the_interval_of_a_logger(every, found):
    samples, told = plant_logs()
    slow = samples.gather_every(every)
    hits = codes(slow, told, "time_s").get("too_coarse", set())
    assert len(hits) == (told.height if found else 0)


@pytest.mark.parametrize("end_kpa", [1000.0, 1200.0])
def test_a_high_side_that_ends_at_the_range_of_its_sensor(end_kpa):
    samples, told = plant_logs()
    runs = pl.col(HIGH) > 1.5 * pl.col(LOW)
    beyond = (pl.col(HIGH) > end_kpa + 20.0).filter(runs).mean()
    hit = set(samples.group_by("test_id").agg(beyond).filter(pl.col(HIGH) > 0.1)["test_id"])
    cut = samples.with_columns(pl.col(HIGH).clip(upper_bound=end_kpa))
    found = codes(cut, told, HIGH).get("clipped", set())
    assert len(hit & found) >= 0.9 * len(hit), f"{len(hit & found)} of {len(hit)}"
    assert len(hit) >= 10


def test_only_the_readings_at_the_end_are_distrusted():
    samples, told = plant_logs()
    cut = samples.with_columns(pl.col(HIGH).clip(upper_bound=1000.0))
    trust = screen(cut, told, DerivationSettings())
    found = trust.trust.filter(rule_code="clipped")["test_id"]
    lost = trust.samples.filter(pl.col("test_id").is_in(found.implode()))
    kept = lost[HIGH].drop_nulls()
    assert kept.len() > 0
    assert (kept < 1000.0).mean() > 0.9


def test_nothing_is_clipped_or_coarse_in_clean_logs():
    samples, told = plant_logs()
    for step in (0.1, 1.0, 7.0):
        shown = samples.with_columns(rounded(LOW, step), rounded(HIGH, step))
        for channel in (LOW, HIGH):
            raised = codes(shown, told, channel)
            assert "clipped" not in raised, f"{len(raised['clipped'])} of {told.height}"
            assert "too_coarse" not in raised
