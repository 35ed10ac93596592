"""What must not move any feature: units, sampling rate, row order, company, channels of noise."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, lagged, log

from features.catalogue import FEATURE_RECORDS
from features.channels import CHANNEL
from features.derive import derive
from features.settings import DerivationSettings
from features.units import from_canonical, parse_unit, to_canonical

SETTINGS = DerivationSettings()
START_S = 90.0
FAN_S = 200.0
ATMOSPHERE_KPA = 101.325
# a car that stands at R-134a saturation of 30 degC (printed table: 770.6 kPa), starts, and
# settles at the rows of 0 and 60 degC; then the fan steps up
STANDING_KPA = 770.6
SETTLED = {
    "compressor_suction_c": 22.0,
    "compressor_discharge_c": 92.0,
    "condenser_outlet_c": 52.0,
    "expansion_inlet_c": 44.0,
    "evaporator_outlet_c": 6.0,
    "rear_evaporator_outlet_c": 7.0,
    "duct_air_c": 8.0,
}
TOLD = context(
    altitude_m=1600.0, clamps_insulated=True, recirculation="fresh", high_port_station="?"
)


def car(interval_s=1.0, seed=1):
    time_s = clock(900.0, interval_s)

    def from_to(before, after, tau_s):
        return before + lagged(time_s, START_S, after - before, tau_s=tau_s)

    fan = lagged(time_s, FAN_S, 1.0, tau_s=12.0)
    curves = {name: from_to(30.0, level, 40.0) for name, level in SETTLED.items()}
    return log(
        interval_s=interval_s,
        seed=seed,
        low_side_kpa=from_to(STANDING_KPA, 292.8, 15.0),
        high_side_kpa=from_to(STANDING_KPA, 1681.8, 20.0) - 200.0 * fan,
        intake_air_c=30.0 + 0.05 * from_to(0.0, 28.0, 240.0),
        underhood_air_c=from_to(30.0, 58.0, 240.0),
        blower_pct=80.0,
        compressor_command_pct=np.where(time_s < START_S, 0.0, 100.0),
        condenser_fan_pct=np.where(time_s < FAN_S, 50.0, 100.0),
        **{name: curve - (3.0 * fan if name in PULLED else 0.0) for name, curve in curves.items()},
    )


PULLED = ("condenser_outlet_c", "expansion_inlet_c")


def features_of(samples):
    return derive(samples, TOLD, SETTINGS).features


def values(features):
    """Feature name to value and uncertainty, of every row of a test."""
    return {
        (row["regime"], record.name): (row[record.name], row[record.uncertainty_name])
        for row in features.iter_rows(named=True)
        for record in FEATURE_RECORDS
        if row[record.name] is not None
    }


@pytest.fixture(scope="module")
def usual():
    return values(features_of(car()))


def test_the_car_has_nearly_every_feature(usual):
    had = {name for _, name in usual}
    lacking = {record.name for record in FEATURE_RECORDS if record.scope != "whole_test"} - had
    assert not lacking
    assert {"static_over_saturation_kpa", "intake_stray_share"} <= had


@pytest.mark.parametrize("interval_s", [0.1, 0.2, 0.5, 2.0])
def test_the_sampling_rate_moves_no_feature_by_as_much_as_its_uncertainty(usual, interval_s):
    found = values(features_of(car(interval_s, seed=7)))
    assert found.keys() == usual.keys()
    moved = {
        key: abs(found[key][0] - value) / uncertainty for key, (value, uncertainty) in usual.items()
    }
    assert {key: share for key, share in moved.items() if share >= 1.0} == {}


def test_another_unit_at_the_door_moves_nothing(usual):
    samples, air = car(), pl.lit(ATMOSPHERE_KPA)
    units = {"pressure": "psig", "temperature": "degF"}

    def there_and_back(name):
        quantity = CHANNEL[name].quantity
        unit = parse_unit(units[quantity], quantity)
        return to_canonical(from_canonical(pl.col(name), unit, air), unit, air).alias(name)

    named = [n for n in samples.columns if n in CHANNEL and CHANNEL[n].quantity in units]
    converted = samples.with_columns(there_and_back(name) for name in named)
    assert not converted.equals(samples)
    found = values(features_of(converted))
    assert found.keys() == usual.keys()
    for key, (value, _) in usual.items():
        assert found[key][0] == pytest.approx(value, rel=1e-6, abs=2e-5), key


def test_the_order_of_rows_and_the_company_of_another_car_move_nothing():
    samples, other = car(), log("b", seed=3)
    expected = derive(samples, TOLD, SETTINGS)
    told = pl.concat([TOLD, TOLD.with_columns(test_id=pl.lit("b"))])
    shuffled = pl.concat([samples, other], how="diagonal").sample(
        fraction=1.0, shuffle=True, seed=5
    )
    found = derive(shuffled, told, SETTINGS)
    assert found.features.filter(test_id="a").equals(expected.features)
    assert found.cycle_points.filter(test_id="a").equals(expected.cycle_points)


def test_channels_of_pure_noise_move_nothing(usual):
    samples, rng = car(), np.random.default_rng(3)
    noisy = samples.with_columns(
        pl.Series(name, rng.normal(level, size, samples.height))
        for name, level, size in (
            ("coolant_c", 90.0, 2.0),
            ("supply_v", 13.8, 0.1),
            ("evaporator_fin_c", 5.0, 1.0),
            ("duct_rear_c", 9.0, 1.0),
        )
    )
    assert values(features_of(noisy)) == usual
