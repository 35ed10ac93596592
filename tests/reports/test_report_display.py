"""Numbers, dates and file names as the pages print them."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pint
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from features.channels import CHANNELS
from reports.display import (
    clock_text,
    date_text,
    display_unit,
    file_stem,
    number_text,
    share_text,
)
from reports.settings import ReportSettings

METRIC = ReportSettings()
US = ReportSettings(pressure_unit="psi", temperature_unit="degF")


@pytest.mark.parametrize(
    ("name", "settings", "value", "canonical", "shown"),
    [
        ("low_side_kpa", METRIC, 292.8, "kPa", "bar"),
        ("low_side_kpa", US, 292.8, "kPa", "psi"),
        ("duct_air_c", US, 8.25, "degC", "degF"),
        ("condenser_outlet_subcooling_k", US, 4.9, "delta_degC", "delta_degF"),
    ],
)
def test_display_units_agree_with_pint(name, settings, value, canonical, shown):
    # reference: the pint library's own factors
    units = pint.UnitRegistry()
    unit = display_unit(name, settings)
    reference = units.Quantity(value, canonical).to(shown).magnitude
    assert value * unit.scale + unit.offset == pytest.approx(reference, rel=1e-12)


def test_a_difference_of_temperatures_takes_no_offset():
    # 10 K warmer is 18 degrees Fahrenheit warmer, not 50
    assert display_unit("duct_air_c", US).difference_text(10.0) == "+18.0\N{NO-BREAK SPACE}°F"
    assert display_unit("duct_air_c", US).text(10.0) == "50.0\N{NO-BREAK SPACE}°F"


def test_every_channel_prints_with_its_unit():
    unitless = [c.name for c in CHANNELS if display_unit(c.name, METRIC).label == ""]
    assert unitless == []


def test_whole_columns_print_like_single_values():
    unit = display_unit("high_side_kpa", METRIC)
    column = pl.DataFrame({"x": [1421.0, 1000.4, None]}).select(unit.expression(pl.col("x")))
    assert column["x"].to_list() == [unit.convert(1421.0), unit.convert(1000.4), None]


@pytest.mark.parametrize(
    ("value", "decimals", "sign", "text"),
    [
        (-4.94, 1, True, "\N{MINUS SIGN}4.9"),
        (4.96, 1, True, "+5.0"),
        (-0.04, 1, True, "0.0"),
        (0.0, 1, True, "0.0"),
        (1421.0, 0, False, "1421"),
    ],
)
def test_numbers_have_fixed_decimals_and_no_negative_zero(value, decimals, sign, text):
    assert number_text(value, decimals, sign=sign) == text


def test_small_shares_are_not_printed_as_zero():
    told = [share_text(share) for share in (None, 0.0, 0.00049, 0.0005, 0.0123, 1.0)]
    assert [text.replace("\N{NO-BREAK SPACE}", " ") for text in told] == [
        "not known", "<0.1 %", "<0.1 %", "0.1 %", "1.2 %", "100.0 %",
    ]  # fmt: skip


def test_dates_follow_the_zone_of_the_settings():
    # 23:30 in London on 31 March is 1 April in Athens, two hours ahead then
    moment = datetime(2026, 3, 31, 22, 30, tzinfo=UTC)
    assert date_text(moment, METRIC) == "2026-03-31"
    assert date_text(moment, ReportSettings(time_zone="Europe/Athens")) == "2026-04-01"
    assert date_text(None, METRIC) == "never"


def test_an_unknown_zone_is_refused_with_a_hint():
    with pytest.raises(ValidationError, match="IANA name such as 'Europe/Athens'"):
        ReportSettings(time_zone="Atlantis/Capital")


def test_time_within_a_test():
    assert [clock_text(second) for second in (0, 59.6, 125, 3600)] == [
        "0:00", "1:00", "2:05", "60:00",
    ]  # fmt: skip


SAFE = re.compile(r"[a-z0-9_-]{1,60}")


@given(st.lists(st.text(min_size=1, max_size=80), min_size=2, max_size=20, unique=True))
def test_two_vehicles_never_share_a_file_name(identifiers):
    stems = [file_stem(identifier) for identifier in identifiers]
    assert len(set(stems)) == len(stems)
    assert all(SAFE.fullmatch(stem) for stem in stems)


@pytest.mark.parametrize(
    "identifier",
    ["../../etc/passwd", "con", "NUL", "a/b", "a\\b", ".", "", "Ünïcode", "\ud800", "x" * 300],
)
def test_hostile_identifiers_give_plain_file_names(identifier):
    stem = file_stem(identifier)
    assert SAFE.fullmatch(stem)
    assert stem not in ("con", "nul")


def test_names_that_differ_in_case_only_differ_on_a_disk_that_ignores_case():
    assert len({file_stem(name).lower() for name in ("Car-1", "car-1", "CAR-1")}) == 3


def test_a_plain_name_stands_for_itself_and_cannot_be_forged():
    assert file_stem("van-17") == "van-17"
    assert file_stem(file_stem("Van-17")) != file_stem("Van-17")
