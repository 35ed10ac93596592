"""Which conditions a test is compared under, and what it is told it lacks."""

from __future__ import annotations

import numpy as np
import pytest

from models.conditions import CONDITION_NAMES, BasisNeeds, choose_bases, lacking, varying

NEEDS = BasisNeeds(least=12, per_term=4.0)
N = 40
INLET = CONDITION_NAMES.index("condenser_air_c@condenser_inlet_air_c")
AMBIENT = CONDITION_NAMES.index("condenser_air_c@ambient_air_c")
ENTHALPY = CONDITION_NAMES.index("intake_enthalpy_kj_per_kg")
INTAKE = CONDITION_NAMES.index("intake_air_c")
RPM = CONDITION_NAMES.index("engine_rpm")


@pytest.fixture
def conditions():
    rng = np.random.default_rng(1)
    values = np.full((N, len(CONDITION_NAMES)), np.nan)
    values[:, INLET] = rng.uniform(20, 35, N)
    values[:, INTAKE] = rng.uniform(20, 35, N)
    values[:, ENTHALPY] = rng.uniform(40, 70, N)
    values[:, RPM] = 1500.0
    return values


def chosen(values):
    choice = choose_bases(values, np.arange(len(values)), NEEDS)
    bases, number = choice.bases, choice.of(np.isfinite(values))
    return bases, number, [bases[k].required if k >= 0 else None for k in number]


def test_enthalpy_is_preferred_and_a_speed_held_constant_gets_no_term(conditions):
    _, _, required = chosen(conditions)
    assert set(required) == {(INLET, ENTHALPY)}


def test_engine_speed_enters_when_it_varies(conditions):
    conditions[::2, RPM] = 2000.0
    _, _, required = chosen(conditions)
    assert set(required) == {(INLET, ENTHALPY, RPM)}


def test_a_test_without_humidity_is_compared_by_intake_temperature_and_told_so(conditions):
    conditions[3, ENTHALPY] = np.nan
    bases, _, required = chosen(conditions)
    assert required[3] == (INLET, INTAKE)
    assert required[0] == (INLET, ENTHALPY)
    missing = lacking(bases, np.isfinite(conditions))
    assert missing[3] == "intake air temperature and humidity"
    assert missing[0] == ""


def test_too_few_cars_with_humidity_leave_the_intake_temperature(conditions):
    conditions[12:, ENTHALPY] = np.nan  # 12 cars have it: 11 others
    _, _, required = chosen(conditions)
    assert set(required) == {(INLET, INTAKE)}


def test_condenser_inlet_air_and_ambient_air_are_not_mixed(conditions):
    conditions[:20, AMBIENT] = conditions[:20, INLET]
    conditions[:20, INLET] = np.nan
    _, _, required = chosen(conditions)
    assert set(required[:20]) == {(AMBIENT, ENTHALPY)}
    assert set(required[20:]) == {(INLET, ENTHALPY)}


def test_no_condition_no_basis(conditions):
    conditions[5] = np.nan
    conditions[5, RPM] = 1500.0
    _, number, _ = chosen(conditions)
    assert number[5] == -1
    assert (np.delete(number, 5) >= 0).all()


def test_twelve_others_are_enough_and_eleven_are_not(conditions):
    # Two terms and a centre need 3 x 4 = 12 others too.
    assert (chosen(conditions[:13])[1] >= 0).all()
    assert (chosen(conditions[:12])[1] == -1).all()


def test_many_tests_of_few_cars_do_not_make_a_baseline(conditions):
    choice = choose_bases(conditions, np.arange(N) % 5, NEEDS)
    assert not choice.bases
    assert (choice.of(np.isfinite(conditions)) == -1).all()


def test_a_row_that_comes_later_gets_the_richest_basis_that_there_is(conditions):
    conditions[::2, RPM] = 2000.0
    conditions[:, INTAKE] = np.nan
    choice = choose_bases(conditions, np.arange(N), NEEDS)
    later = np.tile(np.isfinite(conditions[0]), (4, 1))
    later[1, RPM] = False  # a way to be logged that no row had: air and load remain
    later[2, [ENTHALPY, INTAKE]] = False  # no basis without load was fitted
    later[3, INTAKE] = True  # more than is needed does no harm
    found = [choice.bases[k].required if k >= 0 else None for k in choice.of(later)]
    assert found == [(INLET, ENTHALPY, RPM), None, None, (INLET, ENTHALPY, RPM)]


def test_a_single_odd_engine_speed_does_not_count_as_variation(conditions):
    conditions[0, RPM] = 3000.0
    assert not varying(conditions)[RPM]
    assert varying(conditions)[INLET]


def test_the_square_of_the_load_is_fitted_where_enough_cars_carry_it(conditions):
    # Centre, air and load, with the square four coefficients: 4 x 4 = 16 others.
    for n, products in ((17, ((ENTHALPY, ENTHALPY),)), (16, ())):
        basis = chosen(conditions[:n])[0][0]
        assert basis.terms == (INLET, ENTHALPY)
        assert basis.products == products
