"""Every test without a window says why; one fault at a time put into a log in order."""

from __future__ import annotations

import numpy as np
import pytest
from built_logs import LEVELS, clock, context, log

from features.derive import derive
from features.settings import DerivationSettings
from features.unread import UNREAD, Obstacle

SETTINGS = DerivationSettings()
TIME_S = clock()
NO_COMMAND = {"compressor_command_pct": None}


def unread(samples, told=None):
    found = derive(samples, context() if told is None else told, SETTINGS)
    assert found.windows.is_empty()
    assert found.unread.schema == UNREAD.schema
    assert found.unread.height == 1
    return found.unread.row(0, named=True)


def test_a_test_that_was_read_has_no_reason():
    assert derive(log(), context(), SETTINGS).unread.is_empty()


@pytest.mark.parametrize(
    ("samples", "code"),
    [
        (log(low_side_kpa=None, **NO_COMMAND), "running_not_known"),
        (log(compressor_command_pct=0.0), "never_ran"),
        (log(low_side_kpa=700.0, high_side_kpa=705.0, engine_rpm=None, **NO_COMMAND), "never_ran"),
        (log(low_side_kpa=700.0, high_side_kpa=705.0, **NO_COMMAND), "asked_in_vain"),
        (log(seconds=300.0), "ran_too_short"),
        (log(seconds=350.0), "ran_too_short"),
        (log(only=("low_side_kpa", "engine_rpm", "compressor_command_pct")), "too_few_channels"),
    ],
    ids=[
        "blind", "command off", "pressures even", "fan and engine on", "5 min", "under 6 min",
        "one channel",
    ],
)  # fmt: skip
def test_the_first_condition_not_met_is_told(samples, code):
    found = unread(samples)
    assert found["reason_code"] == code
    assert found["channel"] is None


def test_a_short_log_is_told_how_long_it_should_have_been():
    # 5 min to settle and 1 min of window, and a block of 5 s at either end: 7 min are enough
    found = unread(log(seconds=300.0))
    assert "300 s" in found["sentence"]
    assert "at least 7 min" in found["sentence"]
    assert derive(log(seconds=7 * 60.0), context(), SETTINGS).windows.height >= 1


@pytest.mark.parametrize(
    ("channel", "curve", "motion"),
    [
        # twice the drift allowed, and scatter beyond: what is told is the larger excess
        ("duct_air_c", 8.0 + 1.2 * TIME_S / 60.0, "duct air drifts by 1.2 K/min (0.3 allowed)"),
        (
            "low_side_kpa",
            500.0 - 20.0 * TIME_S / 60.0,
            "low side drifts by 19.9 kPa/min (5 allowed)",
        ),
        ("high_side_kpa", 1681.8 + 90.0 * (TIME_S // 7 % 2), "high side swings by"),
        ("engine_rpm", 1500.0 + 200.0 * (TIME_S // 13 % 2), "engine speed swings by"),
    ],
)
def test_the_channel_that_never_settled_is_named_with_its_motion(channel, curve, motion):
    found = unread(log(**{channel: curve}))
    assert found["reason_code"] == "never_settled"
    assert found["channel"] == channel
    assert motion in found["sentence"]


def test_channels_that_settle_in_turn_but_never_together():
    # each holds still for half of the log only; a ramp of many times its limit for the rest
    late, early = np.clip(TIME_S - 600.0, 0.0, None), np.clip(600.0 - TIME_S, 0.0, None)
    found = unread(
        log(condenser_outlet_c=52.0 + 0.05 * late, duct_air_c=38.0 - 0.05 * early)
    )  # fmt: skip
    assert found["reason_code"] == "never_together"
    assert found["channel"] in {"condenser_outlet_c", "duct_air_c"}


def test_air_that_still_falls_at_the_end_is_told():
    # 1.2 K/min all through, four times what a window may drift
    found = unread(log(duct_air_c=30.0 - 1.2 * TIME_S / 60.0))
    assert found["reason_code"] == "still_pulling_down"
    assert "by 1.2 K/min" in found["sentence"]


def test_a_fan_without_rhythm_leaves_no_room():
    rng = np.random.default_rng(4)
    starts_s = np.cumsum(rng.choice([20.0, 45.0, 110.0], 30))
    is_high = (np.searchsorted(starts_s, TIME_S) % 2).astype(bool)
    found = unread(log(condenser_fan_pct=np.where(is_high, 100.0, 40.0)))
    assert found["reason_code"] == "events_too_close"


def test_a_clutch_that_cycles_unevenly():
    starts_s = np.array([0.0, 30.0, 150.0, 200.0, 390.0, 420.0, 600.0, 640.0, 840.0])
    last = starts_s[np.searchsorted(starts_s, TIME_S, side="right") - 1]
    is_on = TIME_S - last < 20.0
    curves = {
        "compressor_on": is_on.astype(float),
        "compressor_command_pct": None,
        "low_side_kpa": np.where(is_on, 250.0, 420.0),
        "high_side_kpa": np.where(is_on, 1600.0, 1200.0),
    }
    found = unread(log(**curves), context(compressor="fixed_clutch"))
    assert found["reason_code"] == "cycles_uneven"


def test_every_obstacle_is_a_sentence_of_the_table():
    assert {obstacle.code for obstacle in Obstacle} >= {"ran_too_short", "never_settled"}
    assert LEVELS["compressor_command_pct"] == 100.0
