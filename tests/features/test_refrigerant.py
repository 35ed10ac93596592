"""Saturation against printed tables, published points and the library it is read from."""

from __future__ import annotations

import csv
import subprocess
import sys
from contextlib import suppress
from importlib.metadata import distribution

import numpy as np
import polars as pl
import pytest
from CoolProp.CoolProp import AbstractState, PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from features import refrigerant as module
from features.published_points import PUBLISHED_POINTS, PublishedPoint
from features.refrigerant import (
    REFRIGERANTS,
    PropertyLibraryError,
    RefrigerantError,
    add_saturation_temperatures,
    bubble_pressure_kpa,
    bubble_temperature,
    bubble_temperature_c,
    bubble_temperature_slope_k_per_kpa,
    check_property_library,
    dew_pressure_kpa,
    dew_temperature,
    dew_temperature_c,
    dew_temperature_slope_k_per_kpa,
    resolve_refrigerant,
    valid_pressures_kpa,
)
from features.units import UNITS, to_canonical

R134A = REFRIGERANTS["R134a"]
R1234YF = REFRIGERANTS["R1234yf"]
PURE = [one for one in REFRIGERANTS.values() if not one.is_blend]
BLENDS = [one for one in REFRIGERANTS.values() if one.is_blend]
ALL = list(REFRIGERANTS.values())

SATURATION_FUNCTIONS = (dew_temperature_c, bubble_temperature_c)
PRESSURE_FUNCTIONS = (dew_pressure_kpa, bubble_pressure_kpa)
DEW_AND_BUBBLE = [(dew_temperature_c, 1.0), (bubble_temperature_c, 0.0)]


def by_name(one):
    return one.designation


def one_value(function, value, refrigerant):
    return float(function(np.array([value]), refrigerant)[0])


def psig_to_kpa(psig):
    frame = pl.DataFrame({"x": [psig]})
    return frame.select(to_canonical(pl.col("x"), UNITS["psi gauge"], pl.lit(101.325))).item()


def f_to_c(degf):
    return (degf - 32.0) / 1.8


# ---- R-134a: printed tables ------------------------------------------------------------


def printed_r134a(name):
    """Rows of a printed R-134a table, from the MIT-licensed package proptables 0.1.1."""
    path = distribution("proptables").locate_file(f"proptables/R134a/{name}")
    with open(path, encoding="utf-8", newline="") as file:  # noqa: PTH123 - any path-like
        return [(float(row["degC"]), float(row["kPa"])) for row in csv.DictReader(file)]


TEMPERATURE_TABLE = printed_r134a("R134a_TempSat.csv")
PRESSURE_TABLE = printed_r134a("R134a_PresSat.csv")


def test_the_printed_tables_are_whole():
    assert len(TEMPERATURE_TABLE) == 45
    assert len(PRESSURE_TABLE) > 25


@pytest.mark.parametrize("function", PRESSURE_FUNCTIONS)
@pytest.mark.parametrize(("temperature_c", "printed_kpa"), TEMPERATURE_TABLE)
def test_r134a_pressure_in_every_row_of_the_temperature_table(function, temperature_c, printed_kpa):
    if temperature_c > 98.0:
        # the table runs on to the critical point; there the answer is: not valid
        assert np.isnan(one_value(function, temperature_c, R134A))
        return
    found = one_value(function, temperature_c, R134A)
    # 0.06 % between the equations, and half of the last printed digit
    assert found == pytest.approx(printed_kpa, rel=6e-4, abs=0.05)


@pytest.mark.parametrize("function", SATURATION_FUNCTIONS)
@pytest.mark.parametrize(("temperature_c", "printed_kpa"), PRESSURE_TABLE)
def test_r134a_temperature_in_every_row_of_the_pressure_table(function, temperature_c, printed_kpa):
    found = one_value(function, printed_kpa, R134A)
    # temperatures are printed to 0.1 K
    assert found == pytest.approx(temperature_c, abs=0.07)


@pytest.mark.parametrize(
    ("temperature_k", "printed_kpa"), [(250.0, 115.61), (300.0, 702.82), (350.0, 2461.1)]
)
def test_r134a_against_its_equation_of_state_as_published(temperature_k, printed_kpa):
    # Tillner-Roth and Baehr, J. Phys. Chem. Ref. Data 23:657 (1994), table 8, five digits
    found = one_value(dew_pressure_kpa, temperature_k - 273.15, R134A)
    assert found == pytest.approx(printed_kpa, rel=5e-5)
    # Huber and McLinden 1992, an older equation, stays within 0.1 %: the tolerance that
    # "any reputable table" deserves
    assert found == pytest.approx(printed_kpa, rel=1e-3)


