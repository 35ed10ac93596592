"""Table contracts of recurring failures: cohorts, their curves, forecasts, cars that come back.

Holds the declarations only. Ages are in the unit of the row's clock. Does not belong here: how
the rows are made (`cohort_rows`, `forecasts`, `returning`).
"""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table
from models.recurrence.cohorts import DIMENSIONS

_TEXT, _REAL, _COUNT = pl.String(), pl.Float64(), pl.Int64()
_AGE = "unit of the clock"
_MONEY = "currency of the workspace"

_KEY = (
    Column("clock_code", _TEXT, "", "what ages count: months (in service), km or cooling"),
    Column("unit_code", _TEXT, "", "what fails: vehicle, or fitted_part (age since it was fitted)"),
    Column("dimensions", _TEXT, "", "what the cohorts are cut by, separated by commas"),
    Column("cohort", _TEXT, "", "the cohort; the values of its dimensions"),
    Column("component", _TEXT, "", "the component repaired"),
)
_KEY_NAMES = tuple(column.name for column in _KEY)

RECURRENCES = Table(
    "recurrences",
    "one row per clock, cut, cohort and component",
    _KEY_NAMES,
    (
        *_KEY,
        *(Column(each.name, _TEXT, "", f"{each.meaning}, where cut by") for each in DIMENSIONS),
        Column(
            "basis_code", _TEXT, "",
            "what rates are of: fleet (all cars registered), volumes (all cars built) or "
            "presented (fleet size not known: shares of repairs only)",
        ),
        Column("n_vehicles", _COUNT, "1", "vehicles (or fitted parts) watched"),
        Column("age_watched", _REAL, _AGE, "time, distance or cooling that they were watched for"),
        Column("n_repairs", _COUNT, "1", "repairs of the component while watched"),
        Column("n_failed", _COUNT, "1", "vehicles with at least one of them"),
        Column("n_again", _COUNT, "1", "vehicles with two or more"),
        Column("share_of_repairs", _REAL, "1", "of the cohort's repairs, those of the component"),
        Column("told_at", _REAL, _AGE, "age at which the next columns are told"),
        Column("at_risk", _COUNT, "1", "vehicles still watched at that age"),
        Column("failed_share", _REAL, "1", "share with a failure by that age (Kaplan-Meier)"),
        Column("failed_share_low", _REAL, "1", "lower end of its 90 % interval"),
        Column("failed_share_high", _REAL, "1", "upper end of its 90 % interval"),
        Column("repairs_per_vehicle", _REAL, "1", "mean repairs per vehicle, repeats in"),
        Column("repairs_per_vehicle_low", _REAL, "1", "lower end of its 90 % interval (robust)"),
        Column("repairs_per_vehicle_high", _REAL, "1", "upper end of its 90 % interval (robust)"),
        Column("weibull_shape", _REAL, "1", "of first failures: below 1 early, above 1 wear"),
        Column("weibull_shape_low", _REAL, "1", "lower end of its 90 % interval (profile)"),
        Column("weibull_shape_high", _REAL, "1", "upper end of its 90 % interval (profile)"),
        Column("weibull_scale", _REAL, _AGE, "age by which 63 % would have failed once"),
        Column("weibull_scale_low", _REAL, _AGE, "lower end of its 90 % interval (profile)"),
        Column("weibull_scale_high", _REAL, _AGE, "upper end of its 90 % interval (profile)"),
        Column("defective_share", _REAL, "1", "share that bears a defect, where told better so"),
        Column("defective_share_low", _REAL, "1", "lower end of its 90 % interval (profile)"),
        Column("defective_share_high", _REAL, "1", "upper end of its 90 % interval (profile)"),
        Column("defective_p_value", _REAL, "1", "chance of that if all could fail of it"),
        Column("expected_repairs", _REAL, "1", "repairs at the same ages at the others' rate"),
        Column("ratio", _REAL, "1", "repairs over expected ones; null: none of the others had any"),
        Column("ratio_low", _REAL, "1", "lower end of its 90 % interval"),
        Column("ratio_high", _REAL, "1", "upper end of its 90 % interval"),
        Column("p_value", _REAL, "1", "chance of a ratio as far out when nothing differs"),
        Column("q_value", _REAL, "1", "false discovery rate among the cohorts of this cut"),
        Column("trend_statistic", _REAL, "1", "Laplace: above 0 repairs of a car come ever faster"),
        Column("trend_p_value", _REAL, "1", "chance of a trend as strong when rates are steady"),
        Column("vehicle_variance", _REAL, "1", "variance of the factor by which cars differ"),
        Column("vehicle_variance_p_value", _REAL, "1", "chance of it when all cars are alike"),
        Column("verdict_code", _TEXT, "", "more_often, less_often, as_others or too_few"),
        Column("sentence", _TEXT, "", "the row in words"),
    ),
)  # fmt: skip

