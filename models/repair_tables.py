"""Table contracts of repairs: outcomes, comparison of shops and parts, replaced components.

Holds the declarations only; the frames are made by `repair_outcomes`, `shops`,
`replacements` and `refrigerant_register`. Does not belong here: arithmetic, sentences.
"""

from __future__ import annotations

import polars as pl

from features.tables import Column, Table

_TEXT, _REAL, _COUNT, _TRUTH = pl.String(), pl.Float64(), pl.Int32(), pl.Boolean()
_INSTANT = pl.Datetime("us", "UTC")
_CURRENCY = "currency of the workspace"

REPAIR_OUTCOMES = Table(
    "repair_outcomes",
    "one row per repair that changed something",
    ("repair_id",),
    (
        Column("repair_id", _TEXT, "", "the repair"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("model_id", _TEXT, "", "its model"),
        Column("architecture", _TEXT, "", "label of like circuits"),
        Column("region", _TEXT, "", "where the vehicle runs"),
        Column("shop_id", _TEXT, "", "the shop"),
        Column("technician", _TEXT, "", "pseudonym of who did it; null unless asked for"),
        Column("performed_at", _INSTANT, "", "when it was done, UTC"),
        Column("component", _TEXT, "", "the component worked on"),
        Column("action", _TEXT, "", "what was done"),
        Column("part_number", _TEXT, "", "part fitted"),
        Column("supplier", _TEXT, "", "its supplier"),
        Column("part_lot", _TEXT, "", "its lot"),
        Column("claim_id", _TEXT, "", "the warranty claim"),
        Column("cost", _REAL, _CURRENCY, "parts and labour, where either is logged"),
        Column("age_years", _REAL, "a", "age of the car in service"),
        Column("odometer_km", _REAL, "km", "odometer at the repair"),
        Column(
            "is_last_of_visit", _TRUTH, "",
            "the last repair of its visit; the visit is counted there",
        ),
        Column("before_test_id", _TEXT, "", "the test that tells the state before"),
        Column("after_test_id", _TEXT, "", "the test that tells the state after"),
        Column("before_pairing_code", _TEXT, "", "stated in the registry, or by_time"),
        Column("after_pairing_code", _TEXT, "", "stated in the registry, or by_time"),
        Column("before_verdict_code", _TEXT, "", "verdict on the test before"),
        Column("after_verdict_code", _TEXT, "", "verdict on the test after"),
        Column("is_retested", _TRUTH, "", "tested again in time; null while the time runs"),
        Column(
            "comparison_code", _TEXT, "",
            "comparable, or why not: no_before_test, no_after_test, nothing_in_common, "
            "air_not_known, air_too_different",
        ),
        Column("air_difference_k", _REAL, "K", "air at the condenser, after less before"),
        Column("lead_feature", _TEXT, "", "the quantity that strayed most before"),
        Column("lead_regime", _TEXT, "", "control state in which it did"),
        Column("severity_before", _REAL, "1", "how far it strayed before, in spreads"),
        Column(
            "severity_after", _REAL, "1",
            "how far it strays after, in spreads, to the same side",
        ),
        Column(
            "is_back_in_band", _TRUTH, "",
            "out of band before and in band after, in comparable tests; null: cannot be told",
        ),
        Column("charge_spec_g", _REAL, "g", "nominal charge"),
        Column("charged_g", _REAL, "g", "refrigerant charged"),
        Column("recovered_g", _REAL, "g", "refrigerant recovered"),
        Column(
            "charge_error_g", _REAL, "g",
            "charged less nominal charge; null where either mass is not weighed, for then what "
            "was charged may have been added to what was left",
        ),
        Column("charge_error_pct", _REAL, "%", "the same of the nominal charge"),
        Column("is_overcharged", _TRUTH, "", "beyond the tolerance above specification"),
        Column("is_undercharged", _TRUTH, "", "beyond the tolerance below specification"),
        Column(
            "subcooling_after_k", _REAL, "K",
            "subcooling in the test after, above what the model shows",
        ),
        Column("is_topup", _TRUTH, "", "a refill with no leak found or repaired in the visit"),
        Column("is_topup_again", _TRUTH, "", "such a refill that was followed by another fill"),
        Column(
            "followup_code", _TEXT, "",
            "came_back, left (not seen any more) or still_followed; null within a visit",
        ),
        Column("followup_days", _REAL, "d", "from the repair to that"),
        Column("followup_exposure", _REAL, "exposure_code", "the same on the clock of cooling"),
        Column(
            "exposure_code", _TEXT, "",
            "cooling_degree_days where the climate is known, else days",
        ),
        Column("comeback_repair_id", _TEXT, "", "the repair that it came back for"),
        Column("sentence", _TEXT, "", "what came of it, in words"),
    ),
)  # fmt: skip

# what a comparison says of a group, whatever the group is
_COMPARISON = (
    Column("measure_code", _TEXT, "", "what is compared"),
    Column("unit", _TEXT, "", "of value and limits"),
    Column("n_repairs", _COUNT, "1", "repairs that the measure can be told of"),
    Column("observed", _REAL, "1 or unit", "cases seen; of an average, the average"),
    Column("expected", _REAL, "1 or unit", "the same, of such cars at any shop"),
    Column("value", _REAL, "unit", "observed / expected; of an average, the difference"),
    Column("low_95", _REAL, "unit", "lower limit of value by chance, 95 %"),
    Column("high_95", _REAL, "unit", "upper limit of value by chance, 95 %"),
    Column("low_998", _REAL, "unit", "lower limit of value by chance, 99.8 %"),
    Column("high_998", _REAL, "unit", "upper limit of value by chance, 99.8 %"),
    Column("group_spread", _REAL, "unit", "how far groups differ beyond chance; widens limits"),
    Column("shrunken", _REAL, "unit", "likely true value: drawn towards the others"),
    Column("shrunken_low", _REAL, "unit", "lower end of its 90 % interval"),
    Column("shrunken_high", _REAL, "unit", "upper end of its 90 % interval"),
    Column("worse_probability", _REAL, "1", "chance that the true value is worse than expected"),
    Column(
        "window_share", _REAL, "1",
        "of comebacks: share within the window, cars that left allowed for (Aalen and Johansen)",
    ),
    Column("window_share_low", _REAL, "1", "lower end of its 90 % interval"),
    Column("window_share_high", _REAL, "1", "upper end of its 90 % interval"),
    Column("window_share_worst", _REAL, "1", "the same if all that left had come back"),
    Column("position_code", _TEXT, "", "inside, or outside_95 or outside_998 with the side"),
    Column(
        "verdict_code", _TEXT, "",
        "within, worse, better, too_little (evidence) or no_comparison (too few groups)",
    ),
    Column("n_compared", _COUNT, "1", "groups in the comparison"),
    Column("sentence", _TEXT, "", "the same in words"),
)  # fmt: skip

SHOPS = Table(
    "shops",
    "one row per shop and measure",
    ("shop_id", "measure_code"),
    (Column("shop_id", _TEXT, "", "the shop"), *_COMPARISON),
)

PARTS = Table(
    "parts",
    "one row per dimension of replaced parts and its value: comebacks after fitting",
    ("dimension_code", "component", "dimension_value"),
    (
        Column("dimension_code", _TEXT, "", "part_number, supplier or part_lot"),
        Column("component", _TEXT, "", "the component replaced"),
        Column("dimension_value", _TEXT, "", "the part number, supplier or lot"),
        *_COMPARISON,
    ),
)

REPLACEMENTS = Table(
    "replacements",
    "one row per component replaced",
    ("repair_id",),
    (
        Column("repair_id", _TEXT, "", "the repair"),
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("model_id", _TEXT, "", "its model"),
        Column("shop_id", _TEXT, "", "the shop"),
        Column("performed_at", _INSTANT, "", "when it was done, UTC"),
        Column("component", _TEXT, "", "the component replaced"),
        Column("part_number", _TEXT, "", "part fitted"),
        Column("supplier", _TEXT, "", "its supplier"),
        Column("part_lot", _TEXT, "", "its lot"),
        Column("claim_id", _TEXT, "", "the warranty claim"),
        Column("before_test_id", _TEXT, "", "the test before"),
        Column("n_judged", _COUNT, "1", "quantities judged in it"),
        Column(
            "evidence_code", _TEXT, "",
            "in_band, out_of_band, not_assessable or no_test: the test before the replacement",
        ),
        Column("parts_cost", _REAL, _CURRENCY, "cost of parts"),
        Column("labour_cost", _REAL, _CURRENCY, "cost of labour"),
        Column("cost", _REAL, _CURRENCY, "both, where either is logged"),
        Column("sentence", _TEXT, "", "what the test before says of the need for it"),
    ),
)  # fmt: skip

REFRIGERANT_REGISTER = Table(
    "refrigerant_register",
    "one row per vehicle, site and year with work on its refrigerant",
    ("vehicle_id", "site_id", "year"),
    (
        Column("vehicle_id", _TEXT, "", "the vehicle"),
        Column("site_id", _TEXT, "", "the shop; `not stated` where the repairs name none"),
        Column("year", _COUNT, "1", "calendar year, UTC"),
        Column("refrigerant", _TEXT, "", "trade designation"),
        Column("charge_spec_g", _REAL, "g", "nominal charge"),
        Column("n_services", _COUNT, "1", "services that worked on the refrigerant"),
        Column("n_recovered_weighed", _COUNT, "1", "services whose recovered mass is noted"),
        Column("n_charged_weighed", _COUNT, "1", "services whose charged mass is noted"),
        Column("recovered_g", _REAL, "g", "recovered, of the services where it is noted"),
        Column("charged_g", _REAL, "g", "charged, of the services where it is noted"),
        Column(
            "net_added_g", _REAL, "g",
            "charged less recovered, of the services where both are noted; null: none",
        ),
        Column(
            "implied_loss_g", _REAL, "g",
            "gone between the full charge before and the mass recovered (a machine recovers 95 %, "
            "assumed), of the services where both are known; negative: less was there than noted",
        ),
        Column("n_loss_known", _COUNT, "1", "services behind the implied loss"),
        Column("loss_since", _INSTANT, "", "the earliest of the full charges it counts from, UTC"),
        Column("remark", _TEXT, "", "what was not weighed, in words"),
    ),
)  # fmt: skip
