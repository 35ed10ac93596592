"""The stated requirements against what is really derived from logs that lack channels."""

from __future__ import annotations

import numpy as np
import pytest
from built_logs import LEVELS, context, log

from features.catalogue import FEATURE, FEATURE_RECORDS
from features.channels import CHANNEL
from features.derive import derive
from features.explained_records import EXPLAINED_RECORDS
from features.requirements import (
    NOTED_FACTS,
    can_be_worked_out,
    can_have_windows,
    lacking,
    ways_to,
)
from features.settings import DerivationSettings
from features.transient_records import TRANSIENT_RECORDS
from features.whole_test_records import STANDING_RECORDS

# those before the start need a log that begins at rest: see test_static_pressure; a settled
# test has no transient, and its levels do not move
OF_HAPPENINGS = {
    record.name for record in (*STANDING_RECORDS, *TRANSIENT_RECORDS, *EXPLAINED_RECORDS)
}
ALL = ("rear_evaporator_outlet_c", *LEVELS)


def derived_from(names):
    """Features that a settled test with exactly these names gives."""
    levels = {**LEVELS, "rear_evaporator_outlet_c": 7.0}
    samples = log(**{name: levels[name] if name in names else None for name in ALL})
    told = context(
        refrigerant="R134a" if "refrigerant" in names else None,
        ambient_c=30.0 if "ambient_c" in names else None,
    )
    features = derive(samples, told, DerivationSettings()).features
    return {f.name for f in FEATURE_RECORDS if features[f.name].is_not_null().any()}


def stated_for(names):
    return {f.name for f in FEATURE_RECORDS if can_be_worked_out(f, names)}


@pytest.mark.parametrize("absent", [None, *ALL, *NOTED_FACTS])
def test_without_one_name_exactly_the_stated_features_are_derived(absent):
    names = {*ALL, "refrigerant", "ambient_c"} - {absent}
    found, stated = derived_from(names), stated_for(names)
    assert found - OF_HAPPENINGS == stated - OF_HAPPENINGS
    assert found <= stated


@pytest.mark.parametrize("seed", range(12))
def test_with_any_set_of_names_no_more_and_no_less_is_derived_than_stated(seed):
    rng = np.random.default_rng(seed)
    every = (*ALL, *NOTED_FACTS)
    names = {name for name in every if rng.random() < rng.uniform(0.2, 0.9)}
    if not names & {*ALL}:
        names.add("low_side_kpa")
    found, stated = derived_from(names), stated_for(names)
    assert found - OF_HAPPENINGS == stated - OF_HAPPENINGS
    assert found <= stated


@pytest.mark.parametrize("record", FEATURE_RECORDS, ids=lambda record: record.name)
def test_what_is_lacking_is_enough_and_not_more(record):
    missing = lacking(record, ())
    assert can_be_worked_out(record, missing)
    # of a feature's ways the one with the fewest names is told
    assert len(missing) <= min(len(way) for way in ways_to(record)) + 2
    assert not lacking(record, missing)
    assert {*missing} <= {*CHANNEL, *NOTED_FACTS}


def test_one_duct_stands_in_for_the_mean():
    names = {"low_side_kpa", "high_side_kpa", "duct_right_c"}
    assert can_be_worked_out(FEATURE["duct_air_c"], names)


def test_a_lone_channel_makes_no_window():
    assert not can_have_windows({"duct_air_c", "compressor_on"})
    assert can_have_windows({"duct_air_c", "condenser_outlet_c", "compressor_on"})
