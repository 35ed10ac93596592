"""Check: what can and cannot be read and assessed, said before anything is stored.

Takes one log file or a workspace, gives a `Checked` with the text for the terminal. It
reads and derives exactly as an ingest does, and stores nothing. Does not belong here:
rules of reading (`readers`), features (`features.derive`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.catalogue import FEATURE_RECORDS, FEATURES
from features.context import CONTEXT
from features.screening import TRUST
from features.trust.soak_biases import SOAK_BIASES
from models.instrument_offsets import find_instrument_offsets
from pipeline.assignment import assign_logs
from pipeline.check_file import FileCheck, check_one_file
from pipeline.check_outlook import trusted_names, workspace_lines
from pipeline.ingest import hashed_logs
from pipeline.ingest_plan import plan_ingest
from pipeline.inputs import read_inputs
from pipeline.log_batches import Workshop, batches, work_out
from pipeline.log_context import log_contexts
from pipeline.log_rows import complaint_rows
from pipeline.problems import Problem, ProblemsError
from pipeline.readers import READINGS
from pipeline.refusals import NOTICES
from pipeline.run import objection_lines, refusal_lines, unassigned_lines
from pipeline.store_tables import LOGS
from reports.wording import quantity_words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.ingest_plan import Plan
    from pipeline.inputs import Inputs
    from pipeline.log_batches import BatchRows
    from pipeline.progress import Progress
    from pipeline.workspace import Workspace

_KNOWN: dict[str, pl.DataType | type[pl.DataType]] = {
    "path": pl.String,
    "names": pl.List(pl.String),
    "internal_heat_exchanger": pl.Boolean,
    "rear_evaporator": pl.Boolean,
}


@dataclass(frozen=True)
class Checked:
    """What was found, as text, the number of files and columns refused, a drafted profile."""

    text: str
    n_refused: int
    draft: str | None = None


@dataclass(frozen=True)
class _Found:
    """What reading all logs of a workspace gave, without their samples."""

    readings: pl.DataFrame
    features: pl.DataFrame
    context: pl.DataFrame
    rejected: pl.DataFrame
    notices: pl.DataFrame
    trust: pl.DataFrame
    soak_biases: pl.DataFrame


def check_file(file: Path, workspace_folder: Path) -> Checked:
    """What one log file gives: each column, what is refused, what can be assessed."""
    found: FileCheck = check_one_file(file, workspace_folder)
    draft = found.draft.text if found.draft else None
    return Checked("\n".join(found.lines), found.n_refused, draft)


def save_draft(checked: Checked, path: Path) -> str:
    """Write the drafted profile to a new file; what was done, in words.

    Raises
    ------
    ProblemsError
        The file exists already.
    """
    if checked.draft is None:
        return "No profile was drafted: every column of the file is read as it is."
    try:
        with path.open("x", encoding="utf-8") as target:
            target.write(checked.draft)
    except FileExistsError:
        problem = Problem(
            "draft_exists",
            "A file of that name exists already and was left as it is.",
            str(path),
            hint="Give the draft another name.",
        )
        raise ProblemsError([problem]) from None
    return f"A drafted profile was written: {path}. Fill in what it asks, then check again."


def check_workspace(workspace: Workspace, progress: Progress, *, is_each: bool = False) -> Checked:
    """What the logs of a workspace give, read as an ingest would.

    `is_each` names every log with what it can be judged by, not only the first few.
    """
    inputs = read_inputs(workspace)
    files = hashed_logs(workspace, progress)
    assignment = assign_logs(files, workspace, inputs)
    contexts = log_contexts(assignment.added_to(inputs.registry), inputs.settings.site.altitude_m)
    plan = plan_ingest(files, contexts, LOGS.empty(), "", assignment)
    found = _read_all(workspace, inputs, plan, progress)
    lines = [*_lines(inputs, plan, found), *_model_lines(inputs, found.context)]
    lines += _instrument_lines(inputs, found)
    lines += workspace_lines(_known_of_each(found), is_each=is_each)
    n_refused = found.rejected.height + len(plan.held)
    return Checked("\n".join([*lines, "Nothing was stored."]), n_refused)


def _read_all(workspace: Workspace, inputs: Inputs, plan: Plan, progress: Progress) -> _Found:
    workshop = Workshop.of(workspace, inputs)
    limits = inputs.settings.store
    parts: list[BatchRows] = []
    progress.begin("Reading logs", len(plan.to_read))
    for batch in batches(
        plan.to_read, limits.batch_logs, limits.batch_megabytes, workshop.logs_folder
    ):
        rows = work_out(batch, workshop)
        # samples are let go at once: a workspace may hold more of them than memory
        parts.append(rows.without_samples())
        progress.advance(len(batch))
    unread = complaint_rows([*plan.complaints, *plan.missing])
    return _Found(
        pl.concat([READINGS.empty(), *(part.readings for part in parts)]),
        pl.concat([FEATURES.empty(), *(part.tables["features"] for part in parts)]),
        pl.concat([CONTEXT.empty(), *(part.tables["context"] for part in parts)]),
        pl.concat([unread, *(part.refusals for part in parts)]),
        pl.concat([NOTICES.empty(), *(part.notices for part in parts)]),
        pl.concat([TRUST.empty(), *(part.tables["trust"] for part in parts)]),
        pl.concat([SOAK_BIASES.empty(), *(part.tables["soak_biases"] for part in parts)]),
    )


def _lines(inputs: Inputs, plan: Plan, found: _Found) -> Iterator[str]:
    registry = inputs.registry
    yield (
        f"Settings, profiles and registry can be read. Rows: {registry.models.height} of models, "
        f"{registry.vehicles.height} of vehicles, {registry.tests.height} of tests, "
        f"{registry.repairs.height} of repairs."
    )
    yield from (notice.text for notice in inputs.notices)
    read = found.readings.filter(pl.col("outcome_code") == "read")
    n_refused = len(plan.complaints) + found.readings.height - read.height
    n_logs = read.height + n_refused + len(plan.held)
    held = f", {len(plan.held)} unassigned" if plan.held else ""
    yield f"{n_logs} log files: {read.height} can be read, {n_refused} cannot{held}."
    for profile, count in read.group_by("profile").len().sort("profile").iter_rows():
        yield f"  {count} with the profile {profile}"
    yield from refusal_lines(found.rejected)
    yield from unassigned_lines(plan.held)
    yield from objection_lines("Not used, or read with a remark", found.notices, "notices")
    yield from _coverage_lines(found.features, read.height)


def _instrument_lines(inputs: Inputs, found: _Found) -> Iterator[str]:
    """Instruments that read off on every car."""
    settings = inputs.settings.assessment
    offsets = find_instrument_offsets(found.soak_biases, found.context, settings)
    if offsets.height:
        yield "Instruments that read off on every car:"
    for row in offsets.iter_rows(named=True):
        yield f"  {row['instrument_id']}: {row['sentence']}."


def _coverage_lines(features: pl.DataFrame, n_tests: int) -> Iterator[str]:
    """In how many tests each quantity can be worked out."""
    if not n_tests:
        return
    yield "What can be worked out, in how many tests:"
    for feature in FEATURE_RECORDS:
        known = features.filter(pl.col(feature.name).is_not_null())["test_id"].n_unique()
        yield f"  {quantity_words(feature.name)}: {known} of {n_tests}"


def _known_of_each(found: _Found) -> pl.DataFrame:
    """Per readable log: path, names of what is logged and noted, two facts of the car."""
    contexts = {row["test_id"]: row for row in found.context.iter_rows(named=True)}
    trust = found.trust.partition_by("test_id", as_dict=True)
    nothing = TRUST.empty()
    rows = []
    for reading in found.readings.filter(pl.col("outcome_code") == "read").iter_rows(named=True):
        context = contexts.get(reading["test_id"])
        if context is not None:
            mine = trust.get((reading["test_id"],), nothing)
            names = trusted_names(reading["channels"].split(), mine, context)
            facts = [context["internal_heat_exchanger"], context["rear_evaporator"]]
            rows.append([reading["path"], sorted(names), *facts])
    return pl.DataFrame(rows, schema=_KNOWN, orient="row")


def _model_lines(inputs: Inputs, context: pl.DataFrame) -> Iterator[str]:
    """How many cars of each model have a test, against what a baseline needs."""
    if inputs.registry.models.is_empty():
        return
    least = inputs.settings.assessment.least_vehicles
    yield f"Cars with a readable test (a baseline of their own needs {least} others):"
    tested = dict(context.group_by("model_id").agg(pl.col("vehicle_id").n_unique()).iter_rows())
    owned = dict(inputs.registry.vehicles.group_by("model_id").len().iter_rows())
    for model_id in inputs.registry.models["model_id"].sort():
        count = tested.get(model_id, 0)
        short = "" if count > least else ", too few: its architecture stands in where it can"
        yield f"  {model_id}: {count} of {owned.get(model_id, 0)}{short}"
