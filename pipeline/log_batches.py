"""From planned logs to rows: reads and derives one batch, and isolates a log that breaks it.

Takes planned logs, gives the rows of every per-test table plus what was refused. Pure but
for reading the log files. Does not belong here: parsing (`readers`), features
(`features.derive`), the store (`ingest`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from features.channels import SAMPLES
from features.context import CONTEXT
from features.derive import derive
from features.instruments import INSTRUMENTS
from pipeline.expanded_sizes import expanded_bytes
from pipeline.own_words import remarks_on
from pipeline.readers import NOTICES, READINGS, Door, LogRequest, read_logs
from pipeline.store_tables import PER_TEST_TABLES, REJECTED

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from features.settings import DerivationSettings
    from pipeline.ingest_plan import PlannedLog
    from pipeline.inputs import Inputs
    from pipeline.workspace import Workspace

_BYTES_PER_MEGABYTE = 1_000_000
# No sensor on a car resolves 0.0001 kPa, K or s; digits beyond come from unit conversion and
# would more than double the size of the store (measured).
_STORED_DECIMALS = 4


@dataclass(frozen=True)
class Workshop:
    """What turning logs into rows needs besides the logs."""

    logs_folder: Path
    door: Door
    derivation: DerivationSettings
    instruments: pl.DataFrame
    is_debugging: bool = False

    @classmethod
    def of(cls, workspace: Workspace, inputs: Inputs, *, is_debugging: bool = False) -> Workshop:
        """The workshop of a workspace, as its settings, profiles and registry say."""
        return cls(
            workspace.logs_folder,
            Door.of(inputs.settings, inputs.profiles),
            inputs.settings.derivation,
            known_instruments(inputs.registry.instruments),
            is_debugging=is_debugging,
        )


def known_instruments(registered: pl.DataFrame) -> pl.DataFrame:
    """The registry's instruments as `features.derive` takes them."""
    return INSTRUMENTS.conform(registered.select(INSTRUMENTS.schema.keys()))


@dataclass(frozen=True)
class BatchRows:
    """The rows of one batch: per-test tables by name, readings, refusals and notices."""

    tables: Mapping[str, pl.DataFrame]
    readings: pl.DataFrame
    refusals: pl.DataFrame
    notices: pl.DataFrame

    def without_samples(self) -> BatchRows:
        """The same without the samples, which take nearly all of the memory."""
        return self.with_samples(SAMPLES.empty())

    def with_samples(self, samples: pl.DataFrame) -> BatchRows:
        """The same with other samples."""
        return replace(self, tables={**self.tables, "samples": samples})


def batches(
    planned: Sequence[PlannedLog],
    most_logs: int,
    most_megabytes: int,
    logs_folder: Path | None = None,
) -> Iterator[list[PlannedLog]]:
    """The logs in batches bounded by number and by unpacked size, at least one log each.

    Without `logs_folder` a packed log counts with the size that it has on disk.
    """
    batch: list[PlannedLog] = []
    size = 0
    for log in planned:
        expected = log.file.size_bytes
        if logs_folder is not None:
            expected = expanded_bytes(logs_folder / log.file.path, expected)
        too_large = size + expected > most_megabytes * _BYTES_PER_MEGABYTE
        if batch and (len(batch) == most_logs or too_large):
            yield batch
            batch, size = [], 0
        batch.append(log)
        size += expected
    if batch:
        yield batch


def work_out(batch: Sequence[PlannedLog], workshop: Workshop) -> BatchRows:
    """The rows of a batch; a log that cannot be worked out is refused and costs only itself."""
    read = read_logs([_request(log, workshop.logs_folder) for log in batch], workshop.door)
    is_read = read.readings.filter(pl.col("outcome_code") == "read")["path"].to_list()
    logs = [log for log in batch if log.file.path in set(is_read)]
    tables, broken = _derive_or_isolate(read.samples, logs, workshop)
    lost = [log.file.path for log, _ in broken]
    return BatchRows(
        tables,
        read.readings.with_columns(
            outcome_code=pl.when(pl.col("path").is_in(lost))
            .then(pl.lit("refused"))
            .otherwise("outcome_code")
        ),
        pl.concat([REJECTED.conform(read.refusals), _broken_rows(broken)]),
        pl.concat([read.notices, remarks_on(batch, read.readings, workshop)]),
    )


