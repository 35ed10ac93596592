"""The registry: models, vehicles, tests, repairs and the rest, read and checked.

Holds `Registry` and `read_registry`, which gives all tables or, in one exception, every
problem of all of them. Does not belong here: what the columns are (`registry_tables`),
how files are read (`registry_files`) and single tables checked (`registry_checks`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

import polars as pl

from features.designations import RefrigerantError, resolve_refrigerant
from pipeline.problems import Problem, ProblemsError, did_you_mean
from pipeline.registry_checks import (
    Checked,
    check_look_alikes,
    check_reference,
    check_table,
    check_unique,
)
from pipeline.registry_files import LARGEST_BYTES, read_raw
from pipeline.registry_tables import REGISTRY_FILES, REGISTRY_TABLES, RegistryTable
from pipeline.workspace import is_inside

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from pipeline.registry_files import RawTable
    from pipeline.workspace import Workspace

# a backslash or a drive letter would be read differently on another system
FOREIGN_PATH = re.compile(r"\\|^[A-Za-z]:")
# whose rows are things that exist once, however their id is spelled
_TABLES_OF_THINGS = ("models", "vehicles")
_TRANSCRITICAL = "refrigerant_transcritical"


@dataclass(frozen=True)
class Registry:
    """The registry's frames, each conforming to its table, and remarks on unused columns."""

    models: pl.DataFrame
    vehicles: pl.DataFrame
    tests: pl.DataFrame
    repairs: pl.DataFrame
    instruments: pl.DataFrame
    volumes: pl.DataFrame
    dispositions: pl.DataFrame
    notices: tuple[Problem, ...] = ()


def read_registry(
    workspace: Workspace,
    zone: str,
    profile_names: Collection[str] | None = None,
    *,
    largest_bytes: int = LARGEST_BYTES,
) -> Registry:
    """All tables of a workspace's registry.

    Parameters
    ----------
    workspace : Workspace
    zone : str
        Time zone of instants written without an offset.
    profile_names : collection of str, optional
        Names that `tests.profile` may hold; None leaves them unchecked.
    largest_bytes : int
        Most that one file may hold, unpacked.

    Raises
    ------
    ProblemsError
        With every problem of every file; nothing is loaded then.
    """
    problems: list[Problem] = []
    checked: dict[str, Checked] = {}
    for table in REGISTRY_FILES:
        try:
            checked[table.name] = _read_table(workspace, table, zone, largest_bytes)
        except ProblemsError as error:
            problems += error.problems
            continue
        problems += checked[table.name].problems
    frames = {name: one.frame for name, one in checked.items()}
    shown = {table.name: _shown(workspace, table.name) for table in REGISTRY_FILES}
    problems += _check_between(frames, shown, profile_names)
    if "models" in frames:
        frames["models"], found = _resolve_refrigerants(frames["models"], shown["models"])
        problems += found
    if problems:
        told = [_with_spot(problem, checked) for problem in problems]
        raise ProblemsError(sorted(told, key=lambda one: (one.file, one.line or 0)))
    return Registry(
        **{name: REGISTRY_TABLES[name].conform(frames[name].drop("line")) for name in frames},
        notices=tuple(notice for one in checked.values() for notice in one.notices),
    )


def _with_spot(problem: Problem, checked: Mapping[str, Checked]) -> Problem:
    """The problem with its row and sheet, where its file has no lines."""
    raws = [one.raw for one in checked.values() if one.raw and one.raw.shown == problem.file]
    if problem.spot or not raws:
        return problem
    return replace(problem, spot=raws[0].spot(problem.line))


def _shown(workspace: Workspace, name: str) -> str:
    """The path of a table's file as shown to a reader."""
    folder = workspace.registry_folder
    found = [path for path in sorted(folder.glob(f"{name}.*")) if path.is_file()]
    return workspace.shown(found[0] if found else folder / f"{name}.csv")


def _read_table(
    workspace: Workspace, table: RegistryTable, zone: str, largest_bytes: int
) -> Checked:
    raw = read_raw(workspace, table.name, largest_bytes)
    if raw is not None:
        checked = check_table(_with_plain_paths(raw), table, zone)
        if table.name not in _TABLES_OF_THINGS:
            return checked
        alike = check_look_alikes(checked.frame, table.key[0], raw.shown)
        return replace(checked, problems=(*checked.problems, *alike))
    if not table.optional:
        sentence = f"The registry has no table {table.name} ({table.grain})."
        hint = "`chillroster init` in a new folder writes an empty one with its header."
        shown = _shown(workspace, table.name)
        raise ProblemsError([Problem("missing_file", sentence, shown, hint=hint)])
    empty = table.table.empty().drop([column.name for column in table.added])
    return Checked(empty.with_columns(pl.lit(None, pl.Int64).alias("line")), (), ())


