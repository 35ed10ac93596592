"""Headers: which channel and which unit text they name, and which they do not."""

from __future__ import annotations

import pytest

from pipeline.headers import HeaderMatch, match_header, match_time, nearest_name


@pytest.mark.parametrize(
    ("header", "channel", "unit_text"),
    [
        ("Low side [psig]", "low_side_kpa", "psig"),
        ("LOW SIDE PRESSURE (bar(g))", "low_side_kpa", "bar(g)"),
        ("Low side / kPa abs", "low_side_kpa", "kPa abs"),
        ("Low side, psig", "low_side_kpa", "psig"),
        ("low_side_psig", "low_side_kpa", "psig"),
        ("low-side [psig]", "low_side_kpa", "psig"),
        ("Ambient °F", "ambient_air_c", "°F"),
        ("duct_left_degF", "duct_left_c", "degF"),
        ("Duct (left) [degC]", "duct_left_c", "degC"),
        ("Evaporator outlet temperature [degC]", "evaporator_outlet_c", "degC"),
        ("Vehicle speed / km/h", "vehicle_speed_kmh", "km/h"),
        ("Engine rpm", "engine_rpm", "rpm"),
        ('"Ambient [degC]"', "ambient_air_c", "degC"),
        ("Liquid line", "condenser_outlet_c", None),
        ("Clutch", "compressor_on", None),
    ],
)
def test_headers_that_name_a_channel(header, channel, unit_text):
    assert match_header(header) == HeaderMatch(channel, unit_text)


@pytest.mark.parametrize("header", ["low_side_kpa", "Low_Side_kPa", "duct_air_c", "compressor_on"])
def test_canonical_names_fix_their_unit(header):
    match = match_header(header)
    assert match is not None
    assert match.is_canonical


@pytest.mark.parametrize(
    "header",
    [
        "",
        "[psig]",
        "Battery [V]",
        # station not stated: compressor suction or evaporator outlet
        "Suction line [degC]",
        # a second low side is not the low side
        "low side 2 [psig]",
        # a pressure is not the temperature of that line
        "Compressor suction pressure [psig]",
        "Compressor temperature [degC]",
    ],
)
def test_headers_that_name_none(header):
    assert match_header(header) is None


@pytest.mark.parametrize(
    ("header", "expected"),
    [("Low sied [psig]", "low_side_kpa"), ("Ambeint", "ambient_air_c"), ("Battery", None)],
)
def test_the_nearest_channel_is_a_hint(header, expected):
    assert nearest_name(header) == expected


@pytest.mark.parametrize(
    ("header", "unit"),
    [("Time [s]", "s"), ("time_s", "s"), ("Elapsed", ""), ("Elapsed time (min)", "min"),
     ("Timestamp", ""), ("Date/Time", ""), ("Date and time", ""),
     ("Downtime", None), ("Time to target", None)],
)  # fmt: skip
def test_headers_that_name_the_time(header, unit):
    assert match_time(header) == unit
