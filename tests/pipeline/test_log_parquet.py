"""Parquet logs, wide and long, and long CSV."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from log_writing import (
    KPA_PER_PSI,
    door,
    notice_codes,
    read_one,
    refusal_codes,
    request,
    values,
    write,
)

from pipeline.readers import read_logs

START = dt.datetime(2026, 5, 11, 9, 30, 12, tzinfo=dt.UTC)


def parquet(folder, name, columns):
    path = folder / name
    pl.DataFrame(columns).write_parquet(path)
    return path


def instants(n):
    return [START + dt.timedelta(seconds=second) for second in range(n)]


@pytest.mark.parametrize(
    "stamps",
    [
        instants(2),
        [moment.isoformat() for moment in instants(2)],
        [moment.strftime("%Y-%m-%d %H:%M:%S") for moment in instants(2)],
        [moment.replace(tzinfo=None) for moment in instants(2)],
    ],
)
def test_long_parquet_with_any_timestamp(tmp_path, stamps):
    path = parquet(
        tmp_path,
        "a.parquet",
        {
            "timestamp": [stamps[0], stamps[0], stamps[1], stamps[1]],
            "channel": ["low_side_kpa_abs", "ambient_air_degC"] * 2,
            "value": [310.0, 30.5, 311.0, 30.6],
        },
    )
    batch = read_one(path)
    assert batch.refusals.is_empty()
    assert values(batch, "time_s") == [0.0, 1.0]
    assert values(batch, "low_side_kpa") == [310.0, 311.0]
    assert values(batch, "ambient_air_c") == [30.5, 30.6]
    assert batch.readings["first_time"][0] == START
    assert batch.readings["profile"][0] == "long_parquet"


def test_a_timestamp_without_zone_is_in_the_zone_of_the_workspace(tmp_path):
    local = [moment.replace(tzinfo=None) for moment in instants(2)]
    path = parquet(tmp_path, "a.parquet", {"timestamp": local, "ambient_air_c": [30.0, 31.0]})
    batch = read_one(path, with_door=door(time_zone="Europe/Athens"))
    # Athens keeps UTC+3 in May
    assert batch.readings["first_time"][0] == START - dt.timedelta(hours=3)


def test_long_logs_of_several_sample_rates_leave_gaps_empty(tmp_path):
    path = parquet(
        tmp_path,
        "a.parquet",
        {
            "timestamp": [instants(3)[n] for n in (0, 1, 2, 0, 2)],
            "channel": ["low_side_kpa_abs"] * 3 + ["ambient_air_degC"] * 2,
            "value": [310.0, 311.0, 312.0, 30.5, 30.7],
        },
    )
    batch = read_one(path)
    assert values(batch, "low_side_kpa") == [310.0, 311.0, 312.0]
    assert values(batch, "ambient_air_c") == [30.5, None, 30.7]


def test_of_two_values_for_one_time_and_channel_the_first_stays(tmp_path):
    path = parquet(
        tmp_path,
        "a.parquet",
        {
            "timestamp": [instants(2)[n] for n in (0, 0, 1, 1)],
            "channel": ["low_side_kpa_abs", "low_side_kpa_abs", "low_side_kpa_abs", "tyre_kpa"],
            "value": [310.0, 999.0, 311.0, 5.0],
        },
    )
    assert values(read_one(path), "low_side_kpa") == [310.0, 311.0]


def test_an_unused_label_adds_no_rows(tmp_path):
    path = parquet(
        tmp_path,
        "a.parquet",
        {
            "timestamp": instants(3),
            "channel": ["low_side_kpa_abs", "tyre_kpa", "low_side_kpa_abs"],
            "value": [310.0, 5.0, 311.0],
        },
    )
    assert values(read_one(path), "time_s") == [0.0, 2.0]


def test_long_labels_are_judged_one_by_one(tmp_path):
    labels = ["low_side_psi", "high_side_psig", "tyre_kpa", "ambient_air_degF", "compressor_on"]
    path = parquet(
        tmp_path,
        "a.parquet",
        {
            "timestamp": [START] * 5,
            "channel": labels,
            "value": [24.0, 200.0, 2.0, 86.0, 1.0],
        },
    )
    batch = read_one(path, barometric_kpa=100.0)
    assert refusal_codes(batch) == [("low_side_psi", "unit_ambiguous")]
    assert notice_codes(batch) == [("tyre_kpa", "unused_column")]
    assert values(batch, "high_side_kpa") == pytest.approx([200.0 * KPA_PER_PSI + 100.0])
    # 86 degF is (86 - 32) * 5 / 9 = 30 degC
    assert values(batch, "ambient_air_c") == pytest.approx([30.0])
    assert values(batch, "compressor_on") == [1.0]


def test_logs_of_different_labels_in_one_batch(tmp_path):
    one = {"timestamp": [START], "channel": ["low_side_kpa_abs"], "value": [310.0]}
    other = {"timestamp": [START], "channel": ["ambient_air_degC"], "value": [30.0]}
    paths = [parquet(tmp_path, "a.parquet", one), parquet(tmp_path, "b.parquet", other)]
    batch = read_logs([request(path) for path in paths], door())
    assert values(batch, "low_side_kpa") == [310.0, None]
    assert values(batch, "ambient_air_c") == [None, 30.0]
    assert batch.readings["channels"].to_list() == ["low_side_kpa", "ambient_air_c"]


def test_wide_parquet_of_numbers_texts_and_truth_values(tmp_path):
    path = parquet(
        tmp_path,
        "a.parquet",
        {
            "Time [s]": [0, 1],
            "Low side [psia]": [24, 25],
            "Ambient [degC]": ["30.5", "31.5"],
            "compressor_on": [True, False],
        },
    )
    batch = read_one(path)
    assert batch.refusals.is_empty()
    assert values(batch, "low_side_kpa") == pytest.approx([24 * KPA_PER_PSI, 25 * KPA_PER_PSI])
    assert values(batch, "ambient_air_c") == [30.5, 31.5]
    assert values(batch, "compressor_on") == [1.0, 0.0]
    assert batch.readings["profile"][0] == "self_describing_parquet"


def test_unreadable_text_in_a_parquet_column_refuses_that_column(tmp_path):
    columns = {
        "Time [s]": [0.0, 1.0],
        "Ambient [degC]": ["30.5", "warm"],
        "low_side_kpa": [310.0, 311.0],
    }
    sound = parquet(tmp_path, "a.parquet", {**columns, "Ambient [degC]": ["30.5", "31"]})
    broken = parquet(tmp_path, "b.parquet", columns)
    batch = read_logs([request(sound), request(broken)], door())
    assert batch.refusals.select("path", "column_name", "code").rows() == [
        ("b.parquet", "Ambient [degC]", "unreadable_cells")
    ]
    assert values(batch, "ambient_air_c") == [30.5, 31.0, None, None]


def test_undefined_and_infinite_numbers_become_unknown(tmp_path):
    path = parquet(
        tmp_path,
        "a.parquet",
        {"Time [s]": [0.0, 1.0, 2.0], "ambient_air_c": [30.0, float("nan"), float("inf")]},
    )
    assert values(read_one(path), "ambient_air_c") == [30.0, None, None]


def test_parquet_without_rows_or_time_is_refused(tmp_path):
    empty = pl.DataFrame(schema={"Time [s]": pl.Float64, "ambient_air_c": pl.Float64})
    empty.write_parquet(tmp_path / "a.parquet")
    assert refusal_codes(read_one(tmp_path / "a.parquet")) == [(None, "header_only")]
    timeless = parquet(tmp_path, "b.parquet", {"ambient_air_c": [1.0]})
    assert refusal_codes(read_one(timeless)) == [(None, "no_time_column")]


@pytest.mark.parametrize(
    "times", [["09:30:12", "09:30:13"], [dt.time(9, 30, 12), dt.time(9, 30, 13)]]
)
def test_clock_times_in_parquet(tmp_path, times):
    path = parquet(tmp_path, "a.parquet", {"Clock": times, "ambient_air_c": [1.0, 2.0]})
    assert values(read_one(path), "time_s") == [0.0, 1.0]


def test_long_csv_with_a_unit_column(tmp_path):
    text = (
        "Time [s];Channel;Value;Unit\n"
        "0;Low side;24,0;psia\n0;Ambient;86,0;degF\n1;Low side;25,0;psia\n1;Clutch;1;\n"
    )
    batch = read_one(write(tmp_path, "a.csv", text))
    assert batch.refusals.is_empty()
    assert values(batch, "low_side_kpa") == pytest.approx([24 * KPA_PER_PSI, 25 * KPA_PER_PSI])
    assert values(batch, "ambient_air_c") == [pytest.approx(30.0), None]
    assert values(batch, "compressor_on") == [None, 1.0]


def test_long_csv_with_units_in_the_labels(tmp_path):
    text = "Timestamp,Sensor,Value\n" + "".join(
        f"2026-05-11T09:30:{second:02}Z,{label},{value}\n"
        for second in range(3)
        for label, value in (("low_side_kpa_abs", 310 + second), ("Ambient [degC]", 30.5))
    )
    batch = read_one(write(tmp_path, "a.csv", text))
    assert values(batch, "time_s") == [0.0, 1.0, 2.0]
    assert values(batch, "low_side_kpa") == [310.0, 311.0, 312.0]
    assert batch.readings["first_time"][0] == dt.datetime(2026, 5, 11, 9, 30, tzinfo=dt.UTC)


def long_log(time_s, order):
    """Two channels over the same times, one after the other or row by row."""
    channels = {"low_side_kpa_abs": 300.0, "ambient_degC": 25.0}
    rows = [(t, name, value) for name, value in channels.items() for t in time_s]
    if order == "row by row":
        rows = [(t, name, value) for t in time_s for name, value in channels.items()]
    times, names, values = zip(*rows, strict=True)
    return {"Time [s]": list(times), "channel": list(names), "value": list(values)}


@pytest.mark.parametrize("order", ["row by row", "one after the other"])
def test_a_clock_put_back_in_a_long_log_is_seen_channel_by_channel(tmp_path, order):
    straight = [float(t) for t in range(120)]
    # set back by 40 s half way
    put_back = [t if t < 60 else t - 40.0 for t in straight]
    sound = read_one(parquet(tmp_path, "sound.parquet", long_log(straight, order)))
    assert sound.readings["outcome_code"].to_list() == ["read"]
    damaged = read_one(parquet(tmp_path, "back.parquet", long_log(put_back, order)))
    assert refusal_codes(damaged) == [(None, "time_goes_back")]
