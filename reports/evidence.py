"""The findings behind a vehicle's state: each once, with every test that shows it.

Takes a vehicle's rows of `evidence` with its tests, gives frozen `Finding` records, the
largest deviation first. Does not belong here: deciding what is a finding (`models`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.display import date_text
from reports.findings import Comparison, read_comparison
from reports.stretches import read_stretches, spans_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from reports.ledger import Ledger, Row
    from reports.settings import ReportSettings


@dataclass(frozen=True)
class Sighting:
    """One test that shows a finding, and the stretches of it that were judged."""

    comparison: Comparison
    tested_on: str
    log_path: str
    stretches: str


@dataclass(frozen=True)
class Finding:
    """One finding with the tests that show it, newest first."""

    quantity: str
    direction: str
    baseline: str
    sightings: tuple[Sighting, ...]


def read_findings(
    vehicle_id: str, tests: Mapping[str, Row], ledger: Ledger, settings: ReportSettings
) -> tuple[Finding, ...]:
    """The findings of a vehicle; `tests` are its tests by id, oldest first."""
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in ledger.evidence.get(vehicle_id, []):
        groups[row["feature"], row["finding_code"] or ""].append(row)
    order = {test_id: place for place, test_id in enumerate(tests)}
    found = []
    for key in sorted(groups, key=lambda key: (-_largest(groups[key]), key)):
        rows = sorted(groups[key], key=lambda row: (-order.get(row["test_id"], -1), row["regime"]))
        found.append(_finding([_sighting(row, tests, ledger, settings) for row in rows]))
    return tuple(found)


def _largest(rows: Sequence[Row]) -> float:
    return max(abs(float(row["z"] or 0.0)) for row in rows)


def _finding(sightings: Sequence[Sighting]) -> Finding:
    newest = sightings[0].comparison
    baselines = dict.fromkeys(seen.comparison.baseline for seen in sightings)
    return Finding(newest.quantity, newest.direction, " or ".join(baselines), tuple(sightings))


def _sighting(
    row: Row, tests: Mapping[str, Row], ledger: Ledger, settings: ReportSettings
) -> Sighting:
    test = tests.get(row["test_id"])
    return Sighting(
        comparison=read_comparison(row, settings),
        tested_on="" if test is None else date_text(test["started_at"], settings),
        log_path="" if test is None else test["log_path"] or "",
        stretches=_stretches(row, ledger),
    )


def _stretches(row: Row, ledger: Ledger) -> str:
    if row["regime"] == "whole_test":
        return ""  # the regime says so already
    windows = ledger.windows.get(row["test_id"], [])
    return spans_text(read_stretches(one for one in windows if one["regime"] == row["regime"]))
