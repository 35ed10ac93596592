"""What a fault truly did: two small fleets worked out by hand, and twins of the simulator."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.true_effects import true_effects
from synthetic.demo import write_demo_fleet
from synthetic.healthy_twins import is_off_fill

STATIONS = {
    "low_side_kpa": 300.0, "high_side_kpa": 1500.0, "duct_left_c": 8.0, "duct_right_c": 10.0,
    "intake_air_c": 30.0, "condenser_inlet_air_c": 30.0, "evaporator_outlet_c": 6.0,
    "rear_evaporator_outlet_c": None, "compressor_suction_c": 12.0,
    "compressor_discharge_c": 80.0, "condenser_outlet_c": 45.0, "expansion_inlet_c": 44.0,
}  # fmt: skip


def effects(*tests):
    """Each test: fault, severity, what differs from the twin (None: no twin), charges, reserve."""
    truth, stations = [], []
    for number, (fault, severity, moved, charge_g, reserve_g) in enumerate(tests):
        test_id = f"t{number}"
        truth.append((test_id, f"v{number}", fault, severity, charge_g))
        known = moved is not None
        true = STATIONS | (moved or {})
        row = {f"true_{name}": value for name, value in true.items()}
        row |= {f"healthy_{name}": value if known else None for name, value in STATIONS.items()}
        row |= {
            "test_id": test_id, "healthy_charge_g": 600.0 if known else None,
            "reserve_g": reserve_g, "room_g": 20.0 if known else None,
        }  # fmt: skip
        stations.append(row)
    return true_effects(
        pl.DataFrame(
            truth, schema=["test_id", "vehicle_id", "fault", "severity", "true_charge_g"],
            orient="row",
        ),
        pl.DataFrame(stations, infer_schema_length=None),
        pl.DataFrame(
            [(f"t{number}", "R134a", "txv") for number in range(len(tests))],
            schema=["test_id", "refrigerant", "expansion_device"], orient="row",
        ),
    )  # fmt: skip


def test_a_fault_counts_from_the_least_effect_on():
    """Least effect on the high side 100 kPa; a pressure moves subcooling too, so move it by air."""
    found = effects(
        ("none", 0.0, None, 600.0, None),
        ("blend_door_leak", 0.5, {"duct_left_c": 12.2, "duct_right_c": 14.2}, 600.0, None),
        ("blend_door_leak", 0.2, {"duct_left_c": 9.0, "duct_right_c": 11.0}, 600.0, None),
    )
    assert found["standing"].to_list() == ["healthy", "affected", "masked"]
    # 4.2 K warmer, of a least effect of 2 K
    assert found["effect"].to_list() == [None, pytest.approx(2.1), pytest.approx(0.5)]
    assert found["duct_warmer_k"].to_list() == [None, pytest.approx(4.2), pytest.approx(1.0)]


def test_only_a_side_that_can_be_a_finding_counts():
    """Colder air out of the ducts is no complaint; the air's distance to the coil has two sides."""
    [colder] = effects(
        ("blend_door_leak", 0.5, {"duct_left_c": 7.5, "duct_right_c": 9.5}, 600.0, None)
    )["effect"]
    assert colder == pytest.approx(0.25)  # 0.5 K nearer the coil, least effect 2 K


def test_a_small_shortage_is_what_its_twin_shows():
    found = effects(
        ("none", 0.0, {}, 520.0, 90.0),
        ("none", 0.0, {"condenser_outlet_c": 48.0}, 520.0, 30.0),
        ("undercharge", 0.4, {}, 420.0, 200.0),
        ("overcharge", 0.4, {"condenser_outlet_c": 40.0}, 700.0, 100.0),
    )
    assert found["standing"].to_list() == ["healthy", "affected", "masked", "affected"]
    assert found["fault"].to_list() == ["undercharge", "undercharge", "undercharge", "overcharge"]
    # lost or added, less what the receiver held or had room for
    assert found["beyond_reserve_g"].to_list() == [-10.0, 50.0, -20.0, 80.0]


def test_a_compressor_that_stands_is_affected():
    still = dict.fromkeys(STATIONS)
    [row] = effects(("undercharge", 1.0, still, 150.0, 0.0)).to_dicts()
    assert (row["standing"], row["quantity"]) == ("affected", "compressor")


def test_a_twin_has_the_charge_of_the_works(tmp_path):
    """Every test of a car with a fault, or with a charge off the works' fill, has a twin."""
    write_demo_fleet(
        tmp_path / "ws", tmp_path / "truth", seed=52, vehicles=25, tests=40, seconds=420,
        faulty_share=0.9, with_twins=True,
    )  # fmt: skip
    truth = pl.read_parquet(tmp_path / "truth" / "truth_tests.parquet")
    twins = truth.join(pl.read_parquet(tmp_path / "truth" / "truth_stations.parquet"), on="test_id")
    has_twin = pl.col("healthy_charge_g").is_not_null()
    assert twins.filter(pl.col("is_faulty"), ~has_twin).is_empty()
    assert twins.filter(has_twin).height < twins.height
    nominal_g = pl.col("true_charge_g") / pl.col("true_charge_share")
    short = pl.col("severity_undercharge") > 0.0
    off = (pl.col("healthy_charge_g") / nominal_g - 1.0).abs()
    assert twins.filter(has_twin, short).select(off.max()).item() <= 0.051


def test_a_charge_within_the_scatter_of_the_works_is_no_fault():
    row = {"model_id": "quenstra_tourer", "own_charge": 1.0, "true_charge_g": 560.0}
    # filled with 571.2 g; 5 % of 560 g are allowed
    assert not is_off_fill(row | {"true_charge_g": 544.0})
    assert is_off_fill(row | {"true_charge_g": 542.0})
