"""The dictionary of channels: consistent with itself and wide enough for real cars."""

from __future__ import annotations

from collections import Counter

import polars as pl
import pytest

from features.channels import (
    CANONICAL_UNITS,
    CHANNEL,
    CHANNELS,
    SAMPLES,
    channels_in,
)
from features.refrigerant import REFRIGERANTS, bubble_pressure_kpa
from features.units import UNITS, parse_unit

SUFFIX_OF_UNIT = {
    "kPa": "_kpa", "degC": "_c", "%": "_pct", "1/min": "_rpm", "W": "_w", "km/h": "_kmh",
    "V": "_v",
}  # fmt: skip


def by_name(channel):
    return channel.name


def test_names_are_unique():
    assert len(CHANNEL) == len(CHANNELS)


@pytest.mark.parametrize("channel", CHANNELS, ids=by_name)
def test_the_name_ends_in_its_unit(channel):
    if channel.quantity == "switch":
        assert channel.stem == channel.name
        return
    suffix = SUFFIX_OF_UNIT[channel.unit]
    assert channel.name == channel.stem + suffix


@pytest.mark.parametrize("channel", CHANNELS, ids=by_name)
def test_spans_and_words(channel):
    assert channel.lowest < channel.highest
    assert channel.meaning
    assert channel.station
    assert all(word == word.casefold().strip() for word in channel.spoken)


def test_no_word_means_two_channels():
    words = Counter(word for channel in CHANNELS for word in {*channel.spoken, channel.stem})
    assert [word for word, count in words.items() if count > 1] == []


def test_every_quantity_has_a_unit_that_can_be_read():
    for quantity, printed in CANONICAL_UNITS.items():
        text = f"{printed} absolute" if quantity == "pressure" else printed
        unit = parse_unit(text, quantity)
        assert (unit.factor, unit.offset) == (1.0, 0.0), quantity
    assert {unit.quantity for unit in UNITS.values()} <= set(CANONICAL_UNITS)


def test_the_pressure_spans_hold_every_state_a_car_can_be_in():
    # common practice, no source: standing at -30 degC winter to 75 degC condensing
    for designation in ("R134a", "R1234yf"):
        cold, hot = bubble_pressure_kpa([-30.0, 75.0], REFRIGERANTS[designation])
        for name in ("low_side_kpa", "high_side_kpa"):
            assert CHANNEL[name].lowest < cold
        assert hot < CHANNEL["high_side_kpa"].highest
        # a low side standing at 60 degC under a hood in the sun
        (soaked,) = bubble_pressure_kpa([60.0], REFRIGERANTS[designation])
        assert soaked < CHANNEL["low_side_kpa"].highest


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # common practice, no source
        ("compressor_discharge_c", -30.0, 140.0),
        ("condenser_outlet_c", -30.0, 75.0),
        ("evaporator_outlet_c", -30.0, 60.0),
        ("ambient_air_c", -35.0, 50.0),
        ("intake_air_c", -35.0, 75.0),
        ("underhood_air_c", -30.0, 120.0),
        ("engine_rpm", 0.0, 7000.0),
        # atmosphere: ASHRAE 2017 ch. 1, 61.64 kPa at 4000 m; record high near 108.4 kPa [memory]
        ("barometric_kpa", 61.64, 108.4),
    ],
)
def test_the_spans_hold_ordinary_readings(name, low, high):
    assert CHANNEL[name].lowest <= low
    assert CHANNEL[name].highest >= high


def test_samples_carry_every_channel_once():
    assert list(SAMPLES.schema) == ["test_id", "time_s", *CHANNEL]
    assert all(column.unit for column in SAMPLES.columns if column.name != "test_id")
    assert SAMPLES.empty().height == 0


@pytest.mark.parametrize("make", [pl.DataFrame, pl.LazyFrame])
def test_channels_in_a_frame_come_in_dictionary_order(make):
    frame = make({"x": [1.0], "high_side_kpa": [1.0], "test_id": ["a"], "low_side_kpa": [1.0]})
    assert channels_in(frame) == ["low_side_kpa", "high_side_kpa"]
