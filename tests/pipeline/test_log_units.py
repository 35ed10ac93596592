"""Units, gauges and the atmosphere at the door; every expected number shows its arithmetic."""

from __future__ import annotations

import pytest
from log_writing import (
    KPA_PER_PSI,
    SEA_LEVEL_KPA,
    door,
    notice_codes,
    read_one,
    refusal_codes,
    values,
    write,
)

# U.S. Standard Atmosphere 1976 at 1600 m, printed to three digits as 83.5 kPa
STANDARD_1600_M_KPA = 83.5


def test_gauge_pressure_stands_on_the_local_atmosphere(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Low side [psig]\n0,24.0\n1,25.5\n")
    batch = read_one(log, barometric_kpa=98.0)
    assert values(batch, "low_side_kpa") == pytest.approx(
        [24.0 * KPA_PER_PSI + 98.0, 25.5 * KPA_PER_PSI + 98.0], rel=1e-12
    )
    # in psi: (24.0 psig + 14.2137 psi of atmosphere) * 6.894757 kPa/psi
    assert values(batch, "low_side_kpa")[0] == pytest.approx((24.0 + 14.2137) * 6.894757, rel=1e-5)


@pytest.mark.parametrize(
    ("unit", "expected_kpa"),
    [
        ("psia", 24.0 * KPA_PER_PSI),
        ("psig", 24.0 * KPA_PER_PSI + SEA_LEVEL_KPA),
        ("bar(g)", 24.0 * 100.0 + SEA_LEVEL_KPA),
        ("bar abs", 24.0 * 100.0),
        ("kPa gauge", 24.0 + SEA_LEVEL_KPA),
        ("MPa abs", 24.0 * 1000.0),
        # NIST SP 811: conventional inch of mercury 3.386389 kPa
        ("inHg abs", 24.0 * 3.386389),
        ("mmHg abs", 24.0 * 0.1333224),
    ],
)
def test_every_pressure_unit_becomes_absolute_kpa(tmp_path, unit, expected_kpa):
    log = write(tmp_path, "a.csv", f"Time [s];Low side [{unit}]\n0;24,0\n1;24,0\n")
    assert values(read_one(log), "low_side_kpa")[0] == pytest.approx(expected_kpa, rel=1e-6)


def test_sealed_gauge_does_not_follow_the_altitude(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Low side [psi sealed gauge]\n0,10.0\n")
    at_height = read_one(log, altitude_m=1600.0)
    assert values(at_height, "low_side_kpa") == pytest.approx([10.0 * KPA_PER_PSI + 101.325])


def test_altitude_of_the_test_counts_before_that_of_the_site(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Low side [kPa gauge]\n0,200.0\n")
    batch = read_one(log, with_door=door(altitude_m=0.0), altitude_m=1600.0)
    assert values(batch, "low_side_kpa")[0] == pytest.approx(200.0 + STANDARD_1600_M_KPA, abs=0.1)


def test_altitude_of_the_site_counts_when_the_test_states_none(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Low side [kPa gauge]\n0,200.0\n")
    batch = read_one(log, with_door=door(altitude_m=1600.0))
    assert values(batch, "low_side_kpa")[0] == pytest.approx(200.0 + STANDARD_1600_M_KPA, abs=0.1)


def test_barometer_in_the_log_counts_before_everything_stated(tmp_path):
    text = "Time [s],Low side [kPa gauge],Barometer [hPa]\n0,200.0,950\n1,210.0,952\n2,220.0,951\n"
    batch = read_one(write(tmp_path, "a.csv", text), barometric_kpa=101.0)
    # median of 950, 952 and 951 hPa
    assert values(batch, "low_side_kpa") == pytest.approx([200 + 95.1, 210 + 95.1, 220 + 95.1])
    assert values(batch, "barometric_kpa") == pytest.approx([95.0, 95.2, 95.1])


def test_a_barometer_that_cannot_be_right_does_not_count(tmp_path):
    text = "Time [s],Low side [kPa gauge],Barometer [hPa]\n0,200.0,9.5\n1,210.0,9.5\n"
    batch = read_one(write(tmp_path, "a.csv", text), barometric_kpa=97.0)
    assert values(batch, "low_side_kpa") == pytest.approx([297.0, 307.0])


def test_gauge_without_any_place_is_refused_and_the_rest_is_read(tmp_path):
    text = "Time [s],Low side [psig],High side [psia],Ambient [degC]\n0,24.0,200.0,30.0\n"
    batch = read_one(write(tmp_path, "a.csv", text), with_door=door(altitude_m=None))
    assert refusal_codes(batch) == [("Low side [psig]", "no_atmosphere")]
    assert "altitude_m" in batch.refusals["hint"][0]
    assert values(batch, "low_side_kpa") == [None]
    assert values(batch, "high_side_kpa") == pytest.approx([200.0 * KPA_PER_PSI])
    assert batch.readings["channels"].to_list() == ["ambient_air_c high_side_kpa"]


@pytest.mark.parametrize(
    ("header", "channel", "reading", "expected"),
    [
        # (86 degF - 32) * 5/9 = 30 degC
        ("Ambient (°F)", "ambient_air_c", "86.0", (86.0 - 32.0) * 5.0 / 9.0),
        ("duct_left_degF", "duct_left_c", "50.0", 10.0),
        ("Intake / degC", "intake_air_c", "30.0", 30.0),
        ("Liquid line [K]", "condenser_outlet_c", "313.15", 40.0),
        ("evaporator_outlet_c", "evaporator_outlet_c", "4.5", 4.5),
        ("low_side_kpa", "low_side_kpa", "310.0", 310.0),
        ("low_side_kpa_abs", "low_side_kpa", "310.0", 310.0),
        ("Intake humidity [ratio]", "intake_humidity_pct", "0.45", 45.0),
        ("Compressor power [kW]", "compressor_power_w", "2.4", 2400.0),
        # 1 mile = 1.609344 km
        ("Vehicle speed [mph]", "vehicle_speed_kmh", "10.0", 16.09344),
        ("Vehicle speed / km/h", "vehicle_speed_kmh", "50.0", 50.0),
        ("Supply voltage [V]", "supply_v", "13.8", 13.8),
        ("Engine speed [rpm]", "engine_rpm", "1500", 1500.0),
    ],
)
def test_self_describing_headers(tmp_path, header, channel, reading, expected):
    log = write(tmp_path, "a.csv", f"Time [s],{header}\n0,{reading}\n1,{reading}\n")
    assert values(read_one(log), channel) == pytest.approx([expected, expected])


@pytest.mark.parametrize(("on", "off"), [("on", "off"), ("TRUE", "FALSE"), ("1", "0")])
def test_switches_are_read_as_words_or_digits(tmp_path, on, off):
    log = write(tmp_path, "a.csv", f"Time [s],Clutch,Ambient [degC]\n0,{on},20\n1,{off},20\n")
    assert values(read_one(log), "compressor_on") == [1.0, 0.0]


def test_a_switch_cell_that_says_neither_is_reported(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Clutch,Ambient [degC]\n0,on,20\n1,maybe,20\n")
    batch = read_one(log)
    assert values(batch, "compressor_on") == [1.0, None]
    assert notice_codes(batch) == [("Clutch", "few_unreadable_cells")]


def test_psi_without_gauge_or_absolute_is_refused_for_that_column_only(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Low side [psi],Ambient [degC]\n0,24,30\n")
    batch = read_one(log)
    assert refusal_codes(batch) == [("Low side [psi]", "unit_ambiguous")]
    assert "gauge" in batch.refusals["hint"][0]
    assert values(batch, "ambient_air_c") == [30.0]
    assert "low_side_kpa" not in batch.samples.columns


def test_a_column_without_unit_is_refused_never_guessed(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Ambient,Low side [psia]\n0,30,24\n")
    batch = read_one(log)
    assert refusal_codes(batch) == [("Ambient", "unit_unknown")]
    assert "ambient_air_c" not in batch.samples.columns


def test_a_unit_of_the_wrong_quantity_is_refused(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Ambient [rpm],Low side [psia]\n0,30,24\n")
    assert refusal_codes(read_one(log)) == [("Ambient [rpm]", "unit_unknown")]


def test_a_line_of_units_gives_the_units(tmp_path):
    text = "Time,Low side,Ambient\ns,psia,degF\n0,24.0,86.0\n60,24.0,86.0\n"
    batch = read_one(write(tmp_path, "a.csv", text))
    assert values(batch, "ambient_air_c") == pytest.approx([30.0, 30.0])
    assert values(batch, "time_s") == [0.0, 60.0]


def test_header_and_line_of_units_that_disagree_are_refused(tmp_path):
    text = "Time [s],Low side [psia],Ambient [degC]\ns,kPa abs,degC\n0,24.0,30.0\n"
    batch = read_one(write(tmp_path, "a.csv", text))
    assert refusal_codes(batch) == [("Low side [psia]", "unit_contradiction")]
    assert values(batch, "ambient_air_c") == [30.0]


def test_two_columns_for_one_channel_are_both_refused(tmp_path):
    text = "Time [s],Ambient [degC],ambient_air_c,Low side [psia]\n0,30,31,24\n"
    batch = read_one(write(tmp_path, "a.csv", text))
    assert refusal_codes(batch) == [
        ("Ambient [degC]", "two_columns_one_channel"),
        ("ambient_air_c", "two_columns_one_channel"),
    ]
    assert batch.readings["channels"].to_list() == ["low_side_kpa"]


def test_a_column_that_matches_no_channel_is_named_and_not_used(tmp_path):
    log = write(tmp_path, "a.csv", "Time [s],Low sde [psia],Tyre [bar],Ambient [degC]\n0,24,2,30\n")
    batch = read_one(log)
    assert notice_codes(batch) == [
        ("Low sde [psia]", "unused_column"),
        ("Tyre [bar]", "unused_column"),
    ]
    assert "low_side_kpa" in batch.notices["hint"][0]
    assert batch.refusals.is_empty()
