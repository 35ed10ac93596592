"""JSON lines logs, wide and long, whole and broken.

Units: NIST SP 811 (psi), exact definition of the Fahrenheit scale; the rest is counted by
hand from the lines written here.
"""

from __future__ import annotations

import gzip
import json

import pyarrow as pa
import pytest
from log_writing import (
    KPA_PER_PSI,
    SEA_LEVEL_KPA,
    door,
    notice_codes,
    read_one,
    refusal_codes,
    request,
    values,
    write,
)

from pipeline.profiles import Profile, shipped_profiles
from pipeline.readers import read_logs


def lines(*objects):
    return "".join(
        (one if isinstance(one, str) else json.dumps(one, ensure_ascii=False)) + "\n"
        for one in objects
    )


def wide(n, **first):
    rows = [{"time": float(t), "low_side_kpa": 300.0 + t} for t in range(n)]
    rows[0] |= first
    return rows


def test_wide_objects_become_samples(tmp_path):
    batch = read_one(write(tmp_path, "a.jsonl", lines(*wide(3))))
    assert batch.samples["time_s"].to_list() == [0.0, 1.0, 2.0]
    assert values(batch, "low_side_kpa") == [300.0, 301.0, 302.0]
    assert batch.readings["profile"].to_list() == ["self_describing_json"]


def test_units_in_the_key(tmp_path):
    rows = [{"Time [s]": t, "Low side [psig]": 30, "duct_degF": 41} for t in range(2)]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert values(batch, "low_side_kpa") == pytest.approx([30 * KPA_PER_PSI + SEA_LEVEL_KPA] * 2)
    assert values(batch, "duct_air_c") == pytest.approx([5.0, 5.0])


def test_units_beside_the_value(tmp_path):
    cell = {"value": 30, "unit": "psig"}
    rows = [{"time": {"value": t, "unit": "min"}, "low side": cell} for t in range(2)]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert batch.samples["time_s"].to_list() == [0.0, 60.0]
    assert values(batch, "low_side_kpa") == pytest.approx([30 * KPA_PER_PSI + SEA_LEVEL_KPA] * 2)


def test_a_unit_that_changes_in_mid_file_is_refused(tmp_path):
    rows = [{"time": t, "duct": {"value": 8, "unit": "degC"}} for t in range(3)]
    rows[2]["duct"] = {"value": 46.4, "unit": "degF"}
    rows = [row | {"ambient_air_c": 20} for row in rows]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert refusal_codes(batch) == [("duct", "two_columns_one_channel")] * 2
    assert "duct_air_c" not in batch.samples.columns


def test_a_pressure_without_reference_is_refused_not_guessed(tmp_path):
    rows = [row | {"high side": {"value": 12, "unit": "bar"}} for row in wide(3)]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert refusal_codes(batch) == [("high side", "unit_ambiguous")]
    assert values(batch, "low_side_kpa") == [300.0, 301.0, 302.0]


def test_missing_keys_and_nulls_are_not_known(tmp_path):
    rows = [
        {"time": 0, "low_side_kpa": 300, "duct_air_c": None},
        {"time": 1, "duct_air_c": 9.5},
        {"time": 2, "low_side_kpa": "OL", "duct_air_c": "9.25"},
        {"time": 3, "low_side_kpa": float("nan"), "duct_air_c": 9},
    ]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert values(batch, "low_side_kpa") == [300.0, None, None, None]
    assert values(batch, "duct_air_c") == [None, 9.5, 9.25, 9.0]
    assert batch.refusals.is_empty()


def test_long_objects_in_any_order(tmp_path):
    rows = [{"time": t, "channel": "low_side_kpa", "value": 300 + t} for t in range(3)]
    rows += [{"time": t + 0.5, "channel": "Duct", "value": 50, "unit": "degF"} for t in range(2)]
    rows += [{"time": 1, "channel": "compressor_on", "value": True}]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert batch.samples["time_s"].to_list() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert values(batch, "low_side_kpa") == [300.0, None, 301.0, None, 302.0]
    assert values(batch, "duct_air_c") == [
        None,
        pytest.approx(10.0),
        None,
        pytest.approx(10.0),
        None,
    ]
    assert values(batch, "compressor_on") == [None, None, 1.0, None, None]


