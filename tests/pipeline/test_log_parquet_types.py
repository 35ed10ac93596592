"""Parquet columns whose type is no reading, and files that damage makes unreadable."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from log_writing import door, read_one, refusal_codes, request, values

from pipeline.readers import read_logs

SECONDS = [0.0, 1.0, 2.0]


def write_table(folder, **columns):
    path = folder / "a.parquet"
    pq.write_table(pa.table(columns), path)
    return path


def read_ambient(folder, cells):
    columns = {"Time [s]": SECONDS, "Ambient [degC]": cells, "Duct left [degC]": [8.0, 8.5, 9.0]}
    return read_one(write_table(folder, **columns))


@pytest.mark.parametrize(
    "cell",
    [
        True,
        dt.date(2026, 5, 11),
        dt.datetime(2026, 5, 11, 9, 30, tzinfo=dt.UTC),
        dt.time(9, 30),
        dt.timedelta(seconds=20),
        [20.5],
        {"value": 20.5},
    ],
)
def test_a_column_of_another_kind_is_refused_not_cast(tmp_path, cell):
    batch = read_ambient(tmp_path, [cell] * 3)
    assert refusal_codes(batch) == [("Ambient [degC]", "not_numbers")]
    assert batch.readings["channels"].to_list() == ["duct_left_c"]


@pytest.mark.parametrize(
    "cells",
    [
        pa.array(["20.5", "21.5", "22.5"]).dictionary_encode(),
        pa.array([20.5, 21.5, 22.5]).dictionary_encode(),
        pa.array([Decimal("20.50"), Decimal("21.50"), Decimal("22.50")], pa.decimal128(10, 2)),
        pa.array([20.5, 21.5, 22.5], pa.float32()),
        pa.array(["20.5", "21.5", "22.5"]),
    ],
)
def test_numbers_in_any_form_are_numbers(tmp_path, cells):
    assert values(read_ambient(tmp_path, cells), "ambient_air_c") == [20.5, 21.5, 22.5]


def test_a_switch_may_be_truth_values(tmp_path):
    columns = {"Time [s]": SECONDS, "compressor_on": [True, False, True]}
    assert values(read_one(write_table(tmp_path, **columns)), "compressor_on") == [1.0, 0.0, 1.0]


@pytest.mark.parametrize("cell", [True, [1.0], dt.date(2026, 5, 11)])
def test_a_time_column_of_another_kind_refuses_the_log(tmp_path, cell):
    batch = read_one(write_table(tmp_path, **{"Time": [cell] * 3, "Ambient [degC]": SECONDS}))
    assert refusal_codes(batch) == [(None, "time_unreadable")]


@pytest.mark.parametrize("unit", ["ms", "us"])
def test_instants_that_no_calendar_holds_refuse_the_log(tmp_path, unit):
    times = pa.array([2**62] * 3, pa.timestamp(unit))
    batch = read_one(write_table(tmp_path, **{"Timestamp": times, "Ambient [degC]": SECONDS}))
    assert batch.readings["outcome_code"].to_list() == ["refused"]


def test_a_long_file_with_nested_values_is_refused(tmp_path):
    columns = {"timestamp": SECONDS, "channel": ["low_side_kpa"] * 3, "value": [[1.0]] * 3}
    assert refusal_codes(read_one(write_table(tmp_path, **columns))) == [(None, "not_numbers")]


def test_damage_anywhere_in_a_file_costs_only_that_file(tmp_path):
    sound = tmp_path / "sound.parquet"
    table = pa.table({"Time [s]": [float(n) for n in range(300)], "Ambient [degC]": [20.0] * 300})
    pq.write_table(table, sound)
    content = sound.read_bytes()
    # the footer is the last part; in it the reader meets lengths, offsets and counts
    places = [*range(4, len(content), 29), *range(len(content) - 120, len(content))]
    for place in places:
        damaged = bytearray(content)
        damaged[place] ^= 0xFF
        (tmp_path / "damaged.parquet").write_bytes(damaged)
        batch = read_logs([request(tmp_path / "damaged.parquet"), request(sound)], door())
        assert batch.readings["outcome_code"][1] == "read"
        (tmp_path / "damaged.parquet").write_bytes(content[:place])
        batch = read_logs([request(tmp_path / "damaged.parquet"), request(sound)], door())
        assert batch.readings["outcome_code"].to_list() == ["refused", "read"]
