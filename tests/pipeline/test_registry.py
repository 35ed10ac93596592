"""The registry: every fault told at once with file, line and hint, and nothing half loaded."""

from __future__ import annotations

import datetime as dt

import openpyxl
import polars as pl
import pytest

from pipeline.problems import ProblemsError
from pipeline.registry import read_registry
from pipeline.registry_tables import REGISTRY_FILES, REGISTRY_TABLES
from pipeline.workspace import Workspace

SOUND = {
    "models": "model_id,refrigerant\nA,R1234yf\n",
    "vehicles": "vehicle_id,model_id\nV1,A\nV2,A\n",
    "tests": "log,vehicle_id,started_at\na.csv,V1,2026-05-11T09:30:12Z\n",
}


def workspace_with(folder, **files):
    workspace = Workspace(folder)
    workspace.registry_folder.mkdir(exist_ok=True)
    for name, content in {**SOUND, **files}.items():
        path = workspace.registry_folder / (name if "." in name else f"{name}.csv")
        if content is None:
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return workspace


def read(folder, zone="UTC", profile_names=None, **files):
    return read_registry(workspace_with(folder, **files), zone, profile_names)


def problems(folder, **files):
    with pytest.raises(ProblemsError) as caught:
        read(folder, **files)
    return caught.value.problems


def found(folder, **files):
    return [(one.code, one.file, one.line) for one in problems(folder, **files)]


def test_a_sound_registry_conforms_to_its_tables(tmp_path):
    registry = read(tmp_path)
    for name, table in REGISTRY_TABLES.items():
        assert dict(getattr(registry, name).schema) == table.schema
    assert registry.tests["log"].to_list() == ["a.csv"]
    assert registry.repairs.is_empty()
    assert registry.notices == ()


def test_faults_of_all_files_are_told_together(tmp_path):
    told = found(
        tmp_path,
        models="model_id,refrigerant,compressor\nA,R1234yf,variable\nA,R134a,electric\n",
        vehicles="vehicle_id,model_id,odometer_km\nV1,B,far\n",
        tests="log,vehicle_id,started_at\na.csv,V9,yesterday\n",
        repairs="repair_id,vehicle_id,performed_at,leak_found\nR1,V1,2026-02-30,perhaps\n",
    )
    assert told == [
        ("unknown_word", "registry/models.csv", 2),
        ("duplicate_id", "registry/models.csv", 3),
        ("not_instant", "registry/repairs.csv", 2),
        ("not_truth", "registry/repairs.csv", 2),
        ("not_instant", "registry/tests.csv", 2),
        ("dangling_reference", "registry/tests.csv", 2),
        ("not_number", "registry/vehicles.csv", 2),
        ("dangling_reference", "registry/vehicles.csv", 2),
    ]


def test_every_problem_has_a_hint_and_a_place(tmp_path):
    for one in problems(tmp_path, vehicles="vehicle_id,model_id,odometer_km\nV1,B,far\n,A,\n"):
        assert one.hint
        assert one.text.startswith(f"registry/vehicles.csv, line {one.line}: ")


@pytest.mark.parametrize("name", ["models", "vehicles", "tests"])
def test_a_missing_file_is_a_problem(tmp_path, name):
    assert found(tmp_path, **{name: None}) == [("missing_file", f"registry/{name}.csv", None)]


def test_a_missing_key_column_is_told_once(tmp_path):
    told = found(tmp_path, vehicles="car,model_id\nV1,A\n")
    assert told == [("missing_column", "registry/vehicles.csv", 1)]


def test_instruments_are_checked_once_there_are_some(tmp_path):
    tests = "log,vehicle_id,started_at,instrument_id\na.csv,V1,2026-05-11,I2\n"
    assert read(tmp_path, tests=tests).tests["instrument_id"].to_list() == ["I2"]
    instruments = "instrument_id,channel\nI1,low_side_kpa\n"
    assert found(tmp_path, tests=tests, instruments=instruments) == [
        ("dangling_reference", "registry/tests.csv", 2)
    ]


def test_a_required_column_that_is_missing(tmp_path):
    (one,) = problems(tmp_path, models="model_id\nA\n")
    assert (one.code, one.line) == ("missing_column", 1)
    assert "`refrigerant`" in one.sentence


