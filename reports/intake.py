"""What came in: logs read and refused, and why, for the person who can mend it.

Takes a `SiteContent`, gives a frozen `Intake`: one entry per cause with every log that it
stopped, since ten files refused for one reason are one thing to do. Does not belong
here: reading logs, and the wording of refusals (`pipeline`).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from reports.display import file_stem
from reports.retelling import in_quotes
from reports.wording import rule_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.content import SiteContent

Row = dict[str, Any]

_NO_PLACE = ("whole file", "all columns")  # says no more than that the log is refused


@dataclass(frozen=True)
class RefusedLog:
    """A log that a cause stopped, and the car whose test is lost with it, where known."""

    path: str
    place: str
    vehicle_id: str
    page: str


@dataclass(frozen=True)
class Refusal:
    """A cause, what to do about it, and the logs concerned; `column` if not the whole log."""

    column: str
    sentence: str
    hint: str
    logs: tuple[RefusedLog, ...]


@dataclass(frozen=True)
class TrustCount:
    """How many tests had readings set aside by one rule of trust."""

    sentence: str
    n_tests: int
    n_channels: int


@dataclass(frozen=True)
class OffInstrument:
    """An instrument that reads off on every car, in words, each sensor for itself."""

    instrument_id: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Waiting:
    """Logs held for one reason: each with its path and why, and the rows to paste.

    `header` are the columns of the tests table that the rows follow.
    """

    hint: str
    logs: tuple[tuple[str, str], ...]
    header: str
    rows: tuple[str, ...]


@dataclass(frozen=True)
class Intake:
    """What came in and what was refused."""

    headline: str
    n_stored_logs: int
    n_refused_logs: int
    logs: tuple[Refusal, ...]
    columns: tuple[Refusal, ...]
    trust: tuple[TrustCount, ...]
    waiting: tuple[Waiting, ...] = ()
    instruments: tuple[OffInstrument, ...] = ()


def read_intake(content: SiteContent) -> Intake:
    """The data-quality part of the index page."""
    outcomes = Counter(content.logs["outcome_code"].to_list())
    rows = content.rejected.sort("path", "column_name", "code", "place").to_dicts()
    pages = _pages(content)
    return Intake(
        headline=_headline(outcomes["stored"], outcomes["refused"], outcomes["unassigned"]),
        n_stored_logs=outcomes["stored"],
        n_refused_logs=outcomes["refused"],
        logs=_by_cause([row for row in rows if row["column_name"] is None], pages),
        columns=_by_cause([row for row in rows if row["column_name"] is not None], pages),
        trust=_trust(content.trust),
        waiting=_waiting(content.unassigned),
        instruments=_instruments(content.instrument_offsets),
    )


def _headline(n_stored: int, n_refused: int, n_waiting: int) -> str:
    total = n_stored + n_refused + n_waiting
    logs = "log" if total == 1 else "logs"
    if n_refused:
        were = "was" if n_refused == 1 else "were"
        said = f"{n_refused} of {total} {logs} {were} refused, and the tests in them count for "
        said += "nothing."
    elif n_waiting:
        said = f"{n_stored} of {total} {logs} could be read."
    else:
        said = f"All {total} logs could be read." if total else "No log has been read yet."
    if n_waiting:
        wait = "1 log waits" if n_waiting == 1 else f"{n_waiting} logs wait"
        said += f" {wait} to be assigned to a test."
    return said


def _waiting(unassigned: pl.DataFrame) -> tuple[Waiting, ...]:
    """The logs held, in order of path, those with the same thing to do together."""
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in unassigned.sort("path").iter_rows(named=True):
        groups[row["hint"] or "", row["columns"] or ""].append(row)
    return tuple(
        Waiting(
            hint=in_quotes(hint),
            logs=tuple((row["path"], in_quotes(row["sentence"] or "")) for row in rows),
            header=header,
            rows=tuple(row["row"] or "" for row in rows),
        )
        for (hint, header), rows in groups.items()
    )


def _instruments(offsets: pl.DataFrame) -> tuple[OffInstrument, ...]:
    """The instruments in order, of each what was found in order of time."""
    found: dict[str, list[str]] = defaultdict(list)
    for row in offsets.sort("instrument_id", "from_at", "channel").iter_rows(named=True):
        found[row["instrument_id"]].append(in_quotes(row["sentence"] or ""))
    return tuple(OffInstrument(name, tuple(sentences)) for name, sentences in found.items())


def _pages(content: SiteContent) -> dict[str, tuple[str, str]]:
    """Vehicle and page by log, for the vehicles that have a page."""
    with_page = set(content.states["vehicle_id"].to_list())
    owners = content.logs.select("path", "vehicle_id").iter_rows()
    return {
        path: (vehicle_id, f"vehicles/{file_stem(vehicle_id)}.html")
        for path, vehicle_id in owners
        if vehicle_id in with_page
    }


def _by_cause(rows: Sequence[Row], pages: dict[str, tuple[str, str]]) -> tuple[Refusal, ...]:
    """The causes, that of most logs first, each with its logs in order of path."""
    groups: dict[tuple[str, str, str], list[tuple[str, str]]] = defaultdict(list)
    for row in rows:
        cause = (row["column_name"] or "", row["sentence"] or "", row["hint"] or "")
        groups[cause].append((row["path"], _place(row)))
    causes = sorted(groups, key=lambda cause: (-len(groups[cause]), cause))
    return tuple(
        Refusal(
            column=column,
            sentence=in_quotes(sentence),
            hint=in_quotes(hint),
            logs=tuple(
                RefusedLog(path, place, *pages.get(path, ("", "")))
                for path, place in dict.fromkeys(groups[column, sentence, hint])
            ),
        )
        for column, sentence, hint in causes
    )


def _place(row: Row) -> str:
    place = row["place"] or ""
    return "" if place in (*_NO_PLACE, f"column {row['column_name']}") else place


def _trust(trust: pl.DataFrame) -> tuple[TrustCount, ...]:
    tally = (
        trust.filter(pl.col("distrusted_share") > 0)
        .group_by("rule_code")
        .agg(
            n_tests=pl.col("test_id").n_unique(),
            n_channels=pl.col("channel").n_unique(),
        )
        .sort("n_tests", "rule_code", descending=[True, False])
    )
    return tuple(
        TrustCount(rule_words(row["rule_code"]), row["n_tests"], row["n_channels"])
        for row in tally.iter_rows(named=True)
    )
