"""Check of one log file: what each column is, its range, what can be worked out from it.

Takes a file, in a workspace or not, gives lines of text. A file that the registry names
is read with its row (refrigerant, altitude, profile); any other is read without, and the
text says so. Does not belong here: the check of a whole workspace (`check`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import polars as pl

from features.catalogue import FEATURE_RECORDS
from features.channels import CHANNEL, channels_in
from features.context import CONTEXT
from features.derive import derive
from features.requirements import lacking
from pipeline.assignment import assign_logs
from pipeline.check_outlook import log_lines, outlook_of, trusted_names
from pipeline.fingerprints import LogFile, hash_logs
from pipeline.ingest_plan import TEST_ID_DIGITS
from pipeline.inputs import Inputs
from pipeline.log_batches import known_instruments
from pipeline.log_context import log_contexts
from pipeline.problems import ProblemsError
from pipeline.profile_drafts import Draft, draft_profile
from pipeline.profiles import Profile, read_profiles, shipped_profiles
from pipeline.readers import Door, LogRequest, read_logs
from pipeline.registry import read_registry
from pipeline.settings import Settings, read_settings
from pipeline.workspace import Workspace
from reports.wording import quantity_words, regime_words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from features.derive import Derived
    from pipeline.paste_rows import Unassigned
    from pipeline.readers import LogBatch

_FIRST_ROWS = 3
_DRAFT_NAME = "my_logger"


@dataclass(frozen=True)
class FileCheck:
    """The lines to show, the number of files (0 or 1) and columns refused, a drafted profile."""

    lines: tuple[str, ...]
    n_refused: int
    draft: Draft | None


@dataclass(frozen=True)
class _Surroundings:
    """What is known around the file: settings, profiles, its registry row, and what is not."""

    settings: Settings
    profiles: tuple[Profile, ...]
    row: dict[str, Any]
    remark: str
    instruments: pl.DataFrame | None = None


def check_one_file(file: Path, workspace_folder: Path) -> FileCheck:
    """What one log file gives; nothing is stored."""
    around = _look_around(file.resolve(), Workspace(workspace_folder.resolve()))
    hashed: LogFile = next(iter(hash_logs([file.name], [file])))
    test_id = around.row["test_id"] or hashed.content_hash[:TEST_ID_DIGITS]
    request = LogRequest(
        path=file.name,
        file=file,
        test_id=test_id,
        profile=around.row["profile"],
        barometric_kpa=around.row["barometric_kpa"],
        altitude_m=around.row["altitude_m"],
    )
    door = Door.of(around.settings, around.profiles)
    batch = read_logs([request], door)
    lines = [str(file), *_reading_lines(batch, around)]
    if not batch.samples.is_empty():
        lines += _column_lines(batch, request.path)
        lines += _first_rows(batch.samples)
        row = {name: around.row[name] for name in CONTEXT.schema} | {"test_id": test_id}
        context = pl.DataFrame([row], schema=CONTEXT.schema)
        derived = derive(batch.samples, context, around.settings.derivation, around.instruments)
        logged = [c for c in channels_in(batch.samples) if batch.samples[c].is_not_null().any()]
        names = trusted_names(logged, derived.trust, row)
        lines += _derived_lines(derived, names)
        lines += [f"  {line}" for line in log_lines(outlook_of(names, row))]
    draft = draft_profile(
        file,
        batch,
        _DRAFT_NAME,
        lambda profile: read_logs(
            [replace(request, profile=None)], replace(door, profiles=(profile,))
        ),
    )
    return FileCheck(
        (*lines, *_draft_lines(draft, file), "Nothing was stored."), batch.refusals.height, draft
    )


def _draft_lines(draft: Draft | None, file: Path) -> Iterator[str]:
    if draft is not None:
        yield (
            f"  A profile that asks about {draft.n_questions} columns can be drafted: "
            f"`chillroster check {file.name} --draft profiles/{_DRAFT_NAME}.toml`"
        )


def _look_around(file: Path, workspace: Workspace) -> _Surroundings:
    blank = dict.fromkeys((*CONTEXT.schema, "profile"))
    if not workspace.settings_file.is_file():
        remark = "Read without a workspace: the car, its refrigerant and the altitude are unknown."
        return _Surroundings(Settings(), shipped_profiles(), blank, remark)
    settings, profiles = read_settings(workspace), read_profiles(workspace)
    blank["altitude_m"] = settings.site.altitude_m
    try:
        registry = read_registry(
            workspace, settings.time_zone, [profile.name for profile in profiles]
        )
    except ProblemsError:
        remark = "Read without the registry, which has problems: `chillroster check` tells them."
        return _Surroundings(settings, profiles, blank, remark)
    logs = workspace.logs_folder.resolve()
    path = file.relative_to(logs).as_posix() if file.is_relative_to(logs) else ""
    inputs = Inputs(settings, profiles, registry)
    # a file that is not among the logs is nobody's test
    asked = [LogFile(path, 0, "")] if path else []
    assignment = assign_logs(asked, workspace, inputs)
    rows = log_contexts(assignment.added_to(registry), settings.site.altitude_m)
    mine = rows.filter(pl.col("log_path") == path)
    if mine.is_empty():
        return _Surroundings(settings, profiles, blank, _unassigned(assignment.held.get(path)))
    row = mine.row(0, named=True)
    by = " by the log's own word, without a row of the registry" if assignment.tests.height else ""
    remark = f"Car {row['vehicle_id']}, model {row['model_id']}, {row['refrigerant']}{by}."
    instruments = known_instruments(registry.instruments)
    return _Surroundings(settings, profiles, row, remark, instruments)


def _unassigned(held: Unassigned | None) -> str:
    unknown = "No row of registry/tests.csv names this file: its car and refrigerant are unknown."
    if held is None:
        return unknown
    return f"{unknown} Columns: {held.columns} Row: {held.row} Why: {held.sentence} {held.hint}"


def _reading_lines(batch: LogBatch, around: _Surroundings) -> Iterator[str]:
    reading = batch.readings.row(0, named=True)
    yield f"  {around.remark}"
    if reading["outcome_code"] == "read":
        yield (
            f"  Read with the profile {reading['profile']}: {reading['n_rows']} rows over "
            f"{reading['duration_s'] or 0:.0f} s."
        )
    for title, frame in (("Refused", batch.refusals), ("Note", batch.notices)):
        for row in frame.iter_rows(named=True):
            name = row["column_name"]
            column = f" column {name}:" if name else ""
            is_said = not row["place"] or row["place"] == f"column {name}"
            place = "" if is_said else f" ({row['place']})"
            yield f"  {title}:{column} {row['sentence']}{place} {row['hint'] or ''}".rstrip()


def _column_lines(batch: LogBatch, path: str) -> Iterator[str]:
    """Each column as the file calls it, and what it became."""
    uses = {use.channel: use for use in batch.columns.get(path, ())}
    rows = [("column", "read as", "channel", "station", "lowest", "highest", "unit", "known")]
    for name in channels_in(batch.samples):
        values, channel, use = batch.samples[name], CHANNEL[name], uses.get(name)
        rows.append(
            (
                use.name if use else "",
                use.unit.name if use else "",
                name,
                channel.station,
                _number(values.min()),
                _number(values.max()),
                channel.unit,
                f"{1 - values.null_count() / values.len():.0%}",
            )
        )
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        yield f"  {'  '.join(cells)}".rstrip()


def _first_rows(samples: pl.DataFrame) -> Iterator[str]:
    first = samples.sort("time_s").head(_FIRST_ROWS)
    yield f"  First {first.height} rows, in the units of the channels:"
    for name in ("time_s", *channels_in(samples)):
        yield f"    {name:28} {'  '.join(_number(value) for value in first[name])}"


def _derived_lines(derived: Derived, names: frozenset[str]) -> Iterator[str]:
    windows = derived.windows.group_by("regime").len().sort("regime")
    found = ", ".join(f"{count} {regime_words(regime)}" for regime, count in windows.iter_rows())
    yield f"  Windows found: {found or 'none'}."
    yield from (f"  Why none: {sentence}." for sentence in derived.unread["sentence"])
    for row in derived.trust.filter(pl.col("distrusted_share") > 0).iter_rows(named=True):
        yield (
            f"  Not trusted: {quantity_words(row['channel'])}, {row['distrusted_share']:.0%} of "
            f"the samples: {row['sentence']}"
        )
    known = {f.name for f in FEATURE_RECORDS if derived.features[f.name].is_not_null().any()}
    words = [quantity_words(f.name) for f in FEATURE_RECORDS if f.name in known]
    yield f"  Can be worked out: {', '.join(words) or 'nothing'}."
    unread = "no window" if derived.windows.is_empty() else "see above"
    for feature in FEATURE_RECORDS:
        if feature.name not in known:
            missing = lacking(feature, names)
            why = f"lacks {', '.join(missing)}" if missing else unread
            yield f"  Cannot: {quantity_words(feature.name)} ({why})"


def _number(value: Any) -> str:
    return "-" if value is None else f"{value:.4g}"