# ---- R-1234yf: published points ----------------------------------------------------------


@pytest.mark.parametrize(
    ("temperature_k", "mol_per_dm3", "printed_mpa"),
    [
        (280.0, 11.0, 28.95760),
        (280.0, 0.1, 0.2185345),
        (340.0, 8.0, 2.309798),
        (340.0, 1.0, 1.855076),
        (368.0, 4.2, 3.394716),
    ],
)
def test_r1234yf_equation_of_state_as_published(temperature_k, mol_per_dm3, printed_mpa):
    # Lemmon and Akasaka, Int. J. Thermophys. 43:119 (2022), table 7, seven digits
    pascal = PropsSI("P", "T", temperature_k, "Dmolar", mol_per_dm3 * 1e3, R1234YF.library_name)
    assert pascal / 1e6 == pytest.approx(printed_mpa, rel=1e-6)


def test_r1234yf_curve_ends_below_the_measured_critical_point():
    # Tanaka and Higashi 2010, measured: 367.85 +- 0.01 K, 3.382 +- 0.003 MPa
    highest = valid_pressures_kpa(R1234YF).highest_kpa
    assert highest / 0.95 == pytest.approx(3382.0, abs=3.0)
    assert one_value(dew_temperature_c, highest * (1 - 1e-9), R1234YF) < 367.85 - 273.15


@pytest.mark.parametrize(
    ("temperature_c", "kpa"),
    [(-30, 98.933), (-20, 150.858), (-10, 221.786), (0, 315.881), (10, 437.631),
     (20, 591.836), (25, 682.697), (30, 783.619), (40, 1018.473), (50, 1302.349),
     (60, 1641.830), (70, 2044.454)],
)  # fmt: skip
def test_r1234yf_saturation_as_computed_elsewhere(temperature_c, kpa):
    # computed with CoolProp 8 directly: a regression value, not a published one
    # half of the last printed digit
    assert one_value(dew_pressure_kpa, temperature_c, R1234YF) == pytest.approx(
        kpa, rel=2e-6, abs=6e-4
    )
    assert one_value(bubble_temperature_c, kpa, R1234YF) == pytest.approx(temperature_c, abs=1e-4)


@pytest.mark.parametrize(
    ("psig", "degf"), [(24.0, 23.0), (30.0, 31.0), (142.0, 108.0), (150.0, 112.0)]
)
def test_r1234yf_gauge_readings_that_every_technician_knows(psig, degf):
    # common practice, no source: pressure-temperature cards, to the nearest degree or so
    found = one_value(dew_temperature_c, psig_to_kpa(psig), R1234YF)
    assert found == pytest.approx(f_to_c(degf), abs=0.75 / 1.8)


def test_r1234yf_subcooling_of_a_worked_reading():
    # common practice, no source: liquid at 86 degF under 142 psig is about 22 degF subcooled
    condensing = one_value(bubble_temperature_c, psig_to_kpa(142.0), R1234YF)
    assert (condensing - f_to_c(86.0)) * 1.8 == pytest.approx(22.0, abs=0.75)


# ---- both: a wrong chart, sensitivities ------------------------------------------------


@pytest.mark.parametrize(
    ("refrigerant", "right_psig", "wrong_psig"),
    [(R134A, 124.2, 116.0), (R1234YF, 124.9, 161.7)],
    ids=["R134a", "R1234yf"],
)
def test_a_wrong_chart_is_told_from_a_right_one(refrigerant, right_psig, wrong_psig):
    # a chart found on the web prints 116.0 and 161.7 psig at 100 degF; right are 124.2, 124.9
    at_100_degf = one_value(dew_pressure_kpa, f_to_c(100.0), refrigerant)
    assert at_100_degf == pytest.approx(psig_to_kpa(right_psig), abs=0.5)
    assert abs(at_100_degf - psig_to_kpa(wrong_psig)) > 50.0


