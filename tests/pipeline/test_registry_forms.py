"""The registry as CSV, XLSX and Parquet: the same values, and a fault told by its cell."""

from __future__ import annotations

import datetime as dt

import openpyxl
import polars as pl
import pytest

from pipeline.problems import ProblemsError
from pipeline.registry import read_registry
from pipeline.workspace import Workspace

HEADER = ("log", "vehicle_id", "started_at", "odometer_km", "ambient_c", "doors_open", "purpose")
START = dt.datetime(2026, 5, 11, 9, 30, 12)  # noqa: DTZ001 - as a spreadsheet has it


def workspace(folder):
    place = Workspace(folder)
    place.registry_folder.mkdir()
    (place.registry_folder / "models.csv").write_text("model_id,refrigerant\nm,R134a\n")
    (place.registry_folder / "vehicles.csv").write_text("vehicle_id,model_id\n7,m\n")
    return place


def as_csv(place, rows):
    lines = [",".join("" if cell is None else str(cell) for cell in row) for row in rows]
    (place.registry_folder / "tests.csv").write_text("\n".join([",".join(HEADER), *lines]) + "\n")


def as_xlsx(place, rows):
    book = openpyxl.Workbook()
    book.active.title = "Tests of May"
    for row in (HEADER, *rows):
        book.active.append(row)
    book.create_sheet("Notes").append(["not read"])
    book.save(place.registry_folder / "tests.xlsx")


def as_parquet(place, rows):
    frame = pl.DataFrame(rows, schema=HEADER, orient="row", strict=False)
    frame.write_parquet(place.registry_folder / "tests.parquet")


FORMS = {"csv": as_csv, "xlsx": as_xlsx, "parquet": as_parquet}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(
    "row",
    [
        ("a.csv", 7, START, 12345, 29.5, True, "claim"),
        ("a.csv", "7", "2026-05-11 09:30:12", "12345", "29.5", "yes", "Claim"),
        ("a.csv", 7.0, START, 12345.0, 29.5, True, "claim"),
    ],
    ids=["typed", "texts", "decimals"],
)
def test_every_form_gives_the_same_row(tmp_path, form, row):
    if form == "csv" and isinstance(row[1], float):
        pytest.skip("a text 7.0 is another name than 7")
    place = workspace(tmp_path)
    FORMS[form](place, [row])
    tests = read_registry(place, "Europe/Athens").tests.row(0, named=True)
    # in summer Athens is three hours ahead of UTC
    assert tests["started_at"] == dt.datetime(2026, 5, 11, 6, 30, 12, tzinfo=dt.UTC)
    assert (tests["vehicle_id"], tests["odometer_km"], tests["ambient_c"]) == ("7", 12345.0, 29.5)
    assert (tests["doors_open"], tests["purpose"]) == (True, "claim")


def test_parquet_instants_with_a_zone_mean_that_zone(tmp_path):
    place = workspace(tmp_path)
    stamps = pl.Series("started_at", [START]).dt.replace_time_zone("Europe/Berlin")
    frame = pl.DataFrame({"log": ["a.csv"], "vehicle_id": ["7"]}).with_columns(stamps)
    frame.write_parquet(place.registry_folder / "tests.parquet")
    started = read_registry(place, "UTC").tests["started_at"][0]
    # in summer Berlin is two hours ahead of UTC
    assert started == dt.datetime(2026, 5, 11, 7, 30, 12, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("form", "spot"),
    [
        ("csv", "registry/tests.csv, line 3"),
        ("xlsx", "registry/tests.xlsx, sheet Tests of May, row 3, column {}"),
        ("parquet", "registry/tests.parquet, row 2, column {}"),
    ],
)
@pytest.mark.parametrize(
    "fault",
    [
        ("started_at", "11.05.2026", "not_instant"),
        # a day of the spreadsheet's own count, in a cell that is not formatted as a date
        ("started_at", "46153.396", "not_instant"),
        ("odometer_km", "12,5", "not_number"),
        ("ambient_c", "290", "out_of_range"),
        ("doors_open", "maybe", "not_truth"),
        ("purpose", "curiosity", "unknown_word"),
        ("started_at", None, "empty_cell"),
    ],
)
def test_a_faulty_cell_is_told_by_its_place(tmp_path, form, spot, fault):
    column, cell, code = fault
    place = workspace(tmp_path)
    good = ("a.csv", "7", "2026-05-11 09:30", "1", "29", "no", "claim")
    bad = tuple(cell if name == column else one for name, one in zip(HEADER, good, strict=True))
    cells = ("b.csv", *bad[1:])
    if form == "csv":
        cells = tuple(f'"{one}"' if one and "," in one else one for one in cells)
    FORMS[form](place, [good, cells])
    with pytest.raises(ProblemsError) as caught:
        read_registry(place, "UTC")
    (problem,) = caught.value.problems
    assert (problem.code, problem.place) == (code, spot.format(column))


def test_a_row_that_refers_to_nothing_is_told_by_sheet_and_row(tmp_path):
    place = workspace(tmp_path)
    as_xlsx(place, [("a.csv", "8", "2026-05-11 09:30", None, None, None, None)])
    with pytest.raises(ProblemsError) as caught:
        read_registry(place, "UTC")
    (problem,) = caught.value.problems
    assert problem.code == "dangling_reference"
    assert problem.place == "registry/tests.xlsx, sheet Tests of May, row 2"


@pytest.mark.parametrize(("cell", "says"), [("#N/A", "the error #N/A"), ("=1+1", "a formula")])
def test_errors_and_unworked_formulas_are_not_taken_for_empty(tmp_path, cell, says):
    # openpyxl writes formulas without working them out
    place = workspace(tmp_path)
    as_xlsx(place, [("a.csv", "7", "2026-05-11 09:30", None, cell, None, None)])
    with pytest.raises(ProblemsError) as caught:
        read_registry(place, "UTC")
    (problem,) = caught.value.problems
    assert (problem.code, problem.place) == (
        "faulty_cell",
        "registry/tests.xlsx, sheet Tests of May, cell E2",
    )
    assert says in problem.sentence


def test_a_workbook_of_one_letter_repeated_is_searched_in_no_time(tmp_path):
    place = workspace(tmp_path)
    as_xlsx(place, [("<c " * 10_000, "7", "2026-05-11 09:30", None, None, None, None)])
    assert read_registry(place, "UTC").tests.height == 1
