"""What dispositions do: states that are handled or reopen, and how often findings held.

Takes the rows of `registry/dispositions.csv`, states, evidence and repairs as frames; gives
the states with how they are handled, and the running precision of each finding. The state
itself is never changed by a person's word. Does not belong here: writing rows (`pipeline`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from models.disposition_tables import (
    DISPOSITION_PRECISION,
    DISPOSITIONS_SCHEMA,
    Handling,
    Kind,
    Outcome,
)
from models.history import CHANGES_NOTHING
from models.sentences import day, enumeration

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    Row = Mapping[str, Any]

# How urgent a state is; what cannot be told ranks below what is found.
_RANK = {"in band": 0, "silent": 1, "no verdict": 1, "retest": 1, "watch": 2, "service": 3}
# A deviation must have grown by this share, and by a spread, to reopen: less is the noise of
# another test [default, tune on data].
_GROWN_SHARE, _GROWN_SPREADS = 1.25, 1.0
# Two-sided 95 % of the standard normal distribution.
_Z_95 = 1.959963984540054


def no_dispositions() -> pl.DataFrame:
    """An empty frame of dispositions."""
    return pl.DataFrame(schema=DISPOSITIONS_SCHEMA)


def in_force(dispositions: pl.DataFrame, as_of: datetime) -> pl.DataFrame:
    """The rows that count at an instant: recorded by then, not undone, and no undo itself.

    Rows count in the order of their ids, which is that of the file; a row can undo only one
    above it, an undo too.
    """
    number = pl.col("disposition_id")
    ordered = dispositions.filter(pl.col("recorded_at") <= as_of).sort(
        number.str.len_chars(), number
    )
    rows = list(ordered.iter_rows(named=True))
    place = {row["disposition_id"]: number for number, row in enumerate(rows)}
    void: set[str] = set()
    for number, row in reversed(list(enumerate(rows))):
        undoes = str(row["undoes"]) if row["kind"] == Kind.UNDO.code else ""
        if row["disposition_id"] not in void and place.get(undoes, number) < number:
            void.add(undoes)
    kept = [
        row for row in rows if row["disposition_id"] not in void and row["kind"] != Kind.UNDO.code
    ]
    return pl.DataFrame(kept, schema=dispositions.schema)


def add_handling(
    states: pl.DataFrame,
    evidence: pl.DataFrame,
    counted: pl.DataFrame,
    repairs: pl.DataFrame,
    as_of: datetime,
) -> pl.DataFrame:
    """The states with handling_code, acknowledged_until and handling.

    Parameters
    ----------
    states, evidence : frame
        STATES and EVIDENCE.
    counted : frame
        Dispositions in force, in the order of the file.
    repairs : frame
        None later than the judgement; after one that changed something, what was
        acknowledged before is another car's matter and no longer counts.
    """
    decided = counted.filter(pl.col("kind").is_in([Kind.ACKNOWLEDGE.code, Kind.SNOOZE.code]))
    last = {row["vehicle_id"]: row for row in decided.iter_rows(named=True)}
    changing = repairs.filter(~pl.col("action").fill_null("").is_in(CHANGES_NOTHING))
    repaired = dict(changing.group_by("vehicle_id").agg(pl.col("performed_at").max()).iter_rows())
    codes: dict[str, set[str]] = {}
    for vehicle_id, code in evidence.select("vehicle_id", "finding_code").iter_rows():
        codes.setdefault(vehicle_id, set()).add(code)
    handled = [
        _handling(row, last.get(row["vehicle_id"]), codes, repaired, as_of)
        for row in states.iter_rows(named=True)
    ]
    columns = ("handling_code", "acknowledged_until", "handling")
    types = (pl.String(), pl.Date(), pl.String())
    return states.with_columns(
        pl.Series(name, [one[place] for one in handled], dtype)
        for place, (name, dtype) in enumerate(zip(columns, types, strict=True))
    )


def _handling(
    state: Row,
    decision: Row | None,
    codes: Mapping[str, set[str]],
    repaired: Mapping[str, datetime],
    as_of: datetime,
) -> tuple[str | None, object, str | None]:
    nothing = (None, None, None)
    if decision is None:
        return nothing
    done = repaired.get(state["vehicle_id"])
    if done is not None and done > decision["recorded_at"]:
        return nothing
    until = decision["until_date"]
    if until is not None and as_of.date() >= until:
        return nothing
    who = _decided(decision)
    grown = _grown(state, decision, codes.get(state["vehicle_id"], set()))
    if grown:
        return (Handling.REOPENED.code, None, f"Reopened: {enumeration(grown)}. {who}")
    is_snoozed = decision["kind"] == Kind.SNOOZE.code
    code = Handling.SNOOZED.code if is_snoozed else Handling.ACKNOWLEDGED.code
    return (code, until, who)


def _decided(decision: Row) -> str:
    verb = "Snoozed" if decision["kind"] == Kind.SNOOZE.code else "Acknowledged"
    until = decision["until_date"]
    end = f" until {until.day} {until:%B %Y}" if until is not None else ""
    person = f" by {decision['person']}" if decision["person"] else ""
    reason = f": {decision['reason']}" if decision["reason"] else ""
    return f"{verb}{person} on {day(decision['recorded_at'])}{end}{reason}."


def _grown(state: Row, decision: Row, codes: Iterable[str]) -> list[str]:
    """In what the car is worse than when it was acknowledged."""
    grown = []
    now, then = _RANK.get(state["state"], 0), _RANK.get(decision["state"] or "", 0)
    if now > then and now >= _RANK["watch"]:
        grown.append(f"the state was {decision['state'] or 'not known'} and is {state['state']}")
    known = set((decision["finding_codes"] or "").split())
    new = sorted(set(codes) - known)
    if new and now >= _RANK["watch"]:
        grown.append(f"new: {enumeration(code.replace('_', ' ') for code in new)}")
    worst, before = state["worst_z"], decision["worst_z"]
    if worst is not None and before is not None and now >= _RANK["watch"]:
        least = max(abs(before) * _GROWN_SHARE, abs(before) + _GROWN_SPREADS)
        if abs(worst) >= least:
            grown.append(
                f"the largest deviation was {abs(before):.1f} spreads and is {abs(worst):.1f}"
            )
    return grown


def precision_frame(counted: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """How often each finding held, per model and over all, of those that were looked at.

    Of one finding on one car and test the last word counts.
    """
    looked = (
        counted.filter((pl.col("kind") == Kind.FOUND.code) & pl.col("finding_codes").is_not_null())
        .with_columns(pl.col("finding_codes").str.split(" ").alias("finding_code"))
        .explode("finding_code")
        .filter(pl.col("finding_code") != "")
        .unique(["vehicle_id", "test_id", "finding_code"], keep="last", maintain_order=True)
        .join(vehicles.select("vehicle_id", "model_id"), on="vehicle_id", how="left")
    )
    counts = [
        (pl.col("outcome") == outcome.code).sum().cast(pl.Int32).alias(f"n_{outcome.code}")
        for outcome in Outcome
    ]
    by_model = looked.filter(pl.col("model_id").is_not_null()).group_by("finding_code", "model_id")
    overall = looked.group_by("finding_code").agg(counts)
    rows = pl.concat([by_model.agg(counts), overall], how="diagonal_relaxed")
    return DISPOSITION_PRECISION.conform(_with_intervals(rows)).sort(
        "finding_code", "model_id", nulls_last=True
    )


def _with_intervals(rows: pl.DataFrame) -> pl.DataFrame:
    """The counts with the share confirmed and Wilson's interval.

    E. B. Wilson, J. Am. Statist. Assoc. 22 (1927) 209.
    """
    hits = pl.col("n_confirmed").cast(pl.Float64)
    count = hits + pl.col("n_other_cause") + pl.col("n_no_fault_found")
    share, square = hits / count, _Z_95**2
    middle = (share + square / (2 * count)) / (1 + square / count)
    half = (
        _Z_95
        * (share * (1 - share) / count + square / (4 * count**2)).sqrt()
        / (1 + square / count)
    )
    known = count > 0
    return rows.with_columns(
        pl.when(known).then(share).alias("precision"),
        pl.when(known).then((middle - half).clip(0.0, 1.0)).alias("precision_low"),
        pl.when(known).then((middle + half).clip(0.0, 1.0)).alias("precision_high"),
    )
