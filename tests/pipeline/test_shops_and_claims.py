"""The commands for shop owner and warranty analyst, on a small shop with repairs."""

import csv
import io
import json
import re
import zipfile

import openpyxl
import polars as pl
import pytest
from shop import open_shop
from typer.testing import CliRunner

from pipeline.bundle import make_bundle
from pipeline.cli import app
from pipeline.problems import ProblemsError
from pipeline.run import open_published
from pipeline.settings import Settings, read_settings
from pipeline.workbooks import write_workbook

HOSTILE = '../../=cmd|"/C calc"!A0<script>alert(1)</script>'
RUN = CliRunner()
REPAIRS = (
    "repair_id,vehicle_id,performed_at,shop_id,component,action,recovered_g,charged_g,claim_id,"
    "parts_cost,complaint\n"
    "r1,car001,2026-05-05T00:00:00,north,compressor,replace,300,520,claim 1,210.5,warm air\n"
    "r2,car002,2026-05-06T00:00:00,south,refrigerant_circuit,recharge,,180,,,\n"
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    made = open_shop(tmp_path_factory.mktemp("shop"), 6)
    quoted = '"' + HOSTILE.replace('"', '""') + '"'
    last = f'r3,car003,2026-05-07T00:00:00,south,condenser,replace,,,{quoted},99,"{"=1+1"}"\n'
    (made.root / "registry" / "repairs.csv").write_text(REPAIRS + last)
    made.update()
    return made


def _run(shop, *words):
    result = RUN.invoke(app, [*words, "--workspace", str(shop.root)])
    return result.exit_code, result.output


def _bundle(shop, claim):
    settings = read_settings(shop.workspace)
    with open_published(shop.workspace, settings) as store:
        return make_bundle(store, claim, settings)


def test_a_bundle_holds_the_evidence_of_the_car(shop):
    made = _bundle(shop, "claim 1")
    with zipfile.ZipFile(io.BytesIO(made.content)) as archive:
        names = archive.namelist()
        held = json.loads(archive.read("claim.json"))
        page = archive.read("README.html").decode()
        tests = list(csv.DictReader(io.StringIO(archive.read("context.csv").decode())))
    assert names[0] == "README.html"
    wanted = {"features.csv", "residuals.csv", "baselines.csv", "trust.csv", "repairs.csv"}
    assert wanted < set(names)
    assert [row["vehicle_id"] for row in tests] == ["car001"]
    assert held["claimed_repairs"][0]["repair_id"] == "r1"
    assert held["features"]
    assert "warm air" in page
    assert "An indication, not a proven defect" in page


def test_the_same_store_gives_the_same_bytes(shop):
    assert _bundle(shop, "claim 1").content == _bundle(shop, "claim 1").content


def test_hostile_names_reach_neither_the_file_system_nor_the_page_nor_a_sheet(shop):
    made = _bundle(shop, HOSTILE)
    assert re.fullmatch(r"claim_[A-Za-z0-9_-]+\.zip", made.file_name)
    with zipfile.ZipFile(io.BytesIO(made.content)) as archive:
        assert all(re.fullmatch(r"[A-Za-z_]+\.(html|json|csv)", n) for n in archive.namelist())
        assert "<script" not in archive.read("README.html").decode()
        rows = list(csv.DictReader(io.StringIO(archive.read("repairs.csv").decode())))
    assert rows[0]["complaint"] == "'=1+1"
    assert made.file_name != _bundle(shop, "claim 1").file_name


def test_a_repair_without_a_claim_is_found_by_its_own_name(shop):
    assert _bundle(shop, "r2").tables["claimed_repairs"]["repair_id"].to_list() == ["r2"]


def test_an_unknown_claim_is_refused_with_a_hint(shop):
    with pytest.raises(ProblemsError, match="No claim and no repair is called 'claim 2'"):
        _bundle(shop, "claim 2")
    code, text = _run(shop, "bundle", "nothing like it")
    assert code == 3
    assert "`claim 1`" in text


def test_the_command_writes_one_file(shop, tmp_path):
    code, text = _run(shop, "bundle", "claim 1", "--folder", str(tmp_path / "out"))
    assert code == 0, text
    (file,) = (tmp_path / "out").iterdir()
    assert file.name.startswith("claim_claim_1_")


def test_shops_with_too_little_evidence_are_not_named(shop, tmp_path):
    target = tmp_path / "shops.csv"
    code, text = _run(shop, "shops", "--export", str(target))
    assert code == 0, text
    assert "3 repairs at 2 shops" in text
    assert "north" not in text
    assert "not compared" in text
    assert target.read_text().splitlines()[1:] == []


def test_a_shop_sees_its_own_list(shop):
    code, text = _run(shop, "shops", "--shop", "south")
    assert code == 0, text
    assert "south: 2 repairs" in text
    assert "r2" in text
    assert "r1" not in text
    code, text = _run(shop, "shops", "--shop", "sout")
    assert code == 3
    assert "did you mean `south`" in text.lower()


def test_the_register_of_a_year_is_exported_as_shown(shop, tmp_path):
    target = tmp_path / "register.xlsx"
    code, text = _run(shop, "refrigerant-register", "--year", "2026", "--export", str(target))
    assert code == 0, text
    assert "1 have no recovered mass noted" in text
    rows = list(openpyxl.load_workbook(target).active.values)
    sheet = [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]
    south = next(row for row in sheet if row["site_id"] == "south")
    assert (south["charged_g"], south["recovered_g"], south["net_added_g"]) == (180, None, None)
    assert "recovered mass not noted" in south["remark"]
    code, text = _run(shop, "refrigerant-register", "--year", "1999")
    assert "No work on refrigerant is on record" in text


def test_an_export_needs_an_ending_that_is_known(shop, tmp_path):
    code, text = _run(shop, "replacements", "--all", "--export", str(tmp_path / "x.docx"))
    assert code == 2
    assert ".parquet, .csv or .xlsx" in text


def test_replacements_are_told_with_what_the_test_before_says(shop):
    code, text = _run(shop, "replacements", "--all")
    assert code == 0, text
    assert "2 components replaced" in text
    assert "compressor was replaced" in text


def test_workbook_keeps_a_list_of_own_repairs_plain(tmp_path):
    frame = pl.DataFrame({"sentence": [HOSTILE, "=1+1"]})
    assert write_workbook(frame, tmp_path / "x.xlsx", "own") == 1


def test_the_settings_of_repairs_stand_in_the_settings_file():
    assert Settings().assessment.repairs.least_expected == 5.0
