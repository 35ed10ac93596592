"""What sensors make of true curves: each error by its own arithmetic."""

from dataclasses import fields

import numpy as np
import pytest

from synthetic.plant.arrays import side_by_side
from synthetic.plant.placement import ALL_TEMPERATURES, BOTH_PRESSURES, CHANNELS
from synthetic.plant.sensors import (
    FAHRENHEIT_AS_CELSIUS,
    GAUGE_AS_ABSOLUTE,
    OTHER_PRESSURE_UNIT,
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
        "cabin_air_c": 24.0, "coolant_c": 85.0, "compressor_on": 1.0, "intake_humidity_pct": 50.0,
        "engine_rpm": 800.0,
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
    found, _ = read({"moved_channel": place("condenser_outlet_c"), "moved_from_s": 200.0,
                     "moved_to": place("evaporator_outlet_c")})  # fmt: skip
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
    found, _ = read(
        {"wrong_unit_channel": place("duct_left_c"), "wrong_unit": FAHRENHEIT_AS_CELSIUS},
        {"wrong_unit_channel": place("low_side_kpa"), "wrong_unit": GAUGE_AS_ABSOLUTE},
    )
    # 7 degC is written as 44.6 (degF) and taken for degC
    assert found["duct_left_c"][10] == pytest.approx([44.6, 7.0])
    assert found["low_side_kpa"][10] == pytest.approx([300.0, 300.0 - 101.325])


def place(name):
    return float(CHANNELS.index(name))


def test_another_unit_of_pressure_scales_what_stands_above_the_air():
    # 300 kPa absolute at 100 kPa of air: 200 kPa gauge, written in psi (29.0), read as bar
    found, _ = read({"wrong_unit_channel": BOTH_PRESSURES, "wrong_unit": OTHER_PRESSURE_UNIT,
                     "unit_factor": 100.0 / 6.894757, "site_kpa": 100.0})  # fmt: skip
    assert found["low_side_kpa"][10, 0] == pytest.approx(100.0 + 200.0 / 6.894757 * 100.0)
    assert found["high_side_kpa"][10, 0] == pytest.approx(100.0 + 1100.0 / 6.894757 * 100.0)


def test_a_group_means_all_its_channels_and_no_other():
    found, true = read({"wrong_unit_channel": ALL_TEMPERATURES,
                        "wrong_unit": FAHRENHEIT_AS_CELSIUS})  # fmt: skip
    assert found["evaporator_outlet_c"][10, 0] == pytest.approx(41.0)  # 5 degC is 41 degF
    assert found["ambient_air_c"][10, 0] == pytest.approx(77.0)  # 25 degC is 77 degF
    assert found["high_side_kpa"][10, 0] == pytest.approx(true["high_side_kpa"][10, 0])


def test_exchanged_clamps_read_each_others_lines():
    found, _ = read({"exchanged_channel": place("condenser_outlet_c"),
                     "exchanged_with": place("compressor_discharge_c")})  # fmt: skip
    assert found["condenser_outlet_c"][50, 0] == pytest.approx(80.0)
    assert found["compressor_discharge_c"][50, 0] == pytest.approx(38.0)


def test_a_loose_clamp_reads_on_the_way_to_the_air_around_it():
    found, _ = read({"loose_channel": place("compressor_suction_c"), "loose_share": 0.4})
    # by hand: 10 + 0.4 (60 - 10) = 30
    assert found["compressor_suction_c"][100, 0] == pytest.approx(30.0)
    assert found["compressor_discharge_c"][100, 0] == pytest.approx(80.0)


def test_a_slow_clamp_has_its_own_lag():
    found, _ = read({"slow_channel": place("compressor_suction_c"), "slow_lag_s": 100.0})
    # 100 s after the step of 10 K: 1 - 1/e of the way
    assert found["compressor_suction_c"][399, 0] == pytest.approx(
        10.0 + 10.0 * (1.0 - np.exp(-1.0)), abs=0.1
    )


def test_a_biased_clamp_and_one_that_touches_another_line():
    found, _ = read(
        {"biased_channel": place("evaporator_outlet_c"), "bias_k": -6.0},
        {"touching_channel": place("condenser_outlet_c"),
         "touched": place("compressor_discharge_c"), "touching_share": 0.5},
    )  # fmt: skip
    assert found["evaporator_outlet_c"][10] == pytest.approx([-1.0, 5.0])
    # half way between 38 and 80 degC
    assert found["condenser_outlet_c"][10] == pytest.approx([38.0, 59.0])


def test_an_intake_probe_at_the_wrong_place():
    found, _ = read(
        {"intake_coolant_share": 0.5}, {"intake_duct_share": 1.0, "intake_warm_k": -1.0}
    )
    # half way from 24 to 85 degC; the ducts' mean of 7.25 less 1 K
    assert found["intake_air_c"][50] == pytest.approx([54.5, 6.25])


def test_a_gauge_that_drifts_and_a_sensor_that_breaks():
    found, _ = read(
        {"high_drift_kpa_per_h": 360.0},
        {"broken_channel": place("duct_left_c"), "broken_from_s": 100.0, "broken_reads": 850.0},
    )
    # 360 kPa an hour is 0.1 kPa a second
    assert found["high_side_kpa"][500, 0] == pytest.approx(1200.0 + 50.0)
    assert found["duct_left_c"][[99, 100], 1] == pytest.approx([7.0, 850.0])


def test_spikes_come_at_their_rate_and_are_single_readings():
    found, true = read(
        {"spiked_channel": place("low_side_kpa"), "spikes_per_hour": 120.0, "spike_size": 700.0}
    )
    off = np.abs(found["low_side_kpa"] - true["low_side_kpa"])[:, 0]
    struck = off > 1.0
    assert off[struck] == pytest.approx(700.0)
    # 120 an hour are 20 in 600 s, give or take three standard deviations
    assert struck.sum() == pytest.approx(20, abs=14)


def test_a_coarse_channel_shows_only_its_steps():
    found, _ = read({"coarse_channel": place("expansion_inlet_c"), "coarse_step": 4.0})
    # 30 degC is 7.5 steps: the even one
    assert found["expansion_inlet_c"][10, 0] == pytest.approx(32.0)
    assert found["condenser_outlet_c"][10, 0] == pytest.approx(38.0)


def test_lines_of_a_standing_car_differ_until_refrigerant_flows():
    true = curves()
    on = np.zeros((SECONDS, 1))
    on[300:] = 1.0
    true["compressor_on"] = on
    batch = side_by_side([Fitting(**{**PERFECT, "standing_hot_k": 30.0})])
    found = measure(true, batch, np.random.default_rng(0))
    warmer = found["compressor_discharge_c"][:, 0] - true["compressor_discharge_c"][:, 0]
    assert warmer[299] == pytest.approx(30.0)
    # three time constants of 20 s leave 5 %
    assert warmer[360] == pytest.approx(30.0 * np.exp(-3.0), rel=0.1)
    assert found["evaporator_outlet_c"][299, 0] < found["compressor_discharge_c"][299, 0]


def test_a_mishap_leaves_the_noise_of_all_other_readings_alone():
    noisy = {"temperature_noise_k": 0.2, "low_noise_kpa": 2.0}
    hit = {"spiked_channel": place("low_side_kpa"), "spikes_per_hour": 60.0, "spike_size": 500.0}
    plain, _ = read(noisy)
    spiked, _ = read({**noisy, **hit})
    for name in set(CHANNELS) - {"low_side_kpa"}:
        assert plain[name].tobytes() == spiked[name].tobytes(), name


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
