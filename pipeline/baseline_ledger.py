"""The file `registry/baselines.jsonl`: which tests every version of the baselines was fitted to.

Holds the record `Fit` and the reading and growing of its file. A store made anew from the raw
files fits the same versions again by it, which nothing else on disk could tell. A line per
fit is added to its end, whole or not at all; lines are never changed. Of the tests a line
holds those that came, went or were read otherwise since the line before. Does not belong
here: when baselines are fitted (`refits`), the fitting (`models`).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from models.frozen_tables import BASELINE_VERSIONS
from pipeline.problems import Problem, ProblemsError
from pipeline.store_files import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from pipeline.workspace import Workspace

_LEAST_NUMBER = 1


@dataclass(frozen=True)
class Fit:
    """One version of the baselines.

    `facts` is its row of BASELINE_VERSIONS; `tests` gives, by test, the fingerprint of how it
    was read.
    """

    facts: Mapping[str, Any]
    tests: Mapping[str, str]

    @property
    def number(self) -> int:
        """The number of the version."""
        return int(self.facts["baseline_version"])

    @property
    def fitted_at(self) -> datetime:
        """The instant that the fit took for now."""
        moment: datetime = self.facts["fitted_at"]
        return moment


def ledger_file(workspace: Workspace) -> Path:
    """Where the file is, or will be."""
    return workspace.registry_folder / "baselines.jsonl"


def read_ledger(workspace: Workspace) -> tuple[Fit, ...]:
    """Every version that was fitted, the oldest first; of two with one number the later.

    Raises
    ------
    ProblemsError
        A line is damaged.
    """
    path = ledger_file(workspace)
    if not path.exists():
        return ()
    found: dict[int, Fit] = {}
    tests: dict[str, str] = {}
    # line by line: each says what differs from the tests of the one before
    for number, line in enumerate(path.read_bytes().splitlines(), 1):
        if not line.strip():
            continue
        try:
            fit, tests = _fit_of(line, tests)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise ProblemsError(
                [
                    Problem(
                        "damaged_ledger",
                        "This line does not say which tests baselines were fitted to.",
                        workspace.shown(path),
                        number,
                        "Put the file back from a backup; or move it away, and the baselines are "
                        "fitted anew at the next run.",
                    )
                ]
            ) from error
        found[fit.number] = fit
    return tuple(found[number] for number in sorted(found))


def _fit_of(line: bytes, before: Mapping[str, str]) -> tuple[Fit, dict[str, str]]:
    row = json.loads(line)
    came, gone = row.pop("tests_came"), set(row.pop("tests_gone"))
    moment = datetime.fromisoformat(row["fitted_at"])
    if moment.tzinfo is None or int(row["baseline_version"]) < _LEAST_NUMBER:
        raise ValueError("no version")
    tests = {test: reading for test, reading in before.items() if test not in gone}
    tests |= {str(test): str(reading) for test, reading in came.items()}
    facts = {name: row[name] for name in BASELINE_VERSIONS.schema}
    return Fit(facts | {"fitted_at": moment.astimezone(UTC)}, tests), tests


def append_fit(workspace: Workspace, fit: Fit) -> None:
    """Add a version to the end of the file, which is made when it is not there."""
    path = ledger_file(workspace)
    earlier = _last_tests(workspace)
    came = {t: reading for t, reading in fit.tests.items() if earlier.get(t) != reading}
    row = {
        **fit.facts,
        "fitted_at": fit.fitted_at.isoformat(),
        "tests_gone": sorted(earlier.keys() - fit.tests.keys()),
        "tests_came": dict(sorted(came.items())),
    }
    before = path.read_bytes() if path.exists() else b""
    if before and not before.endswith(b"\n"):
        before += b"\n"
    write_whole(path, before + json.dumps(row, ensure_ascii=False).encode() + b"\n")


def _last_tests(workspace: Workspace) -> Mapping[str, str]:
    """The tests of the line that stands last, whatever its number."""
    path = ledger_file(workspace)
    tests: dict[str, str] = {}
    if path.exists():
        for line in path.read_bytes().splitlines():
            if line.strip():
                _, tests = _fit_of(line, tests)
    return tests


def versions_frame(fits: Sequence[Fit]) -> pl.DataFrame:
    """The rows of BASELINE_VERSIONS."""
    rows = [dict(fit.facts) for fit in fits]
    return BASELINE_VERSIONS.conform(pl.DataFrame(rows, schema=BASELINE_VERSIONS.schema))


def numbered(fit: Fit, number: int) -> Fit:
    """The fit under a number."""
    return replace(fit, facts={**fit.facts, "baseline_version": number})
