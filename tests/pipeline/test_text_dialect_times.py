"""How text logs write the time: epochs, dates, clocks; what is read, what is refused."""

from __future__ import annotations

import datetime as dt

import pytest
from log_writing import door, notice_codes, read_one, refusal_codes, values, write

from pipeline.profiles import Profile, shipped_profiles


def log_with(folder, header, times, mark=";"):
    rows = "".join(f"{time}{mark}2{n % 10}.5\n" for n, time in enumerate(times))
    return write(folder, "a.csv", f"{header}{mark}Ambient [degC]\n{rows}")


def with_time(**time):
    own = Profile.model_validate(
        {"name": "own", "recognise": {"columns": ["Timestamp"]}, "time": time}
    )
    return door(profiles=(own, *shipped_profiles()))


# 2026-05-25T09:30:12Z is 1779701412 s after 1970 (GNU date -u -d @1779701412)
@pytest.mark.parametrize(
    ("header", "times", "expected"),
    [
        ("Epoch", ("1779701412", "1779701413"), [0, 1]),
        ("Epoch", ("1779701412000", "1779701412500"), [0, 0.5]),
        ("Epoch", ("1779701412000000", "1779701412500000"), [0, 0.5]),
        ("Epoch", ("1.779701412E+09", "1.779701413E+09"), [0, 1]),
        ("Epoch", ("1.779701412000E+12", "1.779701412500E+12"), [0, 0.5]),
        ("Timestamp", ("2026-05-25T09:30:12Z", "2026-05-25T09:30:13.5Z"), [0, 1.5]),
        ("Timestamp", ("2026-05-25T11:30:12+02:00", "2026-05-25T11:30:13+0200"), [0, 1]),
        ("Timestamp", ("2026-05-25 11:30:12 +02", "2026-05-25 11:30:13 +02"), [0, 1]),
        ("Timestamp", ("20260525T093012Z", "20260525T093013Z"), [0, 1]),
        # the year first leaves only one order
        ("Timestamp", ("2026/05/25 09:30:12", "2026/05/25 09:30:13"), [0, 1]),
        ("Timestamp", ("2026.05.25 09:30:12", "2026.05.25 09:30:13"), [0, 1]),
        # there is no month 25
        ("Timestamp", ("25/05/2026 09:30:12", "25/05/2026 09:30:13"), [0, 1]),
        ("Timestamp", ("25.05.2026 09:30:12,5", "25.05.2026 09:30:13,5"), [0.5, 1.5]),
        ("Timestamp", ("5/25/2026 9:30:12 AM", "5/25/2026 9:30:13 AM"), [0, 1]),
        ("Timestamp", ("25-May-2026 09:30:12", "25-May-2026 09:30:13"), [0, 1]),
    ],
)
def test_instants(tmp_path, header, times, expected):
    batch = read_one(log_with(tmp_path, header, times))
    assert batch.refusals.rows() == []
    started = dt.datetime(2026, 5, 25, 9, 30, 12, tzinfo=dt.UTC)
    offset_s = (batch.readings["first_time"][0] - started).total_seconds()
    assert [time + offset_s for time in values(batch, "time_s")] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("header", "times", "expected"),
    [
        ("Clock", ("23:59:59", "00:00:00", "00:00:01"), [0, 1, 2]),
        # newest first
        ("Clock", ("00:00:01", "00:00:00", "23:59:59"), [0, -1, -2]),
        # one row reports late at midnight
        ("Clock", ("23:59:58", "00:00:00", "23:59:59", "00:00:01"), [0, 2, 1, 3]),
    ],
)
def test_clocks_at_midnight(tmp_path, header, times, expected):
    assert values(read_one(log_with(tmp_path, header, times)), "time_s") == expected


def test_a_clock_of_a_long_file_passes_midnight(tmp_path):
    rows = "".join(
        f"{clock};{name};{value}\n"
        for value, clock in enumerate(("23:59:58", "23:59:59", "00:00:00", "00:00:01"))
        for name in ("ambient_air_c", "intake_air_c")
    )
    batch = read_one(write(tmp_path, "a.csv", "Clock;channel;value\n" + rows))
    assert values(batch, "time_s") == [0, 1, 2, 3]
    assert values(batch, "ambient_air_c") == values(batch, "intake_air_c") == [0, 1, 2, 3]


@pytest.mark.parametrize(
    "time", ["11/05/2026 09:30:12", "11.05.2026 09:30", "05-11-2026 09:30:12", "11/05/26 09:30:12"]
)
def test_a_date_with_two_meanings_is_refused_and_a_profile_settles_it(tmp_path, time):
    log = log_with(tmp_path, "Timestamp", (time,))
    batch = read_one(log)
    assert refusal_codes(batch) == [(None, "date_ambiguous")]
    assert "pattern" in batch.refusals["hint"][0]
    mark = time[2]
    seconds = ":%S" if time.count(":") == 2 else ""
    year = "%Y" if "2026" in time else "%y"
    pattern = f"%d{mark}%m{mark}{year} %H:%M{seconds}"
    read = read_one(log, with_door=with_time(format="timestamp", pattern=pattern))
    assert read.readings["first_time"][0].month == (11 if time.startswith("05") else 5)


@pytest.mark.parametrize(
    "times",
    [
        # a spreadsheet that keeps five digits: steps of 100,000 s
        ["1.7797E+09"] * 30,
        # eight digits of milliseconds: steps of 100 s
        [f"{(1779701412 + second) * 1000:.7E}" for second in range(900)],
    ],
)
def test_an_epoch_that_lost_its_seconds_is_refused(tmp_path, times):
    batch = read_one(log_with(tmp_path, "Epoch", times))
    assert refusal_codes(batch) == [(None, "time_rounded")]
    assert "spreadsheet" in batch.refusals["hint"][0]


def test_an_epoch_that_lost_its_seconds_beside_decimal_commas(tmp_path):
    rows = "".join(f"1,7797E+09;2{n % 10},5\n" for n in range(30))
    batch = read_one(write(tmp_path, "a.csv", "Epoch;Ambient [degC]\n" + rows))
    assert refusal_codes(batch) == [(None, "time_rounded")]


def test_elapsed_time_that_loses_digits_on_the_way_is_refused(tmp_path):
    # three digits: seconds up to 999, then steps of 10 s
    times = [f"{second:.2E}" for second in range(3000)]
    batch = read_one(log_with(tmp_path, "Time [s]", times))
    assert refusal_codes(batch) == [(None, "time_rounded")]


def test_a_clock_that_stands_still_is_refused(tmp_path):
    batch = read_one(log_with(tmp_path, "Time [s]", ["7"] * 30))
    assert refusal_codes(batch) == [(None, "time_stands_still")]


def test_a_logger_that_starts_again_from_zero_is_refused(tmp_path):
    rows = "".join(f"{n};20.5\n" for n in range(100))
    text = "Time [s];Ambient [degC]\n" + rows
    batch = read_one(write(tmp_path, "a.csv", text + text))
    assert refusal_codes(batch) == [(None, "time_goes_back")]
    assert notice_codes(batch) == [(None, "names_repeated")]
