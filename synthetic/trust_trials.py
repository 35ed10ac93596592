"""Trials for rules that doubt sensors: raw logs of every kind of mishap, and clean ones.

`write_trust_trials` plans cars of all architectures, a third of them with a fault of the car,
lets a mishap befall some of the logs, and writes logs, registry and, elsewhere, the truth.
How far each mishap changed the readings is measured against the same log without it. Does not
belong here: the mishaps (`mishaps`), rules, scores.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from synthetic.befalling import Drawn, Scene
from synthetic.car_models import MODEL, MODELS
from synthetic.car_tests import fittings_of, simulate_tests
from synthetic.fleet import Fleet, FleetSize, plan_fleet
from synthetic.logs import MOST_IN_A_BATCH, fitted_sensors, recording_of, write_log
from synthetic.mishaps import MISHAP, MISHAPS, SHARED_BY_INSTRUMENT
from synthetic.planned_tests import Habits
from synthetic.plant.faults import ADDED_CHARGE_SHARE, LOST_CHARGE_SHARE
from synthetic.plant.sensors import measure
from synthetic.registry_files import registry_frames
from synthetic.scenario import INSTRUMENT, PROTOCOLS
from synthetic.trial_effects import BatchCurves, effect_of
from synthetic.troubles import KINDS, can_have

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_Row = dict[str, Any]
CLEAN = "none"
_FAULTY_SHARE = 1.0 / 3.0
# planned beyond what is needed: logs with a mishap follow a protocol, hurried ones do not
_SPARE = 1.25
# and more where tests of one instrument are needed
_SPARE_FOR_INSTRUMENTS = 200
# tests of one instrument that share its offset
_TESTS_AN_INSTRUMENT = 10


@dataclass(frozen=True)
class TrialOrder:
    """How many logs to write: per kind of mishap and clean; `seconds` of each; kinds wanted."""

    seed: int = 1
    logs_per_mishap: int = 40
    clean_logs: int = 300
    seconds: int = 900
    kinds: tuple[str, ...] = tuple(MISHAP)


@dataclass(frozen=True)
class TrustTrials:
    """What was written and where."""

    folder: Path
    truth_path: Path
    n_logs: int


def _planned_tests(rng: np.random.Generator, order: TrialOrder) -> tuple[Fleet, list[_Row]]:
    """A fleet of sound cars, and its tests in any order, more of them than are needed."""
    n_tests = int(_SPARE * (order.logs_per_mishap * len(order.kinds) + order.clean_logs)) + 40
    n_tests += _SPARE_FOR_INSTRUMENTS * len(set(order.kinds) & set(SHARED_BY_INSTRUMENT))
    habits = Habits(mishap_share=0.0, seconds=order.seconds)
    size = FleetSize(max(12, n_tests // 2), n_tests, 0.0, n_models=len(MODELS), habits=habits)
    fleet = plan_fleet(rng, size)
    rows = fleet.tests.to_dicts()
    return fleet, [rows[place] for place in rng.permutation(len(rows))]


def _hurt(rng: np.random.Generator, row: _Row) -> None:
    """With one car in three something is wrong, any fault that its model can have."""
    if rng.random() >= _FAULTY_SHARE:
        return
    model = MODEL[row["model_id"]]
    kind = str(rng.choice([kind for kind in KINDS if can_have(model, kind)]))
    severity = round(float(rng.uniform(0.3, 1.0)), 3)
    row |= {"true_fault": kind, "true_severity": severity, f"true_severity_{kind}": severity}
    if kind == "undercharge":
        row["true_charge_g"] = model.charge_g * (1.0 - LOST_CHARGE_SHARE * severity)
    if kind == "overcharge":
        row["true_charge_g"] = model.charge_g * (1.0 + ADDED_CHARGE_SHARE * severity)


def _scene(row: _Row, sensors: list[str], offset: float) -> Scene:
    protocol = {each.label: each for each in PROTOCOLS}.get(row["protocol"])
    return Scene(
        seconds=float(row["true_logged_s"]),
        sensors=tuple(sensors),
        refrigerant=MODEL[row["model_id"]].refrigerant,
        is_recirculated=protocol is not None and protocol.recirculation == "recirculated",
        has_exchanger=MODEL[row["model_id"]].internal_heat_exchanger,
        offset=offset,
    )


def _clean(rng: np.random.Generator, row: _Row) -> _Row:
    """A test that nothing befalls."""
    row = row | {"true_mishap": CLEAN, "drawn": None}
    _hurt(rng, row)
    return row | {"sensors": fitted_sensors(row, rng)}


def _befallen(rng: np.random.Generator, row: _Row, kind: str, number: int) -> _Row | None:
    """A test with a mishap; None where its kind cannot befall this test."""
    row = row | {"true_mishap": kind}
    _hurt(rng, row)
    sensors = fitted_sensors(row, rng)
    offset = 0.0
    if kind in SHARED_BY_INSTRUMENT:
        group = number // _TESTS_AN_INSTRUMENT
        base = list(INSTRUMENT)[group % len(INSTRUMENT)]
        if row["instrument_id"] != base:
            return None
        row["instrument_id"] = f"{base}_{kind}_{group + 1}"
        offset = float(np.random.default_rng([len(kind), group]).uniform(-1.0, 1.0))
    scene = _scene(row, sensors, offset)
    if not MISHAP[kind].befalls(scene):
        return None
    drawn = MISHAP[kind].draw(rng, scene)
    return row | {"drawn": drawn, "sensors": [n for n in sensors if n not in drawn.left_out]}


def _planned(rng: np.random.Generator, tests: list[_Row], order: TrialOrder) -> list[_Row]:
    """Rows of the logs to write: clean ones of any test, hit ones of tests by protocol."""
    rows = [_clean(rng, row) for row in tests[: order.clean_logs]]
    waiting = [row for row in tests[order.clean_logs :] if not row["true_is_sloppy"]]
    for kind in order.kinds:
        for number in range(order.logs_per_mishap):
            for place, row in enumerate(waiting):
                befallen = _befallen(rng, row, kind, number)
                if befallen is not None:
                    rows.append(befallen)
                    del waiting[place]
                    break
    return rows


def _fitted_rows(rows: list[_Row]) -> list[_Row]:
    """The rows with the fitting that their mishap makes."""
    return [
        row | {f"fit_{name}": value for name, value in row["drawn"].changes.items()}
        if row["drawn"]
        else row
        for row in rows
    ]


def _truth_row(row: _Row, test: int, curves: BatchCurves) -> _Row:
    """What is kept of one log for the score."""
    effect = effect_of(row, test, curves)
    drawn: Drawn | None = row["drawn"]
    return {
        "test_id": row["test_id"],
        "log": row["log"],
        "model_id": row["model_id"],
        "instrument_id": row["instrument_id"],
        "mishap": row["true_mishap"],
        "channels": " ".join(drawn.channels) if drawn else "",
        "severity": drawn.severity if drawn else None,
        "unit": drawn.unit if drawn else "",
        "moment_s": drawn.moment_s if drawn else None,
        "detail": drawn.detail if drawn else "",
        "left_out": " ".join(drawn.left_out) if drawn else "",
        "effect": round(effect.size, 3),
        "effect_share": round(effect.share, 4),
        "exempt_because": effect.exempt_because,
        "fault": row["true_fault"],
        "fault_severity": row["true_severity"],
        "is_sloppy": row["true_is_sloppy"],
        "start_s": row["true_start_s"],
        "stop_s": row["true_stop_s"],
        "coolant_over_ambient_k": row["true_coolant_over_ambient_k"],
        "running_s": effect.running_s,
        "protocol": row["protocol"],
    }


@dataclass(frozen=True)
class _Job:
    """One batch for one process."""

    number: int
    rows: tuple[_Row, ...]
    logs: Path
    order: TrialOrder


def _write_batch(job: _Job) -> list[_Row]:
    """The logs of one batch written; the truth of each."""
    rows, seconds = list(job.rows), job.order.seconds
    truth = simulate_tests(rows, seconds, np.random.default_rng([job.order.seed, 12, job.number]))
    seed = [job.order.seed, 13, job.number]
    careful = measure(truth, fittings_of(rows), np.random.default_rng(seed))
    hit = _fitted_rows(rows)
    read = measure(truth, fittings_of(hit), np.random.default_rng(seed))
    for test, row in enumerate(hit):
        recording = recording_of(row, {name: read[name][:, test] for name in row["sensors"]})
        write_log(job.logs / row["log"], recording, _like(row["instrument_id"]), with_mdf=False)
    curves = BatchCurves(truth, careful, read)
    return [_truth_row(row, test, curves) for test, row in enumerate(hit)]


def _parts(rows: list[_Row]) -> list[tuple[_Row, ...]]:
    starts = range(0, len(rows), MOST_IN_A_BATCH)
    return [tuple(rows[start : start + MOST_IN_A_BATCH]) for start in starts]


def _worked(jobs: list[_Job], processes: int) -> Iterator[list[_Row]]:
    if processes <= 1 or len(jobs) == 1:
        yield from map(_write_batch, jobs)
        return
    # spawned, not forked: Polars runs threads, which a fork would break
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from pool.map(_write_batch, jobs)


def _write_registry(fleet: Fleet, rows: list[_Row], folder: Path) -> None:
    """Registry of the trial: as of the fleet, with wrong refrigerants as models of their own."""
    plain = [{k: v for k, v in row.items() if k not in {"drawn", "sensors"}} for row in rows]
    models, vehicles = [], []
    for row, bare in zip(rows, plain, strict=True):
        registered = row["drawn"].registered if row["drawn"] else None
        if registered is None:
            continue
        model_id = f"{row['model_id']}_{registered.lower()}"
        vehicle_id = f"{row['vehicle_id']}_{row['test_id']}"
        models.append({"model_id": row["model_id"], "as": model_id, "refrigerant": registered})
        vehicles.append({"vehicle_id": row["vehicle_id"], "as": vehicle_id, "model_id": model_id})
        # repairs stay with the car that they were done on
        bare |= {"vehicle_id": vehicle_id, "repair_id": None}
    listed = Fleet(fleet.vehicles, pl.DataFrame(plain, schema=fleet.tests.schema), fleet.repairs)
    frames = registry_frames(listed, n_models=len(MODELS))
    frames["models"] = _with_copies(frames["models"], models, "model_id")
    frames["vehicles"] = _with_copies(frames["vehicles"], vehicles, "vehicle_id")
    frames["instruments"] = _with_instruments(frames["instruments"], plain)
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        frame.write_csv(folder / f"{name}.csv")


def _with_copies(frame: pl.DataFrame, copies: list[dict[str, str]], key: str) -> pl.DataFrame:
    """The frame with copies of rows under another key and with other values."""
    known = {row[key]: row for row in frame.to_dicts()}
    made = {}
    for copy in copies:
        changed = {name: value for name, value in copy.items() if name not in {key, "as"}}
        made[copy["as"]] = known[copy[key]] | changed | {key: copy["as"]}
    return pl.concat([frame, pl.DataFrame(list(made.values()), schema=frame.schema)])


def _like(instrument_id: str) -> str:
    """The instrument of the scenario that one of a trial's own is like."""
    return instrument_id.split("_instrument", 1)[0]


