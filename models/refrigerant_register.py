"""Register of refrigerant by vehicle, site and year: recovered, charged, and what was lost.

Takes repairs, vehicles and models of the registry, gives `REFRIGERANT_REGISTER`. A mass that
was not weighed stays unknown: it is counted and said, and never filled in. The loss that a
recovered mass implies is that of `leaks`, booked in the year it was found. Does not belong
here: rates of leaks (`leaks`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.leaks import weighed_services
from models.repair_tables import REFRIGERANT_REGISTER

if TYPE_CHECKING:
    from collections.abc import Sequence

NOT_STATED = "not stated"
_ON_REFRIGERANT = ("recharge", "leak_repair")
_KEY = ("vehicle_id", "site_id", "year")


def register_frame(
    repairs: pl.DataFrame, vehicles: pl.DataFrame, models: pl.DataFrame
) -> pl.DataFrame:
    """One row per vehicle, site and year in which its refrigerant was worked on."""
    services = _services(repairs, vehicles, models)
    both = pl.col("recovered_g").is_not_null() & pl.col("charged_g").is_not_null()
    rows = (
        services.group_by(_KEY)
        .agg(
            pl.col("refrigerant", "charge_spec_g").first(),
            pl.len().cast(pl.Int32).alias("n_services"),
            pl.col("recovered_g").count().cast(pl.Int32).alias("n_recovered_weighed"),
            pl.col("charged_g").count().cast(pl.Int32).alias("n_charged_weighed"),
            _sum_of_known(pl.col("recovered_g")),
            _sum_of_known(pl.col("charged_g")),
            _sum_of_known(
                pl.when(both).then(pl.col("charged_g") - pl.col("recovered_g")), "net_added_g"
            ),
            _sum_of_known(pl.col("lost_g"), "implied_loss_g"),
            pl.col("lost_g").count().cast(pl.Int32).alias("n_loss_known"),
            pl.col("since_at").min().alias("loss_since"),
        )
        .sort(_KEY)
    )
    return REFRIGERANT_REGISTER.conform(rows.with_columns(_remark().alias("remark")))


def register_totals(register: pl.DataFrame, by: Sequence[str]) -> pl.DataFrame:
    """The sums of a register by some of its columns, in their order; unknown sums stay unknown."""
    counts = ("n_services", "n_recovered_weighed", "n_charged_weighed", "n_loss_known")
    masses = ("recovered_g", "charged_g", "net_added_g", "implied_loss_g")
    return (
        register.group_by(by)
        .agg(
            pl.col("vehicle_id").n_unique().cast(pl.Int32).alias("n_vehicles"),
            *(pl.col(name).sum() for name in counts),
            *(_sum_of_known(pl.col(name)) for name in masses),
        )
        .sort(by)
    )


def _services(repairs: pl.DataFrame, vehicles: pl.DataFrame, models: pl.DataFrame) -> pl.DataFrame:
    """Repairs that worked on the refrigerant, each with the loss it implies where known."""
    is_service = (
        pl.col("recovered_g").is_not_null()
        | pl.col("charged_g").is_not_null()
        | pl.col("action").is_in(_ON_REFRIGERANT).fill_null(value=False)
    )
    lost = weighed_services(repairs, models, vehicles).select(
        "vehicle_id", "since_at", "lost_g", performed_at="until_at"
    )
    # one loss per car and instant, though two repairs may stand there
    once = lost.unique(["vehicle_id", "performed_at"], keep="first", maintain_order=True)
    first = pl.int_range(pl.len()).over("vehicle_id", "performed_at") == 0
    of_car = vehicles.select("vehicle_id", "model_id").join(
        models.select("model_id", "refrigerant", charge_spec_g=pl.col("charge_g")),
        on="model_id",
        how="left",
    )
    return (
        repairs.filter(is_service)
        .sort("performed_at", pl.col("recovered_g").is_null(), "repair_id")
        .join(once, on=["vehicle_id", "performed_at"], how="left", maintain_order="left")
        .join(of_car, on="vehicle_id", how="left", maintain_order="left")
        .with_columns(
            pl.when(first).then(pl.col(name)).alias(name) for name in ("lost_g", "since_at")
        )
        .with_columns(
            pl.col("shop_id").fill_null(NOT_STATED).alias("site_id"),
            pl.col("performed_at").dt.year().cast(pl.Int32).alias("year"),
        )
    )


def _sum_of_known(values: pl.Expr, name: str | None = None) -> pl.Expr:
    """The sum; null where nothing is known, for a sum of nothing is not zero."""
    total = pl.when(values.count() > 0).then(values.sum())
    return total.alias(name) if name else total.name.keep()


def _remark() -> pl.Expr:
    def missing(known: str, words: str) -> pl.Expr:
        gap = pl.col("n_services") - pl.col(known)
        return pl.when(gap > 0).then(
            pl.format("{} of {} services: {}.", gap, pl.col("n_services"), pl.lit(words))
        )

    parts = (
        missing("n_recovered_weighed", "recovered mass not noted"),
        missing("n_charged_weighed", "charged mass not noted"),
        missing("n_loss_known", "loss not known (no weighed recovery after a known full charge)"),
    )
    return pl.concat_str(*parts, separator=" ", ignore_nulls=True)
