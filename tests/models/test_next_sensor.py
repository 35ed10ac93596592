"""Which log can be judged by what, and which sensor more would buy most."""

from __future__ import annotations

from features.catalogue import FEATURE
from features.channels import CHANNELS
from models.findings import JUDGED
from models.requirements import outlook

PRESSURES = {"low_side_kpa", "high_side_kpa", "refrigerant"}
FULL = {
    *PRESSURES,
    "ambient_c",
    "duct_air_c",
    "intake_air_c",
    "compressor_suction_c",
    "compressor_discharge_c",
    "evaporator_outlet_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
}


def found(names, *, exchanger=True, rear=False):
    return outlook(names, has_heat_exchanger=exchanger, has_rear_evaporator=rear)


def sides(outlook):
    return {side.name for side in outlook.open_sides}


def test_a_full_log_leaves_no_side_open():
    assert not found(FULL).open_sides


def test_every_judged_feature_can_be_had_by_some_log():
    every = {channel.name for channel in CHANNELS} | {"refrigerant", "ambient_c"}
    assert {f.name for f in found(every, rear=True).judged} == {f.name for f in JUDGED}
    assert found(every, rear=True).next_sensor is None


def test_without_the_liquid_line_clamp_subcooling_is_open_and_the_clamp_is_asked_for():
    # on a car with an internal heat exchanger the clamp behind it does not stand in
    # (common practice, no source: the exchanger hides a lost subcooling)
    got = found(FULL - {"condenser_outlet_c"})
    assert sides(got) == {"subcooling"}
    assert got.next_sensor is not None
    assert got.next_sensor.name == "condenser_outlet_c"


def test_without_an_exchanger_the_clamp_at_the_valve_serves():
    assert not found(FULL - {"condenser_outlet_c"}, exchanger=False).open_sides
    assert sides(found(FULL - {"condenser_outlet_c"}, exchanger=None)) == {"subcooling"}


def test_a_note_is_asked_for_where_it_buys_as_much_as_a_sensor():
    got = found(FULL - {"ambient_c"}).next_sensor
    assert got is not None
    assert (got.name, got.is_noted) == ("ambient_c", True)
    assert [side.name for side in got.closes] == ["high side"]


def test_one_pressure_closes_more_than_any_clamp():
    got = found(FULL - {"high_side_kpa"}).next_sensor
    assert got is not None
    assert got.name == "high_side_kpa"
    # without it nobody can tell whether the compressor runs, so every side was open
    assert len(got.closes) == 5


def test_no_sensor_is_proposed_at_an_evaporator_that_is_not_there():
    everywhere = {channel.name for channel in CHANNELS} | {"refrigerant", "ambient_c"}
    names = everywhere - {"rear_evaporator_outlet_c"}
    assert found(names, rear=False).next_sensor is None
    with_rear = found(names, rear=True).next_sensor
    assert with_rear is not None
    assert with_rear.name == "rear_evaporator_outlet_c"
    assert "rear_evaporator_outlet_superheat_k" in FEATURE
