"""Logs that are cut, damaged, empty or foreign: what is saved, what is refused, in which words."""

from __future__ import annotations

import gzip

import polars as pl
import pyarrow as pa
import pytest
from log_writing import (
    door,
    notice_codes,
    read_one,
    refusal_codes,
    request,
    values,
    write,
)

from pipeline.readers import read_logs

HEADER = "Time [s],Low side [psia],Ambient [degC]\n"


def rows(n, start=0):
    return "".join(f"{second},{40.0 + second % 7:.1f},30.5\n" for second in range(start, n))


def zstd(content: bytes) -> bytes:
    return pa.Codec("zstd").compress(content, asbytes=True)


def test_unreadable_cells_are_counted_and_nulled_when_few(tmp_path):
    text = HEADER + rows(150) + "150,4x.0,30.5\n" + rows(200, 151)
    batch = read_one(write(tmp_path, "a.csv", text))
    assert batch.readings["n_rows"][0] == 200
    assert batch.refusals.is_empty()
    assert notice_codes(batch) == [("Low side [psia]", "few_unreadable_cells")]
    # one header line, so second 150 stands on line 152
    assert batch.notices["place"][0] == "column Low side [psia], first in line 152"
    assert batch.notices["sentence"][0].startswith("1 of 200 cells")
    assert values(batch, "low_side_kpa")[150] is None
    assert values(batch, "low_side_kpa").count(None) == 1


def test_a_column_with_many_unreadable_cells_is_refused_and_the_rest_read(tmp_path):
    text = HEADER + rows(97) + "".join(f"{n},ERR{n},30.5\n" for n in range(97, 100))
    batch = read_one(write(tmp_path, "a.csv", text))
    # 3 of 100 is more than 1 %
    assert refusal_codes(batch) == [("Low side [psia]", "unreadable_cells")]
    assert batch.readings["channels"].to_list() == ["ambient_air_c"]
    assert values(batch, "ambient_air_c") == [30.5] * 100


def test_marks_of_a_missing_reading_are_missing_not_unreadable(tmp_path):
    text = HEADER + "0,---,30.5\n1,41.0,NaN\n2,,30.5\n3,OL,30.5\n"
    batch = read_one(write(tmp_path, "a.csv", text))
    assert batch.refusals.is_empty()
    assert batch.notices.is_empty()
    assert [value is None for value in values(batch, "low_side_kpa")] == [True, False, True, True]
    assert values(batch, "ambient_air_c") == [30.5, None, 30.5, 30.5]


@pytest.mark.parametrize("cell", ["inf", "-inf", "1e400", "NaN", "nan"])
def test_no_infinite_or_undefined_number_gets_through(tmp_path, cell):
    text = HEADER + rows(150) + f"150,{cell},30.5\n" + rows(300, 151)
    batch = read_one(write(tmp_path, "a.csv", text))
    read = batch.samples["low_side_kpa"]
    assert read.is_finite().drop_nulls().all()
    assert read.null_count() == 1


@pytest.mark.parametrize("last", ["200,4", "200,46.0,3", "200,46.0,30.", "200", "20"])
def test_a_last_line_broken_off_is_dropped_and_reported(tmp_path, last):
    batch = read_one(write(tmp_path, "a.csv", HEADER + rows(200) + last))
    assert batch.readings["n_rows"][0] == 200
    assert values(batch, "time_s")[-1] == 199.0
    assert notice_codes(batch) == [(None, "last_line_cut")]
    # one header line and 200 rows stand above it
    assert batch.notices["place"][0] == "line 202"


def test_a_whole_last_line_without_line_end_is_kept(tmp_path):
    batch = read_one(write(tmp_path, "a.csv", HEADER + rows(200) + "200,46.0,30.5"))
    assert batch.readings["n_rows"][0] == 201
    assert batch.notices.is_empty()


def test_blank_lines_carry_nothing(tmp_path):
    batch = read_one(write(tmp_path, "a.csv", HEADER + "0,40.0,30.5\n\n1,41.0,30.5\n\n\n,,\n"))
    assert values(batch, "time_s") == [0.0, 1.0]
    assert batch.notices.is_empty()


