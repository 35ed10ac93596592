"""The command `score`: runs a trial, writes its files, gives its text.

Takes what was asked for on the command line. Does not belong here: arithmetic
(`score_trust`), words (`score_text`), options (`cli`).
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.fleet_score_text import fleet_record, fleet_text
from pipeline.fleet_trial import run_fleet_score
from pipeline.progress import show_progress
from pipeline.reading_score_text import reading_record, reading_text
from pipeline.score_readings import run_reading_score, true_and_found
from pipeline.score_text import score_record, score_text
from pipeline.score_trust import run_trust_score
from pipeline.scorecard_page import write_scorecard_page

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.fleet_trial import FleetOrder
    from pipeline.score_trust import TrialSize
    from synthetic.reading_trials import ReadingOrder


@dataclass(frozen=True)
class ScoreFiles:
    """Where to write, None for nowhere: score as JSON, table of logs, the trial, the page."""

    json_file: Path | None = None
    truth_file: Path | None = None
    folder: Path | None = None
    page: Path | None = None


def tell_trust_score(size: TrialSize, files: ScoreFiles) -> str:
    """The text of the score of a trial, which is run; the files asked for are written."""
    with _trial_folder(files.folder) as folder, show_progress() as progress:
        score, told = run_trust_score(size, folder, progress)
    _write_record(score_record(score), files.json_file)
    if files.truth_file is not None:
        lists = pl.selectors.by_dtype(pl.List(pl.String)).list.join(" | ")
        told.with_columns(lists).write_csv(files.truth_file)
    return score_text(score)


def tell_reading_score(order: ReadingOrder, files: ScoreFiles) -> str:
    """The text of the score of readings; the files asked for are written.

    The table of logs gives every event, true and found.
    """
    with _trial_folder(files.folder) as folder, show_progress() as progress:
        score, truth, derived = run_reading_score(order, folder, progress)
    _write_record(reading_record(score), files.json_file)
    if files.truth_file is not None:
        true_and_found(truth, derived).write_csv(files.truth_file)
    return reading_text(score)


def tell_fleet_score(order: FleetOrder, files: ScoreFiles) -> str:
    """The text of the scorecard of a fleet, which is simulated and judged."""
    with _trial_folder(files.folder) as folder, show_progress() as progress:
        score = run_fleet_score(order, folder, progress)
    _write_record(fleet_record(score), files.json_file)
    if files.page is not None:
        write_scorecard_page(score, files.page)
    return fleet_text(score)


def _write_record(record: dict[str, Any], file: Path | None) -> None:
    if file is not None:
        text = json.dumps(record, indent=2, allow_nan=False)
        file.write_text(f"{text}\n", encoding="utf-8", newline="\n")


@contextmanager
def _trial_folder(folder: Path | None) -> Iterator[Path]:
    """The folder named, made if need be, else one that is gone afterwards."""
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        yield folder
        return
    with TemporaryDirectory(prefix="chillroster-trial-") as made:
        yield Path(made)
