"""Small files that ask for gigabytes are refused before they are unpacked, with a sentence."""

from __future__ import annotations

import gzip

import polars as pl
import pytest
from log_writing import door, read_one, refusal_codes, write

from pipeline.hidden_sizes import HiddenSizeError, parquet_bytes, workbook_bytes
from pipeline.problems import ProblemsError
from pipeline.readers import read_logs
from pipeline.registry_files import read_raw
from pipeline.workspace import Workspace
from tests.fuzz.corpus import gzip_bomb
from tests.fuzz.sound import (
    MODELS,
    ROWS,
    parquet,
    registry_xlsx,
    sheet_of_cells,
    sheet_xml,
    wide_text,
    xlsx,
    zstd,
)

MEGABYTE = 1_000_000
SPACE = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def problem(tmp_path, name, content, most=20 * MEGABYTE):
    workspace = Workspace(tmp_path)
    workspace.registry_folder.mkdir(exist_ok=True)
    (workspace.registry_folder / name).write_bytes(content)
    with pytest.raises(ProblemsError) as refused:
        read_raw(workspace, "models", most)
    assert len(refused.value.problems) == 1
    return refused.value.problems[0]


def test_100_megabytes_in_100_kilobytes_of_gzip_are_refused(tmp_path):
    bomb = gzip_bomb(100 * MEGABYTE)
    assert len(bomb) < 100_000
    batch = read_one(write(tmp_path, "a.csv.gz", bomb))
    assert refusal_codes(batch) == [(None, "packed_too_tightly")]
    assert "200 times its size" in batch.refusals["sentence"][0]
    assert "highest_packing_ratio" in batch.refusals["hint"][0]


def test_a_bomb_hidden_behind_other_members_is_refused(tmp_path):
    text = wide_text().encode()
    hidden = gzip.compress(text) + gzip_bomb(30 * MEGABYTE)
    assert refusal_codes(read_one(write(tmp_path, "a.csv.gz", hidden))) == [
        (None, "packed_too_tightly")
    ]


def test_the_ratio_is_a_setting(tmp_path):
    bomb = write(tmp_path, "a.csv.gz", gzip_bomb(5 * MEGABYTE))
    assert refusal_codes(read_one(bomb)) == [(None, "packed_too_tightly")]
    loose = read_one(bomb, with_door=door(highest_packing_ratio=2000.0))
    assert refusal_codes(loose) == []
    assert loose.samples.height == ROWS


def test_members_one_after_the_other_are_one_log(tmp_path):
    text = wide_text().encode()
    whole = read_one(write(tmp_path, "a.csv", text)).samples.drop("test_id")
    middle = len(text) // 2
    pieces = gzip.compress(text[:middle]) + gzip.compress(text[middle:]) + b"\0" * 700
    batch = read_one(write(tmp_path, "b.csv.gz", pieces))
    assert batch.samples.drop("test_id").equals(whole)


def test_endless_empty_members_are_refused(tmp_path):
    pieces = gzip.compress(b"", mtime=0) * 20_000
    batch = read_one(write(tmp_path, "a.csv.gz", pieces))
    assert refusal_codes(batch) == [(None, "packed_in_pieces")]


def test_a_zstd_window_larger_than_the_decoder_takes_is_refused(tmp_path):
    # RFC 8878, 3.1.1.1.2: exponent 21 gives 2^31 bytes; a decoder may refuse more than 8 MB
    frame = b"\x28\xb5\x2f\xfd\x00" + bytes([21 << 3]) + b"\x01\x00\x00"
    batch = read_one(write(tmp_path, "a.csv.zst", frame))
    assert refusal_codes(batch) == [(None, "damaged_packing")]
    assert "window" in batch.refusals["sentence"][0]


def test_a_zstd_bomb_is_refused(tmp_path):
    bomb = zstd(b"0,1,2,3\n" * 1_500_000)
    assert len(bomb) < 60_000
    batch = read_one(write(tmp_path, "a.csv.zst", bomb))
    assert refusal_codes(batch) == [(None, "packed_too_tightly")]


def test_one_bomb_costs_its_batch_nothing(tmp_path):
    from log_writing import request  # noqa: PLC0415 - only here

    logs = [write(tmp_path, f"{n}.csv", wide_text()) for n in range(20)]
    logs.insert(7, write(tmp_path, "bomb.csv.gz", gzip_bomb(20 * MEGABYTE)))
    batch = read_logs([request(log) for log in logs], door())
    refused = batch.readings.filter(pl.col("outcome_code") == "refused")
    assert refused["path"].to_list() == ["bomb.csv.gz"]


def test_a_parquet_log_of_one_endless_text_is_refused(tmp_path):
    bomb = parquet(pl.DataFrame({"time_s": [1.0], "low_side_kpa": ["9" * 30 * MEGABYTE]}))
    assert len(bomb) < 100_000
    assert parquet_bytes(write(tmp_path, "b.parquet", bomb)) > 30 * MEGABYTE
    log = write(tmp_path, "a.parquet", bomb)
    batch = read_one(log, with_door=door(largest_bytes=20 * MEGABYTE))
    assert refusal_codes(batch) == [(None, "too_large")]


def test_a_parquet_log_whose_rows_all_name_one_long_text_is_refused(tmp_path):
    rows = pl.DataFrame({"timestamp": range(40), "value": [1.0] * 40}).with_columns(
        timestamp=pl.lit("2026-05-11T09:30:00Z"), channel=pl.lit("x" * MEGABYTE)
    )
    log = write(tmp_path, "a.parquet", parquet(rows))
    batch = read_one(log, with_door=door(largest_bytes=20 * MEGABYTE))
    assert refusal_codes(batch) == [(None, "too_large")]


