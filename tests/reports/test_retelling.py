"""Sentences of other folders in the units and marks of the page."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.retelling import in_display_units, in_one_breath, in_quotes
from reports.settings import ReportSettings

NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
METRIC = ReportSettings()
US = ReportSettings(pressure_unit="psi", temperature_unit="degF")
CANONICAL = ReportSettings(pressure_unit="kPa")


@pytest.mark.parametrize(
    ("settings", "sentence", "told"),
    [
        # 1275 kPa is 12.75 bar
        (METRIC, "High side 1275 kPa higher", f"High side 12.75{NBSP}bar higher"),
        (METRIC, "duct air 19.5 K warmer", "duct air 19.5 K warmer"),
        # NIST SP 811: 1 psi = 6.894757 kPa, so 64 kPa = 9.28 psi; 10 K = 18 degF
        (US, "64 kPa, 10.0 K", f"9.3{NBSP}psi, 18.0{NBSP}°F"),
        # 10 degC is 50 degF: an instant temperature takes the offset, a difference does not
        (US, "at 10 °C", f"at 50.0{NBSP}°F"),
        (METRIC, "low side -360 kPa, high +401 kPa",
         f"low side {MINUS}3.60{NBSP}bar, high +4.01{NBSP}bar"),
        (METRIC, "3.6 spreads, q 0.53)", f"3.6 spreads, false alarms 53.0{NBSP}%)"),
        # a q of one rules nothing out; that no reading is real it does not say
        (METRIC, "3.6 spreads, q 1.00)", "3.6 spreads, chance not ruled out)"),
        (CANONICAL, "64 kPa and 5 K", "64 kPa and 5 K"),
    ],
)  # fmt: skip
def test_quantities_are_restated(settings, sentence, told):
    assert in_display_units(sentence, settings) == told


@pytest.mark.parametrize(
    "sentence",
    [
        "3 Kelvin",
        "eq 0.5",
        "q 0.5.1",
        "model 7 Kx",
        "CAR-12 kPa",
        "12 kPas",
        "3.5.1 K",
        "8 July 2026",
        "",
    ],
)
def test_what_is_no_quantity_stays(sentence):
    assert in_display_units(sentence, US) == sentence


@given(st.text(alphabet="kPaK°C -+.,0123456789 bcde", max_size=60))
def test_in_canonical_units_every_text_stays(text):
    assert in_display_units(text, CANONICAL) == text


def test_program_quotes_become_quotation_marks():
    assert in_quotes("write `psig` or `psia`") == (
        "write \N{LEFT DOUBLE QUOTATION MARK}psig\N{RIGHT DOUBLE QUOTATION MARK} or "
        "\N{LEFT DOUBLE QUOTATION MARK}psia\N{RIGHT DOUBLE QUOTATION MARK}"
    )
    assert in_quotes("one ` alone") == "one ` alone"


def test_an_enumeration():
    assert [in_one_breath(items) for items in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "", "a", "a and b", "a, b and c",
    ]  # fmt: skip
