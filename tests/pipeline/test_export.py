"""Exports: whole tables, and no cell that a spreadsheet would run."""

from __future__ import annotations

import csv

import polars as pl
import pytest

from features.tables import Column, Table
from pipeline.export import FORMULA_STARTS, export, guarded
from pipeline.progress import Silence
from pipeline.warehouse import Replacement, StoreLimits, open_store

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
    assert "apostrophe" in summary.text


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
