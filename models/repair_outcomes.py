"""What came of each repair: tested before and after, charge, refills, comeback.

Takes repairs, tests, residuals and registry as frames, gives `REPAIR_OUTCOMES`. Facts of single
repairs only: nothing here is a judgement of who did them. Does not belong here: pairing
(`repair_pairs`), what two tests say (`repair_recovery`), comparison (`shops`).
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from models.comebacks import followed_up
from models.repair_pairs import paired_tests, visit_spans, visited_repairs
from models.repair_recovery import recoveries
from models.repair_sentences import outcome_sentence
from models.repair_tables import REPAIR_OUTCOMES
from models.visits import years_between

if TYPE_CHECKING:
    from datetime import datetime

    from models.recurrence.climate import Climate
    from models.repair_settings import RepairSettings

_FILLS = ("recharge", "leak_repair")
_DAYS_PER_MONTH = 365.25 / 12
_PSEUDONYM_LETTERS = 8


@dataclass(frozen=True)
class RepairInputs:
    """What is known of repairs and the tests about them.

    `tests` is test_id, vehicle_id, started_at, purpose, repair_id, verdict_code,
    n_assessed_features and reason; `residuals` RESIDUALS with adverse_z; `air` test_id, regime,
    condenser_air_c; `climate` of the regions, or None. The rest are
    tables of the registry, none of it later than the judgement.
    """

    repairs: pl.DataFrame
    vehicles: pl.DataFrame
    models: pl.DataFrame
    tests: pl.DataFrame
    residuals: pl.DataFrame
    air: pl.DataFrame
    climate: Climate | None = None


def outcome_frame(
    inputs: RepairInputs, settings: RepairSettings, as_of: datetime, *, silent_after_days: float
) -> pl.DataFrame:
    """One row per repair that changed something, in order of repair_id."""
    repairs = _with_car(visited_repairs(inputs.repairs, settings), inputs)
    pairs = paired_tests(repairs, inputs.tests, settings)
    recovered = recoveries(pairs, inputs.residuals, inputs.air, settings)
    followed = followed_up(
        visit_spans(repairs), inputs.vehicles, inputs.climate, as_of,
        silent_after_days=silent_after_days,
    )  # fmt: skip
    joined = repairs.join(recovered, on="visit_number", how="left", maintain_order="left").join(
        followed, on="visit_number", how="left", maintain_order="left"
    )
    charged = _with_charge(_with_comeback(_with_refills(joined, settings)), settings)
    told = charged.with_columns(
        _is_retested(settings, as_of).alias("is_retested"),
        _pseudonyms(charged["technician_id"], settings.technician_key).alias("technician"),
    ).with_columns(outcome_sentence().alias("sentence"))
    columns = [name for name in REPAIR_OUTCOMES.schema if name in told.columns]
    return REPAIR_OUTCOMES.conform(told.select(columns).sort("repair_id"))


def _with_car(repairs: pl.DataFrame, inputs: RepairInputs) -> pl.DataFrame:
    service = pl.col("in_service_date").cast(pl.Datetime("us", "UTC"))
    return (
        repairs.join(
            inputs.vehicles.select("vehicle_id", "model_id", "region", "in_service_date"),
            on="vehicle_id",
            how="left",
            maintain_order="left",
        )
        .join(
            inputs.models.select("model_id", "architecture", charge_spec_g=pl.col("charge_g")),
            on="model_id",
            how="left",
            maintain_order="left",
        )
        .with_columns(
            years_between(service, pl.col("performed_at")).clip(lower_bound=0).alias("age_years"),
            cost_of("parts_cost", "labour_cost").alias("cost"),
        )
    )


def cost_of(parts: str, labour: str) -> pl.Expr:
    """The sum of what is logged; null where neither is."""
    either = pl.col(parts).is_not_null() | pl.col(labour).is_not_null()
    return pl.when(either).then(pl.col(parts).fill_null(0.0) + pl.col(labour).fill_null(0.0))


def _with_refills(rows: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    """Refills of a visit in which no leak was found or repaired, and whether one followed."""
    is_fill = pl.col("action").is_in(_FILLS).fill_null(value=False)
    met_leak = pl.col("leak_found").fill_null(value=False) | pl.col("action").eq("leak_repair")
    in_visit = met_leak.fill_null(value=False).any().over("visit_number")
    fills = (
        rows.filter(is_fill)
        .group_by("visit_number")
        .agg(pl.col("vehicle_id").first(), pl.col("visit_to").first().alias("filled_at"))
        .sort("filled_at", "visit_number")
        .with_columns(pl.col("filled_at").shift(-1).over("vehicle_id").alias("next_fill_at"))
    )
    soon = pl.duration(microseconds=round(settings.again_months * _DAYS_PER_MONTH * 86_400e6))
    again = (pl.col("next_fill_at") - pl.col("filled_at") <= soon).fill_null(value=False)
    is_topup = pl.col("action").eq("recharge").fill_null(value=False) & ~in_visit
    return rows.join(
        fills.select("visit_number", "filled_at", "next_fill_at"),
        on="visit_number",
        how="left",
        maintain_order="left",
    ).with_columns(is_topup.alias("is_topup"), (is_topup & again).alias("is_topup_again"))


def _with_comeback(rows: pl.DataFrame) -> pl.DataFrame:
    """The first repair of the next visit; within a visit there is no follow-up of its own."""
    firsts = (
        rows.group_by("visit_number", maintain_order=True)
        .agg(pl.col("vehicle_id", "repair_id").first())
        .with_columns(pl.col("repair_id").shift(-1).over("vehicle_id").alias("comeback_repair_id"))
        .select("visit_number", "comeback_repair_id")
    )
    own = ("followup_code", "followup_days", "followup_exposure", "exposure_code")
    return rows.join(firsts, on="visit_number", how="left", maintain_order="left").with_columns(
        pl.when("is_last_of_visit").then(pl.col(name)).alias(name)
        for name in (*own, "comeback_repair_id")
    )


def _with_charge(rows: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    is_weighed = pl.col("recovered_g").is_not_null() & pl.col("charged_g").is_not_null()
    filled = is_weighed & (pl.col("charged_g") > 0)
    error = pl.when(filled).then(pl.col("charged_g") - pl.col("charge_spec_g"))
    tolerance = settings.charge_tolerance_g
    return rows.with_columns(error.alias("charge_error_g")).with_columns(
        (100.0 * pl.col("charge_error_g") / pl.col("charge_spec_g")).alias("charge_error_pct"),
        (pl.col("charge_error_g") > tolerance).alias("is_overcharged"),
        (pl.col("charge_error_g") < -tolerance).alias("is_undercharged"),
    )


def _is_retested(settings: RepairSettings, as_of: datetime) -> pl.Expr:
    """Whether a test followed; null while its time still runs."""
    window = pl.duration(microseconds=round(settings.after_days * 86_400e6))
    is_over = pl.lit(as_of).cast(pl.Datetime("us", "UTC")) - pl.col("visit_to") > window
    has_test = pl.col("after_test_id").is_not_null()
    return pl.when(has_test | is_over).then(has_test)


def _pseudonyms(technicians: pl.Series, key: str) -> pl.Series:
    """A name made with the key, the same for the same technician; nothing without a key."""
    if not key:
        return pl.Series("technician", [None] * technicians.len(), pl.String)
    made = {
        name: "t-"
        + hmac.new(key.encode(), name.encode(), hashlib.sha256).hexdigest()[:_PSEUDONYM_LETTERS]
        for name in technicians.drop_nulls().unique().to_list()
    }
    return technicians.replace_strict(made, default=None, return_dtype=pl.String)
