"""Times that no single test has: second recordings, set clocks, wrong units, no calendar."""

from __future__ import annotations

import pytest
from log_writing import door, notice_codes, read_one, refusal_codes, request, values, write

from pipeline.readers import read_logs

HEADER = "Time [s],Ambient [degC]\n"


def rows(times):
    return "".join(f"{time},2{n % 10}.5\n" for n, time in enumerate(times))


def test_two_recordings_in_one_file_are_refused_not_averaged(tmp_path):
    # put in order of time, each instant would hold a row of either recording
    text = HEADER + rows(range(200)) + rows(range(200))
    batch = read_one(write(tmp_path, "a.csv", text))
    assert refusal_codes(batch) == [(None, "time_goes_back")]
    assert batch.refusals["place"][0] == "row of data 201"
    assert "once, by up to 199 s" in batch.refusals["sentence"][0]
    assert batch.samples.is_empty()


@pytest.mark.parametrize(
    ("header", "times", "zone"),
    [
        # the clock is set back by a minute
        ("Clock", [f"09:0{n // 60}:{n % 60:02}" for n in (*range(100), *range(40, 140))], "UTC"),
        # 02:59:50 to 02:00:09 local time on the night when Berlin's clocks go back an hour
        (
            "Timestamp",
            [f"2026-10-25 02:59:{n:02}" for n in range(50, 60)]
            + [f"2026-10-25 02:00:{n:02}" for n in range(10)],
            "Europe/Berlin",
        ),
    ],
)
def test_a_clock_set_back_during_the_test_refuses_the_log(tmp_path, header, times, zone):
    log = write(tmp_path, "a.csv", f"{header},Ambient [degC]\n" + rows(times))
    assert refusal_codes(read_one(log, with_door=door(time_zone=zone))) == [
        (None, "time_goes_back")
    ]


@pytest.mark.parametrize(
    "times",
    [
        list(range(200))[::-1],  # newest first
        [(n * 77) % 200 for n in range(200)],  # no order at all
        [n + (4 if n % 3 == 0 else 0) for n in range(200)],  # channels that report out of turn
    ],
)
def test_rows_out_of_order_are_no_second_recording(tmp_path, times):
    batch = read_one(write(tmp_path, "a.csv", HEADER + rows(times)))
    assert batch.refusals.is_empty()
    # time counts from the first row of the file
    assert values(batch, "time_s") == [time - times[0] for time in times]


@pytest.mark.parametrize(
    ("header", "times"),
    [
        ("Time", [1000 * n for n in range(30)]),  # milliseconds
        # days since 1899-12-30 as spreadsheets count them, one second apart
        ("Timestamp", [f"{46153.39600 + n / 86400:.8f}" for n in range(30)]),
        ("Time [s]", [1000 * n for n in range(30)]),
        ("Time [min]", [n * 60 for n in range(30)]),
    ],
)
def test_samples_too_far_apart_or_too_close_have_a_doubtful_unit(tmp_path, header, times):
    batch = read_one(write(tmp_path, "a.csv", f"{header},Ambient [degC]\n" + rows(times)))
    assert refusal_codes(batch) == [(None, "time_unit_doubtful")]
    assert "apart" in batch.refusals["sentence"][0]


@pytest.mark.parametrize(
    ("header", "step"), [("Time", 1), ("Time", 0.1), ("Time [s]", 60), ("Time [s]", 0.001)]
)
def test_ordinary_sampling_intervals_are_not_doubtful(tmp_path, header, step):
    text = f"{header},Ambient [degC]\n" + rows([n * step for n in range(30)])
    assert read_one(write(tmp_path, "a.csv", text)).refusals.is_empty()


@pytest.mark.parametrize(
    "time",
    [
        "0001-01-01T00:00:00",
        "0001-01-01T00:00:00+02:00",
        "0000-01-01T00:00:00",
        "9999-12-31T23:59:59-05:00",
    ],
)
def test_a_time_that_no_calendar_holds_costs_only_its_log(tmp_path, time):
    broken = write(tmp_path, "a.csv", f"Timestamp,Ambient [degC]\n{time},20\n{time},21\n")
    sound = write(tmp_path, "b.csv", "Timestamp,Ambient [degC]\n2026-05-11T09:30:12,20\n")
    batch = read_logs([request(broken), request(sound)], door())
    assert refusal_codes(batch) == [(None, "time_unreadable")]
    assert batch.readings["outcome_code"].to_list() == ["refused", "read"]


@pytest.mark.parametrize("cell", ["1e300", "-1e300", "1e999"])
def test_a_single_absurd_time_costs_only_its_row(tmp_path, cell):
    text = HEADER + rows(range(200)) + f"{cell},20.5\n" + rows(range(201, 300))
    batch = read_one(write(tmp_path, "a.csv", text))
    assert batch.readings["n_rows"][0] == 299
    assert notice_codes(batch) == [("Time [s]", "rows_without_time")]
    assert max(values(batch, "time_s")) == 299.0
