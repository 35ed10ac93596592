"""What `replacements` and `refrigerant-register` tell, for warranty and for the authorities.

Takes published tables, gives lines and the very table that they show. Does not belong here:
how the tables are made (`models.replacements`, `models.refrigerant_register`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.refrigerant_register import register_totals
from pipeline.shops_text import Told
from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from collections.abc import Iterable

_LIST_LENGTH = 40


def told_replacements(replacements: pl.DataFrame, *, is_all: bool) -> Told:
    """Components replaced on cars in band (or all), what they cost, and the tests behind."""
    in_band = replacements.filter(pl.col("evidence_code") == "in_band")
    shown = (replacements if is_all else in_band).sort("performed_at", "repair_id")
    lines = [_counted(replacements), _cost(in_band), ""]
    lines += [
        f"  {row['repair_id']}, {row['performed_at']:%Y-%m-%d}, {row['vehicle_id']}"
        f"{', claim ' + row['claim_id'] if row['claim_id'] else ''}: {row['sentence']}"
        for row in shown.head(_LIST_LENGTH).iter_rows(named=True)
    ]
    if shown.height > _LIST_LENGTH:
        lines.append(f"  and {shown.height - _LIST_LENGTH} more: --export FILE has them all")
    return Told(lines, shown)


def _counted(replacements: pl.DataFrame) -> str:
    n = replacements.height
    counts = dict.fromkeys(("in_band", "out_of_band", "not_assessable", "no_test"), 0)
    counts |= dict(replacements.group_by("evidence_code").len().iter_rows())
    tested = counts["in_band"] + counts["out_of_band"]
    return (
        f"{n} components replaced. A test before tells of {tested}: {counts['in_band']} on cars "
        f"in band, {counts['out_of_band']} on cars out of band. {counts['not_assessable']} tests "
        f"cannot tell, and {counts['no_test']} replacements have no test before."
    )


def _cost(in_band: pl.DataFrame) -> str:
    if in_band.is_empty():
        return "None was replaced on a car whose test was in band."
    known = in_band["cost"].drop_nulls()
    if known.is_empty():
        return "No cost is logged for those on cars in band."
    missing = in_band.height - known.len()
    of = f"; {missing} have no cost logged" if missing else ""
    return (
        f"Those on cars in band cost {known.sum():,.2f} (parts and labour, currency of the "
        f"workspace{of}). A test in band does not prove a component sound: a fault may need other "
        "heat or load to show."
    )


def told_register(register: pl.DataFrame, year: int | None, site: str | None) -> Told:
    """The register by site and year, with what was not weighed; the table is per vehicle."""
    shown = register
    if year is not None:
        shown = shown.filter(pl.col("year") == year)
    if site is not None:
        shown = shown.filter(pl.col("site_id") == site)
    if shown.is_empty():
        return Told(["No work on refrigerant is on record for this choice."], shown)
    names = (
        "site", "year", "refrigerant", "vehicles", "services", "recovered g", "charged g",
        "net added g", "implied loss g",
    )  # fmt: skip
    totals = register_totals(shown, ("site_id", "year", "refrigerant"))
    rows = [
        [
            str(row["site_id"]),
            str(row["year"]),
            str(row["refrigerant"]),
            str(row["n_vehicles"]),
            str(row["n_services"]),
            *_masses(row),
        ]
        for row in totals.iter_rows(named=True)
    ]
    return Told([text_table(names, rows), "", *_remarks(shown)], shown)


def _masses(row: dict[str, object]) -> Iterable[str]:
    for name in ("recovered_g", "charged_g", "net_added_g", "implied_loss_g"):
        value = row[name]
        yield "not known" if value is None else f"{float(str(value)):,.0f}"


def _remarks(shown: pl.DataFrame) -> list[str]:
    counts = shown.select(
        pl.col("n_services", "n_recovered_weighed", "n_charged_weighed", "n_loss_known").sum()
    ).row(0, named=True)
    n = counts["n_services"]
    unweighed = (
        f"Of {n} services {n - counts['n_recovered_weighed']} have no recovered mass noted and "
        f"{n - counts['n_charged_weighed']} no charged mass: their refrigerant is in no sum, and "
        "nothing was assumed for it."
    )
    loss = (
        f"The implied loss rests on {counts['n_loss_known']} services: the full charge before less "
        "what was recovered, taking it that a machine recovers 95 %. It is booked in the year in "
        "which it was found. Net added is charged less recovered, where both were weighed."
    )
    return [unweighed, loss]