def test_a_near_miss_of_a_column_is_a_problem_and_a_foreign_column_a_notice(tmp_path):
    told = problems(
        tmp_path, vehicles="vehicle_id,model_id,buildDate,colour\nV1,A,2020-01-01,red\n"
    )
    assert [(one.code, one.hint) for one in told] == [
        ("unknown_column", "Did you mean `build_date`?")
    ]
    registry = read(tmp_path, vehicles="vehicle_id,model_id,colour\nV1,A,red\n")
    assert [(one.code, one.file) for one in registry.notices] == [
        ("extra_column", "registry/vehicles.csv")
    ]
    assert "colour" not in registry.vehicles.columns


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbfvehicle_id,model_id\nV1,A\n",
        "vehicle_id;model_id;fleet\r\nV1;A;Süd\r\n".encode("utf-16"),
        "vehicle_id;model_id;fleet\nV1;A;Süd\n".encode("cp1252"),
        b"vehicle_id\tmodel_id\nV1\tA\n",
        b"\n\n vehicle_id , model_id ,,\n V1 , A ,,\n,,,\n\n",
        b'"vehicle_id","model_id"\n"V1","A"\n',
    ],
)
def test_ordinary_ways_to_write_csv(tmp_path, content):
    vehicles = read(tmp_path, vehicles=content).vehicles
    assert vehicles.select("vehicle_id", "model_id").rows() == [("V1", "A")]


def test_line_numbers_count_blank_lines_and_line_ends_inside_quotes(tmp_path):
    text = '\nvehicle_id,model_id,fleet\n\nV1,A,"two\nlines"\n\nV2,B,x\n'
    # header on line 2, V1 on 4 and 5, V2 on 7
    assert found(tmp_path, vehicles=text) == [("dangling_reference", "registry/vehicles.csv", 7)]


def test_semicolons_bring_decimal_commas(tmp_path):
    text = "model_id;refrigerant;charge_g\nA;R1234yf;520,5\nB;R134a;600\nC;R134a;610.5\n"
    assert read(tmp_path, models=text).models["charge_g"].to_list() == [520.5, 600.0, 610.5]
    (one,) = problems(tmp_path, models="model_id;refrigerant;charge_g\nA;R1234yf;1.500\n")
    assert one.code == "not_number"


@pytest.mark.parametrize(
    ("text", "zone", "expected"),
    [
        ("2026-05-11T09:30:12Z", "Europe/Athens", (9, 30, 12)),
        ("2026-05-11T09:30:12+02:00", "UTC", (7, 30, 12)),
        # Athens keeps UTC+3 in May
        ("2026-05-11T09:30:12", "Europe/Athens", (6, 30, 12)),
        ("2026-05-11 09:30", "UTC", (9, 30, 0)),
    ],
)
def test_instants_are_stored_in_utc(tmp_path, text, zone, expected):
    tests = f"log,vehicle_id,started_at\na.csv,V1,{text}\n"
    started = read(tmp_path, zone, tests=tests).tests["started_at"][0]
    assert started == dt.datetime(2026, 5, 11, *expected, tzinfo=dt.UTC)


def test_an_hour_that_the_clock_skips_does_not_exist(tmp_path):
    # in Athens the clock went from 03:00 to 04:00 on 29 March 2026 (EU directive 2000/84/EC)
    tests = "log,vehicle_id,started_at\na.csv,V1,2026-03-29T03:30:00\n"
    assert read(tmp_path, "UTC", tests=tests).tests.height == 1
    with pytest.raises(ProblemsError) as caught:
        read(tmp_path, "Europe/Athens", tests=tests)
    assert [one.code for one in caught.value.problems] == ["not_instant"]


@pytest.mark.parametrize(
    ("written", "stored"),
    [("R1234yf", "R1234yf"), ("r-134a", "R134a"), ("HFO-1234yf", "R1234yf"), ("R 290", "R290")],
)
def test_refrigerants_get_their_designation(tmp_path, written, stored):
    models = read(tmp_path, models=f"model_id,refrigerant\nA,{written}\n").models
    assert models.select("refrigerant", "refusal_code").row(0) == (stored, None)


