"""What a text log says in two ways: refused with a code, a place and the key that settles it."""

from __future__ import annotations

import pytest
from log_writing import door, notice_codes, read_one, refusal_codes, values, write

from pipeline.profiles import Profile, shipped_profiles


def log(folder, *lines):
    return write(folder, "a.csv", "\n".join(lines) + "\n")


def with_profile(**parts):
    own = Profile.model_validate({"name": "own", "recognise": {"columns": ["Time [s]"]}, **parts})
    return door(profiles=(own, *shipped_profiles()))


HEADER = "Time [s],Low side [kPa abs],Ambient [degC]"
ROWS = [f"{n},{200 + n % 7},20.5" for n in range(200)]


def test_a_change_of_unit_refuses_that_column_only(tmp_path):
    rows = [f"{n};{'210kPa' if n < 20 else '30psi'};20.5" for n in range(40)]
    batch = read_one(log(tmp_path, "Time [s];Low side [kPa abs];Ambient [degC]", *rows))
    assert refusal_codes(batch) == [("Low side [kPa abs]", "unit_changes")]
    assert "line 22" in batch.refusals["place"][0]
    assert values(batch, "ambient_air_c") == [20.5] * 40


def test_a_number_without_the_unit_of_its_column_is_no_reading_of_that_unit(tmp_path):
    rows = [f"{n};{21 + n % 5} °C" for n in range(299)] + ["299;70"]
    batch = read_one(log(tmp_path, "Time [s];Ambient", *rows))
    assert notice_codes(batch) == [("Ambient", "few_unreadable_cells")]
    assert values(batch, "ambient_air_c")[-1] is None
    # where the header states the unit, a bare number is in that unit
    batch = read_one(log(tmp_path, "Time [s];Ambient [°C]", *rows))
    assert values(batch, "ambient_air_c")[-1] == 70.0


def test_a_glued_unit_that_contradicts_the_header_is_refused(tmp_path):
    rows = [f"{n};21.5 °C;210kPa abs" for n in range(9)]
    batch = read_one(log(tmp_path, "Time [s];Ambient [degF];Low side", *rows))
    assert refusal_codes(batch) == [("Ambient [degF]", "unit_contradiction")]


def test_a_glued_pressure_without_reference_is_ambiguous(tmp_path):
    rows = [f"{n};210kPa;20.5" for n in range(9)]
    path = log(tmp_path, "Time [s];Low side;Ambient [degC]", *rows)
    assert refusal_codes(read_one(path)) == [("Low side", "unit_ambiguous")]
    settled = with_profile(default_units={"pressure": "kPa absolute"})
    assert values(read_one(path, with_door=settled), "low_side_kpa") == [210.0] * 9


@pytest.mark.parametrize(
    ("header", "cell", "mark", "expected"),
    [
        ("Time [s];Engine speed [rpm];Ambient [degC]", "1.234;20,5", ".", 1234.0),
        ("Time [s];Engine speed [rpm];Ambient [degC]", "1,500;20.5", ",", 1500.0),
        ("Time [s],Engine speed [rpm],Ambient [degC]", '"1,500",20.5', ",", 1500.0),
        ("Time [s]\tEngine speed [rpm]\tAmbient [degC]", "1,500\t20", ",", 1500.0),
    ],
)  # fmt: skip
def test_a_mark_before_three_digits_is_settled_by_the_profile(
    tmp_path, header, cell, mark, expected
):
    delimiter = header[8]
    path = log(tmp_path, header, *(f"{n}{delimiter}{cell}" for n in range(30)))
    batch = read_one(path)
    assert refusal_codes(batch) == [("Engine speed [rpm]", "number_ambiguous")]
    assert "thousands_mark" in batch.refusals["hint"][0]
    settled = with_profile(text={"thousands_mark": mark})
    assert values(read_one(path, with_door=settled), "engine_rpm") == [expected] * 30


def test_decimal_commas_between_commas_without_quotes_are_refused(tmp_path):
    # every row falls apart in the same way: 40,0 and 30,5 look like four columns
    batch = read_one(log(tmp_path, HEADER, *(f"{n},40,{n % 10},30,5" for n in range(50))))
    assert refusal_codes(batch) == [(None, "ragged_rows")]
    assert "decimal comma" in batch.refusals["hint"][0]


@pytest.mark.parametrize("short", ["100,20.5", "100", "100,"])
def test_a_short_row_in_mid_file_is_left_out_and_counted(tmp_path, short):
    rows = [*ROWS[:100], short, *ROWS[101:]]
    batch = read_one(log(tmp_path, HEADER, *rows))
    assert batch.refusals.is_empty()
    assert notice_codes(batch) == [(None, "rows_too_short")]
    # the names and 100 rows stand above it
    assert "1 of 200 rows" in batch.notices["sentence"][0]
    assert "line 102" in batch.notices["place"][0]
    assert values(batch, "ambient_air_c") == [20.5] * 199


