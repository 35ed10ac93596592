"""Units against pint, which knows them from its own registry, and by round trips."""

from __future__ import annotations

from contextlib import suppress

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pint import UnitRegistry

from features.channels import CANONICAL_UNITS, CHANNELS
from features.units import (
    UNITS,
    UnitError,
    from_canonical,
    parse_unit,
    to_canonical,
)

# The same unit in the words of pint. Its inHg and mmHg are conventional mercury at 0 degC.
IN_PINT = {
    "psi": "psi", "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal",
    "MPa": "megapascal", "bar": "bar", "inHg": "inch_Hg", "mmHg": "mmHg",
    "kgf/cm2": "kilogram_force / centimeter ** 2",
    "degC": "degC", "degF": "degF", "K": "kelvin", "%": "percent", "ratio": "dimensionless",
    "rpm": "rpm", "W": "watt", "kW": "kilowatt",
    "km/h": "kilometer / hour", "mph": "mile / hour", "m/s": "meter / second",
    "V": "volt", "mV": "millivolt",
}  # fmt: skip
CANONICAL_IN_PINT = {
    "pressure": "kilopascal", "temperature": "degC", "share": "percent",
    "rotational_speed": "rpm", "power": "watt", "vehicle_speed": "kilometer / hour",
    "voltage": "volt",
}  # fmt: skip

SCALES = sorted(name for name, unit in UNITS.items() if unit.quantity != "switch")


@pytest.fixture(scope="module")
def registry():
    return UnitRegistry(autoconvert_offset_to_baseunit=True)


def canonical(value, unit, atmospheric_kpa=101.325):
    frame = pl.DataFrame({"x": [value]})
    return frame.select(to_canonical(pl.col("x"), unit, pl.lit(atmospheric_kpa))).item()


def in_unit(value, unit, atmospheric_kpa=101.325):
    frame = pl.DataFrame({"x": [value]})
    return frame.select(from_canonical(pl.col("x"), unit, pl.lit(atmospheric_kpa))).item()


@pytest.mark.parametrize("name", SCALES)
def test_every_scale_agrees_with_pint(name, registry):
    unit = UNITS[name]
    scale = name.split(" ")[0]
    for reading in (0.25, 1.0, 36.6, 250.0):
        to = CANONICAL_IN_PINT[unit.quantity]
        expected = registry.Quantity(reading, IN_PINT[scale]).to(to).magnitude
        if unit.reference == "gauge_vented":
            expected += 83.5
        if unit.reference == "gauge_sealed":
            expected += registry.Quantity(1, "atm").to("kilopascal").magnitude
        assert canonical(reading, unit, 83.5) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("quantity", sorted(CANONICAL_IN_PINT))
def test_every_pair_of_one_quantity_agrees_with_pint(quantity, registry):
    names = [
        name
        for name, unit in UNITS.items()
        if unit.quantity == quantity and unit.reference in {"none", "absolute"}
    ]
    assert names
    for one in names:
        for other in names:
            through_ours = in_unit(canonical(42.5, UNITS[one]), UNITS[other])
            source, target = (IN_PINT[name.split(" ")[0]] for name in (one, other))
            expected = registry.Quantity(42.5, source).to(target).magnitude
            assert through_ours == pytest.approx(expected, rel=1e-12), (one, other)


def test_every_pair_of_pressures_with_any_reference_agrees_with_pint(registry):
    local_kpa = 83.5
    zero = {
        "absolute": registry.Quantity(0, "kilopascal"),
        "gauge_vented": registry.Quantity(local_kpa, "kilopascal"),
        "gauge_sealed": registry.Quantity(1, "atm"),
    }
    names = [name for name, unit in UNITS.items() if unit.quantity == "pressure"]
    assert {UNITS[name].reference for name in names} == set(zero)
    for one in names:
        source = IN_PINT[one.split(" ")[0]]
        absolute = registry.Quantity(42.5, source) + zero[UNITS[one].reference]
        for other in names:
            target = IN_PINT[other.split(" ")[0]]
            expected = (absolute - zero[UNITS[other].reference]).to(target).magnitude
            there = canonical(42.5, UNITS[one], local_kpa)
            ours = in_unit(there, UNITS[other], local_kpa)
            # one part in 1e12 of the larger of the reading and the zero it is counted from
            scale = zero["gauge_sealed"].to(target).magnitude
            assert ours == pytest.approx(expected, rel=1e-12, abs=1e-12 * scale), (one, other)


