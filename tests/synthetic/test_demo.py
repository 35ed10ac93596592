"""The demo fleet on disk: same seed same bytes, contract columns, dialects, truth kept apart."""

from __future__ import annotations

import gzip
import hashlib
import io
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from synthetic import logs
from synthetic.demo import write_demo_fleet
from synthetic.dialects import (
    Recording,
    header_block_imperial,
    long_parquet,
    semicolon_metric,
    timestamp_comma,
)
from synthetic.troubles import KINDS

# the input contract of the project: columns a registry file may have
CONTRACT = {
    "models": "model_id refrigerant charge_g compressor control_target expansion_device "
    "internal_heat_exchanger rear_evaporator receiver low_port_station high_port_station "
    "condenser_fan_stages warranty_months warranty_km architecture",
    "vehicles": "vehicle_id model_id build_date in_service_date plant region fleet odometer_km "
    "last_seen_date",
    "tests": "log vehicle_id started_at test_id site_id technician_id purpose repair_id protocol "
    "profile odometer_km altitude_m barometric_kpa ambient_c ambient_humidity_pct recirculation "
    "blower_pct doors_open cabin_setpoint_c instrument_id clamps_insulated",
    "repairs": "repair_id vehicle_id performed_at shop_id technician_id odometer_km complaint "
    "component action recovered_g charged_g oil_ml leak_found part_number supplier part_lot "
    "parts_cost labour_cost claim_id reported_at",
    "instruments": "instrument_id channel accuracy resolution calibrated_on",
    "volumes": "model_id build_month vehicles_built plant",
}
REQUIRED = {
    "models": {"model_id", "refrigerant"},
    "vehicles": {"vehicle_id", "model_id"},
    "tests": {"log", "vehicle_id", "started_at"},
    "repairs": {"repair_id", "vehicle_id", "performed_at"},
    "instruments": {"instrument_id", "channel"},
    "volumes": {"model_id", "build_month", "vehicles_built"},
}
SMALL = {"vehicles": 24, "tests": 60, "seconds": 150, "faulty_share": 0.5}


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    home = tmp_path_factory.mktemp("fleet")
    done = write_demo_fleet(home / "ws", home / "truth", seed=7, broken_logs=5, **SMALL)
    return home, done