def test_rows_without_a_time_are_left_out_and_reported(tmp_path):
    text = HEADER + rows(150) + "?,44.0,30.5\n" + rows(300, 151)
    batch = read_one(write(tmp_path, "a.csv", text))
    assert batch.readings["n_rows"][0] == 299
    assert notice_codes(batch) == [("Time [s]", "rows_without_time")]


def test_a_log_without_readable_times_is_refused(tmp_path):
    text = "Clock,Ambient [degC]\n09:30:12,20.5\n" + "later,20.5\n" * 20
    batch = read_one(write(tmp_path, "a.csv", text))
    assert refusal_codes(batch) == [(None, "time_unreadable")]
    assert batch.readings["outcome_code"].to_list() == ["refused"]
    assert batch.samples.is_empty()


def test_rows_with_too_many_fields(tmp_path):
    few = HEADER + rows(150) + "150,44.0,30.5,9,9\n" + rows(300, 151)
    batch = read_one(write(tmp_path, "a.csv", few))
    assert batch.readings["n_rows"][0] == 299
    assert notice_codes(batch) == [(None, "rows_too_long")]
    # decimal commas between commas: every row falls apart
    many = HEADER + "0,40.0,30.5\n" + "".join(f"{n},44,0,30,5\n" for n in range(1, 100))
    batch = read_one(write(tmp_path, "b.csv", many))
    assert refusal_codes(batch) == [(None, "ragged_rows")]
    assert "decimal comma" in batch.refusals["hint"][0]


def test_rows_that_all_end_in_a_delimiter_are_whole(tmp_path):
    text = "Time [s],Ambient [degC]\n0,20.5,\n1,21.5,\n"
    batch = read_one(write(tmp_path, "a.csv", text))
    assert values(batch, "ambient_air_c") == [20.5, 21.5]
    assert batch.notices.is_empty()


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("a.csv", b"", "empty_file"),
        ("a.csv", b"\n \n\n", "empty_file"),
        ("a.csv", HEADER.encode(), "header_only"),
        ("a.csv", (HEADER + "\n\n").encode(), "header_only"),
        ("a.csv", b"hello\nworld\n", "no_header"),
        ("a.csv", b"Time [s],Tyre [bar]\n0,2.2\n", "no_header"),
        ("a.csv", b"Shop\nWhen;Ambient [degC]\n0;20,5\n", "no_time_column"),
        ("a.csv", bytes(range(256)) * 20, "not_text"),
        ("a.csv", b"\0" * 500, "not_text"),
        ("a.csv", b"PAR1" + b"x" * 100, "not_text"),
        # mtime=0: a parameter that changes with the clock gives each worker another set of tests
        ("a.csv", gzip.compress(HEADER.encode(), mtime=0), "not_text"),
        ("a.csv.gz", HEADER.encode(), "damaged_packing"),
        ("a.csv.gz", b"", "empty_file"),
        (
            "a.csv.gz",
            gzip.compress((HEADER + rows(500)).encode(), mtime=0)[:-30],
            "damaged_packing",
        ),
        ("a.csv.zst", zstd((HEADER + rows(500)).encode())[:-30], "damaged_packing"),
        ("a.csv.zst", HEADER.encode(), "damaged_packing"),
        ("a.parquet", b"", "damaged_parquet"),
        ("a.parquet", b"PAR1" + b"x" * 100 + b"PAR1", "damaged_parquet"),
    ],
)
def test_what_is_no_log_is_refused_with_a_sentence(tmp_path, name, content, code):
    batch = read_one(write(tmp_path, name, content))
    assert refusal_codes(batch) == [(None, code)]
    row = batch.refusals.row(0, named=True)
    assert row["path"] == name
    assert row["sentence"].endswith(".")
    assert len(row["hint"]) > 10
    assert batch.readings.select("outcome_code", "n_rows").row(0) == ("refused", 0)
    assert batch.samples.is_empty()


