"""Components replaced, and what the test before says of the need for it.

Takes `REPAIR_OUTCOMES`, the repairs of the registry and the judged tests, gives `REPLACEMENTS`.
A test in band does not prove a component sound, for a fault may need heat or load to show; it
says that nothing of it showed in the quantities judged. Does not belong here: parts that came
back (`shops`).
"""

from __future__ import annotations

import polars as pl

from models.assessments import FAR_BEYOND, FINDING, IN_BAND, NOT_ASSESSABLE
from models.repair_outcomes import cost_of
from models.repair_tables import REPLACEMENTS

_EVIDENCE = {
    IN_BAND: "in_band",
    FINDING: "out_of_band",
    FAR_BEYOND: "out_of_band",
    NOT_ASSESSABLE: "not_assessable",
}


def replacement_frame(
    outcomes: pl.DataFrame, repairs: pl.DataFrame, tests: pl.DataFrame
) -> pl.DataFrame:
    """One row per component replaced, in order of repair_id."""
    tested = tests.select(before_test_id="test_id", n_judged="n_assessed_features", reason="reason")
    rows = (
        outcomes.filter(pl.col("action") == "replace")
        .join(repairs.select("repair_id", "parts_cost", "labour_cost"), on="repair_id", how="left")
        .join(tested, on="before_test_id", how="left")
        .with_columns(
            pl.col("before_verdict_code")
            .replace_strict(_EVIDENCE, default="no_test")
            .fill_null("no_test")
            .alias("evidence_code"),
            cost_of("parts_cost", "labour_cost").alias("cost"),
        )
        .with_columns(_sentence().alias("sentence"))
    )
    columns = [name for name in REPLACEMENTS.schema if name in rows.columns]
    return REPLACEMENTS.conform(rows.select(columns)).sort("repair_id")


def _sentence() -> pl.Expr:
    what = pl.col("component").fill_null("a component").str.replace_all("_", " ")
    return (
        pl.when(pl.col("evidence_code") == "in_band")
        .then(
            pl.format(
                "{} was replaced on a car whose test {} was in band in all {} quantities judged: "
                "nothing of a fault showed there. A fault that needs other heat or load to show is "
                "not ruled out.",
                what, pl.col("before_test_id"), pl.col("n_judged"),
            )
        )
        .when(pl.col("evidence_code") == "out_of_band")
        .then(
            pl.format(
                "{} was replaced on a car whose test {} was out of band: {}",
                what, pl.col("before_test_id"), pl.col("reason"),
            )
        )
        .when(pl.col("evidence_code") == "not_assessable")
        .then(
            pl.format(
                "{} was replaced; the test {} before cannot tell.", what, pl.col("before_test_id")
            )
        )
        .otherwise(pl.format("{} was replaced; no test tells the state before.", what))
    )  # fmt: skip
