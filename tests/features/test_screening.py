"""Screening: injected faults of growing size are found, clean signals are left alone.

The signals are made here: a start after rest, exponential approach, seeded noise, the
rounding of a display. Nothing of the simulator or of the code under test goes in.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features import screening
from features.channels import CHANNEL, SAMPLES
from features.context import CONTEXT
from features.screening import RULES, TRUST, Rule
from features.settings import DerivationSettings

ROWS = 900
START_S = 30.0
NOISE = {
    "low_side_kpa": 2.0, "high_side_kpa": 6.0, "compressor_discharge_c": 0.3,
    "condenser_outlet_c": 0.15, "evaporator_outlet_c": 0.2, "duct_air_c": 0.1,
    "intake_air_c": 0.1, "ambient_air_c": 0.02, "engine_rpm": 8.0, "intake_humidity_pct": 0.6,
}  # fmt: skip
RESOLUTION = {
    "low_side_kpa": 0.689, "high_side_kpa": 0.689, "compressor_discharge_c": 0.1,
    "condenser_outlet_c": 0.1, "evaporator_outlet_c": 0.1, "duct_air_c": 0.1,
    "intake_air_c": 0.1, "ambient_air_c": 0.5, "engine_rpm": 1.0, "intake_humidity_pct": 1.0,
}  # fmt: skip
REST = {
    "low_side_kpa": 640.0, "high_side_kpa": 655.0, "compressor_discharge_c": 32.0,
    "condenser_outlet_c": 31.0, "evaporator_outlet_c": 29.0, "duct_air_c": 29.5,
    "intake_air_c": 30.0, "ambient_air_c": 30.0, "engine_rpm": 1500.0, "intake_humidity_pct": 45.0,
}  # fmt: skip
RUN = REST | {
    "low_side_kpa": 310.0, "high_side_kpa": 1480.0, "compressor_discharge_c": 78.0,
    "condenser_outlet_c": 47.0, "evaporator_outlet_c": 7.0, "duct_air_c": 9.0,
}  # fmt: skip


def screen(frame):
    return screening.screen(frame, CONTEXT.empty(), DerivationSettings())


def distrust_flags(frame):
    return screening.distrust_flags(frame, CONTEXT.empty(), DerivationSettings())


def clean_test(seed, *, test_id="t", noise=1.0, coarse=1.0, interval_s=1.0):
    """One test: rest, a start, an approach to the running state; noise, then rounding."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(ROWS) * interval_s
    lag_s = rng.uniform(15.0, 60.0)
    started = np.where(time_s > START_S, 1.0 - np.exp(-(time_s - START_S) / lag_s), 0.0)
    columns = {"test_id": [test_id] * ROWS, "time_s": time_s}
    for name, rest in REST.items():
        value = rest + (RUN[name] - rest) * started + noise * rng.normal(0, NOISE[name], ROWS)
        step = coarse * RESOLUTION[name]
        columns[name] = np.round(value / step) * step
    columns["condenser_fan_pct"] = np.full(ROWS, 100.0)
    columns["compressor_on"] = (time_s > START_S).astype(float)
    return pl.DataFrame(columns)


def with_values(frame, name, places, values):
    changed = frame[name].to_numpy().copy()
    changed[places] = values
    return frame.with_columns(pl.Series(name, changed))


def fired(frame):
    trust = screen(frame).trust
    return set(trust.select("channel", "rule_code").iter_rows())


def share(frame, channel, rule):
    rows = screen(frame).trust.filter(
        (pl.col("channel") == channel) & (pl.col("rule_code") == rule.code)
    )
    return rows["distrusted_share"].sum()


# ---- clean signals: false alarms ---------------------------------------------------------


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("coarse", [1e-9, 1.0, 10.0])
def test_clean_tests_raise_no_alarm(noise, coarse):
    # 20 tests x 10 channels at each of 15 kinds of display, from noiseless to coarse
    stacked = pl.concat(
        clean_test(seed, test_id=f"t{seed}", noise=noise, coarse=coarse) for seed in range(20)
    )
    assert screen(stacked).trust.rows() == []


