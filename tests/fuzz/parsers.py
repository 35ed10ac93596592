"""The parsers under test: bytes in, and an error only where the parser has a defect.

A parser may refuse what it likes, but with a code and a sentence; what it accepts holds
no endless number. Does not belong here: where the bytes come from (`__main__`, `corpus`).
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.log_requests import Door, LogRequest
from pipeline.problems import ProblemsError
from pipeline.profiles import read_profiles, shipped_profiles
from pipeline.readers import read_logs
from pipeline.registry_checks import check_table
from pipeline.registry_files import read_raw
from pipeline.registry_tables import MODEL_ENTRIES
from pipeline.workspace import Workspace
from tests.fuzz.sound import (
    MODELS,
    PROFILE,
    block_text,
    json_long_text,
    json_wide_text,
    long_text,
    mdf4,
    parquet,
    parquet_long,
    parquet_wide,
    registry_csv,
    registry_xlsx,
    semicolon_text,
    sheet_xml,
    wide_text,
    xlsx,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.readers import LogBatch

MEGABYTE = 1_000_000


@dataclass(frozen=True)
class Parser:
    """A parser: what it is tried with, and the sound inputs that a search starts from."""

    name: str
    try_bytes: Callable[[bytes], str]
    seeds: tuple[bytes, ...]


@cache
def _folder() -> Path:
    """A folder for the files tried, in memory where the machine has such a place."""
    memory = Path("/dev/shm")
    home = memory if memory.is_dir() else None
    return Path(tempfile.mkdtemp(prefix="chillroster-tried-", dir=home))


def try_logs(files: Sequence[Path], largest_bytes: int = 20 * MEGABYTE) -> LogBatch:
    """The files read as one batch, and all that must hold for any of them checked."""
    door = Door(shipped_profiles(), altitude_m=0.0, largest_bytes=largest_bytes)
    requests = [LogRequest(file.name, file, f"test-{file.name}") for file in files]
    batch = read_logs(requests, door)
    _check(batch, len(files))
    return batch


def _check(batch: LogBatch, n_files: int) -> None:
    refused = batch.readings.filter(pl.col("outcome_code") == "refused")
    whole = batch.refusals.filter(pl.col("column_name").is_null())
    require(batch.readings.height == n_files, "one reading per file")
    require(
        whole["path"].sort().to_list() == refused["path"].sort().to_list(),
        "one refusal per refused file",
    )
    for frame in (batch.refusals, batch.notices):
        require((frame["code"].str.len_chars() > 3).all(), "a code with each remark")
        require((frame["sentence"].str.len_chars() > 10).all(), "a sentence with each remark")
        require((frame["hint"].str.len_chars() > 5).all(), "a hint with each remark")
    require(batch.samples.height == batch.readings["n_rows"].sum(), "as many rows as said")
    for name, dtype in batch.samples.schema.items():
        if dtype == pl.Float64:
            require(batch.samples[name].drop_nulls().is_finite().all(), f"endless {name}")


def require(holds: object, what: str) -> None:
    """Stop the search where something does not hold; `assert` would be lost under -O."""
    if not holds:
        raise AssertionError(what)


def _log(ending: str) -> Callable[[bytes], str]:
    def try_bytes(content: bytes) -> str:
        file = _folder() / f"tried{ending}"
        file.write_bytes(content)
        batch = try_logs([file])
        refused = batch.refusals.filter(pl.col("column_name").is_null())
        return refused["code"][0] if refused.height else "read"

    return try_bytes


def _try_parquet(content: bytes) -> str:
    """A Parquet file as it is, else a frame built by the bytes: damage alone is soon refused."""
    return _log(".parquet")(content if content[:4] == b"PAR1" else built_parquet(content))


_NAMES = (
    "time_s", "timestamp", "channel", "value", "unit", "low_side_kpa", "Low side [psig]", "", "x",
    "compressor_on", "duct_left_c", "path", "file", "seconds", "Clock", "epoch",
)  # fmt: skip
_TYPES = (
    pl.Float64, pl.Float32, pl.Int8, pl.Int64, pl.UInt64, pl.String, pl.Boolean, pl.Date,
    pl.Datetime("us"), pl.Datetime("ns", "UTC"), pl.Datetime("ms", "Europe/Athens"), pl.Time,
    pl.Duration("ms"), pl.Binary, pl.Categorical, pl.Null, pl.List(pl.Float64), pl.Decimal(20, 3),
)  # fmt: skip


def built_parquet(content: bytes) -> bytes:
    """Two bytes a column choose name and type; what follows the first zero fills the cells."""
    choices, _, cells = content.partition(b"\0")
    columns: dict[str, pl.Series] = {}
    for name, kind in zip(choices[::2][:6], choices[1::2], strict=False):
        dtype = _TYPES[kind % len(_TYPES)]
        columns[_NAMES[name % len(_NAMES)]] = _filled(cells, dtype)
        cells = cells[3:] + cells[:3]
    height = max((values.len() for values in columns.values()), default=0)
    # shorter columns are filled up with nulls
    filled = {
        name: values.extend(pl.Series([None] * (height - values.len()), dtype=values.dtype))
        for name, values in columns.items()
    }
    return parquet(pl.DataFrame(filled))


def _filled(cells: bytes, dtype: pl.DataType) -> pl.Series:
    """Cells of a type, null where the bytes give none."""
    if isinstance(dtype, pl.Decimal):
        return pl.Series(list(cells)).cast(dtype)
    if dtype == pl.Float64:
        return pl.Series(np.frombuffer(cells[: len(cells) // 8 * 8]), dtype=dtype)
    if dtype in {pl.String, pl.Categorical}:
        texts = pl.Series(cells.decode("latin-1").split("\n"), dtype=pl.String)
        return texts.cast(dtype)
    if dtype == pl.Binary:
        return pl.Series(cells.split(b"\n"))
    if dtype == pl.List(pl.Float64):
        return pl.Series([[float(cell)] for cell in cells], dtype=dtype)
    numbers = pl.Series(list(cells), dtype=pl.Int64)
    return (numbers * 10**12 if dtype == pl.Time else numbers - 100).cast(dtype, strict=False)


def _try_workbook(content: bytes) -> str:
    """A workbook as it is, else one whose sheet is the bytes."""
    return _registry(".xlsx")(content if content[:2] == b"PK" else xlsx(content))


def _registry(ending: str) -> Callable[[bytes], str]:
    def try_bytes(content: bytes) -> str:
        workspace = Workspace(_folder() / f"registry{ending}")
        folder = workspace.registry_folder
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"models{ending}").write_bytes(content)
        return problems_of(lambda: _read_models(workspace))

    return try_bytes


def _read_models(workspace: Workspace) -> None:
    """The models table alone; reading the whole registry would take most of the search."""
    raw = read_raw(workspace, "models")
    if raw is not None:
        found = check_table(raw, MODEL_ENTRIES, "UTC")
        if found.problems:
            raise ProblemsError(found.problems)


def problems_of(read: Callable[[], object]) -> str:
    """The first code of the problems told, or "read"."""
    try:
        read()
    except ProblemsError as error:
        require(error.problems, "a problem with each error")
        for problem in error.problems:
            require(len(problem.code) > 3 and len(problem.sentence) > 10, "code and sentence")
        return error.problems[0].code
    return "read"


def try_profile(content: bytes) -> str:
    """A profile file of a workspace, and a log read by it where it is sound."""
    workspace = Workspace(_folder() / "profile")
    workspace.profiles_folder.mkdir(parents=True, exist_ok=True)
    (workspace.profiles_folder / "tried.toml").write_bytes(content)
    outcome = problems_of(lambda: read_profiles(workspace))
    if outcome == "read":
        log = _folder() / "by_profile.csv"
        log.write_text("Bench log\n\nClock;LP [x];Air 1\n09:30:00;2,5;9,5\n09:30:01;2,6;9,4\n")
        door = Door(read_profiles(workspace), altitude_m=0.0)
        _check(read_logs([LogRequest(log.name, log, "t")], door), 1)
    return outcome


# columns by number of name and of type, then cells
_BUILT = (
    bytes([16, 18, 21, 18]) + b"\0" + b"\x3f" * 80,
    bytes([1, 5, 2, 5, 3, 0]) + b"\0" + b"2026-05-11T09:30:00Z\nlow_side_kpa_abs\n12.5",
)


def _encoded(*texts: str) -> tuple[bytes, ...]:
    return tuple(text.encode() for text in texts)


def parsers() -> dict[str, Parser]:
    """Every parser by name."""
    every = (
        Parser("text_wide", _log(".csv"), _encoded(wide_text(), semicolon_text(), block_text())),
        Parser("text_long", _log(".csv"), _encoded(long_text())),
        Parser("json_lines", _log(".jsonl"), _encoded(json_wide_text(), json_long_text())),
        Parser("parquet", _try_parquet, (parquet_wide(), parquet_long(), *_BUILT)),
        Parser("mdf4", _log(".mf4"), (mdf4(),)),
        Parser("registry_csv", _registry(".csv"), (registry_csv(),)),
        Parser("registry_xlsx", _try_workbook, (registry_xlsx(), sheet_xml(MODELS))),
        Parser("profile", try_profile, _encoded(PROFILE)),
    )
    return {parser.name: parser for parser in every}
