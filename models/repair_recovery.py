"""What two tests of a visit say of the repair: same conditions, back in band, how far off.

Takes pairs of tests and residuals, gives per visit whether the tests can be compared, the
quantity that strayed most before and how far it strays after, and the subcooling left after.
That a quantity chosen for straying far strays less the next time is no merit of the repair:
allowed for where shops are compared (`shops`), not here. Does not belong here: pairing
(`repair_pairs`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.regimes import WHOLE_TEST
from models.assessments import FAR_BEYOND, FINDING, IN_BAND, NOT_ASSESSABLE

if TYPE_CHECKING:
    from models.repair_settings import RepairSettings

# In the order of what they say of the charge: full load before regulation, the condenser
# before the expansion device (common practice, no source).
_CHARGE_REGIMES = {"saturated": 0, "running": 1, "cycling": 2, "regulating": 3}
_CHARGE_FEATURES = {"condenser_outlet_subcooling_k": 0, "expansion_inlet_subcooling_k": 1}


def recoveries(
    pairs: pl.DataFrame,
    residuals: pl.DataFrame,
    air: pl.DataFrame,
    settings: RepairSettings,
) -> pl.DataFrame:
    """The pairs with what they say, one row per visit.

    Parameters
    ----------
    pairs : frame
        As from `paired_tests`.
    residuals : frame
        test_id, regime, feature, observed, expected, z, adverse_z.
    air : frame
        test_id, regime, condenser_air_c.
    settings : RepairSettings
    """
    lead = _leads(pairs, residuals, air)
    difference = pl.col("air_difference_k").abs()
    reason = (
        pl.when(pl.col("before_test_id").is_null())
        .then(pl.lit("no_before_test"))
        .when(pl.col("after_test_id").is_null())
        .then(pl.lit("no_after_test"))
        .when(pl.col("lead_feature").is_null())
        .then(pl.lit("nothing_in_common"))
        .when(difference.is_null())
        .then(pl.lit("air_not_known"))
        .when(difference > settings.most_air_difference_k)
        .then(pl.lit("air_too_different"))
        .otherwise(pl.lit("comparable"))
    )
    return (
        pairs.join(lead, on="visit_number", how="left", maintain_order="left")
        .join(_subcooling(pairs, residuals), on="visit_number", how="left", maintain_order="left")
        .with_columns(reason.alias("comparison_code"))
        .with_columns(_is_back().alias("is_back_in_band"))
    )


def _is_back() -> pl.Expr:
    """True, false, or null where it cannot be told."""
    was_out = pl.col("before_verdict_code").is_in([FINDING, FAR_BEYOND])
    is_told = pl.col("after_verdict_code").ne(NOT_ASSESSABLE)
    usable = was_out & is_told & pl.col("comparison_code").eq("comparable")
    return pl.when(usable).then(pl.col("after_verdict_code") == IN_BAND)


def _leads(pairs: pl.DataFrame, residuals: pl.DataFrame, air: pl.DataFrame) -> pl.DataFrame:
    """Of the quantities judged in both tests the one that strayed most before, adverse first."""
    judged = residuals.filter(pl.col("z").is_finite() & (pl.col("regime") != WHOLE_TEST))
    key = ["regime", "feature"]
    of_test = judged.select("test_id", *key, "z", "adverse_z").join(
        air.select("test_id", "regime", "condenser_air_c"), on=["test_id", "regime"], how="left"
    )
    both = pairs.filter(
        pl.col("before_test_id").is_not_null() & pl.col("after_test_id").is_not_null()
    )
    side = pl.when(pl.col("z") < 0).then(-1.0).otherwise(1.0)
    return (
        both.select("visit_number", "before_test_id", "after_test_id")
        .join(of_test, left_on="before_test_id", right_on="test_id")
        .join(of_test, left_on=["after_test_id", *key], right_on=["test_id", *key], suffix="_after")
        .with_columns(pl.col("adverse_z").abs().fill_null(0.0).alias("size"))
        .sort(
            ["visit_number", "size", pl.col("z").abs(), *key],
            descending=[False, True, True, False, False],
        )
        .group_by("visit_number", maintain_order=True)
        .first()
        .select(
            "visit_number",
            pl.col("feature").alias("lead_feature"),
            pl.col("regime").alias("lead_regime"),
            pl.when(pl.col("adverse_z").is_not_null())
            .then(pl.col("z") * side)
            .alias("severity_before"),
            pl.when(pl.col("adverse_z").is_not_null())
            .then(pl.col("z_after") * side)
            .alias("severity_after"),
            (pl.col("condenser_air_c_after") - pl.col("condenser_air_c")).alias("air_difference_k"),
        )
    )


def _subcooling(pairs: pl.DataFrame, residuals: pl.DataFrame) -> pl.DataFrame:
    """Subcooling in the test after above what the model shows, where it tells most of charge."""
    return (
        residuals.filter(
            pl.col("feature").is_in(list(_CHARGE_FEATURES))
            & pl.col("regime").is_in(list(_CHARGE_REGIMES))
            & pl.col("expected").is_not_null()
            & pl.col("observed").is_not_null()
        )
        .join(pairs.select("visit_number", test_id=pl.col("after_test_id")), on="test_id")
        .sort(
            "visit_number",
            pl.col("feature").replace_strict(_CHARGE_FEATURES, return_dtype=pl.Int64),
            pl.col("regime").replace_strict(_CHARGE_REGIMES, return_dtype=pl.Int64),
        )
        .group_by("visit_number", maintain_order=True)
        .first()
        .select(
            "visit_number",
            (pl.col("observed") - pl.col("expected")).alias("subcooling_after_k"),
        )
    )
