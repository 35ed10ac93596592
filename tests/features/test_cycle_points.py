"""Points of the cycle against a worked problem, printed enthalpies and the property library."""

from __future__ import annotations

import polars as pl
import pytest
from built_logs import context, log
from CoolProp.CoolProp import PropsSI

from features.cycle_points import CYCLE_POINTS, saturation_dome
from features.derive import derive
from features.refrigerant import RefrigerantError
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
# enthalpy of boiling R-134a at 0 degC: 51.86 kJ/kg as ASHRAE counts (printed table), 200 here
TO_ASHRAE = 51.86 - 200.0
CAR = {
    "compressor_suction_c": 22.0,
    "compressor_discharge_c": 92.0,
    "condenser_outlet_c": 52.0,
    "expansion_inlet_c": 44.0,
    "evaporator_outlet_c": 6.0,
}
ORDER = [
    "compressor_suction", "compressor_discharge", "isentropic_discharge", "condenser_outlet",
    "expansion_inlet", "evaporator_inlet", "evaporator_outlet",
]  # fmt: skip


def points(told=None, **curves):
    found = derive(log(**{**CAR, **curves}), context() if told is None else told, SETTINGS)
    first = found.cycle_points.filter(window_number=1)
    return {row["station"]: row for row in first.iter_rows(named=True)}, found


def test_every_window_that_is_read_has_its_points_in_the_way_of_the_refrigerant():
    _, found = points()
    assert found.cycle_points.schema == CYCLE_POINTS.schema
    windows = found.windows.filter(kind_code="steady")["window_number"].to_list()
    assert len(windows) >= 5
    for number in windows:
        own = found.cycle_points.filter(window_number=number)
        assert own["station"].to_list() == ORDER
        assert own["station_order"].to_list() == list(range(1, 8))


def test_enthalpies_of_a_worked_university_problem():
    # R-134a, ideal, evaporating at -20 degC, condensing at 1.2 MPa (ASHRAE reference):
    # h1 238.41, h2 284.48 (55.5 degC), h3 117.77; printed saturation 132.7 kPa at -20 degC
    found, _ = points(
        low_side_kpa=132.7,
        high_side_kpa=1200.0,
        compressor_suction_c=-20.0,
        evaporator_outlet_c=-20.0,
        compressor_discharge_c=55.5,
        condenser_outlet_c=46.3,
        expansion_inlet_c=46.3,
    )
    for station, printed in (
        ("compressor_suction", 238.41),
        ("isentropic_discharge", 284.48),
        ("compressor_discharge", 284.48),
        ("condenser_outlet", 117.77),
        ("evaporator_inlet", 117.77),
    ):
        stated = found[station]["enthalpy_kj_per_kg"] + TO_ASHRAE
        assert stated == pytest.approx(printed, abs=0.35), station


@pytest.mark.parametrize(("refrigerant", "fluid"), [("R1234yf", "R1234yf"), ("R456A", "R456A.mix")])
def test_points_agree_with_the_property_library(refrigerant, fluid):
    found, _ = points(context(refrigerant=refrigerant))

    def between(one, other):
        return found[other]["enthalpy_kj_per_kg"] - found[one]["enthalpy_kj_per_kg"]

    def enthalpy(kpa, celsius):
        return PropsSI("H", "P|gas", 1000.0 * kpa, "T", celsius + 273.15, fluid) / 1000.0

    # differences alone: the zero of enthalpy is a matter of choice
    work = enthalpy(1681.8, 92.0) - enthalpy(292.8, 22.0)
    assert between("compressor_suction", "compressor_discharge") == pytest.approx(work, abs=0.3)
    gain = enthalpy(292.8, 22.0) - enthalpy(292.8, 6.0)
    assert between("evaporator_outlet", "compressor_suction") == pytest.approx(gain, abs=0.3)


def test_a_liquid_line_that_holds_vapour_has_no_point():
    # condensing at 60 degC (printed table): a line at 63 degC tells no enthalpy
    found, _ = points(condenser_outlet_c=63.0)
    assert "condenser_outlet" not in found


def test_what_enters_the_evaporator_is_known_without_its_clamp_only_where_nothing_cools_between():
    told = context(internal_heat_exchanger=False)
    found, _ = points(told, expansion_inlet_c=None)
    assert found["evaporator_inlet"]["enthalpy_kj_per_kg"] == pytest.approx(
        found["condenser_outlet"]["enthalpy_kj_per_kg"]
    )
    assert "evaporator_inlet" not in points(expansion_inlet_c=None)[0]


def test_a_blend_that_enters_has_no_single_temperature():
    assert points()[0]["evaporator_inlet"]["temperature_c"] == pytest.approx(0.0, abs=0.05)
    found, _ = points(context(refrigerant="R444A"))
    assert found["evaporator_inlet"]["temperature_c"] is None


@pytest.mark.parametrize("refrigerant", [None, "R744"])
def test_without_a_refrigerant_that_can_be_judged_there_are_none(refrigerant):
    assert points(context().with_columns(refrigerant=pl.lit(refrigerant)))[
        1
    ].cycle_points.is_empty()


def test_the_dome_runs_along_the_printed_table():
    # printed R-134a table: kPa, hf, hg
    printed = ((132.7, 25.49, 238.41), (571.7, 79.32, 261.60), (2633.2, 174.25, 280.67))
    dome = saturation_dome("R134a", 400)
    for kpa, liquid, vapour in printed:
        near = dome.sort((pl.col("pressure_kpa") - kpa).abs()).row(0, named=True)
        # half a step of the dome's pressures is 0.4 % of them: 0.3 kJ/kg of liquid
        assert near["liquid_enthalpy_kj_per_kg"] + TO_ASHRAE == pytest.approx(liquid, abs=0.5)
        assert near["vapour_enthalpy_kj_per_kg"] + TO_ASHRAE == pytest.approx(vapour, abs=0.4)


def test_a_refrigerant_above_its_critical_point_has_no_dome():
    with pytest.raises(RefrigerantError):
        saturation_dome("R744")
