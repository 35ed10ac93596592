"""The early warnings as text for a warranty analyst: by claims, by tests, by like patterns.

Takes a read-only store, gives the rows that are listed and lines. Lists go by the lower end of
the rate drawn towards that of all, never by the raw rate. Does not belong here: finding
warnings (`models.fleet_warnings`), their sentences (`models.early_warning_words`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from models.early_warning_tables import WatchState
from models.early_warning_words import WITHIN_RESERVE
from models.findings import JUDGED_FEATURE
from pipeline.text_lines import wrapped
from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from models.settings import AssessmentSettings
    from pipeline.warehouse import Warehouse

# Batches told by their share of cars with a finding.
_SHARES_TOLD = 5
_ORDER = [WatchState.WARNED.code, WatchState.WATCHED.code]
_KINDS = {
    "build_month": "built",
    "build_month_and_plant": "built at",
    "plant": "plant",
    "region": "region",
    "part_lot": "part lot",
}


@dataclass(frozen=True)
class Listed:
    """What is listed, by table, and how many cohorts and batches were looked at."""

    listed: dict[str, pl.DataFrame]
    n_cohorts: int
    n_too_few: int
    n_batches: int


def read_warnings(
    store: Warehouse, model: str | None, component: str | None, *, with_quiet: bool
) -> Listed:
    """The warnings in the store, of one model or component where asked."""
    claims, batches, groups, shares = (
        store.read(name) if model is None else store.read_where(name, "model_id", [model])
        for name in (
            "claim_warnings", "batch_warnings", "signature_clusters", "finding_shares",
        )
    )  # fmt: skip
    if component is not None:
        claims = claims.filter(pl.col("component") == component)
    shown = pl.col("state_code").is_in([*_ORDER, *(_QUIET if with_quiet else ())])
    place = pl.col("state_code").replace_strict({c: n for n, c in enumerate(_ALL)})
    key = ("kind_code", "model_id", "cohort")
    return Listed(
        {
            "claim_warnings": claims.filter(shown).sort(
                place, "shrunken_low", *key, "component", descending=[False, True] + [False] * 4
            ),
            "batch_warnings": batches.filter(shown).sort(place, "q_value", *key, "feature"),
            "signature_clusters": groups.sort("cluster_number", "vehicle_id"),
            "finding_shares": shares.sort(
                "share_low", *key, descending=[True, False, False, False]
            ),
        },
        claims.height,
        claims.filter(pl.col("state_code") == WatchState.TOO_FEW.code).height,
        batches.select(key).n_unique(),
    )


_QUIET = (WatchState.QUIET.code, WatchState.TOO_FEW.code)
_ALL = (*_ORDER, *_QUIET)


def warnings_lines(found: Listed, settings: AssessmentSettings) -> Iterator[str]:
    """All of it as lines."""
    yield from _claim_lines(found, settings)
    yield ""
    yield from _batch_lines(found, settings)
    yield ""
    yield from _group_lines(found.listed["signature_clusters"], settings)


def _text(paragraph: str) -> list[str]:
    return wrapped(paragraph, "")


def _claim_lines(found: Listed, settings: AssessmentSettings) -> Iterator[str]:
    yield "By claims"
    if found.n_cohorts == 0:
        yield from _text(
            "No cohort could be watched: there are no claims, cars have no day of service, or "
            "the registry lists only cars that came to a shop, so that there is no rate."
        )
        return
    budget = settings.false_warnings_per_100_cohorts
    yield from _text(
        f"{found.n_cohorts} cohorts watched, each against the others of its model, at the same "
        f"ages, in the same months, with claims not yet reported allowed for; "
        f"{found.n_too_few} have too little to compare with. Of 100 sound cohorts followed for "
        f"{settings.followed_months} months about {budget:g} would be warned of by chance."
    )
    rows = found.listed["claim_warnings"]
    if rows.is_empty():
        yield "None has more claims than chance makes of it."
        return
    yield text_table(
        ("state", "model", "cohort", "component", "claims", "expected", "times as many*"),
        [_claim_cells(row) for row in rows.iter_rows(named=True)],
    )
    yield from _text(
        "* drawn towards the rate of all cohorts, with its 90 % interval: small cohorts swing "
        "widely by chance. The list goes by its lower end."
    )
    for row in rows.filter(state_code=WatchState.WARNED.code).iter_rows(named=True):
        yield ""
        yield from _text(f"{_cohort(row)}, {row['component']}: {row['sentence']}")


def _claim_cells(row: dict[str, Any]) -> tuple[str, ...]:
    interval = (
        f"{row['shrunken_ratio']:.1f} ({row['shrunken_low']:.1f} to {row['shrunken_high']:.1f})"
    )
    return (
        _state(row), str(row["model_id"]), f"{_KINDS[str(row['kind_code'])]} {row['cohort']}",
        str(row["component"]), str(row["n_claims"]), f"{row['expected_claims']:.1f}", interval,
    )  # fmt: skip


def _state(row: dict[str, Any]) -> str:
    return str(row["state_code"]).replace("_", " ")


def _cohort(row: dict[str, Any]) -> str:
    return f"{row['model_id']}, {_KINDS[str(row['kind_code'])]} {row['cohort']}"


def _batch_lines(found: Listed, settings: AssessmentSettings) -> Iterator[str]:
    yield "By tests, before anybody claims"
    yield from _text(
        f"{found.n_batches} batches of tested cars, each against the other cars of its model, "
        f"one vote per car; at most about {100 * settings.batch_error_rate:g} % of the warnings "
        "are due to chance."
    )
    rows = found.listed["batch_warnings"]
    if rows.is_empty():
        yield "No batch strays as a whole."
    else:
        yield text_table(
            ("state", "model", "batch", "cars", "quantity", "off by, spreads"),
            [_batch_cells(row) for row in rows.iter_rows(named=True)],
        )
    for row in rows.filter(state_code=WatchState.WARNED.code).iter_rows(named=True):
        yield ""
        yield from _text(f"{_cohort(row)}: {row['sentence']}")
    yield ""
    yield from _share_lines(found.listed["finding_shares"])
    yield from _text(WITHIN_RESERVE)


def _batch_cells(row: dict[str, Any]) -> tuple[str, ...]:
    off = ""
    if row["shift"] is not None:
        off = f"{row['shift']:+.1f} ({row['shift_low']:+.1f} to {row['shift_high']:+.1f})"
    return (
        _state(row), str(row["model_id"]), f"{_KINDS[str(row['kind_code'])]} {row['cohort']}",
        str(row["n_vehicles"]), JUDGED_FEATURE[str(row["feature"])].words, off,
    )  # fmt: skip


def _share_lines(rows: pl.DataFrame) -> Iterator[str]:
    """The batches of which the largest share of tested cars has a finding, for certain."""
    top = rows.filter(pl.col("n_with_finding") > 0).head(_SHARES_TOLD)
    if top.is_empty():
        return
    yield from _text(
        "Share of tested cars with a finding, drawn towards that of all batches of the kind "
        "(90 % interval); the list goes by its lower end:"
    )
    yield text_table(
        ("model", "batch", "cars", "with a finding", "share"),
        [_share_cells(row) for row in top.iter_rows(named=True)],
    )
    yield ""


def _share_cells(row: dict[str, Any]) -> tuple[str, ...]:
    share, low, high = (100 * row[name] for name in ("shrunken_share", "share_low", "share_high"))
    return (
        str(row["model_id"]), f"{_KINDS[row['kind_code']]} {row['cohort']}",
        str(row["n_vehicles"]), str(row["n_with_finding"]),
        f"{share:.0f} % ({low:.0f} to {high:.0f} %)",
    )  # fmt: skip


def _group_lines(rows: pl.DataFrame, settings: AssessmentSettings) -> Iterator[str]:
    yield "Cars with a like pattern that no named cause explains"
    if rows.is_empty():
        yield from _text(
            "None that share a build period, plant, lot of parts or shop. Such groups would be "
            f"told by chance in at most {100 * settings.batch_error_rate:g} of 100 fleets."
        )
    for (number,), own in rows.group_by("cluster_number", maintain_order=True):
        yield from _text(f"{number}. {own['sentence'][0]}")
        sharing = own.filter("has_it")["vehicle_id"].to_list()
        others = own.filter(~pl.col("has_it"))["vehicle_id"].to_list()
        yield from _text(f"Sharing it: {', '.join(sharing)}.")
        if others:
            yield from _text(f"Like them, without it: {', '.join(others)}.")