@pytest.mark.parametrize(
    ("refrigerant", "temperature_c", "bar"),
    [
        *((R134A, t, p) for t, p in ((0, 2.928), (5, 3.497), (10, 4.146))),
        *((R134A, t, p) for t, p in ((25, 6.654), (35, 8.870), (50, 13.18), (60, 16.82))),
        *((R1234YF, t, p) for t, p in ((0, 3.159), (5, 3.730), (10, 4.376))),
        *((R1234YF, t, p) for t, p in ((25, 6.827), (35, 8.953), (50, 13.02), (60, 16.42))),
    ],
    ids=str,
)
def test_saturation_pressures_of_the_sensitivity_table(refrigerant, temperature_c, bar):
    # computed, four digits: a regression value
    assert one_value(dew_pressure_kpa, temperature_c, refrigerant) / 100 == pytest.approx(
        bar, rel=5e-4
    )


@pytest.mark.parametrize(
    "function", [dew_temperature_slope_k_per_kpa, bubble_temperature_slope_k_per_kpa]
)
@pytest.mark.parametrize(
    ("refrigerant", "temperature_c", "bar_per_k", "k_per_psi"),
    [
        (R134A, 2.0, 0.112, 0.61),
        (R134A, 50.0, 0.331, 0.21),
        (R1234YF, 2.0, 0.113, 0.61),
        (R1234YF, 50.0, 0.311, 0.22),
    ],
    ids=str,
)
def test_slopes_of_the_sensitivity_table(
    function, refrigerant, temperature_c, bar_per_k, k_per_psi
):
    # computed, two to three digits: a regression value
    kpa = one_value(dew_pressure_kpa, temperature_c, refrigerant)
    slope = one_value(function, kpa, refrigerant)
    assert 1.0 / (slope * 100.0) == pytest.approx(bar_per_k, abs=0.0006)
    assert slope * 6.894757 == pytest.approx(k_per_psi, abs=0.006)


@pytest.mark.parametrize(
    ("refrigerant", "altitude_kpa", "bar_gauge", "error_k"),
    [
        (R134A, 83.52, 2.0, 1.68), (R134A, 83.52, 15.0, 0.47),
        (R1234YF, 83.52, 2.0, 1.76), (R1234YF, 83.52, 15.0, 0.49),
        (R134A, 74.68, 2.0, 2.54), (R1234YF, 74.68, 15.0, 0.74),
    ],
    ids=str,
)  # fmt: skip
def test_what_an_altitude_mistake_costs(refrigerant, altitude_kpa, bar_gauge, error_k):
    # computed: the sea-level constant used at 1600 m (83.52 kPa) and 2500 m (74.68 kPa)
    true_c = one_value(dew_temperature_c, bar_gauge * 100 + altitude_kpa, refrigerant)
    taken_c = one_value(dew_temperature_c, bar_gauge * 100 + 101.325, refrigerant)
    assert taken_c - true_c == pytest.approx(error_k, abs=0.015)


@pytest.mark.parametrize("refrigerant", PURE, ids=by_name)
def test_slope_against_the_derivative_of_the_library(refrigerant):
    lowest, highest = valid_pressures_kpa(refrigerant)
    for kpa in np.geomspace(lowest * 1.01, highest * 0.99, 40):
        exact = PropsSI("d(T)/d(P)|sigma", "P", kpa * 1000.0, "Q", 1, refrigerant.library_name)
        found = one_value(dew_temperature_slope_k_per_kpa, kpa, refrigerant)
        assert found == pytest.approx(exact * 1000.0, rel=1e-3)


# ---- the dense table against the library it comes from -----------------------------------


def library_c(pressure_kpa, vapour_share, refrigerant):
    kelvin = PropsSI("T", "P", pressure_kpa * 1000.0, "Q", vapour_share, refrigerant.library_name)
    return np.asarray(kelvin) - 273.15


@pytest.mark.parametrize(("function", "vapour_share"), DEW_AND_BUBBLE)
@pytest.mark.parametrize("refrigerant", PURE, ids=by_name)
def test_table_of_a_pure_refrigerant_over_its_whole_range(function, vapour_share, refrigerant):
    lowest, highest = valid_pressures_kpa(refrigerant)
    # an odd number of points, so that they fall between those the table was made from
    kpa = np.geomspace(lowest * (1 + 1e-9), highest * (1 - 1e-9), 5003)
    error = np.abs(function(kpa, refrigerant) - library_c(kpa, vapour_share, refrigerant))
    assert np.all(np.isfinite(error))
    assert error.max() < 2e-4