def test_short_rows_are_seen_where_the_last_column_is_not_used(tmp_path):
    rows = [f"{n},{200 + n % 7},20.5,x" for n in range(200)]
    rows[50] = "50,20.5,x"
    batch = read_one(log(tmp_path, HEADER + ",Note", *rows))
    assert notice_codes(batch) == [(None, "rows_too_short"), ("Note", "unused_column")]
    assert values(batch, "low_side_kpa") == [200 + n % 7 for n in range(200) if n != 50]


def test_many_short_rows_are_settled_by_the_profile(tmp_path):
    rows = [f"{n},{200 + n % 7}" + (",20.5" if n % 5 == 0 else "") for n in range(100)]
    path = log(tmp_path, HEADER, *rows)
    batch = read_one(path)
    assert refusal_codes(batch) == [(None, "ragged_rows")]
    assert "short_rows" in batch.refusals["hint"][0]
    filled = read_one(path, with_door=with_profile(text={"short_rows": "fill"}))
    assert filled.refusals.is_empty()
    assert values(filled, "ambient_air_c") == [20.5 if n % 5 == 0 else None for n in range(100)]
    assert values(filled, "low_side_kpa") == [200 + n % 7 for n in range(100)]


def test_long_rows_are_left_out_and_counted(tmp_path):
    rows = [*ROWS[:100], "100,203,20.5,9", *ROWS[101:]]
    batch = read_one(log(tmp_path, HEADER, *rows))
    assert notice_codes(batch) == [(None, "rows_too_long")]
    assert "line 102" in batch.notices["place"][0]
    assert batch.readings["n_rows"][0] == 199


def test_two_columns_of_one_name_are_told_apart_by_number(tmp_path):
    path = log(tmp_path, "Time [s],Temp [degC],Temp [degC]", "0,20,30", "1,21,31")
    assert refusal_codes(read_one(path)) == [(None, "no_header")]
    own = with_profile(
        channels=[
            {"column": "Temp [degC]", "channel": "ambient_air_c"},
            {"column": "Temp [degC] #2", "channel": "intake_air_c"},
        ]
    )
    batch = read_one(path, with_door=own)
    assert values(batch, "ambient_air_c") == [20.0, 21.0]
    assert values(batch, "intake_air_c") == [30.0, 31.0]


def test_two_columns_of_one_name_and_channel_are_refused_with_the_way_out(tmp_path):
    path = log(tmp_path, "Time [s],Ambient [degC],Ambient [degC],Intake [degC]", "0,20,30,1")
    batch = read_one(path)
    assert refusal_codes(batch) == [("Ambient [degC]", "two_columns_one_channel")] * 2
    assert "#2" in batch.refusals["hint"][0]
    one = with_profile(ignore=["Ambient [degC] #2"])
    assert values(read_one(path, with_door=one), "ambient_air_c") == [20.0]


def test_a_number_that_means_no_reading_is_stated_in_the_profile(tmp_path):
    path = log(tmp_path, "Time [s],Ambient [degC]", "0,20.5", "1,-999.9", "2,21.5")
    own = with_profile(text={"no_reading": ["-999.9"]})
    assert values(read_one(path, with_door=own), "ambient_air_c") == [20.5, None, 21.5]


def test_a_declared_comment_mark(tmp_path):
    path = log(tmp_path, "Time [s],Ambient [degC]", "0,20.5", "!1,90", "2,21.5")
    own = with_profile(text={"comment_mark": "!"})
    assert values(read_one(path, with_door=own), "ambient_air_c") == [20.5, 21.5]


def test_zeros_inside_a_number_are_no_digits(tmp_path):
    text = HEADER + "\n" + "\n".join(ROWS) + "\n"
    batch = read_one(
        write(tmp_path, "a.csv", text.replace("\n100,202,", "\n100,2\x0002,").encode())
    )
    assert notice_codes(batch) == [("Low side [kPa abs]", "few_unreadable_cells")]
    assert values(batch, "low_side_kpa")[100] is None


def test_summary_lines_in_mid_file_are_no_closing_lines(tmp_path):
    rows = [*ROWS[:100], "Min,200,20.5", *ROWS[101:]]
    batch = read_one(log(tmp_path, HEADER, *rows))
    assert notice_codes(batch) == [("Time [s]", "rows_without_time")]


def test_a_file_that_is_mostly_closing_lines_is_refused(tmp_path):
    batch = read_one(log(tmp_path, HEADER, *ROWS[:3], *(f"Note {n},1,2" for n in range(20))))
    assert refusal_codes(batch) == [(None, "time_unreadable")]
