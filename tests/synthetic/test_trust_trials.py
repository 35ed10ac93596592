"""Trials for trust rules: the truth matches what was written; same order, same bytes."""

from __future__ import annotations

import gzip
import hashlib
import io
from datetime import datetime

import numpy as np
import polars as pl
import pyarrow as pa
import pytest

from synthetic.befalling import Drawn
from synthetic.car_models import MODELS
from synthetic.log_clock import log_clock
from synthetic.mishaps import MISHAP, SHARED_BY_INSTRUMENT
from synthetic.trust_trials import CLEAN, TrialOrder, write_trust_trials
from synthetic.untellable import UNTELLABLE, Case

SMALL = TrialOrder(seed=5, logs_per_mishap=2, clean_logs=24, seconds=300)
WRITTEN_KPA = {"psig": 6.894757, "bar gauge": 100.0, "kPa abs": 1.0}


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    home = tmp_path_factory.mktemp("trial")
    done = write_trust_trials(home / "ws", home / "truth", SMALL)
    return home / "ws", pl.read_parquet(done.truth_path)


def of_kind(trial, kind):
    return trial[1].filter(mishap=kind).to_dicts()


def text_of(path):
    content = path.read_bytes()
    if path.suffix == ".gz":
        content = gzip.decompress(content)
    if path.suffix == ".zst":
        content = pa.CompressedInputStream(io.BytesIO(content), "zstd").read()
    return content.decode()


def columns_of(folder, row):
    """Seconds since the first row and the numbers of a log, by a reader of this file's own."""
    path = folder / "logs" / row["log"]
    if path.suffix == ".parquet":
        long = pl.read_parquet(path)
        start = long["timestamp"].min()
        wide = long.with_columns(s=(pl.col("timestamp") - start).dt.total_seconds())
        seconds = wide.filter(channel="low_side_kpa_abs")["s"].to_numpy()
        return seconds, {
            name[0]: part["value"].to_numpy() for name, part in wide.group_by("channel")
        }
    lines = text_of(path).splitlines()
    if lines[0] == "Test record":
        names, data, mark = lines[7].split(","), lines[9:], ","
    else:
        mark = ";" if ";" in lines[0] else ","
        names, data = lines[0].split(mark), lines[1:]
    cells = [
        line.replace(",", ".").split(mark) if mark == ";" else line.split(mark) for line in data
    ]
    table = {name: [row[i] for row in cells] for i, name in enumerate(names)}
    return _seconds(table.pop(names[0])), {
        name: np.array([float(cell) if cell else np.nan for cell in column])
        for name, column in table.items()
    }


def _seconds(texts):
    if texts[0].isdigit():
        return np.array([int(text) for text in texts])
    form = "%H:%M:%S" if "T" not in texts[0] else "%Y-%m-%dT%H:%M:%S%z"
    times = [datetime.strptime(text, form) for text in texts]  # noqa: DTZ007 - differences only
    return np.array([(time - times[0]).total_seconds() for time in times])


def test_every_kind_is_there_as_often_as_asked_for(trial):
    counts = dict(trial[1]["mishap"].value_counts().iter_rows())
    assert counts.pop(CLEAN) == 24
    assert set(counts) == set(MISHAP)
    assert set(counts.values()) == {2}, counts


def test_a_third_of_the_cars_has_a_fault_with_and_without_mishap(tmp_path):
    order = TrialOrder(seed=2, logs_per_mishap=40, clean_logs=60, seconds=60, kinds=("gap",))
    truth = pl.read_parquet(write_trust_trials(tmp_path / "w", tmp_path / "t", order).truth_path)
    for part in (truth.filter(mishap=CLEAN), truth.filter(mishap="gap")):
        share = (part["fault"] != "none").mean()
        # 40 logs: three standard deviations of a third are 0.22
        assert share == pytest.approx(1 / 3, abs=0.22)
    assert truth.filter(pl.col("fault") != "none")["fault"].n_unique() >= 6
    assert truth["model_id"].n_unique() == 10


def test_what_befell_the_clock_stands_in_the_file(trial):
    folder, _ = trial
    for row in of_kind(trial, "gap"):
        steps = np.diff(columns_of(folder, row)[0])
        assert steps.max() == row["severity"] + 1.0
        assert np.argmax(steps) == row["moment_s"] - 1
    for row in of_kind(trial, "clock_jump"):
        seconds = columns_of(folder, row)[0]
        assert len(seconds) == 300
        assert np.diff(seconds).max() == row["severity"] + 1.0
    for row in of_kind(trial, "clock_jump_back"):
        assert np.diff(columns_of(folder, row)[0]).min() == row["severity"] + 1.0
    for row in of_kind(trial, "repeated_times"):
        assert (np.diff(columns_of(folder, row)[0]) == 0.0).sum() == row["severity"]
    for row in of_kind(trial, "slow_logger"):
        assert np.median(np.diff(columns_of(folder, row)[0])) == row["severity"]


