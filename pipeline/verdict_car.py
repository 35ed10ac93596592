"""Which test a log is that a verdict is asked of: by the registry, its own word, or a person.

Takes a file and what a person states of it, gives the log as an ingest would plan it and the
registry with it. Nothing is written. Does not belong here: reading the log, judging it
(`verdict`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.assignment import Assignment, assign_logs
from pipeline.fingerprints import LogFile, hash_logs
from pipeline.ingest_plan import Plan, PlannedLog, plan_ingest
from pipeline.log_batches import Workshop
from pipeline.log_context import log_contexts
from pipeline.problems import Problem, ProblemsError, did_you_mean
from pipeline.store_tables import LOGS

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.inputs import Inputs
    from pipeline.registry import Registry
    from pipeline.workspace import Workspace

# What a car is called that the registry does not have and that is judged as one of its model.
UNREGISTERED = "unregistered car"


@dataclass(frozen=True)
class Stated:
    """What a person states of a log: the car or its model, and the place; None is not stated.

    `started_at` is the start of the log; where nothing states it, it is taken to be now.
    """

    vehicle_id: str | None = None
    model_id: str | None = None
    started_at: datetime | None = None
    ambient_c: float | None = None
    ambient_humidity_pct: float | None = None
    altitude_m: float | None = None
    barometric_kpa: float | None = None
    blower_pct: float | None = None

    @property
    def names_a_car(self) -> bool:
        """Whether it says which car it is, or what kind of car."""
        return self.vehicle_id is not None or self.model_id is not None

    @property
    def facts(self) -> dict[str, Any]:
        """Columns of the tests table that are stated, but for the car."""
        names = (
            "started_at", "ambient_c", "ambient_humidity_pct", "altitude_m", "barometric_kpa",
            "blower_pct",
        )  # fmt: skip
        values = {name: getattr(self, name) for name in names}
        return {name: value for name, value in values.items() if value is not None}


@dataclass(frozen=True)
class AskedLog:
    """A log ready to be read and judged: as planned, what reads it, the registry with its car."""

    planned: PlannedLog
    workshop: Workshop
    registry: Registry


def ask_for(
    file: Path, stated: Stated, workspace: Workspace, inputs: Inputs, clock: datetime
) -> AskedLog:
    """The log as the test that it is.

    A row of the registry, or what the log says by its profile, serves where the file lies
    under logs/; what is stated besides overrules it. Else the car or its model is to be
    stated.

    Raises
    ------
    ProblemsError
        It cannot be told which car it is, or its car, model or start cannot be judged.
    """
    file, logs = file.resolve(), workspace.logs_folder.resolve()
    is_inside = file.is_relative_to(logs)
    path = file.relative_to(logs).as_posix() if is_inside else file.name
    hashed = next(iter(hash_logs([path], [file])))
    registry, assignment = _registry_of(hashed, stated, workspace, inputs, is_inside=is_inside)
    registry = _with_car(registry, hashed, stated, clock)
    contexts = log_contexts(registry, inputs.settings.site.altitude_m)
    plan = plan_ingest([hashed], contexts, LOGS.empty(), "", assignment)
    planned = _the_one(plan, clock)
    workshop = Workshop.of(workspace, inputs)
    return AskedLog(
        planned, workshop if is_inside else replace(workshop, logs_folder=file.parent), registry
    )


def _registry_of(
    hashed: LogFile, stated: Stated, workspace: Workspace, inputs: Inputs, *, is_inside: bool
) -> tuple[Registry, Assignment | None]:
    """The registry with the rows of this log alone, by a person's hand or its own word."""
    registry = inputs.registry
    mine = registry.tests.filter((pl.col("log") == hashed.path) & is_inside)
    if not mine.is_empty():
        return replace(registry, tests=mine), None
    bare = replace(registry, tests=mine)
    if stated.names_a_car or not is_inside:
        return bare, None
    assignment = assign_logs([hashed], workspace, inputs)
    return assignment.added_to(bare), assignment


def _with_car(registry: Registry, hashed: LogFile, stated: Stated, clock: datetime) -> Registry:
    """The registry with one row for the log, as stated; its row as it is where nothing is."""
    _check_stated(registry, stated, hashed.path)
    has_row = not registry.tests.is_empty()
    if not has_row and not stated.names_a_car:
        return registry
    row = (
        registry.tests.row(0, named=True)
        if has_row
        else dict.fromkeys(registry.tests.schema) | {"log": hashed.path, "started_at": clock}
    )
    if not has_row:
        row["vehicle_id"] = stated.vehicle_id or UNREGISTERED
    tests = pl.DataFrame([row | stated.facts], schema=registry.tests.schema)
    if has_row or stated.vehicle_id is not None:
        return replace(registry, tests=tests)
    car = dict.fromkeys(registry.vehicles.schema) | {
        "vehicle_id": UNREGISTERED,
        "model_id": stated.model_id,
    }
    cars = pl.concat([registry.vehicles, pl.DataFrame([car], schema=registry.vehicles.schema)])
    return replace(registry, tests=tests, vehicles=cars)


def _check_stated(registry: Registry, stated: Stated, path: str) -> None:
    """Refuse a car or model that the registry does not have, or says otherwise."""
    for what, name, known in (
        ("vehicle", stated.vehicle_id, registry.vehicles["vehicle_id"].to_list()),
        ("model", stated.model_id, registry.models["model_id"].to_list()),
    ):
        if name is not None and name not in known:
            raise _problem(
                f"{what}_unknown",
                f"registry/{what}s has no {what} {name!r}.",
                path,
                did_you_mean(name, known) or f"Name one that stands in registry/{what}s.",
            )
    models = dict(registry.vehicles.select("vehicle_id", "model_id").iter_rows())
    for vehicle_id in {stated.vehicle_id, *registry.tests["vehicle_id"]} - {None}:
        model_id = models.get(str(vehicle_id))
        if stated.model_id is not None and model_id != stated.model_id:
            sentence = f"the registry says that {vehicle_id} is of model {model_id}."
            raise _problem("model_contradicted", sentence, path, "Leave out --model.")
    for vehicle_id in registry.tests["vehicle_id"]:
        if stated.vehicle_id not in (None, vehicle_id):
            raise _problem(
                "vehicle_contradicted",
                f"registry/tests says that this log is of {vehicle_id}.",
                path,
                "Leave out --vehicle, or correct the row.",
            )


def _the_one(plan: Plan, clock: datetime) -> PlannedLog:
    if not plan.to_read:
        refused = plan.to_refuse[0].complaint
        hint = refused.hint
        if plan.to_refuse[0].held is not None or refused.code == "no_registry_row":
            hint = "Say which car it is: --vehicle ID, or --model ID for a car not on record."
        raise _problem(refused.code, refused.sentence, refused.path, hint)
    planned = plan.to_read[0]
    if planned.context["started_at"] > clock:
        raise _problem(
            "starts_later",
            f"this test starts at {planned.context['started_at']:%Y-%m-%d %H:%M} UTC, which is "
            "later than now.",
            planned.file.path,
            "Correct its start in registry/tests, or state it with --started.",
        )
    return planned


def _problem(code: str, sentence: str, path: str, hint: str) -> ProblemsError:
    return ProblemsError([Problem(code, sentence, path, hint=hint)])
