"""The time column: seconds, clocks past midnight, timestamps with zones, epochs."""

from __future__ import annotations

import datetime as dt

import pytest
from log_writing import door, read_one, refusal_codes, request, values, write

from pipeline.readers import read_logs


def log_with(tmp_path, header, *times):
    rows = "".join(f"{time};2{n},5\n" for n, time in enumerate(times))
    return write(tmp_path, "a.csv", f"{header};Ambient [degC]\n{rows}")


@pytest.mark.parametrize(
    ("header", "times", "expected"),
    [
        ("Time [s]", ("0", "1", "2,5"), [0.0, 1.0, 2.5]),
        ("Time [s]", ("100", "101", "103"), [0.0, 1.0, 3.0]),
        ("Time [min]", ("0", "0,5", "1"), [0.0, 30.0, 60.0]),
        ("Time [ms]", ("0", "500", "1500"), [0.0, 0.5, 1.5]),
        ("Time", ("0", "1", "2"), [0.0, 1.0, 2.0]),
        ("Clock", ("09:30:12", "09:30:13", "09:31:12"), [0.0, 1.0, 60.0]),
        ("Clock", ("9:30:12", "9:30:13", "10:30:12"), [0.0, 1.0, 3600.0]),
        # midnight: 23:59:59 to 00:00:01 are two seconds
        ("Clock", ("23:59:59", "00:00:01", "00:01:59"), [0.0, 2.0, 120.0]),
        ("Clock", ("09:30:12,25", "09:30:12,75", "09:30:13,25"), [0.0, 0.5, 1.0]),
        ("Clock", ("11:59:59 AM", "12:00:00 PM", "01:00:00 PM"), [0.0, 1.0, 3601.0]),
        ("Clock", ("11:59:59 PM", "12:00:00 AM", "12:00:01 AM"), [0.0, 1.0, 2.0]),
        ("Timestamp", ("2026-05-11T09:30:12Z", "2026-05-11T09:30:13Z"), [0.0, 1.0]),
        # 09:30:12 at +02:00 is 07:30:12 UTC, one second before 07:30:13 UTC
        ("Timestamp", ("2026-05-11T09:30:12+02:00", "2026-05-11T07:30:13+00:00"), [0.0, 1.0]),
        ("Timestamp", ("2026-05-11 23:59:59", "2026-05-12 00:00:01"), [0.0, 2.0]),
        ("Timestamp", ("2026-05-11 09:30", "2026-05-11 09:31"), [0.0, 60.0]),
        ("Epoch", ("1778491812", "1778491813,5"), [0.0, 1.5]),
        ("Epoch", ("1778491812000", "1778491812250"), [0.0, 0.25]),
    ],
)
def test_time_becomes_seconds_from_the_first_sample(tmp_path, header, times, expected):
    batch = read_one(log_with(tmp_path, header, *times))
    assert batch.refusals.rows() == []
    assert values(batch, "time_s") == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("time", "zone", "expected"),
    [
        ("2026-05-11T09:30:12+02:00", "UTC", (7, 30, 12)),
        ("2026-05-11T09:30:12Z", "Europe/Athens", (9, 30, 12)),
        # Athens keeps UTC+3 in May
        ("2026-05-11 09:30:12", "Europe/Athens", (6, 30, 12)),
    ],
)
def test_the_first_instant_is_told_in_utc(tmp_path, time, zone, expected):
    batch = read_one(log_with(tmp_path, "Timestamp", time), with_door=door(time_zone=zone))
    assert batch.readings["first_time"][0] == dt.datetime(2026, 5, 11, *expected, tzinfo=dt.UTC)


def test_an_epoch_tells_the_first_instant(tmp_path):
    # 2026-05-11T09:30:12Z is 1778491812 s after 1970 (GNU date -u -d @1778491812)
    batch = read_one(log_with(tmp_path, "Epoch", "1778491812", "1778491813"))
    assert batch.readings["first_time"][0] == dt.datetime(2026, 5, 11, 9, 30, 12, tzinfo=dt.UTC)


def test_seconds_tell_no_instant(tmp_path):
    assert read_one(log_with(tmp_path, "Time [s]", "0", "1")).readings["first_time"][0] is None


def test_midnight_is_unwrapped_per_log(tmp_path):
    text = "Clock;Ambient [degC]\n{};20,5\n{};20,5\n"
    before = write(tmp_path, "a.csv", text.format("23:59:50", "00:00:10"))
    after = write(tmp_path, "b.csv", text.format("09:00:00", "09:00:20"))
    batch = read_logs([request(before), request(after), request(before)], door())
    assert values(batch, "time_s") == [0.0, 20.0, 0.0, 20.0, 0.0, 20.0]


@pytest.mark.parametrize(
    ("time", "code"),
    [
        ("11/05/2026 09:30:12", "date_ambiguous"),
        ("11.05.2026 09:30", "date_ambiguous"),
        ("noon", "time_unreadable"),
    ],
)
def test_a_date_that_may_be_mistaken_needs_a_profile(tmp_path, time, code):
    batch = read_one(log_with(tmp_path, "Timestamp", time))
    assert refusal_codes(batch) == [(None, code)]
    assert "profile" in batch.refusals["hint"][0]


def test_a_unit_of_time_that_is_unknown_refuses_the_log(tmp_path):
    assert refusal_codes(read_one(log_with(tmp_path, "Time [jiffies]", "0", "1"))) == [
        (None, "time_unit_unknown")
    ]


def test_two_time_columns_are_refused(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Elapsed [s],Ambient [degC]\n0,0,20\n")
    batch = read_one(log)
    assert refusal_codes(batch) == [(None, "two_time_columns")]


def test_order_of_rows_is_kept_even_when_time_goes_back(tmp_path):
    batch = read_one(log_with(tmp_path, "Time [s]", "0", "2", "1"))
    assert values(batch, "time_s") == [0.0, 2.0, 1.0]
    assert values(batch, "ambient_air_c") == [20.5, 21.5, 22.5]