def _digests(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_same_seed_same_bytes_and_another_seed_others(small, tmp_path):
    home, _ = small
    write_demo_fleet(tmp_path / "ws", tmp_path / "truth", seed=7, broken_logs=5, **SMALL)
    assert _digests(tmp_path) == _digests(home)
    suffixes = {path.split(".", 1)[1] for path in _digests(home / "ws" / "logs")}
    assert {"csv", "parquet", "csv.gz", "csv.zst"} <= suffixes
    write_demo_fleet(tmp_path / "other", tmp_path / "other-truth", seed=8, **SMALL)
    assert _digests(tmp_path / "other") != _digests(home / "ws")


def test_two_processes_write_the_same_bytes_as_one(tmp_path, monkeypatch):
    monkeypatch.setattr(logs, "MOST_IN_A_BATCH", 5)
    order = {"vehicles": 5, "tests": 9, "seconds": 60, "models": 10, "years": 3}
    for processes in (1, 2):
        home = tmp_path / str(processes)
        write_demo_fleet(home / "ws", home / "truth", processes=processes, **order)
    assert _digests(tmp_path / "1") == _digests(tmp_path / "2")


def test_loggers_write_mdf_only_when_asked(tmp_path):
    order = {"vehicles": 12, "tests": 24, "seconds": 60, "seed": 5}
    write_demo_fleet(tmp_path / "a", tmp_path / "a-truth", **order)
    write_demo_fleet(tmp_path / "b", tmp_path / "b-truth", with_mdf=True, **order)
    assert not list((tmp_path / "a" / "logs").rglob("*.mf4"))
    mdf = [path.stem for path in (tmp_path / "b" / "logs").rglob("*.mf4")]
    assert mdf
    # the same tests, otherwise: only the form of the file differs
    assert {path.stem for path in (tmp_path / "a" / "logs").rglob("*.*")} > set(mdf)


def test_true_stations_are_kept_for_every_test(small):
    home, _ = small
    tests = pl.read_parquet(home / "truth" / "truth_tests.parquet")
    stations = pl.read_parquet(home / "truth" / "truth_stations.parquet")
    assert stations["test_id"].to_list() == tests["test_id"].to_list()
    assert stations.filter(pl.col("true_high_side_kpa") <= pl.col("true_low_side_kpa")).is_empty()


@pytest.mark.parametrize("name", CONTRACT)
def test_registry_files_keep_to_the_input_contract(small, name):
    home, _ = small
    frame = pl.read_csv(home / "ws" / "registry" / f"{name}.csv", infer_schema_length=None)
    assert set(frame.columns) <= set(CONTRACT[name].split())
    assert set(frame.columns) >= REQUIRED[name]
    assert frame.height > 0


def test_references_between_registry_files_hold(small):
    registry = small[0] / "ws" / "registry"
    frames = {name: pl.read_csv(registry / f"{name}.csv") for name in CONTRACT}
    vehicles = set(frames["vehicles"]["vehicle_id"])
    assert set(frames["vehicles"]["model_id"]) <= set(frames["models"]["model_id"])
    assert set(frames["tests"]["vehicle_id"]) <= vehicles
    assert set(frames["repairs"]["vehicle_id"]) <= vehicles
    assert set(frames["tests"]["repair_id"].drop_nulls()) <= set(frames["repairs"]["repair_id"])
    for name in ("vehicle_id", "test_id", "log"):
        column = frames["vehicles" if name == "vehicle_id" else "tests"][name]
        assert column.n_unique() == len(column)


def test_every_listed_log_is_there_and_no_other(small):
    home, done = small
    listed = set(pl.read_csv(home / "ws" / "registry" / "tests.csv")["log"])
    logs = home / "ws" / "logs"
    there = {str(path.relative_to(logs)) for path in logs.rglob("*") if path.is_file()}
    assert there == listed
    assert len(there) == done.n_tests + done.n_broken_logs == 65


def test_truth_stays_outside_the_workspace(small, tmp_path):
    home, done = small
    assert not done.truth_path.is_relative_to(done.folder)
    text = b"".join(path.read_bytes() for path in (home / "ws" / "registry").iterdir())
    assert not any(kind.encode() in text for kind in ("undercharge", "blend_door_leak", "severity"))
    with pytest.raises(ValueError, match="may not lie inside the workspace"):
        write_demo_fleet(tmp_path / "ws", tmp_path / "ws" / "truth", vehicles=5, tests=5)
    assert not (tmp_path / "ws").exists()


def test_truth_tells_fault_and_onset_of_every_test(small):
    home, done = small
    truth = pl.read_parquet(done.truth_path)
    assert truth.height == done.n_tests
    ill = truth.filter("is_faulty")
    assert len(set(ill["fault"])) >= 4
    assert set(ill["fault"]) <= set(KINDS)
    assert ill["severity"].is_between(0.0, 1.0, closed="right").all()
    started = ill["started_at"].str.slice(0, 10).str.to_date()
    # a fault begins before the test that shows it
    assert (started >= ill["onset_date"]).all()
    assert truth.filter(~pl.col("is_faulty"))["fault"].unique().to_list() == ["none"]
    same = pl.read_csv(home / "truth" / "truth_tests.csv")
    assert same["test_id"].to_list() == truth["test_id"].to_list()


def test_retests_follow_their_repair_and_first_tests_precede_it(small):
    home, _ = small
    registry = home / "ws" / "registry"
    joined = (
        pl.read_csv(registry / "tests.csv")
        .filter(pl.col("repair_id").is_not_null())
        .join(pl.read_csv(registry / "repairs.csv"), on="repair_id", suffix="_repair")
        .with_columns(
            pl.col("started_at", "performed_at").str.slice(0, 10).str.to_date(),
        )
    )
    before = joined.filter(purpose="before_repair")
    after = joined.filter(purpose="after_repair")
    assert before.height > 0
    assert after.height > 0
    assert (before["started_at"] <= before["performed_at"]).all()
    assert (after["started_at"] >= after["performed_at"]).all()
    assert (joined["vehicle_id"] == joined["vehicle_id_repair"]).all()


@pytest.mark.parametrize(("vehicles", "tests"), [(1, 1), (3, 2), (5, 12)])
def test_tiny_fleets_have_the_size_asked_for(tmp_path, vehicles, tests):
    done = write_demo_fleet(
        tmp_path / "ws", tmp_path / "truth", vehicles=vehicles, tests=tests, seconds=60
    )
    assert (done.n_vehicles, done.n_tests) == (vehicles, tests)
    assert len(pl.read_csv(tmp_path / "ws" / "registry" / "tests.csv")) == tests


@pytest.mark.parametrize("wrong", [{"models": 0}, {"models": 21}, {"years": 0}])
def test_a_fleet_of_no_models_or_years_is_refused(tmp_path, wrong):
    with pytest.raises(ValueError, match="at least one year"):
        write_demo_fleet(tmp_path / "ws", tmp_path / "truth", vehicles=2, tests=2, **wrong)


def test_a_fleet_without_cars_is_refused(tmp_path):
    with pytest.raises(ValueError, match="needs vehicles and tests"):
        write_demo_fleet(tmp_path / "ws", tmp_path / "truth", vehicles=0, tests=5)


def test_progress_counts_logs_to_the_end(tmp_path):
    told = []
    write_demo_fleet(
        tmp_path / "ws",
        tmp_path / "truth",
        vehicles=4,
        tests=9,
        seconds=60,
        on_progress=told.append,
    )
    assert told[-1] == 9


@pytest.fixture
def recording():
    return Recording(
        readings={
            # 2 bar above an air pressure of 95 kPa is 29.0 psi; 13 bar is 188.5 psi
            "low_side_kpa": np.array([295.0, 295.0, np.nan]),
            "high_side_kpa": np.array([1395.0, 1395.0, 1395.0]),
            "duct_left_c": np.array([5.0, 5.04, -0.06]),
            "engine_rpm": np.array([799.6, 800.0, 801.0]),
        },
        started_at=datetime.fromisoformat("2026-05-11T23:59:59+02:00"),
        site_kpa=95.0,
        site_id="low_quay",
        instrument_id="inst_a",
    )


def test_header_block_dialect_to_the_letter(recording):
    assert header_block_imperial(recording).decode().splitlines() == [
        "Test record",
        "Instrument: inst_a",
        "Site: low_quay",
        "Started: 2026-05-11 23:59:59",
        "Channels: 4",
        "Interval s: 1",
        "",
        "Elapsed,Low side,High side,Left duct,Engine speed",
        "s,psig,psig,degF,rpm",
        "0,29.0,188.5,41.0,800",
        "1,29.0,188.5,41.1,800",
        "2,,188.5,31.9,801",
    ]


def test_semicolon_dialect_to_the_letter_past_midnight(recording):
    assert semicolon_metric(recording).decode("ascii").split("\r\n") == [
        "Clock;Low side [bar gauge];High side [bar gauge];Duct left [degC];Engine speed [rpm]",
        "23:59:59;2,00;13,00;5,0;800",
        "00:00:00;2,00;13,00;5,0;800",
        "00:00:01;;13,00;-0,1;801",
        "",
    ]


def test_timestamp_dialect_to_the_letter_past_midnight(recording):
    assert timestamp_comma(recording).decode("ascii").splitlines() == [
        "timestamp,Low side (kPa abs),High side (kPa abs),Duct left (degC),Engine speed (rpm)",
        "2026-05-11T23:59:59+02:00,295.0,1395.0,5.0,800",
        "2026-05-12T00:00:00+02:00,295.0,1395.0,5.0,800",
        "2026-05-12T00:00:01+02:00,,1395.0,-0.1,801",
    ]


def test_long_dialect_is_absolute_and_in_utc(recording):
    frame = pl.read_parquet(io.BytesIO(long_parquet(recording)))
    assert frame.columns == ["timestamp", "channel", "value"]
    assert frame.height == 3 * 4
    first = frame.filter(channel="low_side_kpa_abs")
    assert first["value"].to_list() == [295.0, 295.0, None]
    assert first["timestamp"][0] == datetime.fromisoformat("2026-05-11T21:59:59+00:00")
    assert first["timestamp"][1] - first["timestamp"][0] == timedelta(seconds=1)


def test_packed_files_open_with_other_tools(small):
    home, _ = small
    logs = home / "ws" / "logs"
    packed = [path for path in logs.rglob("*.gz") if "broken" not in path.parts]
    text = gzip.decompress(packed[0].read_bytes()).decode()
    assert text.startswith("Clock;Low side [bar gauge]")
    frame = pl.read_csv(next(logs.rglob("*.zst")), skip_lines=7)
    assert frame.columns[:3] == ["Elapsed", "Low side", "High side"]
    assert frame["Low side"][0] == "psig"


def test_broken_files_are_broken_each_in_its_way(small):
    home, _ = small
    broken = {p.name.split("_", 1)[1]: p for p in (home / "ws" / "logs").rglob("broken/*")}
    assert broken["empty.csv"].read_bytes() == b""
    with pytest.raises(EOFError):
        gzip.decompress(broken["cut_short.csv.gz"].read_bytes())
    with pytest.raises(UnicodeDecodeError):
        broken["random_bytes.csv"].read_bytes().decode()
    assert "[" not in broken["without_units.csv"].read_text().splitlines()[0]
