"""What could not be judged in the latest test of a vehicle, and what reading its log showed.

Takes rows of a `Ledger`, gives frozen records. Does not belong here: why a test has no
window (`unread`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.retelling import in_quotes
from reports.wording import quantity_words, reason_words, regime_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.ledger import Ledger, Row


@dataclass(frozen=True)
class Unassessed:
    """Something that could not be judged, why, and what would help if known."""

    subject: str
    reason: str
    hint: str


@dataclass(frozen=True)
class Remark:
    """Something worth knowing about a log that was read all the same."""

    column: str
    sentence: str
    place: str
    hint: str


def read_unassessed(
    latest: Row | None, residuals: list[Row], ledger: Ledger
) -> tuple[Unassessed, ...]:
    """What could not be judged in the latest test, without repeating a subject and reason."""
    found: list[Unassessed] = []
    if latest is not None:
        found += [
            Unassessed(
                f"column {row['column_name']}",
                in_quotes(row["sentence"] or ""),
                in_quotes(row["hint"] or ""),
            )
            for row in ledger.refused_columns.get(latest["log_path"], [])
        ]
        found += _not_judged(row for row in residuals if row["test_id"] == latest["test_id"])
    return tuple(dict.fromkeys(found))


def _not_judged(residuals: Iterable[Row]) -> list[Unassessed]:
    """The quantities without a judgement, together where reason and regime are the same."""
    subjects: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in residuals:
        if row["reason_code"] is not None:
            key = (reason_words(row["reason_code"]), regime_words(row["regime"]))
            subjects[key].append(quantity_words(row["feature"]))
    return [
        Unassessed(f"{', '.join(subjects[reason, regime])} ({regime})", reason, "")
        for reason, regime in sorted(subjects)
    ]


def read_remarks(log_path: str | None, ledger: Ledger) -> tuple[Remark, ...]:
    """What the door remarked on a log that it read."""
    return tuple(
        Remark(
            column=row["column_name"] or "",
            sentence=in_quotes(row["sentence"] or ""),
            place=row["place"] or "",
            hint=in_quotes(row["hint"] or ""),
        )
        for row in ledger.notices.get(log_path or "", [])
    )