def _high(columns):
    return next(values for name, values in columns.items() if name.lower().startswith("high"))


def _low(columns):
    return next(values for name, values in columns.items() if name.lower().startswith("low"))


def test_swapped_sides_are_swapped_in_the_file(trial):
    for row in of_kind(trial, "sides_swapped"):
        columns = columns_of(trial[0], row)[1]
        assert np.nanmedian(_low(columns)) > np.nanmedian(_high(columns))


def test_a_stuck_logger_stands_still_from_its_moment_on(trial):
    for row in of_kind(trial, "stuck_logger"):
        columns = columns_of(trial[0], row)[1]
        assert np.ptp(_high(columns)[int(row["moment_s"]) :]) == 0.0
        assert np.ptp(_high(columns)[: int(row["moment_s"])]) > 0.0


def test_the_new_line_of_a_moved_clamp_lacks_its_own_clamp_where_the_truth_says_so(tmp_path):
    order = TrialOrder(
        seed=3, logs_per_mishap=12, clean_logs=1, seconds=120, kinds=("clamp_moved",)
    )
    done = write_trust_trials(tmp_path / "w", tmp_path / "t", order)
    truth = pl.read_parquet(done.truth_path).filter(mishap="clamp_moved")
    words = {
        "compressor_suction_c": ("Suction", "Compressor suction", "compressor_suction"),
        "compressor_discharge_c": ("Discharge", "Compressor discharge", "compressor_discharge"),
        "condenser_outlet_c": ("Liquid line", "Condenser outlet", "condenser_outlet"),
        "expansion_inlet_c": ("Expansion inlet", "expansion_inlet"),
        "evaporator_outlet_c": ("Evaporator outlet", "evaporator_outlet"),
        "rear_evaporator_outlet_c": ("Rear evaporator outlet", "rear_evaporator_outlet"),
    }  # fmt: skip
    for row in truth.iter_rows(named=True):
        names = columns_of(tmp_path / "w", row)[1]
        has_it = any(name.startswith(words[row["detail"]]) for name in names)
        assert has_it == (row["left_out"] == ""), row
        assert row["detail"] != row["channels"]
    assert set(truth["left_out"] != "") == {True, False}


def test_the_effect_is_measured_against_the_same_log_without_the_mishap(trial):
    for row in of_kind(trial, "clamp_biased"):
        # steps of 0.1 K on both readings
        assert row["effect"] == pytest.approx(abs(row["severity"]), abs=0.11)
    for row in of_kind(trial, "intake_warm"):
        assert row["effect"] == pytest.approx(row["severity"], abs=0.11)


def test_what_nobody_can_tell_is_exempt_with_its_reason(trial):
    for kind in ("like_refrigerant", "kgf_as_bar"):
        assert all(row["exempt_because"] for row in of_kind(trial, kind))
    assert all(row["exempt_because"] is None for row in of_kind(trial, CLEAN))


def test_a_wrong_refrigerant_stands_in_the_registry_alone(trial):
    registry = trial[0] / "registry"
    tests = pl.read_csv(registry / "tests.csv").select("test_id", "vehicle_id")
    vehicles = pl.read_csv(registry / "vehicles.csv").select("vehicle_id", "model_id")
    models = pl.read_csv(registry / "models.csv").select("model_id", "refrigerant")
    said = tests.join(vehicles, on="vehicle_id").join(models, on="model_id")
    listed = dict(said.select("test_id", "refrigerant").iter_rows())
    for row in of_kind(trial, "other_refrigerant"):
        assert row["detail"] == f"registered as {listed[row['test_id']]}"
        assert listed[row["test_id"]] not in {"R134a", "R1234yf"}
    for row in of_kind(trial, CLEAN):
        assert listed[row["test_id"]] in {"R134a", "R1234yf"}


def test_tests_of_one_instrument_share_its_offset(tmp_path):
    order = TrialOrder(
        seed=4, logs_per_mishap=12, clean_logs=1, seconds=60, kinds=SHARED_BY_INSTRUMENT
    )
    done = write_trust_trials(tmp_path / "w", tmp_path / "t", order)
    truth = pl.read_parquet(done.truth_path).filter(pl.col("mishap") != CLEAN)
    shared = truth.group_by("instrument_id").agg(pl.col("severity").n_unique(), pl.len())
    assert shared["severity"].to_list() == [1] * shared.height
    assert sorted(shared["len"].to_list()) == [2, 2, 10, 10]
    stated = set(pl.read_csv(tmp_path / "w" / "registry" / "instruments.csv")["instrument_id"])
    assert set(truth["instrument_id"]) <= stated


