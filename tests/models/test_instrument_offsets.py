"""Instruments that read off on every car: offsets of growing size, dates, cars that are odd.

Biases are made here: cars scatter by 0.8 K and 8 kPa, as lines of a standing car agree within
1 to 2 K (common practice, no source). Nothing of the simulator or of the code under test goes in.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from features.catalogue import FEATURES
from features.trust.soak_biases import SOAK_BIASES
from models.instrument_offsets import ALL_TEMPERATURES, find_instrument_offsets, offsets_of_tests
from models.offset_effects import widen_by_offsets
from models.settings import AssessmentSettings
from models.tables import INSTRUMENT_OFFSETS

SETTINGS = AssessmentSettings()
START = datetime(2026, 3, 2, 9, tzinfo=UTC)
# R-134a at 25 degC: 665 kPa at 25, 705 at 27 degC (printed table, proptables 0.1.1)
KPA_PER_K = 20.0
CLAMPS = ("compressor_suction_c", "condenser_outlet_c", "evaporator_outlet_c")


def shop(n_cars=8, *, lines_k=0.0, low_kpa=0.0, clamp_k=0.0, odd=(), seed=1, since=0, name="i"):
    """Soak biases and context of tests of one instrument, one car a day.

    From test `since` on all thermometers, the low gauge or one clamp read off; `odd` cars have
    air in the circuit, which lifts both gauges by 8 K.
    """
    rng = np.random.default_rng(seed)
    rows, tests = [], []
    for car in range(n_cars):
        test_id = f"{name}-{car:03d}"
        is_off = car >= since
        unevenness = rng.normal(0.0, 0.8)
        gauges_k = unevenness - lines_k * is_off + (8.0 if car in odd else 0.0)
        by_kpa = {
            "low_side_kpa": low_kpa * is_off + rng.normal(0, 4.0),
            "high_side_kpa": rng.normal(0, 4.0),
        }
        for channel, off_kpa in by_kpa.items():
            bias_kpa = KPA_PER_K * gauges_k + off_kpa
            rows.append((test_id, channel, bias_kpa / KPA_PER_K, 0.8, bias_kpa, True))
        for place, channel in enumerate(CLAMPS):
            bias_k = rng.normal(0.0, 0.4) + (clamp_k * is_off if place == 0 else 0.0)
            rows.append((test_id, channel, bias_k, 0.8, None, True))
        tests.append((test_id, f"car-{car}", f"meter-{name}", START + timedelta(days=car), "R134a"))
    biases = pl.DataFrame(rows, schema=SOAK_BIASES.schema, orient="row")
    names = ["test_id", "vehicle_id", "instrument_id", "started_at", "refrigerant"]
    return biases, pl.DataFrame(tests, schema=names, orient="row")


def found(made):
    return find_instrument_offsets(*made, SETTINGS)


def test_instruments_in_order_are_left_alone():
    raised = [found(shop(seed=seed)).height for seed in range(40)]
    assert sum(map(bool, raised)) == 0, f"raised on {sum(map(bool, raised))} of 40"


@pytest.mark.parametrize(("off_k", "is_found"), [(1.0, False), (4.0, True), (-4.0, True)])
def test_thermometers_that_are_off_on_every_car(off_k, is_found):
    caught = 0
    for seed in range(20):
        rows = found(shop(lines_k=off_k, seed=seed))
        caught += rows["channel"].to_list() == [ALL_TEMPERATURES]
        if rows.height:
            assert rows["offset"][0] == pytest.approx(off_k, abs=1.5)
            assert f"{abs(rows['offset'][0]):.1f}" in rows["sentence"][0]
    assert caught == (20 if is_found else 0), f"{caught} of 20"


@pytest.mark.parametrize(("off_kpa", "is_found"), [(15.0, False), (50.0, True), (-50.0, True)])
def test_a_gauge_that_is_off_against_the_other(off_kpa, is_found):
    caught = 0
    for seed in range(20):
        rows = found(shop(low_kpa=off_kpa, seed=seed))
        caught += rows["channel"].to_list() == ["low_side_kpa"]
        assert "high_side_kpa" not in rows["channel"]
    assert caught == (20 if is_found else 0), f"{caught} of 20"


def test_one_clamp_that_is_off_on_every_car():
    rows = found(shop(clamp_k=5.0))
    assert rows.select("channel", "unit").rows() == [(CLAMPS[0], "K")]
    assert rows["offset"][0] == pytest.approx(5.0, abs=0.6)


def test_cars_with_air_in_the_circuit_do_not_make_an_instrument_wrong():
    assert found(shop(12, odd=(1, 5, 8))).is_empty()


def test_two_cars_are_too_few():
    biases, context = shop(2, lines_k=6.0)
    assert find_instrument_offsets(biases, context, SETTINGS).is_empty()
    # nor are many tests of one car
    same = context.with_columns(vehicle_id=pl.lit("car"))
    assert find_instrument_offsets(biases, same, SETTINGS).is_empty()


def test_the_day_of_a_change_is_told():
    biases, context = shop(20, lines_k=5.0, since=11)
    rows = find_instrument_offsets(biases, context, SETTINGS)
    assert rows["channel"].to_list() == [ALL_TEMPERATURES]
    assert abs((rows["from_at"][0] - (START + timedelta(days=11))).days) <= 1
    assert rows["until_at"].to_list() == [None]
    hit = offsets_of_tests(rows, context)["test_id"].to_list()
    assert f"{rows['from_at'][0]:%Y-%m-%d}" in rows["sentence"][0]
    assert 8 <= len(hit) <= 10
    assert "i-000" not in hit


def test_each_instrument_is_judged_by_its_own_tests():
    one, other = shop(lines_k=5.0, name="a"), shop(name="b", seed=3)
    both = (pl.concat([one[0], other[0]]), pl.concat([one[1], other[1]]))
    assert found(both).equals(found(one))
    assert found((both[0].reverse(), both[1].reverse())).equals(found(one))


def features_of(context):
    rows = context.select("test_id").with_columns(
        regime=pl.lit("saturated"), low_side_kpa=350.0, high_side_kpa=1500.0,
        duct_drop_k=12.0, duct_drop_uncertainty_k=0.7,
        evaporator_outlet_superheat_k=8.0, evaporator_outlet_superheat_uncertainty_k=1.2,
        condenser_outlet_subcooling_k=6.0, condenser_outlet_subcooling_uncertainty_k=None,
    )  # fmt: skip
    return FEATURES.conform(rows)


def test_what_rests_on_the_thermometers_counts_as_more_uncertain():
    biases, context = shop(lines_k=5.0)
    offsets = find_instrument_offsets(biases, context, SETTINGS)
    before = features_of(context)
    after = widen_by_offsets(before, context, offsets)
    off_k = offsets["offset"][0]
    superheat = after["evaporator_outlet_superheat_uncertainty_k"]
    assert superheat.to_list() == pytest.approx([np.hypot(1.2, off_k)] * 8)
    # a difference of two temperatures of one instrument keeps its own
    assert after["duct_drop_uncertainty_k"].to_list() == pytest.approx([0.7] * 8)
    assert after["condenser_outlet_subcooling_uncertainty_k"].null_count() == 8
    kept = [name for name in before.columns if not name.startswith("evaporator_outlet_superheat_u")]
    assert after.select(kept).equals(before.select(kept))


def test_a_gauge_counts_by_the_slope_of_saturation():
    biases, context = shop(low_kpa=60.0)
    offsets = find_instrument_offsets(biases, context, SETTINGS)
    after = widen_by_offsets(features_of(context), context, offsets)
    # R-134a: 349.7 kPa at 5 degC, 11.1 to 12.3 kPa/K around it (printed table, proptables 0.1.1)
    off_k = float(offsets["offset"][0]) / 12.0
    wide = after["evaporator_outlet_superheat_uncertainty_k"][0]
    assert wide == pytest.approx(np.hypot(1.2, off_k), rel=0.08)


def test_without_offsets_nothing_changes():
    _, context = shop()
    before = features_of(context)
    assert widen_by_offsets(before, context, INSTRUMENT_OFFSETS.empty()) is before