def _with_plain_paths(raw: RawTable) -> RawTable:
    """The table with log paths as folders list them: no `./` and no doubled slashes."""
    if "log" not in raw.cells.columns:
        return raw
    paths = [None if path is None else PurePosixPath(path).as_posix() for path in raw.cells["log"]]
    return replace(raw, cells=raw.cells.with_columns(pl.Series("log", paths, pl.String)))


def _check_between(
    frames: Mapping[str, pl.DataFrame],
    shown: Mapping[str, str],
    profile_names: Collection[str] | None,
) -> list[Problem]:
    """Problems that one table alone does not show."""
    problems: list[Problem] = []
    for table in REGISTRY_FILES:
        for entry in table.entries:
            target, _, column = entry.refers_to.partition(".")
            if not target or table.name not in frames or target not in frames:
                continue
            known = frames[target][column].drop_nulls().to_list()
            # a table without its key column is a problem of its own, told once
            is_keyless = not known and frames[target].height > 0
            if is_keyless or (entry.may_dangle_when_empty and not known):
                continue
            problems += check_reference(
                frames[table.name], entry.name, known, shown[table.name], shown[target]
            )
    if "tests" in frames:
        problems += _check_tests(frames["tests"], shown["tests"], profile_names)
    if "tests" in frames and "repairs" in frames:
        problems += _check_repair_vehicles(frames, shown["tests"])
    return problems


def _check_tests(
    tests: pl.DataFrame, shown: str, profile_names: Collection[str] | None
) -> list[Problem]:
    problems = check_unique(tests.filter(pl.col("test_id").is_not_null()), ("test_id",), shown)
    for line, log, profile in tests.select("line", "log", "profile").rows():
        if log is not None and (FOREIGN_PATH.search(log) or not is_inside(log)):
            sentence = f"`log` is {log!r}, which is not a path below logs/."
            hint = "Write it relative to logs/ with forward slashes, such as 2026/a.csv."
            problems.append(Problem("path_outside", sentence, shown, line, hint))
        if profile is not None and profile_names is not None and profile not in profile_names:
            sentence = f"`profile` is {profile!r}, but there is no such profile."
            hint = did_you_mean(profile, profile_names)
            problems.append(Problem("unknown_profile", sentence, shown, line, hint))
    return problems


def _check_repair_vehicles(frames: Mapping[str, pl.DataFrame], shown: str) -> list[Problem]:
    repairs = frames["repairs"].select("repair_id", pl.col("vehicle_id").alias("repaired"))
    tests = frames["tests"].join(repairs.unique("repair_id"), on="repair_id", how="inner")
    other = tests.filter(pl.col("vehicle_id") != pl.col("repaired")).sort("line")
    return [
        Problem(
            "repair_of_other_vehicle",
            f"The test is of vehicle {vehicle!r}, but repair {repair!r} was done on {repaired!r}.",
            shown,
            line,
            "Correct `vehicle_id` or `repair_id`.",
        )
        for line, vehicle, repair, repaired in other.select(
            "line", "vehicle_id", "repair_id", "repaired"
        ).rows()
    ]


def _resolve_refrigerants(models: pl.DataFrame, shown: str) -> tuple[pl.DataFrame, list[Problem]]:
    """Models with canonical refrigerant, refusal and architecture, and what is unknown."""
    problems: list[Problem] = []
    rows = []
    for line, text in models.select("line", "refrigerant").rows():
        resolved: tuple[str | None, str | None, str | None] = (text, None, None)
        try:
            resolved = (resolve_refrigerant(text).designation if text else None, None, None)
        except RefrigerantError as error:
            resolved = (text, error.code, error.sentence)
            if error.code != _TRANSCRITICAL:
                problems.append(Problem(error.code, error.sentence, shown, line, error.hint))
        rows.append(resolved)
    names = ("refrigerant", "refusal_code", "refusal")
    known = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    label = pl.coalesce("architecture", _architecture()).alias("architecture")
    return models.with_columns(known.get_columns()).with_columns(label), problems


def _architecture() -> pl.Expr:
    """The default label of like circuits; null where compressor or expansion is not stated."""
    return (
        pl.concat_str(
            "refrigerant",
            "compressor",
            "expansion_device",
            pl.when("internal_heat_exchanger")
            .then(pl.lit("internal_heat_exchanger"))
            .otherwise(pl.lit("")),
            pl.when("rear_evaporator").then(pl.lit("rear_evaporator")).otherwise(pl.lit("")),
            separator=" ",
        )
        .str.strip_chars()
        .str.replace_all("  ", " ", literal=True)
    )