def joined_rows(parts: Sequence[BatchRows]) -> BatchRows:
    """The rows of the parts of one batch, in the order of the parts."""
    return BatchRows(
        _together([part.tables for part in parts]),
        pl.concat([part.readings for part in parts]),
        pl.concat([part.refusals for part in parts]),
        pl.concat([part.notices for part in parts]),
    )


def rows_of_refused(log: PlannedLog, code: str, sentence: str, hint: str) -> BatchRows:
    """The rows of a log that could not even be tried to the end."""
    reading = {"path": log.file.path, "test_id": log.test_id, "outcome_code": "refused"}
    objection = {"path": log.file.path, "code": code, "sentence": sentence, "hint": hint}
    return BatchRows(
        {table.name: table.empty() for table in PER_TEST_TABLES},
        READINGS.conform(pl.DataFrame([{**reading, "n_rows": 0}])),
        REJECTED.conform(pl.DataFrame([objection])),
        NOTICES.empty(),
    )


def _request(log: PlannedLog, logs_folder: Path) -> LogRequest:
    return LogRequest(
        path=log.file.path,
        file=logs_folder / log.file.path,
        test_id=log.test_id,
        profile=log.profile,
        barometric_kpa=log.context["barometric_kpa"],
        altitude_m=log.context["altitude_m"],
    )


def _derive_or_isolate(
    samples: pl.DataFrame, logs: Sequence[PlannedLog], workshop: Workshop
) -> tuple[dict[str, pl.DataFrame], list[tuple[PlannedLog, Exception]]]:
    """The derived rows of all logs; where the derivation fails, the batch is halved."""
    if not logs:
        return {table.name: table.empty() for table in PER_TEST_TABLES}, []
    try:
        return _derived(samples, logs, workshop), []
    except MemoryError:
        raise
    except Exception as error:
        if workshop.is_debugging:
            raise
        if len(logs) == 1:
            return {table.name: table.empty() for table in PER_TEST_TABLES}, [(logs[0], error)]
    middle = len(logs) // 2
    first, broken_first = _derive_or_isolate(samples, logs[:middle], workshop)
    second, broken_second = _derive_or_isolate(samples, logs[middle:], workshop)
    return _together([first, second]), broken_first + broken_second


def _together(parts: Sequence[Mapping[str, pl.DataFrame]]) -> dict[str, pl.DataFrame]:
    return {name: pl.concat([part[name] for part in parts], how="diagonal") for name in parts[0]}


def _derived(
    samples: pl.DataFrame, logs: Sequence[PlannedLog], workshop: Workshop
) -> dict[str, pl.DataFrame]:
    context = CONTEXT.conform(pl.DataFrame([log.context for log in logs], schema=CONTEXT.schema))
    mine = samples.filter(pl.col("test_id").is_in(context["test_id"].to_list())).with_columns(
        pl.selectors.float().round(_STORED_DECIMALS)
    )
    derived = derive(mine, context, workshop.derivation, workshop.instruments)
    return {
        "context": context,
        "samples": mine,
        "trust": derived.trust,
        "events": derived.events,
        "regimes": derived.regimes,
        "windows": derived.windows,
        "features": derived.features,
        "unread": derived.unread,
        "soak_biases": derived.soak_biases,
        "cycle_points": derived.cycle_points,
        "effects": derived.effects,
        "stories": derived.stories,
    }


def _broken_rows(broken: Sequence[tuple[PlannedLog, Exception]]) -> pl.DataFrame:
    rows = [
        {
            "path": log.file.path,
            "code": "derivation_failed",
            "sentence": "the log was read, but its features could not be worked out "
            f"({type(error).__name__}: {(str(error).splitlines() or [''])[0]}).",
            "hint": "This is a fault of chillroster, not of the log: please report it, with the "
            "output of `chillroster ingest --debug`.",
        }
        for log, error in broken
    ]
    return REJECTED.conform(pl.DataFrame(rows))