def test_long_objects_with_the_unit_beside_the_value(tmp_path):
    rows = [
        {"time": t, "signal": "low side", "reading": {"value": 2.5, "unit": "bar gauge"}}
        for t in range(2)
    ]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert values(batch, "low_side_kpa") == pytest.approx([250 + SEA_LEVEL_KPA] * 2)


def test_of_a_channel_twice_at_one_time_the_first_counts(tmp_path):
    rows = [{"time": 0, "channel": "low_side_kpa", "value": v} for v in (300, 999)]
    rows += [{"time": 1, "channel": "low_side_kpa", "value": 301}]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert values(batch, "low_side_kpa") == [300.0, 301.0]


@pytest.mark.parametrize("broken", ['{"time": 5, "low_side_kpa": 30', "[1, 2]", "12", "x" * 9])
def test_a_broken_line_in_the_middle_is_counted_and_reported(tmp_path, broken):
    rows = wide(40)
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows[:20], broken, *rows[20:])))
    assert batch.samples.height == 40
    assert notice_codes(batch) == [(None, "broken_lines")]
    assert batch.notices["place"][0] == "first in line 21"
    assert batch.notices["sentence"][0].startswith("1 of 41 lines")


def test_a_key_that_is_there_twice_makes_its_line_broken(tmp_path):
    twice = '{"time": 9, "low_side_kpa": 300, "low_side_kpa": 900}'
    batch = read_one(write(tmp_path, "a.jsonl", lines(*wide(9), twice)))
    assert 900.0 not in values(batch, "low_side_kpa")
    assert notice_codes(batch) == [(None, "broken_lines")]


def test_a_last_line_without_its_end_is_left_out_and_told(tmp_path):
    batch = read_one(write(tmp_path, "a.jsonl", lines(*wide(9)) + '{"time": 9, "low_si'))
    assert batch.samples.height == 9
    assert notice_codes(batch) == [(None, "last_line_cut")]


def test_a_last_line_that_is_whole_needs_no_line_end(tmp_path):
    batch = read_one(write(tmp_path, "a.jsonl", lines(*wide(9)).rstrip("\n")))
    assert batch.samples.height == 9
    assert batch.notices.is_empty()


@pytest.mark.parametrize(
    "content",
    [
        "not json\n" * 30,
        "[" * 5000 + "\n",
        '[\n{"time": 0, "low_side_kpa": 1},\n{"time": 1, "low_side_kpa": 2}\n]\n',
        lines(*wide(50), *["{"] * 3),
    ],
)
def test_a_file_of_broken_lines_is_refused(tmp_path, content):
    batch = read_one(write(tmp_path, "a.jsonl", content))
    assert refusal_codes(batch) == [(None, "broken_lines")]
    assert batch.samples.is_empty()


def test_objects_without_a_time_are_refused_with_their_keys(tmp_path):
    batch = read_one(write(tmp_path, "a.jsonl", lines(*[{"low_side_kpa": 300}] * 5)))
    assert refusal_codes(batch) == [(None, "no_time_column")]
    assert "`low_side_kpa`" in batch.refusals["sentence"][0]


def test_a_header_object_above_the_data_is_no_sample(tmp_path):
    batch = read_one(write(tmp_path, "a.jsonl", lines({"vehicle": "CAR-1"}, *wide(3))))
    assert batch.samples.height == 3
    assert batch.notices.is_empty()