# ECMA-376: XFD1048576 is the last cell that a worksheet can have
BOMBS = {
    "the_last_cell": xlsx(sheet_of_cells({"A1": "model_id", "XFD1048576": "x"})),
    "a_far_cell": xlsx(sheet_of_cells({"A1": "model_id", "ALL100000": "x"})),
    "a_cell_beyond_the_last": xlsx(sheet_of_cells({"A1": "model_id", "ZZZ9999999": "x"})),
    "a_text_of_30_MB": xlsx(sheet_xml([["model_id"], ["a" * 30 * MEGABYTE]])),
    "one_text_named_by_every_cell": xlsx(
        f'<worksheet xmlns="{SPACE}"><sheetData>'.encode()
        + b'<row><c t="s"><v>0</v></c></row>' * 300
        + b"</sheetData></worksheet>",
        {
            "xl/sharedStrings.xml": (
                f'<sst xmlns="{SPACE}"><si><t>{"a" * 100_000}</t></si></sst>'.encode()
            )
        },
    ),
    "cells_without_a_place": xlsx(
        f'<worksheet xmlns="{SPACE}"><sheetData><row>'.encode()
        + b"<c/>" * 16_000
        + b"</row>"
        + b"<row><c/></row>" * 1000
        + b"</sheetData></worksheet>"
    ),
}


@pytest.mark.parametrize("kind", BOMBS)
def test_a_workbook_that_would_burst_is_refused(tmp_path, kind):
    assert len(BOMBS[kind]) < 40_000
    found = problem(tmp_path, "models.xlsx", BOMBS[kind])
    assert found.code == "too_large"
    assert "20 MB" in found.sentence
    assert "largest_registry_megabytes" in found.hint


def test_a_sound_workbook_is_read(tmp_path):
    workspace = Workspace(tmp_path)
    workspace.registry_folder.mkdir()
    book = workspace.registry_folder / "models.xlsx"
    book.write_bytes(registry_xlsx())
    raw = read_raw(workspace, "models", 20 * MEGABYTE)
    assert raw.cells.drop("line").rows() == [tuple(row) for row in MODELS[1:]]
    assert workbook_bytes(book, MEGABYTE) < 10_000


def test_a_size_that_the_directory_of_a_workbook_hides_is_found(tmp_path):
    book = BOMBS["a_text_of_30_MB"]
    size = len(sheet_xml([["model_id"], ["a" * 30 * MEGABYTE]])).to_bytes(4, "little")
    assert book.count(size) >= 1
    small = book.replace(size, (100).to_bytes(4, "little"))
    assert problem(tmp_path, "models.xlsx", small).code in {"too_large", "unreadable_file"}


NESTED = "".join(
    f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9)
)  # ten to the ninth


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"PK\x03\x04" + b"\0" * 100,
        xlsx(b"<worksheet>" + b"<a>" * 100_000),
        xlsx(f'<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa">{NESTED}]><worksheet>&j;</worksheet>'.encode()),
        registry_xlsx()[:-30],
        # a reader that counts letters without end came to a table of 260 GB, which ended it
        xlsx(sheet_of_cells({"A1": "model_id", "l" * 27 + "C2": "520"})),
        xlsx(sheet_of_cells({"A1": "model_id", "A99999999999": "520"})),
        xlsx(b'<worksheet><sheetData><row r="-1"><c r="A1"/></row></sheetData></worksheet>'),
    ],
    ids=["empty", "zeros", "open", "entities", "cut", "letters", "digits", "row"],
)
def test_what_is_no_workbook_is_refused(tmp_path, content):
    found = problem(tmp_path, "models.xlsx", content)
    assert found.code == "unreadable_file"
    assert found.hint


def test_a_registry_table_in_parquet_may_not_burst_either(tmp_path):
    one_cell = parquet(pl.DataFrame({"model_id": ["a" * 30 * MEGABYTE]}))
    assert problem(tmp_path, "models.parquet", one_cell).code == "too_large"
    every_row = parquet(pl.DataFrame({"model_id": ["a" * MEGABYTE]}).select(
        pl.col("model_id").repeat_by(40).explode()
    ))  # fmt: skip
    assert problem(tmp_path, "models.parquet", every_row).code == "too_large"


def test_a_registry_table_in_csv_may_not_be_endless(tmp_path):
    content = b"model_id,refrigerant\n" + b"a,R134a\n" * 200
    assert problem(tmp_path, "models.csv", content, 1000).code == "too_large"


def test_a_footer_that_cannot_be_read_is_said_so(tmp_path):
    with pytest.raises(HiddenSizeError):
        parquet_bytes(write(tmp_path, "a.parquet", b"PAR1" + b"x" * 50 + b"PAR1"))


def test_a_column_name_that_is_no_text_is_a_footer_that_cannot_be_read(tmp_path):
    # found by the search: a byte of a column's name that no UTF-8 text has
    content = parquet(pl.DataFrame({"time_s": [1.0], "low_side_kpa": [300.0]}))
    broken = content.replace(b"low_side_kpa", b"low_s\x97de_kpa")
    assert refusal_codes(read_one(write(tmp_path, "a.parquet", broken))) == [
        (None, "damaged_parquet")
    ]


def test_a_header_that_reaches_far_to_the_right_is_refused(tmp_path):
    far = xlsx(sheet_of_cells({"A1": "model_id", "HSE1": "refrigerant"}))
    found = problem(tmp_path, "models.xlsx", far)
    assert found.code == "too_many_columns"
    assert "column 5907" in found.sentence  # H, S, E: (8 * 26 + 19) * 26 + 5