@pytest.mark.parametrize("correlation", [0.5, 0.9, 0.99])
def test_slow_noise_raises_no_alarm(correlation):
    alarms = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        frame = clean_test(seed)
        slow = np.zeros(ROWS)
        for i in range(1, ROWS):
            slow[i] = correlation * slow[i - 1] + rng.normal(0, 1)
        for name in ("low_side_kpa", "duct_air_c", "evaporator_outlet_c"):
            step = RESOLUTION[name]
            value = frame[name].to_numpy() + NOISE[name] * slow * np.sqrt(1 - correlation**2)
            frame = with_values(frame, name, slice(None), np.round(value / step) * step)
        alarms += list(fired(frame))
    assert alarms == []


def held(frame, every):
    """The same test from sensors that tell a new value only every so many samples."""
    last = np.arange(ROWS) // every * every
    return frame.with_columns(pl.col(NOISE).gather(last))


@pytest.mark.parametrize("every", [2, 5, 10, 20, 29, 60, 200])
@pytest.mark.parametrize("coarse", [1.0, 5.0])
def test_sensors_slower_than_the_logger_raise_no_alarm(every, coarse):
    stacked = pl.concat(
        held(clean_test(seed, test_id=f"t{seed:02d}", coarse=coarse), every) for seed in range(20)
    )
    assert screen(stacked).trust.rows() == []


