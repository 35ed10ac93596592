"""Decimal marks, thousands marks, column names and lines that are hard to tell apart."""

from __future__ import annotations

import gzip

import pytest
from log_writing import notice_codes, read_one, refusal_codes, values, write


def log(folder, *lines):
    return write(folder, "a.csv", "\n".join(lines) + "\n")


def test_thousands_points_beside_decimal_commas_are_never_read_as_decimals(tmp_path):
    rows = [f"{n};1.234;20,5" for n in range(30)]
    batch = read_one(log(tmp_path, "Time [s];Engine speed [rpm];Ambient [degC]", *rows))
    # one thousand two hundred or one and a quarter: the column is refused, the other read
    assert refusal_codes(batch) == [("Engine speed [rpm]", "number_ambiguous")]
    assert values(batch, "ambient_air_c") == [20.5] * 30


def test_thousands_commas_beside_decimal_points_are_never_read_as_decimals(tmp_path):
    rows = [f"{n};1,500;20.5" for n in range(30)]
    batch = read_one(log(tmp_path, "Time [s];Engine speed [rpm];Ambient [degC]", *rows))
    assert refusal_codes(batch) == [("Engine speed [rpm]", "number_ambiguous")]
    assert values(batch, "ambient_air_c") == [20.5] * 30


def test_commas_before_three_digits_beside_tabs_are_not_guessed(tmp_path):
    rows = [f"{n}\t1,234" for n in range(30)]
    batch = read_one(log(tmp_path, "Time [s]\tEngine speed [rpm]", *rows))
    assert ("Engine speed [rpm]", "number_ambiguous") in refusal_codes(batch)


def test_three_decimals_are_decimals_where_semicolons_stand_between_columns(tmp_path):
    rows = [f"{n};1,234" for n in range(30)]
    batch = read_one(log(tmp_path, "Time [s];Low side [bar abs]", *rows))
    # 1.234 bar are 123.4 kPa
    assert values(batch, "low_side_kpa") == pytest.approx([123.4] * 30)


def test_a_decimal_comma_that_comes_late_is_seen(tmp_path):
    rows = [f"{n};20" for n in range(15)] + [f"{n};20,5" for n in range(15, 60)]
    batch = read_one(log(tmp_path, "Time [s];Ambient [degC]", *rows))
    assert batch.refusals.is_empty()
    assert values(batch, "ambient_air_c") == [20.0] * 15 + [20.5] * 45


def test_a_wide_log_with_a_very_long_header_line_is_read(tmp_path):
    names = ["Time [s]", "Ambient [degC]", *(f"Some other long name {n}" for n in range(900))]
    row = ",".join(["1"] * len(names))
    batch = read_one(log(tmp_path, ",".join(names), row, row))
    assert len(",".join(names)) > 16_384
    assert values(batch, "ambient_air_c") == [1.0, 1.0]
    # forty names one by one, the rest in one remark
    remarks = batch.notices["sentence"].to_list()
    assert len(remarks) == 41
    assert remarks[-1] == "This and 859 further columns match no channel and are not used."


@pytest.mark.parametrize(
    ("lines", "code"),
    [
        (["Time [s],Ambient [degC]" + ",x" * 6000, "0,1"], "too_many_columns"),
        (["x" * 2_000_000], "line_too_long"),
        (['Time [s],"Low side', '[psia]",Ambient [degC]', "0,40,20"], "header_broken"),
        (['Time [s],Ambient [degC],"Low', '[psia]"', "0,40,20"], "header_broken"),
    ],
)
def test_a_header_that_cannot_be_used_is_refused_in_words(tmp_path, lines, code):
    batch = read_one(log(tmp_path, *lines))
    assert refusal_codes(batch) == [(None, code)]
    assert len(batch.refusals["hint"][0]) > 10


@pytest.mark.parametrize("last", ["", "200,4"])
def test_zeros_at_the_end_of_a_file_are_a_cut_not_a_foreign_file(tmp_path, last):
    # what a file system leaves of a file that was being written when the power went
    text = "Time [s],Ambient [degC]\n" + "".join(f"{n},20.5\n" for n in range(200)) + last
    batch = read_one(write(tmp_path, "a.csv", text.encode() + b"\0" * 9000))
    assert values(batch, "ambient_air_c") == [20.5] * 200
    assert notice_codes(batch) == [(None, "last_line_cut")]


def test_a_packed_file_that_bursts_is_refused_before_it_is_unpacked(tmp_path):
    header = b"Time [s],Ambient [degC]\n"
    bomb = gzip.compress(header + b"0,20.5\n" * 15_000_000)
    batch = read_one(write(tmp_path, "a.csv.gz", bomb))
    # within the limit of size, but no log packs so well
    assert len(bomb) < 250_000
    assert refusal_codes(batch) == [(None, "packed_too_tightly")]
    frozen = gzip.compress(header + b"".join(b"%d,20.5\n" % n for n in range(20_000)))
    assert values(read_one(write(tmp_path, "b.csv.gz", frozen)), "ambient_air_c") == [20.5] * 20_000