def test_canonical_units_are_those_of_the_channel_dictionary(registry):
    for quantity, name in CANONICAL_IN_PINT.items():
        printed = {"%": "percent", "1/min": "rpm"}.get(
            CANONICAL_UNITS[quantity], CANONICAL_UNITS[quantity]
        )
        assert registry.parse_units(printed) == registry.parse_units(name)


@pytest.mark.parametrize("name", SCALES)
@settings(deadline=None)
@given(value=st.floats(-1e4, 1e4), atmospheric_kpa=st.floats(50, 110))
def test_round_trip(name, value, atmospheric_kpa):
    unit = UNITS[name]
    there = canonical(value, unit, atmospheric_kpa)
    # one part in 1e12 of the larger of the reading and the zero point it passes
    zero_in_unit = max(abs(unit.offset), atmospheric_kpa, 101.325) / unit.factor
    assert in_unit(there, unit, atmospheric_kpa) == pytest.approx(
        value, rel=1e-12, abs=1e-12 * zero_in_unit
    )


def test_fixed_points_of_the_temperature_scales():
    # definitions: ice point 0 degC = 32 degF = 273.15 K; the two scales cross at -40
    assert canonical(32.0, UNITS["degF"]) == pytest.approx(0.0, abs=1e-12)
    assert canonical(212.0, UNITS["degF"]) == pytest.approx(100.0, rel=1e-12)
    assert canonical(-40.0, UNITS["degF"]) == pytest.approx(-40.0, rel=1e-12)
    assert canonical(273.15, UNITS["K"]) == pytest.approx(0.0, abs=1e-12)


def test_vented_and_sealed_gauge_differ_by_the_weather():
    # 1600 m: 83.5 kPa against the standard atmosphere of 101.325 kPa
    vented = canonical(200.0, UNITS["kPa gauge"], 83.5)
    sealed = canonical(200.0, UNITS["kPa sealed gauge"], 83.5)
    assert sealed - vented == pytest.approx(101.325 - 83.5, rel=1e-12)
    assert canonical(200.0, UNITS["kPa absolute"], 83.5) == 200.0


def test_unknown_atmosphere_leaves_only_the_vented_gauge_unknown():
    assert canonical(30.0, UNITS["psi gauge"], None) is None
    assert canonical(30.0, UNITS["psi sealed gauge"], None) is not None
    assert canonical(30.0, UNITS["psi absolute"], None) is not None


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), -float("inf"), 1.7e308])
def test_no_number_in_gives_null_out(value):
    assert canonical(value, UNITS["psi absolute"]) is None