def test_a_transcritical_refrigerant_is_loaded_with_the_reason_why_its_tests_are_not(tmp_path):
    models = read(tmp_path, models="model_id,refrigerant\nA,R744\nB,R134a\n").models
    assert models["refusal_code"].to_list() == ["refrigerant_transcritical", None]
    assert "critical" in models["refusal"][0]
    assert models["refusal"][1] is None


def test_an_unknown_refrigerant_is_a_problem_with_a_hint(tmp_path):
    (one,) = problems(tmp_path, models="model_id,refrigerant\nA,R1324yf\n")
    assert (one.code, one.line) == ("refrigerant_unknown", 2)
    assert "R1234yf" in one.hint


def test_architecture_follows_from_the_circuit_unless_stated(tmp_path):
    text = (
        "model_id,refrigerant,compressor,expansion_device,internal_heat_exchanger,"
        "rear_evaporator,architecture\n"
        "A,R1234yf,electric,txv,true,false,\nB,R134a,electric,txv,,yes,\n"
        "C,R134a,,txv,,,\nD,R134a,electric,txv,,,small vans\n"
    )
    assert read(tmp_path, models=text).models["architecture"].to_list() == [
        "R1234yf electric txv internal_heat_exchanger",
        "R134a electric txv rear_evaporator",
        None,
        "small vans",
    ]


@pytest.mark.parametrize(
    "path", ["../a.csv", "/etc/passwd", "x/../../a.csv", "C:/a.csv", "x\\a.csv", ".."]
)
def test_a_log_path_that_leaves_the_folder_is_a_problem(tmp_path, path):
    told = found(tmp_path, tests=f"log,vehicle_id,started_at\n{path},V1,2026-05-11\n")
    assert told == [("path_outside", "registry/tests.csv", 2)]


def test_duplicate_logs_and_test_ids(tmp_path):
    text = (
        "log,vehicle_id,started_at,test_id\na.csv,V1,2026-05-11,T1\n"
        "a.csv,V1,2026-05-11,\nb.csv,V1,2026-05-11,T1\nc.csv,V1,2026-05-11,\n"
    )
    assert found(tmp_path, tests=text) == [
        ("duplicate_id", "registry/tests.csv", 3),
        ("duplicate_id", "registry/tests.csv", 4),
    ]


def test_an_unknown_profile_is_a_problem_with_a_hint(tmp_path):
    text = "log,vehicle_id,started_at,profile\na.csv,V1,2026-05-11,semicolon_metrik\n"
    with pytest.raises(ProblemsError) as caught:
        read(tmp_path, "UTC", ["semicolon_metric", "mine"], tests=text)
    (one,) = caught.value.problems
    assert (one.code, one.hint) == ("unknown_profile", "Did you mean `semicolon_metric`?")


def test_a_repair_of_another_vehicle_contradicts_the_test(tmp_path):
    told = found(
        tmp_path,
        tests="log,vehicle_id,started_at,repair_id\na.csv,V1,2026-05-11,R1\n",
        repairs="repair_id,vehicle_id,performed_at\nR1,V2,2026-05-10\n",
    )
    assert told == [("repair_of_other_vehicle", "registry/tests.csv", 2)]


def test_values_out_of_range_and_wrong_words(tmp_path):
    text = (
        "log,vehicle_id,started_at,altitude_m,barometric_kpa,purpose\n"
        "a.csv,V1,2026-05-11,9000,1013,screning\n"
    )
    told = problems(tmp_path, tests=text)
    assert [one.code for one in told] == ["unknown_word", "out_of_range", "out_of_range"]
    assert told[0].hint == "Did you mean `screening`?"


def test_instruments_and_volumes(tmp_path):
    registry = read(
        tmp_path,
        instruments="instrument_id,channel,accuracy\nI1,low_side_kpa,5\nI1,high_side_kpa,20\n",
        volumes="model_id,build_month,vehicles_built\nA,2026-03,1200\nA,2026-04-01,1300\n",
    )
    assert registry.instruments["accuracy"].to_list() == [5.0, 20.0]
    assert registry.volumes["build_month"].to_list() == [dt.date(2026, 3, 1), dt.date(2026, 4, 1)]
    told = found(
        tmp_path,
        instruments="instrument_id,channel\nI1,low_side\nI2,low_side_kpa\nI2,low_side_kpa\n",
        volumes="model_id,build_month,vehicles_built\nA,2026-13,3.5\n",
    )
    assert told == [
        ("unknown_word", "registry/instruments.csv", 2),
        ("duplicate_id", "registry/instruments.csv", 4),
        ("not_month", "registry/volumes.csv", 2),
        ("not_count", "registry/volumes.csv", 2),
    ]