def test_a_log_without_a_time_shows_the_names_it_has(tmp_path):
    text = "Shop\nWhen;Ambient [degC];A;B;C;D;E\n0;20,5\n"
    refusal = read_one(write(tmp_path, "a.csv", text)).refusals.row(0, named=True)
    assert refusal["place"] == "line 2"
    assert "`When`, `Ambient [degC]`, `A`, `B`, `C`, `D`, ..." in refusal["sentence"]
    assert "[time]" in refusal["hint"]


def test_a_missing_file_is_refused(tmp_path):
    assert refusal_codes(read_one(tmp_path / "gone.csv")) == [(None, "file_missing")]
    assert refusal_codes(read_one(tmp_path / "gone.csv.gz")) == [(None, "file_missing")]
    assert refusal_codes(read_one(tmp_path / "gone.parquet")) == [(None, "file_missing")]


def test_a_log_of_which_no_column_can_be_used_is_refused(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Low side [psi]\n0,24\n")
    assert refusal_codes(read_one(log)) == [
        ("Low side [psi]", "unit_ambiguous"),
        (None, "no_usable_channel"),
    ]
    empty = write(tmp_path, "b.csv", "Time [s],Ambient [degC]\n0,\n1,\n")
    assert refusal_codes(read_one(empty)) == [(None, "no_usable_channel")]


def test_a_small_file_that_unpacks_to_a_huge_one_is_refused(tmp_path):
    bomb = gzip.compress(HEADER.encode() + b"0,40.0,30.5\n" * 200_000)
    log = write(tmp_path, "a.csv.gz", bomb)
    batch = read_one(log, with_door=door(largest_bytes=100_000))
    assert len(bomb) < 100_000
    assert refusal_codes(batch) == [(None, "too_large")]


def test_a_log_may_not_be_larger_than_the_limit(tmp_path):
    log = write(tmp_path, "a.csv", HEADER + rows(1000))
    batch = read_one(log, with_door=door(largest_bytes=1000))
    assert refusal_codes(batch) == [(None, "too_large")]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_ordinary_encoding_and_line_end(tmp_path, encoding, line_end):
    text = "Time [s];Ambient [°C];Note\n0;20,5;é\n1;21,5;ü\n".replace("\n", line_end)
    batch = read_one(write(tmp_path, "a.csv", text.encode(encoding)))
    assert values(batch, "ambient_air_c") == [20.5, 21.5]
    assert notice_codes(batch) == [("Note", "unused_column")]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_every_ordinary_delimiter(tmp_path, delimiter):
    text = "Time [s],Ambient [degC]\n0,20.5\n1,21.5\n".replace(",", delimiter)
    assert values(read_one(write(tmp_path, "a.csv", text)), "ambient_air_c") == [20.5, 21.5]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [("1.234,5", 1234.5), ("1234,5", 1234.5), ("-1,5", -1.5), ("1,5e1", 15.0), ("+7,0", 7.0)],
)
def test_decimal_commas_and_thousands_points(tmp_path, cell, expected):
    text = f"Time [s];Engine speed [rpm]\n0;{cell}\n1;900,5\n2;1100,5\n"
    assert values(read_one(write(tmp_path, "a.csv", text)), "engine_rpm")[0] == expected


def test_a_point_among_decimal_commas_is_not_guessed(tmp_path):
    # 1.850 may be fifteen hundredths or a thousand times as much
    lines = "".join(f"{n};900,5\n" for n in range(3, 300))
    text = f"Time [s];Engine speed [rpm]\n0;901,5\n1;1.850\n2;903,5\n{lines}"
    batch = read_one(write(tmp_path, "a.csv", text))
    assert values(batch, "engine_rpm")[1] is None
    assert notice_codes(batch) == [("Engine speed [rpm]", "few_unreadable_cells")]


def test_packed_logs_read_as_their_plain_text(tmp_path):
    text = (HEADER + rows(300)).encode()
    plain = read_one(write(tmp_path, "a.csv", text)).samples.drop("test_id")
    assert plain.height == 300
    for name, content in (("b.csv.gz", gzip.compress(text)), ("c.csv.zst", zstd(text))):
        batch = read_one(write(tmp_path, name, content))
        assert batch.refusals.is_empty()
        assert batch.samples.drop("test_id").equals(plain)