def test_the_same_order_gives_the_same_bytes_on_one_process_or_two(tmp_path, monkeypatch):
    monkeypatch.setattr("synthetic.trust_trials.MOST_IN_A_BATCH", 8)
    order = TrialOrder(seed=6, logs_per_mishap=3, clean_logs=6, seconds=60, kinds=("gap", "stuck"))
    for processes in (1, 2):
        home = tmp_path / str(processes)
        write_trust_trials(home / "w", home / "t", order, processes=processes)
    other = TrialOrder(seed=7, logs_per_mishap=3, clean_logs=6, seconds=60, kinds=("gap", "stuck"))
    write_trust_trials(tmp_path / "3" / "w", tmp_path / "3" / "t", other)
    digests = [_digest(tmp_path / name) for name in ("1", "2", "3")]
    assert digests[0] == digests[1] != digests[2]


def _digest(folder):
    whole = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            whole.update(str(path.relative_to(folder)).encode() + path.read_bytes())
    return whole.hexdigest()


def test_a_bad_order_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(ValueError, match="may not lie inside the workspace"):
        write_trust_trials(tmp_path / "w", tmp_path / "w" / "t", SMALL)
    with pytest.raises(ValueError, match="unknown kinds of mishap: gapp; known are gap, "):
        write_trust_trials(tmp_path / "w", tmp_path / "t", TrialOrder(kinds=("gapp",)))
    assert not (tmp_path / "w").exists()


def test_a_clock_keeps_and_names_rows_as_its_fitting_says():
    still = {
        "fit_interval_s": 1.0, "fit_pause_s": 0.0, "fit_pause_from_s": 0.0,
        "fit_repeated_rows": 0.0, "fit_repeated_from_s": 0.0,
        "fit_clock_jump_from_s": 0.0, "fit_clock_jump_s": 0.0,
    }  # fmt: skip
    assert log_clock(still, 4).instants_s.tolist() == [0, 1, 2, 3]
    paused = log_clock({**still, "fit_pause_from_s": 1.0, "fit_pause_s": 2.0}, 5)
    assert paused.kept.tolist() == paused.instants_s.tolist() == [0, 3, 4]
    jumped = log_clock({**still, "fit_clock_jump_from_s": 2.0, "fit_clock_jump_s": 60.0}, 4)
    assert jumped.kept.tolist() == [0, 1, 2, 3]
    assert jumped.instants_s.tolist() == [0, 1, 62, 63]
    twice = log_clock({**still, "fit_repeated_from_s": 1.0, "fit_repeated_rows": 2.0}, 4)
    assert twice.instants_s.tolist() == [0, 1, 1, 2, 2, 3]


def case(kind, name, *, reads=None, **drawn):
    """A log of 300 s that starts at 100 s: R-134a at 10 bar (39.4 degC, from memory)."""
    truth = {
        "ambient_air_c": np.full(300, 25.0), "high_side_kpa": np.full(300, 1000.0),
        "condenser_outlet_c": np.full(300, 32.0), "evaporator_outlet_c": np.full(300, 8.0),
        "compressor_discharge_c": np.full(300, 70.0), "compressor_suction_c": np.full(300, 15.0),
    }  # fmt: skip
    read = dict(truth)
    if reads is not None:
        read[name] = np.full(300, reads)
    model = next(each for each in MODELS if each.refrigerant == "R134a")
    row = {"model_id": model.model_id, "true_start_s": 100.0, "sensors": list(truth)}
    runs = np.arange(300) >= 100
    return UNTELLABLE[kind](Case(row, Drawn({}, (name,), 1.0, "", **drawn), runs, truth, read))


@pytest.mark.parametrize(
    ("reason", "is_exempt"),
    [
        # a step of 62 K a minute after the start, none at rest, none between lines that stand alike
        (lambda: case("clamp_moved", "compressor_discharge_c", moment_s=160.0,
                      detail="evaporator_outlet_c"), False),
        (lambda: case("clamp_moved", "compressor_discharge_c", moment_s=60.0,
                      detail="evaporator_outlet_c"), True),
        (lambda: case("clamp_moved", "condenser_outlet_c", moment_s=160.0, reads=30.0,
                      detail="condenser_outlet_c"), True),
        (lambda: case("absolute_as_gauge", "high_side_kpa"), True),
        (lambda: case("absolute_as_gauge", "low_side_kpa"), False),
        (lambda: case("liquid_clamp_hot", "condenser_outlet_c", reads=45.0), False),
        (lambda: case("liquid_clamp_hot", "condenser_outlet_c", reads=36.0), True),
        # no suction line is 15 K warmer than the air around it
        (lambda: case("clamp_loose", "evaporator_outlet_c", reads=40.0), False),
        (lambda: case("clamp_loose", "evaporator_outlet_c", reads=24.0), True),
    ],
)  # fmt: skip
def test_what_a_circuit_can_show_is_exempt(reason, is_exempt):
    assert bool(reason()) == is_exempt