@pytest.mark.parametrize(
    ("texts", "quantity", "name"),
    [
        (("psig", "PSIG", "psi(g)", "psi g", "psi gauge", "psi_gauge", "psi [gauge]",
          "lbf/in2 g", "psi, gauge"), "pressure", "psi gauge"),
        (("psia", "psi(a)", "psi abs", "PSI Absolute"), "pressure", "psi absolute"),
        (("psis", "psi sealed gauge", "psi gauge sealed"), "pressure", "psi sealed gauge"),
        (("barg", "bar(g)", "bar g", "bar gauge", "Bar_G"), "pressure", "bar gauge"),
        (("bara", "bar(a)", "bar abs."), "pressure", "bar absolute"),
        (("kPag", "kPa_gauge", "kPa (g)"), "pressure", "kPa gauge"),
        (("kPa abs", "kPaa", "kpa_abs"), "pressure", "kPa absolute"),
        (("MPa gauge", "mpag"), "pressure", "MPa gauge"),
        (("mbar abs", "hPa abs"), "pressure", "hPa absolute"),
        (("inHg abs", "in Hg (a)"), "pressure", "inHg absolute"),
        (("kg/cm2 g", "kgf/cm\u00b2 gauge"), "pressure", "kgf/cm2 gauge"),
        (("\u00b0F", "degF", "deg F", "F", "\u00baF", "\u2109", "(\u00b0F)"),
         "temperature", "degF"),
        (("\u00b0C", "degC", "C", "\u2103", "\u00c2\u00b0C", "\ufffdC", "Celsius"),
         "temperature", "degC"),
        (("K", "kelvin"), "temperature", "K"),
        (("%", "pct", "percent", "% RH"), "share", "%"),
        (("ratio", "fraction", "0-1"), "share", "ratio"),
        (("rpm", "RPM", "1/min", "min-1", "r/min"), "rotational_speed", "rpm"),
        (("km/h", "kmh", "kph"), "vehicle_speed", "km/h"),
        (("mph",), "vehicle_speed", "mph"),
        (("kW", "kw"), "power", "kW"),
        (("V", "volts"), "voltage", "V"),
        (("on/off", "0/1", "bool"), "switch", "switch"),
        (("hPa", "mbar", "hPa abs"), "barometric_pressure", "hPa absolute"),
        (("inHg",), "barometric_pressure", "inHg absolute"),
    ],
)  # fmt: skip
def test_spellings(texts, quantity, name):
    for text in texts:
        assert parse_unit(text, quantity).name == name, text


def test_every_unit_name_means_itself():
    for name, unit in UNITS.items():
        assert parse_unit(name, unit.quantity) is unit


@pytest.mark.parametrize("text", ["psi", "bar", "kPa", "inHg", "MPa", "mbar", "kgf/cm2"])
def test_refrigerant_pressure_without_its_zero_is_refused(text):
    with pytest.raises(UnitError) as caught:
        parse_unit(text, "pressure")
    assert caught.value.code == "unit_ambiguous"
    assert "gauge" in caught.value.hint
    assert "absolute" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "quantity", "code"),
    [
        ("", "pressure", "unit_unknown"),
        ("", "temperature", "unit_unknown"),
        ("psi", "temperature", "unit_unknown"),
        ("psigx", "pressure", "unit_unknown"),
        ("degC", "pressure", "unit_unknown"),
        ("furlong", "vehicle_speed", "unit_unknown"),
        ("deg", "temperature", "unit_ambiguous"),
        ("inHg vac", "pressure", "unit_ambiguous"),
        ("psig", "barometric_pressure", "unit_contradicts_quantity"),
    ],
)
def test_refusals(text, quantity, code):
    with pytest.raises(UnitError) as caught:
        parse_unit(text, quantity)
    assert caught.value.code == code
    assert caught.value.sentence
    assert caught.value.hint


def test_a_near_miss_is_suggested():
    with pytest.raises(UnitError) as caught:
        parse_unit("psi gaugee", "pressure")
    assert "Did you mean psi gauge" in caught.value.hint


@given(st.text(max_size=12), st.sampled_from(sorted({one.quantity for one in CHANNELS})))
def test_any_text_gives_a_unit_or_a_unit_error(text, quantity):
    with suppress(UnitError):
        assert parse_unit(text, quantity).quantity in {quantity, "pressure"}


def test_switch_texts():
    frame = pl.DataFrame(
        {
            "text": ["On", " off ", "TRUE", "no", "1", "0.0", "maybe", None],
            "number": [1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 0.5, None],
            "truth": [True, False, True, False, True, False, None, None],
        }
    )
    got = frame.select(to_canonical(pl.all(), UNITS["switch"], pl.lit(None)))
    expected = [1.0, 0.0, 1.0, 0.0, 1.0, 0.0, None, None]
    assert got.to_dict(as_series=False) == dict.fromkeys(frame.columns, expected)