@pytest.mark.parametrize("ratio", [1.0, 0.3, 0.1])
def test_a_quiet_line_at_rest_is_not_stuck(ratio):
    # the machine stops half way; at rest the sensors fall quiet and values stand still
    alarms = []
    for seed in range(20):
        frame = clean_test(seed)
        for name in ("low_side_kpa", "high_side_kpa"):
            step = RESOLUTION[name]
            rng = np.random.default_rng(seed + 1000)
            still = 700.0 + ratio * rng.normal(0, 0.05, ROWS // 2)
            frame = with_values(frame, name, slice(ROWS // 2, None), np.round(still / step) * step)
        alarms += list(fired(frame))
    assert alarms == []


def test_a_cycling_clutch_raises_no_alarm():
    # low side saw-tooth 150 to 310 kPa gauge within 15 s, as an orifice-tube car cycles
    # (common practice, no source)
    for seed in range(20):
        frame = clean_test(seed)
        phase = (np.arange(ROWS) % 15) / 15.0
        low = np.where(phase < 0.7, 410.0 - 230.0 * phase, 250.0 + 530.0 * (phase - 0.7))
        high = np.where(phase < 0.7, 1100.0 + 430.0 * phase, 1400.0 - 1000.0 * (phase - 0.7))
        frame = with_values(frame, "low_side_kpa", slice(None), np.round(low, 1))
        frame = with_values(frame, "high_side_kpa", slice(None), np.round(high, 1))
        assert fired(frame) == set()


# ---- out of range ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["low_side_kpa", "high_side_kpa", "duct_air_c", "engine_rpm"])
@pytest.mark.parametrize("count", [1, 10, 300])
def test_out_of_range_counts_exactly(name, count):
    places = np.random.default_rng(3).choice(ROWS, count, replace=False)
    frame = with_values(clean_test(1), name, places, CHANNEL[name].highest * 1.001 + 0.001)
    assert share(frame, name, Rule.OUT_OF_RANGE) == pytest.approx(count / ROWS)
    screened = screen(frame).samples
    assert set(np.flatnonzero(screened[name].is_null())) >= set(places)


@pytest.mark.parametrize(
    "value", [-9999.0, 32767.0, 1e30, float("nan"), float("inf"), -float("inf")]
)
def test_values_that_mean_no_sensor(value):
    frame = with_values(clean_test(1), "condenser_outlet_c", [400, 401], [value, value])
    assert ("condenser_outlet_c", "out_of_range") in fired(frame)
    screened = screen(frame).samples["condenser_outlet_c"]
    assert screened[400:402].to_list() == [None, None]
    assert screened.is_finite().all()


def test_the_ends_of_the_span_are_in_range():
    frame = pl.DataFrame(
        {
            "test_id": ["a", "a"],
            "time_s": [0.0, 1.0],
            "intake_humidity_pct": [0.0, 100.0],
            "ambient_air_c": [CHANNEL["ambient_air_c"].lowest, CHANNEL["ambient_air_c"].highest],
        }
    )
    assert not any(
        distrust_flags(frame)[f"{name}__out_of_range"].any()
        for name in ("intake_humidity_pct", "ambient_air_c")
    )


# ---- spike -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "size", "found"),
    [
        ("duct_air_c", 3.0, False), ("duct_air_c", 8.0, False), ("duct_air_c", 12.0, True),
        ("evaporator_outlet_c", 5.0, False), ("evaporator_outlet_c", -40.0, True),
        ("high_side_kpa", 200.0, False), ("high_side_kpa", 400.0, True),
        ("low_side_kpa", 1000.0, True),
        # an engine may well jump; a humidity probe may be breathed on
        ("engine_rpm", 2000.0, False), ("intake_humidity_pct", 40.0, False),
    ],
)  # fmt: skip
def test_spike_dose(name, size, found):
    frame = clean_test(2)
    frame = with_values(frame, name, [600], frame[name][600] + size)
    assert ((name, "spike") in fired(frame)) is found
    assert (screen(frame).samples[name][600] is None) is found


def test_a_step_that_stays_is_no_spike():
    frame = clean_test(2)
    stepped = frame["condenser_outlet_c"].to_numpy()[600:] + 25.0
    found = fired(with_values(frame, "condenser_outlet_c", slice(600, None), stepped))
    assert "spike" not in {rule_code for _, rule_code in found}


def test_a_slow_logger_may_catch_a_peak_in_one_sample():
    frame = clean_test(2, interval_s=5.0)
    frame = with_values(frame, "high_side_kpa", [600], frame["high_side_kpa"][600] + 400.0)
    assert fired(frame) == set()


def test_the_border_between_two_tests_is_no_spike():
    one, other = clean_test(1, test_id="a"), clean_test(2, test_id="b")
    other = other.with_columns(pl.col("duct_air_c") + 40.0).head(1)
    assert fired(pl.concat([one, other, clean_test(3, test_id="c")])) == set()


# ---- stuck -------------------------------------------------------------------------------


def frozen(frame, name, first, length):
    return with_values(frame, name, slice(first, first + length), frame[name][first])


@pytest.mark.parametrize("name", ["low_side_kpa", "high_side_kpa", "evaporator_outlet_c"])
@pytest.mark.parametrize(("length", "found"), [(5, False), (20, False), (60, True), (300, True)])
def test_stuck_dose(name, length, found):
    hits = sum(
        (name, "stuck") in fired(frozen(clean_test(seed), name, 400, length)) for seed in range(20)
    )
    assert hits == (20 if found else 0)


def test_a_frozen_stretch_is_found_in_a_slow_sensor_too():
    frames = (frozen(held(clean_test(seed), 5), "low_side_kpa", 400, 120) for seed in range(20))
    assert all(("low_side_kpa", "stuck") in fired(frame) for frame in frames)


def test_only_the_frozen_stretch_is_distrusted():
    frame = frozen(clean_test(5), "low_side_kpa", 400, 120)
    distrusted = np.flatnonzero(distrust_flags(frame)["low_side_kpa__stuck"])
    # a neighbour may happen to read the same
    assert distrusted.min() in range(397, 401)
    assert distrusted.max() in range(519, 523)
    assert share(frame, "low_side_kpa", Rule.STUCK) == pytest.approx(120 / ROWS, abs=6 / ROWS)


def test_the_coarser_the_display_the_longer_the_proof_takes():
    # display steps of 0.5, 4 and 12 noise standard deviations, frozen for a minute
    found = []
    for coarse in (1.0, 12.0, 36.0):
        frames = (clean_test(seed, coarse=coarse) for seed in range(10))
        hits = [
            ("low_side_kpa", "stuck") in fired(frozen(f, "low_side_kpa", 400, 60)) for f in frames
        ]
        found.append(sum(hits))
    assert found[0] == 10
    assert found[-1] == 0
    assert found == sorted(found, reverse=True)


def test_a_channel_that_never_moves_through_a_start_is_stuck():
    for name in ("low_side_kpa", "compressor_discharge_c", "duct_air_c"):
        frame = with_values(clean_test(4), name, slice(None), REST[name])
        assert fired(frame) == {(name, "stuck")}
        assert share(frame, name, Rule.STUCK) == 1.0
        assert screen(frame).samples[name].null_count() == ROWS


def test_a_frozen_channel_is_judged_test_by_test():
    # the last value of one test is the first of the next
    frames = [
        with_values(clean_test(4, test_id=test_id), "duct_air_c", slice(None), 29.5)
        for test_id in ("a", "b")
    ]
    trust = screen(pl.concat(frames)).trust
    assert trust.select("test_id", "distrusted_share").rows() == [("a", 1.0), ("b", 1.0)]


def test_a_quiet_reading_that_leaves_the_border_of_two_steps_is_not_stuck():
    # flickers between 9.0 and 9.1 for minutes, then drifts by a twentieth and stands still
    for seed in range(50):
        rng = np.random.default_rng(seed)
        frame = clean_test(seed)
        quiet = np.linspace(9.05, 9.0, ROWS) + rng.normal(0, 0.012, ROWS)
        frame = with_values(frame, "duct_air_c", slice(31, None), np.round(quiet, 1)[31:])
        assert fired(frame) == set()


def test_a_constant_channel_without_a_start_proves_nothing():
    running = clean_test(4).filter(pl.col("time_s") > 300.0)
    frame = running.with_columns(pl.lit(9.0).alias("duct_air_c"))
    assert fired(frame) == set()


@pytest.mark.parametrize(
    "name", ["ambient_air_c", "intake_air_c", "condenser_fan_pct", "compressor_on"]
)
def test_slow_and_commanded_channels_may_stand_still(name):
    value = REST.get(name, 1.0)
    assert fired(with_values(clean_test(4), name, slice(None), value)) == set()


def test_without_pressures_nothing_is_called_stuck():
    frame = frozen(clean_test(5), "evaporator_outlet_c", 400, 300)
    assert fired(frame.drop("low_side_kpa")) == set()


# ---- sides swapped -----------------------------------------------------------------------


def swapped(frame, rows):
    low, high = frame["low_side_kpa"].to_numpy(), frame["high_side_kpa"].to_numpy()
    frame = with_values(frame, "low_side_kpa", rows, high[rows])
    return with_values(frame, "high_side_kpa", rows, low[rows])


def test_swapped_sides_are_distrusted_throughout():
    screened = screen(swapped(clean_test(6), slice(None)))
    found = {row["channel"]: row for row in screened.trust.iter_rows(named=True)}
    assert set(found) == {"low_side_kpa", "high_side_kpa"}
    for row in found.values():
        assert row["rule_code"] == "sides_swapped"
        # at rest the sides are equal, but the hoses were no better
        assert row["distrusted_share"] == 1.0


@pytest.mark.parametrize("offset_kpa", [-40.0, -20.0, 20.0, 40.0])
def test_two_sensors_that_disagree_at_rest_are_not_swapped(offset_kpa):
    frame = clean_test(6).filter(pl.col("time_s") < START_S)
    assert fired(frame.with_columns(pl.col("high_side_kpa") + offset_kpa)) == set()


# ---- instants ----------------------------------------------------------------------------


def test_a_repeated_instant_distrusts_its_rows():
    frame = clean_test(7)
    again = with_values(frame, "time_s", slice(500, 510), frame["time_s"][490:500].to_numpy())
    flags = distrust_flags(again)["time_s__time_not_increasing"]
    assert set(np.flatnonzero(flags)) == set(range(490, 510))
    screened = screen(again).samples
    assert screened["low_side_kpa"].is_null().sum() == 20
    assert screened["time_s"].equals(again["time_s"])


def test_a_clock_of_whole_seconds_is_no_fault():
    frame = clean_test(7, interval_s=0.5).with_columns(pl.col("time_s").floor())
    assert fired(frame) == set()


@pytest.mark.parametrize("value", [None, float("nan")])
def test_an_instant_that_is_not_given(value):
    frame = clean_test(7)
    times = frame["time_s"].to_list()
    times[13] = value
    screened = screen(frame.with_columns(pl.Series("time_s", times, dtype=pl.Float64)))
    assert ("time_s", "time_not_increasing") in set(
        screened.trust.select("channel", "rule_code").iter_rows()
    )
    assert screened.samples["low_side_kpa"].is_null().to_list() == [i == 13 for i in range(ROWS)]


@pytest.mark.parametrize(
    ("lost", "found"), [(0, False), (3, False), (8, False), (15, True), (200, True)]
)
def test_gap_dose(lost, found):
    frame = clean_test(8)
    holed = pl.concat([frame[:400], frame[400 + lost :]])
    assert fired(holed) == ({("time_s", "gap")} if found else set())
    # a step of one second is no loss, so `lost` rows leave a step of lost + 1 seconds
    expected = (lost + 1) / (ROWS - 1) if found else 0.0
    assert share(holed, "time_s", Rule.GAP) == pytest.approx(expected)
    # nothing is distrusted for a gap
    assert screen(holed).samples.equals(holed)


def test_a_slow_logger_has_no_gaps():
    assert fired(clean_test(8, interval_s=15.0)) == set()


# ---- the frames --------------------------------------------------------------------------


def faulty_stack():
    frames = [
        clean_test(1, test_id="clean"),
        frozen(clean_test(2, test_id="frozen"), "high_side_kpa", 300, 200),
        swapped(clean_test(3, test_id="swapped"), slice(None)),
        with_values(clean_test(4, test_id="wild"), "duct_air_c", [50, 60], [400.0, -300.0]),
    ]
    return pl.concat(frames)


def test_trust_is_the_table_it_declares():
    trust = screen(faulty_stack()).trust
    assert trust.schema == TRUST.schema
    assert trust.equals(trust.sort(TRUST.key))
    assert trust.select(TRUST.key).is_unique().all()
    assert set(trust["test_id"]) == {"frozen", "swapped", "wild"}
    assert trust["distrusted_share"].is_between(0.0, 1.0, closed="right").all()
    assert trust.null_count().sum_horizontal().item() == 0
    assert set(trust["rule_code"]) <= set(RULES)


def test_the_sentence_carries_counts_and_the_span():
    trust = screen(faulty_stack()).trust
    (row,) = trust.filter(
        (pl.col("test_id") == "wild") & (pl.col("rule_code") == "out_of_range")
    ).iter_rows(named=True)
    assert row["sentence"].startswith("2 of 900 readings: ")
    assert "(-40 to 90 degC)" in row["sentence"]


def test_rows_columns_and_trusted_values_stay_as_they_are():
    frame = faulty_stack()
    screened = screen(frame).samples
    assert screened.columns == frame.columns
    assert screened.schema == frame.schema
    assert screened.select("test_id", "time_s").equals(frame.select("test_id", "time_s"))
    for name in frame.columns:
        kept = screened[name].is_not_null()
        assert screened[name].filter(kept).equals(frame[name].filter(kept))
    clean = pl.col("test_id") == "clean"
    assert screened.filter(clean).equals(frame.filter(clean))


def test_row_order_does_not_matter():
    frame = faulty_stack()
    straight = screen(frame)
    shuffled_frame = frame.sample(fraction=1, shuffle=True, seed=5)
    shuffled = screen(shuffled_frame)
    assert shuffled.trust.equals(straight.trust)
    assert shuffled.samples.select("test_id", "time_s").equals(
        shuffled_frame.select("test_id", "time_s")
    )
    # test order in the stack is the order of the ids here
    order = ["test_id", "time_s"]
    assert shuffled.samples.sort(order).equals(straight.samples.sort(order))


def test_a_test_is_judged_alike_alone_and_in_company():
    frame = faulty_stack()
    together = screen(frame)
    for (test_id,), alone in frame.group_by("test_id"):
        assert screen(alone).trust.equals(together.trust.filter(pl.col("test_id") == test_id))


def test_screening_twice_changes_nothing_more():
    once = screen(faulty_stack())
    twice = screen(once.samples)
    assert twice.samples.equals(once.samples)


def test_null_in_null_out():
    frame = clean_test(9).with_columns(pl.lit(None, dtype=pl.Float64).alias("low_side_kpa"))
    screened = screen(frame)
    assert screened.trust.height == 0
    assert screened.samples.equals(frame)


@pytest.mark.parametrize("rows", [0, 1, 2, 3])
def test_short_frames(rows):
    frame = clean_test(9).head(rows)
    assert screen(frame).samples.equals(frame)
    empty = SAMPLES.empty()
    assert screen(empty).samples.equals(empty)


def test_unknown_columns_pass_through():
    frame = clean_test(9).with_columns(pl.lit("x").alias("remark"))
    assert screen(frame).samples["remark"].unique().to_list() == ["x"]


def test_every_flag_is_a_truth_value_for_every_row():
    flags = distrust_flags(faulty_stack())
    assert flags.height == 4 * ROWS
    assert set(flags.dtypes) == {pl.Boolean}
    assert flags.null_count().sum_horizontal().item() == 0
    for name in flags.columns:
        channel, code = name.split("__")
        assert channel in CHANNEL or channel == "time_s"
        assert code in RULES