def _with_instruments(frame: pl.DataFrame, rows: list[_Row]) -> pl.DataFrame:
    """The instruments with those that only a trial has, stated as their likes."""
    added = sorted({row["instrument_id"] for row in rows} - set(INSTRUMENT))
    copies = [
        frame.filter(instrument_id=_like(one)).with_columns(instrument_id=pl.lit(one))
        for one in added
    ]
    return pl.concat([frame, *copies])


def write_trust_trials(
    folder: Path,
    truth_folder: Path,
    order: TrialOrder,
    *,
    processes: int = 1,
    on_progress: Callable[[int], None] | None = None,
) -> TrustTrials:
    """Logs and registry of the trials in `folder`, their truth in `truth_folder`.

    Parameters
    ----------
    folder
        A workspace; `registry/` and `logs/` are written there.
    truth_folder
        Where the truth goes; must lie outside the workspace.
    order
        Same order, same bytes.
    processes
        That share the simulation, which changes no byte.
    on_progress
        Called with the number of logs written so far.

    Raises
    ------
    ValueError
        The truth folder lies inside the workspace, or a kind of mishap is unknown.
    """
    folder, truth_folder = Path(folder), Path(truth_folder)
    _check(folder, truth_folder, order)
    rng = np.random.default_rng([order.seed, 11])
    fleet, tests = _planned_tests(rng, order)
    rows = _planned(rng, tests, order)
    _write_registry(fleet, rows, folder / "registry")
    jobs = [_Job(number, part, folder / "logs", order) for number, part in enumerate(_parts(rows))]
    truth: list[_Row] = []
    for done in _worked(jobs, processes):
        truth += done
        if on_progress is not None:
            on_progress(len(truth))
    truth_folder.mkdir(parents=True, exist_ok=True)
    path = truth_folder / "truth_trials.parquet"
    frame = pl.DataFrame(truth, infer_schema_length=None).sort("test_id")
    frame.write_parquet(path, statistics=False)
    frame.write_csv(truth_folder / "truth_trials.csv")
    return TrustTrials(folder, path, frame.height)


def _check(folder: Path, truth_folder: Path, order: TrialOrder) -> None:
    if truth_folder.resolve().is_relative_to(folder.resolve()):
        raise ValueError(
            f"the truth may not lie inside the workspace: {truth_folder} is under {folder}; "
            "give a folder beside it"
        )
    unknown = sorted(set(order.kinds) - set(MISHAP))
    if unknown:
        known = ", ".join(each.code for each in MISHAPS)
        raise ValueError(f"unknown kinds of mishap: {', '.join(unknown)}; known are {known}")