@pytest.mark.parametrize(("function", "vapour_share"), DEW_AND_BUBBLE)
@pytest.mark.parametrize("refrigerant", BLENDS, ids=by_name)
def test_table_of_a_blend_over_its_whole_range(function, vapour_share, refrigerant):
    lowest, highest = valid_pressures_kpa(refrigerant)
    kpa = np.geomspace(lowest * (1 + 1e-9), highest * (1 - 1e-9), 403)
    ours, theirs = function(kpa, refrigerant), library_c(kpa, vapour_share, refrigerant)
    assert np.all(np.isfinite(ours))
    # near the critical point the library finds no equilibrium at some pressures
    answered = np.isfinite(theirs)
    assert np.all(answered[kpa < 2200.0])
    assert answered.mean() > 0.9
    assert np.abs(ours - theirs)[answered].max() < 5e-3


@pytest.mark.parametrize("refrigerant", BLENDS, ids=by_name)
def test_a_blend_boils_below_its_dew_point(refrigerant):
    lowest, highest = valid_pressures_kpa(refrigerant)
    kpa = np.geomspace(lowest, highest, 999)[1:-1]
    glide = dew_temperature_c(kpa, refrigerant) - bubble_temperature_c(kpa, refrigerant)
    assert np.all(glide > -1e-6)
    celsius = np.linspace(-40.0, 60.0, 201)
    assert np.all(
        bubble_pressure_kpa(celsius, refrigerant) >= dew_pressure_kpa(celsius, refrigerant) - 1e-6
    )


@pytest.mark.parametrize(
    ("designation", "mass_shares"),
    [
        ("R513A", {"R1234yf": 0.56, "R134a": 0.44}),
        ("R444A", {"R32": 0.12, "R152A": 0.05, "R1234ze(E)": 0.83}),
        ("R456A", {"R32": 0.06, "R134a": 0.45, "R1234ze(E)": 0.49}),
    ],
)
def test_blends_are_made_of_what_their_number_says(designation, mass_shares):
    # mass fractions of the ISO 817 composition
    state = AbstractState("HEOS", REFRIGERANTS[designation].library_name)
    moles = dict(zip(state.fluid_names(), state.get_mole_fractions(), strict=True))
    mass = {name: x * PropsSI("M", name) for name, x in moles.items()}
    for name, share in mass_shares.items():
        assert mass[name] / sum(mass.values()) == pytest.approx(share, abs=1e-3)


@pytest.mark.parametrize("refrigerant", PURE, ids=by_name)
def test_a_pure_refrigerant_has_one_saturation_temperature(refrigerant):
    lowest, highest = valid_pressures_kpa(refrigerant)
    kpa = np.geomspace(lowest, highest, 99)[1:-1]
    difference = dew_temperature_c(kpa, refrigerant) - bubble_temperature_c(kpa, refrigerant)
    assert np.abs(difference).max() < 1e-6


@pytest.mark.parametrize("refrigerant", ALL, ids=by_name)
@settings(deadline=None)
@given(shares=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20))
def test_pressure_and_temperature_are_inverse(refrigerant, shares):
    lowest, highest = valid_pressures_kpa(refrigerant)
    kpa = lowest * 1.000001 * (highest * 0.999998 / lowest) ** np.array(shares)
    for to_c, to_kpa in zip(SATURATION_FUNCTIONS, PRESSURE_FUNCTIONS, strict=True):
        assert to_kpa(to_c(kpa, refrigerant), refrigerant) == pytest.approx(kpa, rel=1e-9)


@pytest.mark.parametrize("refrigerant", ALL, ids=by_name)
def test_temperature_rises_with_pressure(refrigerant):
    lowest, highest = valid_pressures_kpa(refrigerant)
    kpa = np.geomspace(lowest, highest, 20011)[1:-1]
    for function in SATURATION_FUNCTIONS:
        assert np.all(np.diff(function(kpa, refrigerant)) > 0.0)


# ---- edges -----------------------------------------------------------------------------


@pytest.mark.parametrize("refrigerant", ALL, ids=by_name)
def test_outside_the_validity_there_is_no_answer(refrigerant):
    lowest, highest = valid_pressures_kpa(refrigerant)
    outside = np.array([np.nan, np.inf, -np.inf, 0.0, -50.0, lowest * 0.999, highest * 1.001, 1e9])
    for function in (
        *SATURATION_FUNCTIONS,
        dew_temperature_slope_k_per_kpa,
        bubble_temperature_slope_k_per_kpa,
    ):
        assert np.isnan(function(outside, refrigerant)).all()
    for function in PRESSURE_FUNCTIONS:
        assert np.isnan(function(np.array([np.nan, np.inf, -250.0, 200.0]), refrigerant)).all()