@pytest.mark.parametrize(
    ("value", "code"),
    [
        ({"a": 1}, "unreadable_cells"),
        ([1], "unreadable_cells"),
        (True, "unreadable_cells"),
        ("warm", "unreadable_cells"),
    ],
)
def test_a_value_that_is_no_number_is_refused_for_its_column(tmp_path, value, code):
    rows = [row | {"duct_air_c": value} for row in wide(3)]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert refusal_codes(batch) == [("duct_air_c", code)]


@pytest.mark.parametrize("ending", ["gz", "zst"])
def test_packed_files(tmp_path, ending):
    content = lines(*wide(3)).encode()
    packed = (
        gzip.compress(content)
        if ending == "gz"
        else pa.compress(content, codec="zstd", asbytes=True)
    )
    batch = read_one(write(tmp_path, f"a.jsonl.{ending}", packed))
    assert values(batch, "low_side_kpa") == [300.0, 301.0, 302.0]


def test_timestamps_give_the_instant_of_the_start(tmp_path):
    rows = [{"timestamp": f"2026-05-11T09:30:{s:02d}+02:00", "low_side_kpa": 300} for s in range(3)]
    batch = read_one(write(tmp_path, "a.jsonl", lines(*rows)))
    assert batch.readings["first_time"][0].isoformat() == "2026-05-11T07:30:00+00:00"


def test_a_profile_names_keys_as_for_any_other_file(tmp_path):
    profile = Profile.model_validate(
        {
            "name": "bay",
            "kind": "json",
            "recognise": {"columns": ["ts", "p1"]},
            "time": {"column": "ts", "format": "epoch_ms"},
            "channels": [{"column": "p1", "channel": "low_side_kpa", "unit": "bar gauge"}],
            "ignore": ["note"],
        }
    )
    rows = [{"ts": 1_778_491_812_000 + 500 * n, "p1": 2, "note": "x"} for n in range(2)]
    path = write(tmp_path, "a.jsonl", lines(*rows))
    batch = read_one(path, with_door=door(profiles=(profile, *shipped_profiles())))
    assert batch.readings["profile"].to_list() == ["bay"]
    assert batch.samples["time_s"].to_list() == [0.0, 0.5]
    assert values(batch, "low_side_kpa") == pytest.approx([200 + SEA_LEVEL_KPA] * 2)
    assert batch.notices.is_empty()


def test_too_many_keys_are_refused(tmp_path):
    row = {"time": 0} | {f"k{n}": n for n in range(6000)}
    batch = read_one(write(tmp_path, "a.jsonl", lines(row)))
    assert refusal_codes(batch) == [(None, "too_many_columns")]


def test_sparse_rows_of_many_keys_are_bounded(tmp_path):
    rows = [{"time": 0} | {f"k{n}": n for n in range(4000)}, *({"time": n} for n in range(1, 400))]
    batch = read_one(
        write(tmp_path, "a.jsonl", lines(*rows)), with_door=door(largest_bytes=1_000_000)
    )
    assert refusal_codes(batch) == [(None, "too_large")]


def test_half_letters_do_no_harm(tmp_path):
    text = '{"time": 0, "low_side_kpa": 300, "\\ud800": "\\ud800", "a": "\\udfff"}\n'
    batch = read_one(write(tmp_path, "a.jsonl", text))
    assert values(batch, "low_side_kpa") == [300.0]


def test_good_logs_beside_a_bad_one_are_read(tmp_path):
    paths = [
        write(tmp_path, "a.jsonl", lines(*wide(3))),
        write(tmp_path, "b.jsonl", "{{{\n"),
        write(tmp_path, "c.csv", "Time [s],low_side_kpa\n0,310\n1,311\n"),
        write(tmp_path, "d.jsonl", lines(*wide(2))),
    ]
    batch = read_logs([request(path) for path in paths], door())
    assert batch.readings["n_rows"].to_list() == [3, 0, 2, 2]
    assert batch.samples["test_id"].unique(maintain_order=True).to_list() == [
        "test-a.jsonl",
        "test-c.csv",
        "test-d.jsonl",
    ]
