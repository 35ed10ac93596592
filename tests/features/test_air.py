"""Moist air against the printed ASHRAE values and against psychrolib."""

from __future__ import annotations

import numpy as np
import polars as pl
import psychrolib
import pytest

from features.air import (
    atmospheric_pressure_kpa,
    atmospheric_pressure_kpa_expression,
    humidity_ratio,
    humidity_ratio_expression,
    moist_air_enthalpy_kj_per_kg,
    moist_air_enthalpy_kj_per_kg_expression,
    saturation_vapour_pressure_kpa,
)


@pytest.fixture(autouse=True)
def _si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(
    ("altitude_m", "pascal"), [(0, 101325), (500, 95461), (1000, 89875), (4000, 61640)]
)
def test_atmosphere_as_printed(altitude_m, pascal):
    # ASHRAE Fundamentals 2017 ch. 1 table 1; printed to the nearest pascal here
    assert float(atmospheric_pressure_kpa(altitude_m)) * 1000 == pytest.approx(pascal, abs=1.0)


@pytest.mark.parametrize(("temperature_c", "pascal"), [(5, 872.6), (25, 3169.7), (50, 12351.3)])
def test_saturation_vapour_pressure_as_printed(temperature_c, pascal):
    # ASHRAE Fundamentals 2017 ch. 1 table 3; it differs from the chapter's own equation 6
    # by up to 2 parts in 10 000
    assert float(saturation_vapour_pressure_kpa(temperature_c)) * 1000 == pytest.approx(
        pascal, rel=2e-4
    )


@pytest.mark.parametrize(("temperature_c", "ratio"), [(5, 0.005425), (25, 0.020173)])
def test_saturated_humidity_ratio_as_printed(temperature_c, ratio):
    # ASHRAE Fundamentals 2017 ch. 1 table 2 is for real air, the equation for ideal gases:
    # half a per cent between them
    assert float(humidity_ratio(temperature_c, 100.0, 101.325)) == pytest.approx(ratio, rel=5e-3)


def test_enthalpy_as_printed():
    # ASHRAE Fundamentals 2017 ch. 1 eq. 30 at 30 degC, W 0.02: 81 316 J/kg
    assert float(moist_air_enthalpy_kj_per_kg(30.0, 0.02)) == pytest.approx(81.316, rel=1e-9)


def test_handbook_example():
    # ASHRAE Fundamentals 2017 ch. 1, example on the chart: 40 degC dry, 20 degC wet bulb:
    # W 0.0065, relative humidity 14 %, h 56.7 kJ/kg. RH is rounded to a per cent, so W
    # from it agrees to half a per cent of RH in 14.
    ratio = float(humidity_ratio(40.0, 14.0, 101.325))
    assert ratio == pytest.approx(0.0065, rel=0.5 / 14)
    assert float(moist_air_enthalpy_kj_per_kg(40.0, 0.0065)) == pytest.approx(56.7, abs=0.3)


@pytest.mark.parametrize("temperature_c", np.linspace(-40.0, 90.0, 27).tolist())
def test_humid_air_against_psychrolib(temperature_c):
    pascal = psychrolib.GetSatVapPres(temperature_c)
    assert float(saturation_vapour_pressure_kpa(temperature_c)) * 1000 == pytest.approx(
        pascal, rel=1e-9
    )
    for p_kpa in (80.0, 95.0, 101.325):
        for rh in (5.0, 40.0, 100.0):
            ratio = psychrolib.GetHumRatioFromRelHum(temperature_c, rh / 100, p_kpa * 1000)
            # psychrolib lets no ratio fall below 1e-7
            assert float(humidity_ratio(temperature_c, rh, p_kpa)) == pytest.approx(
                ratio, rel=1e-8, abs=1e-7
            )
            enthalpy = psychrolib.GetMoistAirEnthalpy(temperature_c, ratio) / 1000
            assert float(moist_air_enthalpy_kj_per_kg(temperature_c, ratio)) == pytest.approx(
                enthalpy, rel=1e-9, abs=1e-9
            )


def test_atmosphere_against_psychrolib():
    # its exponent is rounded to four decimals: 1e-5 at 4500 m
    for altitude_m in np.linspace(-400.0, 4500.0, 50):
        pascal = psychrolib.GetStandardAtmPressure(float(altitude_m))
        found = float(atmospheric_pressure_kpa(altitude_m)) * 1000
        assert found == pytest.approx(pascal, rel=1.2e-5)


def test_outside_its_validity_every_formula_is_silent():
    assert np.isnan(atmospheric_pressure_kpa(np.array([-6000.0, 12000.0, np.nan, np.inf]))).all()
    assert np.isnan(saturation_vapour_pressure_kpa(np.array([-101.0, 201.0, np.nan]))).all()
    assert np.isnan(humidity_ratio(25.0, np.array([-1.0, 101.0, np.nan]), 101.325)).all()
    # 90 degC saturated is 70.2 kPa of vapour: impossible at 60 kPa
    assert np.isnan(humidity_ratio(90.0, 100.0, 60.0))
    assert np.isnan(humidity_ratio(25.0, 50.0, np.array([np.nan, -5.0]))).all()
    assert np.isnan(moist_air_enthalpy_kj_per_kg(25.0, np.array([-0.001, np.inf, np.nan]))).all()


def test_expressions_agree_with_arrays_and_give_null_for_unknown():
    frame = pl.DataFrame(
        {
            "t": [25.0, -5.0, None, 90.0, 30.0],
            "rh": [50.0, 80.0, 40.0, 100.0, 101.0],
            "p": [101.325, 84.0, 90.0, 60.0, 101.325],
            "h": [0.0, 1600.0, None, 2e4, 500.0],
        }
    )
    got = (
        frame.lazy()
        .select(
            w=humidity_ratio_expression(pl.col("t"), pl.col("rh"), pl.col("p")),
            w_sea=humidity_ratio_expression(pl.col("t"), pl.col("rh"), pl.lit(101.325)),
            p=atmospheric_pressure_kpa_expression(pl.col("h")),
            e=moist_air_enthalpy_kj_per_kg_expression(pl.col("t"), pl.col("rh") / 1e4),
        )
        .collect()
    )
    assert got["w"][:2].to_list() == pytest.approx(
        [float(humidity_ratio(25.0, 50.0, 101.325)), float(humidity_ratio(-5.0, 80.0, 84.0))]
    )
    assert got["w"][2:].to_list() == [None, None, None]
    assert got["w_sea"][1] < got["w"][1]
    assert got["p"].is_null().to_list() == [False, False, True, True, False]
    assert got["e"].is_null().to_list() == [False, False, True, False, False]
    assert not any(got[name].is_nan().any() for name in got.columns)