def test_highest_pressure_keeps_off_the_critical_point():
    for one in PURE:
        critical_kpa = PropsSI("PCRIT", one.library_name) / 1000.0
        assert valid_pressures_kpa(one).highest_kpa == pytest.approx(0.95 * critical_kpa)


def test_empty_arrays_stay_empty():
    assert dew_temperature_c(np.array([]), R134A).size == 0


def test_importing_the_module_leaves_the_library_alone():
    code = "import sys, features.refrigerant; sys.exit('CoolProp' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# ---- designations ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "designation"),
    [
        ("R1234yf", "R1234yf"), ("R-1234yf", "R1234yf"), ("r1234YF", "R1234yf"),
        ("HFO-1234yf", "R1234yf"), ("hfo 1234 yf", "R1234yf"), ("1234yf", "R1234yf"),
        ("R134a", "R134a"), ("R-134A", "R134a"), ("HFC-134a", "R134a"), ("134a", "R134a"),
        ("R12", "R12"), ("CFC-12", "R12"), ("HCFC-22", "R22"), ("R-290", "R290"),
        ("Propane", "R290"), ("HC-600a", "R600a"), ("R-513A", "R513A"), ("r456a", "R456A"),
        ("R1234ze(E)", "R1234ze(E)"), ("R-1234ze", "R1234ze(E)"), ("R-152a", "R152a"),
    ],
)  # fmt: skip
def test_trade_spellings(text, designation):
    assert resolve_refrigerant(text).designation == designation


@pytest.mark.parametrize("text", ["R744", "R-744", "CO2", "carbon dioxide", "r744"])
def test_carbon_dioxide_is_refused_with_the_reason(text):
    with pytest.raises(RefrigerantError) as caught:
        resolve_refrigerant(text)
    assert caught.value.code == "refrigerant_transcritical"
    assert "critical point" in caught.value.sentence


@pytest.mark.parametrize(
    ("text", "suggestion"), [("R134", "R134a"), ("R1234y", "R1234yf"), ("R513", "R513A")]
)
def test_near_misses_are_suggested_never_taken(text, suggestion):
    with pytest.raises(RefrigerantError) as caught:
        resolve_refrigerant(text)
    assert caught.value.code == "refrigerant_unknown"
    assert f"Did you mean {suggestion}" in caught.value.hint


@pytest.mark.parametrize("text", ["Water", "R", "yf", "12a", "R1234", "R-134a/R-1234yf"])
def test_what_is_no_known_refrigerant_is_refused(text):
    with pytest.raises(RefrigerantError) as caught:
        resolve_refrigerant(text)
    assert caught.value.code == "refrigerant_unknown"


@pytest.mark.parametrize("text", ["", "  ", "-"])
def test_no_designation_is_missing(text):
    with pytest.raises(RefrigerantError) as caught:
        resolve_refrigerant(text)
    assert caught.value.code == "refrigerant_missing"


@given(st.text(max_size=15))
def test_any_text_gives_a_refrigerant_or_a_refusal(text):
    with suppress(RefrigerantError):
        assert resolve_refrigerant(text) in ALL


def test_a_blend_name_without_its_ending_is_unknown_to_the_library():
    # why designation and library name are two fields; R407C alone exists without the ending,
    # as a single substance that has no glide
    for one in BLENDS:
        assert one.library_name.endswith(".mix")
        if one.designation == "R407C":
            continue
        with pytest.raises(ValueError, match="key"):
            AbstractState("HEOS", one.designation)


# ---- frames ----------------------------------------------------------------------------


def test_expressions_give_null_where_arrays_give_nan():
    frame = pl.LazyFrame({"p": [292.8, None, 1.0e5, -3.0, float("nan")]})
    got = frame.select(
        dew=dew_temperature(pl.col("p"), R134A), bubble=bubble_temperature(pl.col("p"), R134A)
    ).collect()
    # printed R-134a table: 0 degC at 292.8 kPa
    for name in ("dew", "bubble"):
        assert got[name][0] == pytest.approx(0.0, abs=0.02)
        assert got[name][1:].to_list() == [None] * 4


