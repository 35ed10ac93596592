"""Which visits count: repairs and instruments are breaks, tests of one day are one visit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from models.settings import AssessmentSettings
from models.tables import RESIDUALS
from models.visits import visit_frame

SETTINGS = AssessmentSettings()
START = datetime(2024, 5, 1, 9, tzinfo=UTC)
EXPECTED = {
    "condenser_outlet_subcooling_k": 9.0,
    "duct_air_c": 8.0,
    "expansion_inlet_subcooling_k": 14.0,
}


def fleet(values, *, instruments=None, days=None, purposes=None, repair_ids=None):
    """One car under test, and thirty that stay as they are, by which the noise is known."""
    rows, tests = [], []

    def add(car, number, day, deviations, extra):
        test_id = f"{car}-t{number}"
        tests.append((test_id, car, START + timedelta(days=day), *extra))
        for feature, deviation in deviations.items():
            rows.append((test_id, car, feature, EXPECTED[feature] + deviation))

    for other in range(30):
        for number in range(4):
            deviations = dict.fromkeys(EXPECTED, 0.3 * (-1) ** (other + number))
            add(f"other{other}", number, 90 * number, deviations, (None, None, None))
    count = len(next(iter(values.values())))
    for number in range(count):
        extra = tuple(
            None if listed is None else listed[number]
            for listed in (purposes, repair_ids, instruments)
        )
        day = days[number] if days else 90 * number
        add("car", number, day, {name: each[number] for name, each in values.items()}, extra)
    residuals = pl.DataFrame(
        rows, schema=["test_id", "vehicle_id", "feature", "observed"], orient="row"
    ).with_columns(
        pl.lit("aster").alias("model_id"),
        pl.lit("saturated").alias("regime"),
        pl.col("feature").replace_strict(EXPECTED).alias("expected"),
        pl.lit(1.0).alias("spread"),
        pl.lit(0.4).alias("standard_uncertainty"),
    )
    names = ("test_id", "vehicle_id", "started_at", "purpose", "repair_id", "instrument_id")
    schema = dict.fromkeys(names, pl.String) | {"started_at": pl.Datetime("us", "UTC")}
    return RESIDUALS.conform(residuals), pl.DataFrame(tests, schema=schema, orient="row")


def repair(*rows):
    schema = {
        "repair_id": pl.String,
        "vehicle_id": pl.String,
        "performed_at": pl.Datetime("us", "UTC"),
        "action": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def of_car(frames, repairs=None, feature="condenser_outlet_subcooling_k"):
    found, _ = visit_frame(*frames, repair() if repairs is None else repairs, SETTINGS)
    return found.filter((pl.col("vehicle_id") == "car") & (pl.col("feature") == feature))


def test_the_noise_of_a_visit_comes_from_cars_that_stay():
    visits = of_car(fleet({"condenser_outlet_subcooling_k": [0.0] * 5}))
    # steps of 0.6 up and down: their median absolute deviation over 0.6745 sqrt(2)
    assert visits["noise"][0] == pytest.approx(0.6 / 0.67449 / 2**0.5, rel=1e-3)
    assert visits["break_code"].null_count() == 5


def test_tests_of_one_day_are_one_visit_at_their_median():
    frames = fleet({"condenser_outlet_subcooling_k": [0.0, 1.0, 5.0, 2.0, 2.0, 1.0]},
                   days=[0, 100, 100, 100, 200, 300])  # fmt: skip
    visits = of_car(frames)
    assert visits["value"].to_list() == pytest.approx([0.0, 2.0, 2.0, 1.0])


def test_a_repair_begins_anew_and_an_inspection_does_not():
    frames = fleet({"condenser_outlet_subcooling_k": [0.0, -1.0, -2.0, 0.0, -0.1, 0.1, 0.0]})
    done = repair(("r1", "car", START + timedelta(days=200), "recharge"))
    visits = of_car(frames, done)
    assert visits.height == 4
    assert visits["break_code"].unique().to_list() == ["repair"]
    looked = repair(("r1", "car", START + timedelta(days=200), "inspect"))
    assert of_car(frames, looked).height == 7


def test_what_a_test_says_of_its_repair_outranks_the_clock():
    frames = fleet(
        {"condenser_outlet_subcooling_k": [-3.0, -3.0, 0.0, 0.0, 0.0, 0.0]},
        purposes=[None, "before_repair", "after_repair", None, None, None],
        repair_ids=[None, "r1", "r1", None, None, None],
    )
    # noted a week late: after the test that followed it
    late = repair(("r1", "car", START + timedelta(days=187), "leak_repair"))
    assert of_car(frames, late)["value"].to_list() == pytest.approx([0.0] * 4)


def test_a_joint_jump_at_a_new_instrument_is_the_instrument():
    jump = [0.0, 0.1, 0.0, 3.0, 3.1, 3.0, 3.0, 3.1]
    used = ["a"] * 3 + ["b"] * 5
    both = {"condenser_outlet_subcooling_k": jump, "duct_air_c": jump}
    visits = of_car(fleet(both, instruments=used))
    assert visits.height == 5
    assert visits["break_code"].unique().to_list() == ["instrument"]


def test_a_jump_of_one_circuit_side_alone_is_the_car():
    jump = [0.0, 0.1, 0.0, -3.0, -3.1, -3.0, -3.0, -3.1]
    used = ["a"] * 3 + ["b"] * 5
    # the two subcoolings share the high-side sensor, so they are no two witnesses
    same = {"condenser_outlet_subcooling_k": jump, "expansion_inlet_subcooling_k": jump}
    assert of_car(fleet(same, instruments=used)).height == 8
    both = {"condenser_outlet_subcooling_k": jump, "duct_air_c": jump}
    assert of_car(fleet(both, instruments=["a"] * 8)).height == 8


def test_values_serve_where_no_baseline_stands():
    residuals, tests = fleet({"condenser_outlet_subcooling_k": [0.0] * 5})
    blind = residuals.with_columns(
        pl.when(pl.col("vehicle_id") != "car").then("expected").alias("expected")
    )
    visits = of_car((blind, tests))
    assert not visits["is_residual"].any()
    assert visits["value"].to_list() == pytest.approx([9.0] * 5)
