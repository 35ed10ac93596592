"""What a test must have been judged by before its car may be called in band."""

from __future__ import annotations

import polars as pl
import pytest

from models.coverage import covered_features
from models.coverage import find_gaps as gaps_by
from models.findings import CORE_SIDES

CORE = [side.features[0] for side in CORE_SIDES]


def find_gaps(residuals, tests):
    return gaps_by(residuals, tests, covered_features(residuals, tests))


def table(rows):
    """Residuals from (test, feature, reason, lacking)."""
    return pl.DataFrame(
        [
            {
                "test_id": t, "regime": "saturated", "feature": f, "reason_code": r,
                "lacking": lack, "baseline_vehicles": 3,
            }
            for t, f, r, lack in rows
        ],
        schema_overrides={"reason_code": pl.String, "baseline_vehicles": pl.Int32},
    )  # fmt: skip


def frame_of_tests(*names, exchanger=True):
    return pl.DataFrame({"test_id": names, "model_id": ["aster"] * len(names)}).with_columns(
        internal_heat_exchanger=pl.lit(exchanger, pl.Boolean)
    )


def judged(test, *features):
    return [(test, feature, None, "") for feature in features]


def test_all_core_sides_judged_leaves_no_gap():
    assert find_gaps(table(judged("a", *CORE)), frame_of_tests("a")).height == 0


@pytest.mark.parametrize("side", CORE_SIDES, ids=lambda side: side.name)
def test_each_core_side_is_needed(side):
    rows = judged("a", *[f for f in CORE if f not in side.features])
    gaps = find_gaps(table(rows), frame_of_tests("a"))
    assert gaps["side"].to_list() == [side.name]
    assert gaps["kind"].to_list() == ["no_verdict"]


def test_what_its_kind_is_judged_by_is_needed_too():
    rows = judged("a", *CORE, "compressor_discharge_c") + judged("b", *CORE)
    rows.append(("b", "compressor_discharge_c", "not_known", ""))
    gaps = find_gaps(table(rows), frame_of_tests("a", "b")).to_dicts()
    assert [(g["test_id"], g["feature"], g["kind"]) for g in gaps] == [
        ("b", "compressor_discharge_c", "retest")
    ]


def test_switching_rates_are_not_needed():
    rows = judged("a", *CORE, "fan_events_per_min") + judged("b", *CORE)
    rows.append(("b", "fan_events_per_min", "outside_range_seen", ""))
    assert find_gaps(table(rows), frame_of_tests("a", "b")).height == 0


def test_fewer_conditions_than_its_kind_is_a_gap():
    rows = judged("a", *CORE) + [("b", f, None, "engine speed") for f in CORE]
    gaps = find_gaps(table(rows), frame_of_tests("a", "b"))
    assert set(gaps["test_id"]) == {"b"}
    assert set(gaps["reason_code"]) == {"conditions_lacking"}
    assert set(gaps["kind"]) == {"retest"}


@pytest.mark.parametrize(("exchanger", "n_gaps"), [(True, 1), (None, 1), (False, 0)])
def test_a_heat_exchanger_hides_the_condenser_from_the_expansion_device(exchanger, n_gaps):
    features = [f for f in CORE if f != "condenser_outlet_subcooling_k"]
    rows = judged("a", *features, "expansion_inlet_subcooling_k")
    assert find_gaps(table(rows), frame_of_tests("a", exchanger=exchanger)).height == n_gaps


@pytest.mark.parametrize(
    ("reason", "kind"),
    [
        ("baseline_too_small", "no_verdict"),
        ("outside_range_seen", "retest"),
        ("too_uncertain", "retest"),
        ("not_known", "no_verdict"),
        ("conditions_missing", "no_verdict"),
    ],
)
def test_kind_of_gap_tells_whether_a_retest_helps(reason, kind):
    rows = [*judged("a", *CORE[1:]), ("a", CORE[0], reason, ""), ("a", "duct_air_c", reason, "")]
    gaps = find_gaps(table(rows), frame_of_tests("a"))
    assert gaps["kind"].to_list() == [kind]


def test_the_regime_closest_to_a_judgement_counts():
    rows = table(judged("a", *CORE))
    worse = rows.with_columns(regime=pl.lit("regulating"), reason_code=pl.lit("not_known"))
    assert find_gaps(pl.concat([worse, rows]), frame_of_tests("a")).height == 0
