"""What sensors make of true curves: each error by its own arithmetic."""

from dataclasses import fields

import numpy as np
import pytest

from synthetic.plant.arrays import side_by_side
from synthetic.plant.sensors import (
    CHANNELS,
    FAHRENHEIT_AS_CELSIUS,
    GAUGE_AS_ABSOLUTE,
    Fitting,
    measure,
)

SECONDS = 600
# a logger without any error, to switch errors on one by one
PERFECT = {
    "contact_share": 0.0, "contact_scatter": 0.0, "clamp_lag_s": 1e-3, "air_lag_s": 1e-3,
    "humidity_lag_s": 1e-3, "channel_scatter_k": 0.0, "low_noise_kpa": 0.0, "high_noise_kpa": 0.0,
    "temperature_noise_k": 0.0, "pressure_step_kpa": 0.0, "temperature_step_k": 0.0,
}  # fmt: skip


def curves(tests=1):
    """Plausible curves: constants, one step at half time on the suction line."""
    at = {
        "low_side_kpa": 300.0, "high_side_kpa": 1200.0, "compressor_suction_c": 10.0,
        "compressor_discharge_c": 80.0, "condenser_mid_c": 45.0, "condenser_outlet_c": 38.0,
        "expansion_inlet_c": 30.0, "evaporator_outlet_c": 5.0, "rear_evaporator_outlet_c": 6.0,
        "duct_left_c": 7.0, "duct_right_c": 7.5, "duct_rear_c": 9.0, "intake_air_c": 24.0,
        "ambient_air_c": 25.0, "condenser_inlet_air_c": 28.0, "underhood_air_c": 60.0,
        "cabin_air_c": 24.0, "coolant_c": 85.0, "compressor_on": 1.0, "intake_humidity_pct": 50.0, "engine_rpm": 800.0,
    }  # fmt: skip
    found = {name: np.full((SECONDS, tests), value) for name, value in at.items()}
    found["compressor_suction_c"][SECONDS // 2 :] += 10.0
    return found


def read(*fittings, seed=0):
    true = curves(len(fittings))
    batch = side_by_side([Fitting(**{**PERFECT, **f}) for f in fittings])
    return measure(true, batch, np.random.default_rng(seed)), true


def test_a_perfect_logger_reads_the_truth():
    found, true = read({})
    for name in CHANNELS:
        # the shortest lag of the electric channels settles within seconds
        assert found[name][5:] == pytest.approx(true[name][5:], abs=1e-6), name


def test_clamp_bias_is_the_share_of_the_way_to_the_air_around():
    # by hand: 0.05 of the way from a line at 10 degC to air at 60 degC is 2.5 K
    found, _ = read({"contact_share": 0.05})
    assert found["compressor_suction_c"][100, 0] == pytest.approx(10.0 + 2.5)
    # discharge reads low: 80 + 0.05 (60 - 80) = 79
    assert found["compressor_discharge_c"][100, 0] == pytest.approx(79.0)
    assert found["duct_left_c"][100, 0] == pytest.approx(7.0)


def test_lag_is_first_order():
    found, _ = read({"clamp_lag_s": 30.0})
    # one time constant after the step of 10 K the reading has gone 1 - 1/e of the way
    assert found["compressor_suction_c"][300 + 29, 0] == pytest.approx(
        10.0 + 10.0 * (1.0 - np.exp(-1.0)), abs=0.15
    )


def test_steps_and_clipping():
    found, _ = read(
        {"temperature_step_k": 0.5, "pressure_step_kpa": 7.0, "high_greatest_kpa": 900.0}
    )
    assert found["duct_right_c"][10, 0] == 7.5
    assert found["low_side_kpa"][10, 0] == pytest.approx(301.0)
    assert found["high_side_kpa"].max() == 900.0


def test_noise_and_instrument_offset_have_their_size():
    found, true = read({"low_noise_kpa": 2.0, "low_offset_kpa": 5.0, "temperature_noise_k": 0.3})
    error = found["low_side_kpa"] - true["low_side_kpa"]
    assert error.mean() == pytest.approx(5.0, abs=0.4)
    assert error.std() == pytest.approx(2.0, rel=0.15)
    assert np.std(found["cabin_air_c"]) == pytest.approx(0.3, rel=0.15)


def test_swapped_sides():
    found, _ = read({"swapped_sides": 1.0}, {})
    assert found["low_side_kpa"][50] == pytest.approx([1200.0, 300.0])
    assert found["high_side_kpa"][50] == pytest.approx([300.0, 1200.0])


def test_a_moved_clamp_reads_the_other_line_from_then_on():
    place = {name: float(CHANNELS.index(name)) for name in CHANNELS}
    found, _ = read({"moved_channel": place["condenser_outlet_c"], "moved_from_s": 200.0,
                     "moved_to": place["evaporator_outlet_c"]})  # fmt: skip
    assert found["condenser_outlet_c"][199, 0] == pytest.approx(38.0)
    assert found["condenser_outlet_c"][205, 0] == pytest.approx(5.0)
    assert found["evaporator_outlet_c"][205, 0] == pytest.approx(5.0)


def test_a_fallen_clamp_reads_the_air_under_the_hood():
    found, _ = read({"fallen_channel": float(CHANNELS.index("expansion_inlet_c")),
                     "fallen_from_s": 300.0})  # fmt: skip
    # one time constant (45 s) after the fall it has gone 1 - 1/e of the way to the air
    way = (found["expansion_inlet_c"][[299, 300 + 44], 0] - 30.0) / (60.0 - 30.0)
    assert way == pytest.approx([0.0, 1.0 - np.exp(-1.0)], abs=1e-6)


def test_a_stuck_sensor_keeps_its_value():
    found, _ = read({"stuck_channel": float(CHANNELS.index("compressor_suction_c")),
                     "stuck_from_s": 100.0, "temperature_noise_k": 0.2})  # fmt: skip
    assert np.ptp(found["compressor_suction_c"][100:, 0]) == 0.0
    assert np.ptp(found["compressor_suction_c"][:100, 0]) > 0.0


def test_a_stray_intake_probe_mixes_in_under_hood_air():
    found, _ = read({"intake_stray_share": 0.25})
    assert found["intake_air_c"][50, 0] == pytest.approx(24.0 + 0.25 * (60.0 - 24.0))


def test_a_clock_that_is_off_moves_the_temperatures_against_the_pressures():
    found, _ = read({"clock_skew_s": 20.0}, {"clock_drift_s_per_h": 120.0})
    suction = found["compressor_suction_c"]
    assert np.flatnonzero(suction[:, 0] > 15.0)[0] == pytest.approx(320, abs=1)
    # 120 s per hour is 10 s after 300 s
    assert np.flatnonzero(suction[:, 1] > 15.0)[0] == pytest.approx(310, abs=1)


def test_a_wrong_unit_in_the_header_shows_as_a_reader_finds_it():
    place = {name: float(CHANNELS.index(name)) for name in CHANNELS}
    found, _ = read(
        {"wrong_unit_channel": place["duct_left_c"], "wrong_unit": FAHRENHEIT_AS_CELSIUS},
        {"wrong_unit_channel": place["low_side_kpa"], "wrong_unit": GAUGE_AS_ABSOLUTE},
    )
    # 7 degC is written as 44.6 (degF) and taken for degC
    assert found["duct_left_c"][10] == pytest.approx([44.6, 7.0])
    assert found["low_side_kpa"][10] == pytest.approx([300.0, 300.0 - 101.325])


def test_gaps_come_at_their_rate_and_in_no_other_test():
    found, _ = read({"gaps_per_hour": 60.0, "gap_s": 5.0}, {})
    missing = np.isnan(found["low_side_kpa"]).mean(axis=0)
    # 60 gaps of 5 s an hour: 300 s of 3600 s
    assert missing[0] == pytest.approx(300.0 / 3600.0, rel=0.7)
    assert missing[1] == 0.0


def test_the_same_seed_gives_the_same_bytes():
    one, _ = read({"temperature_noise_k": 0.1, "gaps_per_hour": 5.0}, seed=4)
    two, _ = read({"temperature_noise_k": 0.1, "gaps_per_hour": 5.0}, seed=4)
    other, _ = read({"temperature_noise_k": 0.1, "gaps_per_hour": 5.0}, seed=5)
    assert all(one[name].tobytes() == two[name].tobytes() for name in CHANNELS)
    assert one["duct_left_c"].tobytes() != other["duct_left_c"].tobytes()


def test_every_sensor_error_of_a_fitting_is_off_or_small_by_default():
    default = Fitting()
    severe = [f.name for f in fields(default) if f.name.endswith("_channel")]
    assert all(getattr(default, name) == -1.0 for name in severe)
    assert default.swapped_sides == 0.0