def test_each_test_gets_its_own_refrigerant():
    samples = pl.DataFrame(
        {
            "test_id": ["b", "a", "c", "a", "d", "e", "x"],
            "time_s": [0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0],
            "low_side_kpa": [300.0, 300.0, 300.0, None, 300.0, 300.0, 300.0],
            "high_side_kpa": [1500.0, 1500.0, 1500.0, 9000.0, 1500.0, 1500.0, 1500.0],
        }
    )
    context = pl.DataFrame(
        {
            "test_id": ["a", "b", "c", "d", "e"],
            "refrigerant": ["R134a", "HFO-1234yf", "R744", None, "R-456A"],
        }
    )
    got = add_saturation_temperatures(samples, context)
    assert got.select(samples.columns).equals(samples)
    expected = {"b": R1234YF, "a": R134A, "e": REFRIGERANTS["R456A"]}
    for row in got.filter(pl.col("time_s") == 0.0).iter_rows(named=True):
        found = [row[n] for n in ("evaporating_dew_c", "condensing_bubble_c", "discharge_dew_c")]
        if row["test_id"] not in expected:
            assert found == [None, None, None], row["test_id"]
            continue
        own = expected[row["test_id"]]
        assert found == [
            one_value(dew_temperature_c, 300.0, own),
            one_value(bubble_temperature_c, 1500.0, own),
            one_value(dew_temperature_c, 1500.0, own),
        ]
    later = got.filter(pl.col("time_s") == 1.0)
    assert later["evaporating_dew_c"].to_list() == [None]
    assert later["condensing_bubble_c"].to_list() == [None]


def test_row_order_does_not_matter():
    rng = np.random.default_rng(7)
    samples = pl.DataFrame(
        {
            "test_id": rng.choice(["a", "b"], 200),
            "time_s": np.arange(200.0),
            "low_side_kpa": rng.uniform(100.0, 500.0, 200),
            "high_side_kpa": rng.uniform(800.0, 2500.0, 200),
        }
    )
    context = pl.DataFrame({"test_id": ["a", "b"], "refrigerant": ["R134a", "R1234yf"]})
    straight = add_saturation_temperatures(samples, context)
    shuffled = add_saturation_temperatures(
        samples.sample(fraction=1, shuffle=True, seed=1), context
    )
    assert shuffled.sort("time_s").equals(straight)


def test_absent_channels_count_as_null():
    samples = pl.DataFrame({"test_id": ["a"], "time_s": [0.0], "low_side_kpa": [300.0]})
    context = pl.DataFrame({"test_id": ["a"], "refrigerant": ["R134a"]})
    got = add_saturation_temperatures(samples, context).row(0, named=True)
    assert got["evaporating_dew_c"] is not None
    assert got["condensing_bubble_c"] is None
    assert got["discharge_dew_c"] is None


def test_no_samples_and_no_refrigerants():
    samples = pl.DataFrame(
        schema={"test_id": pl.String, "time_s": pl.Float64, "low_side_kpa": pl.Float64}
    )
    context = pl.DataFrame(schema={"test_id": pl.String, "refrigerant": pl.String})
    got = add_saturation_temperatures(samples, context)
    assert got.height == 0
    assert got.schema["discharge_dew_c"] == pl.Float64


# ---- the start-up check ----------------------------------------------------------------


def test_the_installed_library_passes():
    check_property_library()


@pytest.mark.parametrize("point", PUBLISHED_POINTS, ids=lambda point: point.of)
def test_the_check_sees_a_fault_of_two_per_mille(point, monkeypatch):
    shifted = PublishedPoint(
        point.designation,
        point.temperature_k,
        point.expected_kpa * 1.002,
        point.tolerance,
        point.source,
        point.density_mol_per_m3,
    )
    monkeypatch.setattr(module, "PUBLISHED_POINTS", (shifted,))
    with pytest.raises(PropertyLibraryError, match=point.source):
        check_property_library()


def test_the_check_sees_a_missing_answer(monkeypatch):
    nowhere = PublishedPoint("R134a", 900.0, 100.0, 1e-3, "nowhere")
    monkeypatch.setattr(module, "PUBLISHED_POINTS", (nowhere,))
    with pytest.raises(PropertyLibraryError, match="nowhere"):
        check_property_library()


def test_a_false_answer_of_the_library_for_a_blend_is_refused(monkeypatch):
    honest = module._ask_library_c

    def one_false_root(ln_pressure, vapour_share, refrigerant):
        answered = honest(ln_pressure, vapour_share, refrigerant).copy()
        answered[100] += 3.0
        return answered

    monkeypatch.setattr(module, "_ask_library_c", one_false_root)
    with pytest.raises(PropertyLibraryError, match="no sound saturation curve"):
        module.library_points(REFRIGERANTS["R513A"])
