"""The truth of regimes and events: controls written by hand, told by their definitions."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic.plant import cars as kinds
from synthetic.true_control import EVENT_SHARE, Control, true_events, true_regimes


def control(kind=kinds.EXTERNAL, seconds=900, greatest=1.0, **curves):
    """A compressor that runs at half stroke all the time unless told otherwise."""
    usual = {
        "is_engaged": np.ones(seconds, bool),
        "stroke": np.full(seconds, 0.5),
        "demand": np.full(seconds, 0.5),
        "fan_stage": np.zeros(seconds),
        "duct_c": np.full(seconds, 8.0),
        "high_side_kpa": np.full(seconds, 1200.0),
        "engine_rpm": np.full(seconds, 800.0),
    }
    return Control(kind, greatest, **(usual | curves))


def on_between(seconds, *spans):
    flags = np.zeros(seconds, bool)
    for start, stop in spans:
        flags[start:stop] = True
    return flags


def told(regimes):
    """Each stretch of one regime with its length."""
    edges = np.flatnonzero(np.concatenate([[True], regimes[1:] != regimes[:-1]]))
    lengths = np.diff(np.append(edges, regimes.size))
    return list(zip(regimes[edges].tolist(), lengths.tolist(), strict=True))


def test_a_control_below_its_limit_regulates_after_the_start():
    engaged = on_between(600, (100, 600))
    assert told(true_regimes(control(seconds=600, is_engaged=engaged))) == [
        ("off", 100),
        ("starting", 60),
        ("regulating", 440),
    ]


def test_at_full_stroke_the_air_falls_then_stays():
    # 6 K a minute for 200 s, then level; the slope over 60 s passes 0.5 K a minute when the
    # middle of its minute is 30 s - 5 s past the bend
    duct = np.maximum(30.0 - 0.1 * np.arange(600), 10.0)
    full = control(seconds=600, stroke=np.ones(600), duct_c=duct)
    [start, falling, level] = told(true_regimes(full))
    assert start == ("starting", 60)
    assert falling[0] == "pull_down"
    assert falling[1] == pytest.approx(200 - 60 + 25, abs=2)
    assert level[0] == "saturated"


def test_a_stroke_stuck_low_is_at_its_limit():
    stuck = control(seconds=300, stroke=np.full(300, 0.2), demand=np.ones(300), greatest=0.2)
    assert told(true_regimes(stuck))[-1][0] == "saturated"


def test_a_pull_down_does_not_come_back():
    stroke = np.where((np.arange(600) >= 100) & (np.arange(600) < 130), 0.5, 1.0)
    falling = 40.0 - 0.05 * np.arange(600)
    regimes = true_regimes(control(seconds=600, stroke=stroke, duct_c=falling))
    assert [name for name, _ in told(regimes)] == [
        "starting", "pull_down", "regulating", "saturated",
    ]  # fmt: skip


def test_cycling_begins_when_the_control_first_switches_off():
    spans = [(0, 200), (230, 260), (290, 320), (350, 380), (410, 440)]
    regimes = true_regimes(
        control(kinds.FIXED_CLUTCH, seconds=700, is_engaged=on_between(700, *spans))
    )
    assert told(regimes) == [
        ("starting", 60), ("saturated", 140), ("cycling", 210), ("", 230), ("off", 60),
    ]  # fmt: skip


def test_two_switchings_are_no_cycling():
    engaged = on_between(600, (0, 200), (300, 600))
    regimes = true_regimes(control(kinds.FIXED_CLUTCH, seconds=600, is_engaged=engaged))
    assert "cycling" not in regimes
    assert told(regimes)[2] == ("off", 100)


def test_events_are_steps_with_their_swing():
    clock = np.arange(600)
    fan = np.where(clock >= 200, 2.0, 1.0)
    high = 1500.0 - 10.0 * np.clip(clock - 200, 0, 30)
    stroke = np.where(clock < 400, 0.8, np.clip(0.8 - 0.04 * (clock - 400), 0.4, 1.0))
    found = true_events(control(seconds=600, fan_stage=fan, high_side_kpa=high, stroke=stroke))
    assert [(event.kind_code, event.size) for event in found] == [
        ("fan_up", 0.5),
        ("displacement_down", pytest.approx(0.4)),
    ]
    fan_up, stroke_down = found
    assert (fan_up.time_s, fan_up.swing_kpa) == (200.0, pytest.approx(300.0))
    assert stroke_down.time_s == pytest.approx(400, abs=2)
    assert stroke_down.swing_kpa == pytest.approx(0.0)


def test_a_ramp_begins_where_the_stroke_leaves_its_level():
    # 40 points in 100 s: the quickest 20 s lie anywhere in it
    ramp = 0.9 - 0.004 * np.clip(np.arange(600) - 200.0, 0.0, 100.0)
    found = true_events(control(seconds=600, stroke=ramp))[0]
    assert found.kind_code == "displacement_down"
    assert found.time_s == pytest.approx(200, abs=3)


@pytest.mark.parametrize(
    ("after_s", "is_alone"), [(-60, True), (-20, False), (20, False), (60, True)]
)
def test_a_swing_has_one_cause_or_is_nobodys(after_s, is_alone):
    clock = np.arange(600)
    fan = np.where(clock >= 300 + after_s, 2.0, 1.0)
    stroke = np.where(clock < 300, 0.8, 0.4)
    events = true_events(control(seconds=600, fan_stage=fan, stroke=stroke))
    assert [e.is_alone for e in events if e.kind_code == "displacement_down"] == [is_alone]
    # the engine takes the stroke along
    engine = np.where(clock >= 300 + after_s, 1500.0, 800.0)
    [step] = true_events(control(seconds=600, engine_rpm=engine, stroke=stroke))
    assert step.is_alone == is_alone


def test_slow_wandering_of_the_stroke_is_no_event_that_counts():
    # 30 points up and down in 200 s each: 5 points in 20 s at most
    wander = 0.5 + 0.15 * np.sin(np.arange(900) * np.pi / 200.0)
    assert all(event.size < EVENT_SHARE for event in true_events(control(stroke=wander)))


def test_the_stroke_at_start_and_stop_is_no_event_of_its_own():
    engaged = on_between(600, (100, 500))
    stroke = np.where(engaged, 0.9, 0.01)
    found = true_events(control(seconds=600, is_engaged=engaged, stroke=stroke))
    assert [event.kind_code for event in found] == ["compressor_on", "compressor_off"]
