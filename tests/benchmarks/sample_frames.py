"""The logs of a benchmark workspace as the frames that features are derived from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.context import CONTEXT
from pipeline.inputs import read_inputs
from pipeline.log_context import log_contexts
from pipeline.log_requests import Door, LogRequest
from pipeline.readers import read_logs
from pipeline.workspace import Workspace

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_READ_TOGETHER = 400


def read_frames(root: Path, every: int = 1, first: int = 0) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Samples and context of all logs, or of one in so many; a log's path is its test."""
    workspace = Workspace(root)
    inputs = read_inputs(workspace)
    contexts = log_contexts(inputs.registry, inputs.settings.site.altitude_m)
    chosen = contexts.gather_every(every, first).with_columns(test_id="log_path")
    requests = [
        LogRequest(path, workspace.logs_folder / path, path, altitude_m=altitude_m)
        for path, altitude_m in chosen.select("log_path", "altitude_m").iter_rows()
    ]
    door = Door.of(inputs.settings, inputs.profiles)
    batches = [
        _samples(requests[start : start + _READ_TOGETHER], door)
        for start in range(0, len(requests), _READ_TOGETHER)
    ]
    return pl.concat(batches), CONTEXT.conform(chosen.select(CONTEXT.schema.keys()))


def _samples(requests: Sequence[LogRequest], door: Door) -> pl.DataFrame:
    batch = read_logs(requests, door)
    if batch.refusals.height:
        raise RuntimeError(f"logs were refused: {batch.refusals}")
    return batch.samples