RECURRENCE_CURVES = Table(
    "recurrence_curves",
    "one row per clock, cut, cohort, component and age",
    (*_KEY_NAMES, "age"),
    (
        *_KEY,
        Column("age", _REAL, _AGE, "age"),
        Column("at_risk", _COUNT, "1", "vehicles still watched"),
        Column("failed_share", _REAL, "1", "share with a failure so far (Kaplan-Meier)"),
        Column("failed_share_low", _REAL, "1", "lower end of its 90 % interval"),
        Column("failed_share_high", _REAL, "1", "upper end of its 90 % interval"),
        Column("repairs_per_vehicle", _REAL, "1", "mean repairs per vehicle so far"),
        Column("repairs_per_vehicle_low", _REAL, "1", "lower end of its 90 % interval (robust)"),
        Column("repairs_per_vehicle_high", _REAL, "1", "upper end of its 90 % interval (robust)"),
    ),
)

CLAIM_FORECASTS = Table(
    "claim_forecasts",
    "one row per model, component and month ahead; month 0 is all months together",
    ("model", "component", "month_number"),
    (
        Column("model", _TEXT, "", "vehicle model; null: not known"),
        Column("component", _TEXT, "", "the component"),
        Column("month_number", pl.Int32(), "1", "month ahead, from 1; 0: all of them together"),
        Column("begins_on", pl.Date(), "", "first day of it"),
        Column("ends_on", pl.Date(), "", "last day of it"),
        Column(
            "method_code",
            _TEXT,
            "",
            "power_law, defects (of a share of the cars) or either (drawn from both by weight)",
        ),
        Column("basis_code", _TEXT, "", "what the vehicles are: fleet or volumes"),
        Column("n_vehicles", _REAL, "1", "vehicles in service, less those expected to leave"),
        Column("claims", _REAL, "1", "repairs expected"),
        Column("claims_low", _REAL, "1", "lower end of the 90 % prediction interval"),
        Column("claims_high", _REAL, "1", "upper end of the 90 % prediction interval"),
        Column(
            "claims_share_held",
            _REAL,
            "1",
            "share of the futures drawn that lie from end to end: 0.9, more where claims are few",
        ),
        Column("mean_cost", _REAL, _MONEY, "mean cost of a repair so far, parts and labour"),
        Column("reserve", _REAL, _MONEY, "cost expected"),
        Column("reserve_low", _REAL, _MONEY, "lower end of its 90 % prediction interval"),
        Column("reserve_high", _REAL, _MONEY, "upper end of its 90 % prediction interval"),
    ),
)

RETURNING_VEHICLES = Table(
    "returning_vehicles",
    "one row per vehicle and component that came back more often than its model's cars do",
    ("vehicle_id", "component"),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("model", _TEXT, "", "its model"),
        Column("component", _TEXT, "", "the component"),
        Column("n_repairs", _COUNT, "1", "repairs of it while watched"),
        Column("expected_repairs", _REAL, "1", "repairs of a car of its model watched so long"),
        Column("first_on", pl.Date(), "", "day of the first of them"),
        Column("latest_on", pl.Date(), "", "day of the latest"),
        Column("cost", _REAL, _MONEY, "cost of them"),
        Column(
            "factor", _REAL, "1", "its rate over its model's, drawn towards 1 by how cars differ"
        ),
        Column(
            "p_value", _REAL, "1", "chance of so many for a car of its model, as far as cars differ"
        ),
        Column("q_value", _REAL, "1", "false discovery rate among the cars of the fleet"),
    ),
)

RECURRENCE_BASES = Table(
    "recurrence_bases",
    "one row per thing that all recurrence figures rest on",
    ("subject",),
    (
        Column("subject", _TEXT, "", "what it is about"),
        Column("sentence", _TEXT, "", "what was found and done"),
        Column("value", _REAL, "", "the number in it, where there is one"),
    ),
)

RECURRENCE_TABLES = (
    RECURRENCES, RECURRENCE_CURVES, CLAIM_FORECASTS, RETURNING_VEHICLES, RECURRENCE_BASES,
)  # fmt: skip