RAGGED = HEADER + rows(200) + "".join(f"{n},40,0,30,5\n" for n in range(200, 300))


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"\x89\x00\x01broken\xff" * 50, "not_text"),
        # as sound as the others until far below the part that is looked at first
        (RAGGED.encode(), "ragged_rows"),
        (b"", "empty_file"),
    ],
)
def test_one_broken_file_of_500_costs_only_itself(tmp_path, content, code):
    requests = [
        request(write(tmp_path, f"log{n:03}.csv", HEADER + rows(20 + n % 5))) for n in range(500)
    ]
    broken = write(tmp_path, "log250.csv", content)
    batch = read_logs(requests, door())
    outcomes = dict(batch.readings.select("path", "outcome_code").rows())
    assert sum(outcome == "read" for outcome in outcomes.values()) == 499
    assert [path for path, outcome in outcomes.items() if outcome == "refused"] == [broken.name]
    assert refusal_codes(batch) == [(None, code)]
    expected = sum(20 + n % 5 for n in range(500) if n != 250)
    assert batch.samples.height == expected
    assert batch.samples["test_id"].n_unique() == 499


def test_bad_rows_deep_in_files_of_a_batch_cost_only_these_rows(tmp_path):
    sound = HEADER + rows(300)
    names = [f"log{n:02}.csv" for n in range(40)]
    for name in names:
        write(tmp_path, name, sound)
    write(tmp_path, "log07.csv", sound.replace("\n250,", "\n250,x,"))
    write(tmp_path, "log21.csv", sound.replace("\n100,42.0,", "\n100,4z.0,"))
    batch = read_logs([request(tmp_path / name) for name in names], door())
    assert batch.refusals.is_empty()
    assert sorted(batch.notices.select("path", "code").rows()) == [
        ("log07.csv", "rows_too_long"),
        ("log21.csv", "few_unreadable_cells"),
    ]
    counts = dict(batch.readings.select("path", "n_rows").rows())
    assert counts.pop("log07.csv") == 299
    assert set(counts.values()) == {300}
    # every sound log gives what it gives alone
    alone = read_one(tmp_path / "log00.csv").samples.drop("test_id")
    other = batch.samples.filter(pl.col("test_id") == "test-log39.csv").drop("test_id")
    assert other.equals(alone)


def test_a_stray_quote_swallows_nothing(tmp_path):
    text = "Time [s],Ambient [degC],Note\n" + "".join(f"{n},20.5,ok\n" for n in range(300))
    batch = read_one(write(tmp_path, "a.csv", text.replace("\n150,20.5,ok", '\n150,20.5,"ok')))
    assert batch.readings["n_rows"][0] == 300
    assert values(batch, "ambient_air_c") == [20.5] * 300


def test_quoted_cells_are_read(tmp_path):
    text = 'Time [s];"Ambient [degC]"\n"0";"20,5"\n"1";"21,5"\n'
    assert values(read_one(write(tmp_path, "a.csv", text)), "ambient_air_c") == [20.5, 21.5]


def test_order_of_requests_is_the_order_of_samples(tmp_path):
    wide = write(tmp_path, "a.csv", HEADER + rows(3))
    other = write(tmp_path, "b.csv", "Time [s];Ambient [degC]\n0;20,5\n")
    careful = write(tmp_path, "c.csv", HEADER + rows(3) + "3,4")
    batch = read_logs([request(careful), request(other), request(wide)], door())
    assert batch.samples["test_id"].unique(maintain_order=True).to_list() == [
        "test-c.csv", "test-b.csv", "test-a.csv",
    ]  # fmt: skip
    assert batch.readings["path"].to_list() == ["c.csv", "b.csv", "a.csv"]


def test_nothing_asked_gives_empty_tables():
    batch = read_logs([], door())
    assert batch.samples.columns == ["test_id", "time_s"]
    assert [len(frame) for frame in (batch.readings, batch.refusals, batch.notices)] == [0, 0, 0]
