"""Events on built logs: commands at known times, edges of known size, and eventless noise."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, lagged, log
from polars.testing import assert_frame_equal

from features.derive import derive
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
TIME_S = clock()


def events(samples, told=None, settings=SETTINGS):
    told = context(*samples["test_id"].unique()) if told is None else told
    return derive(samples, told, settings).events


def test_fan_stages_at_their_times():
    fan = np.select([TIME_S < 250, TIME_S < 480, TIME_S < 700], [0.0, 50.0, 100.0], 50.0)
    found = events(log(condenser_fan_pct=fan))
    assert found["kind_code"].to_list() == ["fan_up", "fan_up", "fan_down"]
    assert found["time_s"].to_list() == [250.0, 480.0, 700.0]
    assert found["size_pct"].to_list() == [50.0, 50.0, -50.0]
    assert found["event_number"].to_list() == [1, 2, 3]
    assert set(found["source_code"]) == {"command"}


def test_a_soft_start_is_one_event_at_its_beginning():
    fan = np.clip((TIME_S - 400.0) * 20.0, 0.0, 80.0)  # 20 points a second from 400 s on
    found = events(log(condenser_fan_pct=fan))
    assert found.height == 1
    assert found["time_s"].item() == pytest.approx(400.0, abs=1.5)
    assert found["size_pct"].item() == 80.0


def test_small_and_single_wrong_samples_of_a_command_are_no_events():
    fan = np.full(TIME_S.size, 60.0)
    fan[300] = 0.0
    fan[500:] = 65.0
    assert events(log(condenser_fan_pct=fan)).is_empty()


def test_a_noisy_command_shows_its_step_and_nothing_else():
    noise = np.random.default_rng(4).normal(0.0, 1.0, TIME_S.size)
    found = events(log(condenser_fan_pct=np.where(TIME_S < 500, 30.0, 70.0) + noise))
    assert found.height == 1
    assert found["time_s"].item() == pytest.approx(500.0, abs=2.0)
    assert found["size_pct"].item() == pytest.approx(40.0, abs=5.0)


def test_compressor_switch_and_command():
    on = ((TIME_S >= 30) & (TIME_S < 800)).astype(float)
    by_switch = events(log(compressor_on=on))
    by_command = events(log(compressor_command_pct=on * 80.0))
    for found in (by_switch, by_command):
        assert found["kind_code"].to_list() == ["compressor_on", "compressor_off"]
        assert found["time_s"].to_list() == [30.0, 800.0]


def test_the_response_is_written_beside_the_event():
    # high side falls by 290 kPa with a time constant of 4 s: after 15 to 30 s all but
    # exp(-15/4) = 2 % of it is done, on average over that time 1 %
    high = 1681.8 + lagged(TIME_S, 250.0, -290.0, tau_s=4.0)
    fan = np.where(TIME_S < 250, 50.0, 100.0)
    found = events(log(high_side_kpa=high, condenser_fan_pct=fan))
    assert found["high_side_change_kpa"].item() == pytest.approx(-290.0, abs=8.0)
    assert found["low_side_change_kpa"].item() == pytest.approx(0.0, abs=2.0)
    sentence = found["sentence"].item()
    assert sentence.startswith("condenser fan up 50 points at 4:10, high side -2")
    assert "low side" in sentence


# ---- without any command: the signs of the pressures


def uncommanded(test_id="a", seed=1, **curves):
    return log(test_id, seed=seed, condenser_fan_pct=None, compressor_command_pct=None, **curves)


def fan_logs(swing_kpa, *, n=30, tau_s=10.0, at_s=500.0):
    high = 1681.8 - lagged(TIME_S, at_s, swing_kpa, tau_s=tau_s)
    return pl.concat([uncommanded(f"{k:02d}", seed=k, high_side_kpa=high) for k in range(n)])


def test_dose_response_of_a_fan_seen_in_the_pressures():
    # recall and precision of 0.95 and a median time error under 5 s where the swing exceeds
    # 0.5 bar are what the project asks of event detection; below its noise it must fade out
    for swing_kpa in (75.0, 150.0, 300.0):
        found = events(fan_logs(swing_kpa))
        right = found.filter(
            (pl.col("kind_code") == "fan_up") & ((pl.col("time_s") - 500).abs() < 10)
        )
        assert right["test_id"].n_unique() >= 0.95 * 30
        assert right.height >= 0.95 * found.height
        assert (right["time_s"] - 500.0).abs().median() < 5.0
        assert set(found["source_code"]) == {"pressure"}
    assert events(fan_logs(4.0))["test_id"].n_unique() <= 2


def test_the_fan_going_down_lets_the_high_side_rise():
    found = events(fan_logs(-200.0))
    assert set(found["kind_code"]) == {"fan_down"}
    assert found.height == 30


def test_false_alarms_on_eventless_noise():
    # 60 logs of 15 min without any event: 900 min; fewer than one false event in 100 min
    logs = pl.concat([uncommanded(f"{k:02d}", seed=100 + k) for k in range(60)])
    assert events(logs).height <= 9


def test_slow_movements_are_no_events():
    ramp = 1681.8 + 40.0 * TIME_S / 60.0
    pull_down = 1681.8 - 500.0 * np.exp(-TIME_S / 80.0)
    logs = pl.concat(
        [uncommanded("a", high_side_kpa=ramp), uncommanded("b", high_side_kpa=pull_down)]
    )
    assert events(logs).is_empty()


def test_a_change_of_the_engine_speed_is_no_fan():
    high = 1681.8 - lagged(TIME_S, 500.0, 200.0, tau_s=6.0)
    rpm = np.where(TIME_S < 500, 2500.0, 1500.0)
    found = events(uncommanded(high_side_kpa=high, engine_rpm=rpm))
    assert found["kind_code"].to_list() == ["engine_slower"]
    assert found["size_rpm"].item() == pytest.approx(-1000.0, abs=20.0)
    assert found["time_s"].item() == pytest.approx(500.0, abs=2.5)
    assert events(uncommanded(high_side_kpa=high))["kind_code"].to_list() == ["fan_up"]


def test_hotter_intake_air_moves_both_sides_and_is_no_fan():
    high = 1681.8 + lagged(TIME_S, 500.0, 150.0, tau_s=8.0)
    low = 292.8 + lagged(TIME_S, 500.0, 80.0, tau_s=8.0)
    assert events(uncommanded(high_side_kpa=high, low_side_kpa=low)).is_empty()


def clutch_cycles(starts_s, on_s, *, tau_s=3.0):
    """Low and high side of a clutch that engages at the given times for `on_s` seconds."""
    low, high = np.full(TIME_S.size, 400.0), np.full(TIME_S.size, 1100.0)
    for start_s in starts_s:
        for at_s, sign in ((start_s, 1.0), (start_s + on_s, -1.0)):
            low -= lagged(TIME_S, at_s, sign * 150.0, tau_s=tau_s)
            high += lagged(TIME_S, at_s, sign * 400.0, tau_s=tau_s)
    return low, high


def test_clutch_cycles_seen_in_the_pressures():
    starts_s = np.arange(303.0, 850.0, 70.0)  # 303, 373 ... 793, each on for 40 s
    low, high = clutch_cycles(starts_s, 40.0)
    found = events(
        uncommanded(low_side_kpa=low, high_side_kpa=high), context(compressor="fixed_clutch")
    )
    on = found.filter(kind_code="compressor_on")["time_s"].to_numpy()
    off = found.filter(kind_code="compressor_off")["time_s"].to_numpy()
    assert on.size == starts_s.size
    assert off.size == starts_s.size
    assert np.abs(on - starts_s).max() < 5.0
    assert np.abs(off - starts_s - 40.0).max() < 5.0
    assert found.height == on.size + off.size  # and no fan was made of it


def test_a_command_that_is_logged_is_believed_against_the_pressures():
    high = 1681.8 - lagged(TIME_S, 500.0, 300.0, tau_s=10.0)
    assert events(log(high_side_kpa=high, condenser_fan_pct=np.full(TIME_S.size, 50.0))).is_empty()


# ---- other commands and speeds


@pytest.mark.parametrize(
    ("channel", "levels", "kinds"),
    [
        ("blower_pct", (60.0, 100.0), ("blower_up", "blower_down")),
        ("recirculation_pct", (0.0, 90.0), ("recirculation_on", "recirculation_off")),
        ("engine_rpm", (800.0, 1500.0), ("engine_faster", "engine_slower")),
        ("compressor_command_pct", (40.0, 80.0), ("displacement_up", "displacement_down")),
    ],
)
def test_logged_moves_both_ways(channel, levels, kinds):
    low, high = levels
    course = np.select([TIME_S < 301, TIME_S < 604], [low, high], low)
    found = events(log(**{channel: course}))
    assert found["kind_code"].to_list() == list(kinds)
    assert found["time_s"].to_list() == pytest.approx([301.0, 604.0], abs=2.5)
    assert set(found["source_code"]) == {"command"}


def test_a_command_that_wanders_slowly_is_no_event():
    # a healthy control at work: 20 points to either side in 5 minutes, 8 points within 20 s
    command = 50.0 + 20.0 * np.sin(2.0 * np.pi * TIME_S / 300.0)
    assert events(log(compressor_command_pct=command)).is_empty()
    # the same way in a third of the time is a control that jumps: 23 points within 20 s
    fast = 50.0 + 20.0 * np.sin(2.0 * np.pi * TIME_S / 100.0)
    assert events(log(compressor_command_pct=fast)).height >= 17


def test_a_start_is_no_change_of_stroke():
    command = np.where(TIME_S < 100, 0.0, 90.0)
    found = events(log(compressor_command_pct=command))
    assert found["kind_code"].to_list() == ["compressor_on"]


def test_an_electric_compressor_shows_its_speed():
    speed = np.interp(TIME_S, [0, 300, 310, 900], [5000.0, 5000.0, 3000.0, 3000.0])
    found = events(
        log(compressor_rpm=speed, compressor_command_pct=None, engine_rpm=None),
        context(compressor="electric"),
    )
    assert found["kind_code"].to_list() == ["displacement_down"]
    assert found["size_rpm"].item() == pytest.approx(-2000.0, abs=20.0)
    assert found["size_pct"].item() is None
    # the speed of a belt is the engine's matter
    belt = log(compressor_rpm=speed, compressor_command_pct=None, engine_rpm=speed / 1.3)
    assert events(belt, context(compressor="fixed_clutch"))["kind_code"].to_list() == [
        "engine_slower"
    ]


# ---- a stroke that only the pressures show: low side and high side go opposite ways


def strokes(sign, *, seed=1):
    """A running compressor that does less (sign -1) or more from 500 s on."""
    low = 292.8 - sign * lagged(TIME_S, 500.0, 60.0, tau_s=8.0)
    high = 1681.8 + sign * lagged(TIME_S, 500.0, 250.0, tau_s=15.0)
    return uncommanded(f"{seed:02d}", seed=seed, low_side_kpa=low, high_side_kpa=high)


@pytest.mark.parametrize(("sign", "kind"), [(1, "displacement_up"), (-1, "displacement_down")])
def test_a_stroke_seen_in_the_pressures(sign, kind):
    found = events(pl.concat([strokes(sign, seed=k) for k in range(20)]))
    assert found["kind_code"].to_list() == [kind] * 20
    assert (found["time_s"] - 500.0).abs().median() < 5.0
    # practice: the compressor that does more pulls down the low side (common practice, no source)
    assert (found["low_side_change_kpa"] * -sign > 0).all()
    assert (found["high_side_swing_kpa"] * sign > 200.0).all()


def test_a_fixed_compressor_has_no_stroke_to_change():
    found = events(strokes(-1), context("01", compressor="fixed_clutch"))
    assert set(found["kind_code"]) == {"compressor_off"}


# ---- what nobody looked at is not nothing


def rates(samples, **told):
    told = context(*samples["test_id"].unique(), **told)
    return derive(samples, told, SETTINGS).features.filter(regime="whole_test").row(0, named=True)


def test_rates_are_null_where_nobody_could_look():
    told = rates(log(compressor_on=1.0, only=["low_side_kpa"]))
    assert told["fan_events_per_min"] is None  # one side alone tells no fan
    assert told["engine_events_per_min"] is None
    assert told["compressor_events_per_min"] == 0.0
    fixed = rates(log(compressor_on=1.0), compressor="fixed_clutch")
    assert fixed["displacement_events_per_min"] is None
    assert fixed["engine_events_per_min"] == 0.0


def test_rates_count_per_minute_of_running():
    blower = 50.0 + 20.0 * (TIME_S // 90.0 % 2)
    told = rates(log(blower_pct=blower, compressor_on=1.0))
    # steps at 90, 180 ... 810: 9 in 15 min less 10 s at either end
    assert told["blower_events_per_min"] == pytest.approx(9 / (15.0 - 20.0 / 60.0), rel=0.02)


# ---- the answer


def test_swing_and_time_constant_of_a_first_order_answer():
    # by definition 63.2 % of a first-order answer are done after one time constant; of an
    # answer watched for 40 s the last 40 s / tau are missing: tau 8 s, 1 - exp(-5) = 99.3 %
    high = 1681.8 + lagged(TIME_S, 250.0, -290.0, tau_s=8.0)
    found = events(log(high_side_kpa=high, condenser_fan_pct=np.where(TIME_S < 250, 50.0, 100.0)))
    assert found["high_side_swing_kpa"].item() == pytest.approx(-290.0, abs=8.0)
    assert found["time_constant_s"].item() == pytest.approx(8.0, abs=1.5)
    assert found["confidence"].item() > 0.95


def test_an_answer_ends_where_the_next_event_begins():
    high = 1681.8 + lagged(TIME_S, 250.0, -300.0, tau_s=20.0)
    fan = np.select([TIME_S < 250, TIME_S < 270], [50.0, 100.0], 50.0)
    found = events(log(high_side_kpa=high, condenser_fan_pct=fan))
    # 20 s of a time constant of 20 s: 63.2 % of 300 kPa
    assert found["high_side_swing_kpa"][0] == pytest.approx(-190.0, abs=20.0)


def test_unanswered_commands_are_less_sure_and_have_no_pace():
    found = events(log(condenser_fan_pct=np.where(TIME_S < 250, 50.0, 100.0)))
    assert abs(found["high_side_swing_kpa"].item()) < 15.0
    assert found["time_constant_s"].item() is None
    assert 0.9 < found["confidence"].item() < 0.99


# ---- invariance


@pytest.mark.parametrize("interval_s", [0.1, 0.5, 1.0, 2.0])
def test_events_do_not_depend_on_the_sampling(interval_s):
    time_s = clock(interval_s=interval_s)
    high = (
        1681.8 - lagged(time_s, 300.0, 250.0, tau_s=10.0) + lagged(time_s, 600, 250.0, tau_s=10.0)
    )
    rpm = np.where(time_s < 750, 1500.0, 2200.0)
    samples = log(
        interval_s=interval_s, high_side_kpa=high, engine_rpm=rpm,
        condenser_fan_pct=None, compressor_command_pct=None,
    )  # fmt: skip
    found = events(samples)
    assert found["kind_code"].to_list() == ["fan_up", "fan_down", "engine_faster"]
    assert found["time_s"].to_list() == pytest.approx([300.0, 600.0, 750.0], abs=3.5)
    assert found["high_side_swing_kpa"].to_list()[:2] == pytest.approx([-245.0, 245.0], abs=12.0)
    assert found["time_constant_s"].to_list()[:2] == pytest.approx([10.0, 10.0], abs=2.0)


def test_events_do_not_depend_on_row_order_nor_on_other_tests():
    logs = pl.concat([strokes(-1, seed=1), strokes(1, seed=2), strokes(-1, seed=3)])
    together = events(logs)
    assert_frame_equal(events(logs.sample(fraction=1.0, shuffle=True, seed=3)), together)
    alone = pl.concat([events(logs.filter(test_id=t)) for t in ("01", "02", "03")])
    assert_frame_equal(alone, together)


def test_a_gap_of_a_day_is_not_a_day_of_cells():
    gapped = strokes(-1).with_columns(
        time_s=pl.col("time_s") + pl.when(pl.col("time_s") >= 700).then(1e9).otherwise(0.0)
    )
    assert events(gapped)["kind_code"].to_list() == ["displacement_down"]
