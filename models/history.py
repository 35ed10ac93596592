"""The recent tests of each car: since its last repair, and which findings they share.

Takes assessments, their evidence, and repairs, gives a record per car. Does not
belong here: the state and its sentence (`states`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from models.assessments import FAR_BEYOND, NOT_ASSESSABLE, rows_by

if TYPE_CHECKING:
    from datetime import datetime

    from models.sentences import Row

# Actions after which the car is the same as before.
CHANGES_NOTHING = ("inspect", "none")


@dataclass(frozen=True)
class PastTest:
    """One test of a car with its verdict; `findings` strongest first."""

    test_id: str
    tested_at: datetime
    verdict_code: str
    reason: str
    purpose: str | None
    repair_id: str | None
    findings: tuple[Row, ...]

    @property
    def codes(self) -> frozenset[str]:
        """The different findings of the test."""
        return frozenset(row["finding_code"] for row in self.findings)


@dataclass(frozen=True)
class Repair:
    """A repair that changed something on a car."""

    repair_id: str
    performed_at: datetime


@dataclass(frozen=True)
class History:
    """The tests of a car in order of time, and its last repair if there was one."""

    vehicle_id: str
    model_id: str
    tests: tuple[PastTest, ...]
    last_repair: Repair | None

    @property
    def since_repair(self) -> tuple[PastTest, ...]:
        """The tests after the last repair, or all where there was none."""
        repair = self.last_repair
        if repair is None:
            return self.tests
        return tuple(test for test in self.tests if _is_after(test, repair))

    def recent(self, count: int) -> tuple[PastTest, ...]:
        """The last `count` tests since the last repair, latest last."""
        return self.since_repair[-count:]


def _is_after(test: PastTest, repair: Repair) -> bool:
    """What a test of the same visit says of itself outranks the clock."""
    if test.repair_id == repair.repair_id and test.purpose in ("before_repair", "after_repair"):
        return test.purpose == "after_repair"
    return test.tested_at > repair.performed_at


def shared_findings(tests: tuple[PastTest, ...], least: int) -> frozenset[str]:
    """Findings that at least so many of the tests have."""
    every = [code for test in tests for code in test.codes]
    return frozenset(code for code in every if every.count(code) >= least)


def standing_far_beyond(tests: tuple[PastTest, ...]) -> PastTest | None:
    """The far-beyond test that no later judged test stands against, if any."""
    judged = [test for test in tests if test.verdict_code != NOT_ASSESSABLE]
    return judged[-1] if judged and judged[-1].verdict_code == FAR_BEYOND else None


def histories(
    vehicles: pl.DataFrame, tests: pl.DataFrame, found: pl.DataFrame, repairs: pl.DataFrame
) -> list[History]:
    """One history per car of the registry, in order of vehicle_id.

    Parameters
    ----------
    vehicles : frame
        vehicle_id, model_id.
    tests : frame
        ASSESSMENTS with purpose and repair_id.
    found : frame
        EVIDENCE of all tests.
    repairs : frame
        repair_id, vehicle_id, performed_at, action; none later than the judgement.
    """
    findings = rows_by(found, "test_id")
    by_car = rows_by(tests.sort("tested_at", "test_id"), "vehicle_id")
    breaks = repairs.filter(~pl.col("action").fill_null("").is_in(CHANGES_NOTHING))
    repairs_by_car = rows_by(breaks.sort("performed_at", "repair_id"), "vehicle_id")
    result = []
    for car in vehicles.select("vehicle_id", "model_id").sort("vehicle_id").iter_rows(named=True):
        past = tuple(_past(row, findings) for row in by_car.get(car["vehicle_id"], []))
        done = repairs_by_car.get(car["vehicle_id"], [])
        last = Repair(done[-1]["repair_id"], done[-1]["performed_at"]) if done else None
        result.append(History(car["vehicle_id"], car["model_id"], past, last))
    return result


def _past(row: Row, findings: dict[str, list[Row]]) -> PastTest:
    return PastTest(
        row["test_id"],
        row["tested_at"],
        row["verdict_code"],
        row["reason"],
        row["purpose"],
        row["repair_id"],
        tuple(findings.get(row["test_id"], ())),
    )
