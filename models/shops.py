"""Shops and fitted parts compared: `SHOPS` and `PARTS` from what came of repairs.

Takes `REPAIR_OUTCOMES`, gives the two tables. Does not belong here: what is compared
(`measures`) and how (`comparisons`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from models.comparisons import compared
from models.measures import MEASURE, MEASURES
from models.repair_tables import PARTS, SHOPS

if TYPE_CHECKING:
    from models.repair_settings import RepairSettings

_DIMENSIONS = ("part_number", "supplier", "part_lot")
_PART_MEASURES = (MEASURE["comebacks"],)


def shop_frame(outcomes: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    """One row per shop and measure; shops in order of name, for there is no other order."""
    rows = outcomes.with_columns(pl.col("shop_id").alias("group"))
    found = compared(rows, MEASURES, settings)
    if found.is_empty():
        return SHOPS.empty()
    return SHOPS.conform(found.rename({"group": "shop_id"})).sort(SHOPS.key)


def part_frame(outcomes: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    """Comebacks after fitting, by part number, supplier and lot, within each component."""
    fitted = outcomes.filter(pl.col("action") == "replace")
    parts = []
    for dimension in _DIMENSIONS:
        for component in sorted(fitted["component"].drop_nulls().unique().to_list()):
            own = fitted.filter(pl.col("component") == component)
            found = compared(
                own.with_columns(pl.col(dimension).alias("group")), _PART_MEASURES, settings
            )
            if found.height:
                parts.append(
                    found.rename({"group": "dimension_value"}).with_columns(
                        pl.lit(dimension).alias("dimension_code"),
                        pl.lit(component).alias("component"),
                    )
                )
    return PARTS.conform(pl.concat(parts)).sort(PARTS.key) if parts else PARTS.empty()
