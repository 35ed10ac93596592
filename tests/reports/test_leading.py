"""What a row of the list leads with; the deviations are chosen, the order is written out here."""

from __future__ import annotations

from itertools import pairwise, permutations

import pytest

from reports.leading import PLAINEST_FIRST, in_order_of_telling


def finding(feature, z, *, test="t1", regime="saturated"):
    return {
        "feature": feature, "finding_code": f"{feature}_out", "z": z, "test_id": test,
        "regime": regime,
    }  # fmt: skip


def told(rows):
    ordered = sorted(rows, key=lambda row: -abs(row["z"]))
    return [(row["feature"], row["z"]) for row in in_order_of_telling(ordered)]


def test_the_order_is_fixed():
    assert PLAINEST_FIRST == (
        "duct_air_c", "duct_drop_k", "condenser_outlet_subcooling_k",
        "evaporator_outlet_superheat_k", "high_side_kpa", "low_side_kpa",
    )  # fmt: skip


@pytest.mark.parametrize(("plainer", "other"), list(pairwise((*PLAINEST_FIRST, "pressure_ratio"))))
def test_the_plainer_leads_though_the_other_deviates_more(plainer, other):
    rows = [finding(other, 9.0), finding(plainer, 5.0)]
    assert [feature for feature, _ in told(rows)] == [plainer, other]


def test_behind_the_lead_the_larger_deviation_comes_first():
    rows = [
        finding("evaporator_approach_k", 12.0),
        finding("low_side_kpa", -11.0),
        finding("duct_drop_k", -7.0),
        finding("duct_air_c", 8.0),
    ]
    assert [feature for feature, _ in told(rows)] == [
        "duct_air_c", "evaporator_approach_k", "low_side_kpa", "duct_drop_k",
    ]  # fmt: skip


def test_what_no_order_names_leads_by_its_deviation():
    rows = [finding("compressor_discharge_c", 5.0), finding("pressure_ratio", -6.0)]
    assert told(rows)[0] == ("pressure_ratio", -6.0)


def test_what_a_second_test_shows_goes_before_what_one_test_shows():
    confirmed = [
        finding("evaporator_approach_k", z, test=test) for test, z in (("t1", 6), ("t2", 9))
    ]
    rows = [*confirmed, finding("duct_air_c", 8.0)]
    # shown once, where it deviates most
    assert told(rows) == [("evaporator_approach_k", 9), ("duct_air_c", 8.0)]


def test_two_regimes_of_one_test_confirm_nothing():
    twice = [finding("pressure_ratio", 6.0, regime=one) for one in ("cycling", "saturated")]
    assert told([*twice, finding("duct_air_c", 5.0)])[0] == ("duct_air_c", 5.0)


@pytest.mark.parametrize(("z", "lead"), [(9.9, "high_side_kpa"), (10.0, "duct_air_c")])
def test_a_small_finding_does_not_speak_for_one_far_out(z, lead):
    # half of 20 spreads is 10
    assert told([finding("high_side_kpa", 20.0), finding("duct_air_c", z)])[0][0] == lead


def test_the_lead_does_not_depend_on_the_order_of_equal_deviations():
    rows = [finding(feature, 5.0) for feature in ("low_side_kpa", "duct_air_c", "duct_drop_k")]
    assert {told(list(some))[0][0] for some in permutations(rows)} == {"duct_air_c"}


def test_nothing_found_nothing_told():
    assert in_order_of_telling([]) == []