def test_many_faults_of_a_kind_are_told_in_part_and_counted(tmp_path):
    rows = "".join(f"V{n},B\n" for n in range(100))
    told = problems(tmp_path, vehicles="vehicle_id,model_id\nV1x,A\n" + rows, tests=None)
    dangling = [one for one in told if one.code == "dangling_reference"]
    assert len(dangling) == 21
    assert any("80 more rows" in one.sentence for one in dangling)


def test_parquet_and_xlsx_give_the_same_registry_as_csv(tmp_path):
    text = "vehicle_id,model_id,build_date,odometer_km\nV1,A,2020-03-01,12000.5\nV2,A,,\n"
    from_csv = read(tmp_path, vehicles=text).vehicles
    (tmp_path / "registry" / "vehicles.csv").unlink()
    workspace = Workspace(tmp_path)
    frame = pl.DataFrame(
        {
            "vehicle_id": ["V1", "V2"],
            "model_id": ["A", "A"],
            "build_date": [dt.date(2020, 3, 1), None],
            "odometer_km": [12000.5, None],
        }
    )
    frame.write_parquet(workspace.registry_folder / "vehicles.parquet")
    assert read_registry(workspace, "UTC").vehicles.equals(from_csv)
    (workspace.registry_folder / "vehicles.parquet").unlink()
    book = openpyxl.Workbook()
    for row in ([], frame.columns, *frame.rows()):
        book.active.append(list(row))
    book.save(workspace.registry_folder / "vehicles.xlsx")
    assert read_registry(workspace, "UTC").vehicles.equals(from_csv)


def test_xlsx_rows_are_counted_as_the_spreadsheet_counts_them(tmp_path):
    book = openpyxl.Workbook()
    for row in ([], ["vehicle_id", "model_id"], [], ["V1", "A"], [], ["V2", "B"]):
        book.active.append(row)
    workspace = workspace_with(tmp_path, vehicles=None)
    book.save(workspace.registry_folder / "vehicles.xlsx")
    with pytest.raises(ProblemsError) as caught:
        read_registry(workspace, "UTC")
    assert [(one.code, one.file, one.line) for one in caught.value.problems] == [
        ("dangling_reference", "registry/vehicles.xlsx", 6)
    ]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("vehicles.xlsx", b"no workbook"),
        ("vehicles.parquet", b"no parquet"),
        ("vehicles.csv", b"\0\1\2\0" * 50),
    ],
)
def test_a_file_that_is_not_what_its_name_says(tmp_path, name, content):
    told = found(tmp_path, **{"vehicles": None, name: content})
    assert ("unreadable_file", f"registry/{name}", None) in told


def test_two_files_for_one_table(tmp_path):
    told = found(tmp_path, **{"vehicles.parquet": b"x"})
    assert ("two_files", "registry/vehicles.csv", None) in told


def test_a_row_with_more_cells_than_the_header(tmp_path):
    told = found(tmp_path, vehicles="vehicle_id,model_id\nV1,A,x,y\n")
    assert told == [("too_many_cells", "registry/vehicles.csv", 2)]


def test_a_column_given_twice(tmp_path):
    told = found(tmp_path, vehicles="vehicle_id,model_id,model_id\nV1,A,A\n")
    assert told == [("duplicate_column", "registry/vehicles.csv", 1)]


def test_required_columns_are_those_of_the_input_contract():
    required = {
        table.name: [entry.name for entry in table.entries if entry.required]
        for table in REGISTRY_FILES
    }
    assert required == {
        "models": ["model_id", "refrigerant"],
        "vehicles": ["vehicle_id", "model_id"],
        "tests": ["log", "vehicle_id", "started_at"],
        "repairs": ["repair_id", "vehicle_id", "performed_at"],
        "instruments": ["instrument_id", "channel"],
        "volumes": ["model_id", "build_month", "vehicles_built"],
        "dispositions": ["disposition_id", "recorded_at", "kind", "vehicle_id"],
    }
