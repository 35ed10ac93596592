"""Under-hood air in the intake reading: the mixing of two airs by hand, and the plant."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import context, log

from features.derive import derive
from features.settings import DerivationSettings
from features.trust.rules import Rule
from synthetic.car_tests import run_tests
from synthetic.fleet import FleetSize, plan_fleet
from synthetic.planned_tests import Habits

PLANT_LOGGED = (
    "low_side_kpa", "high_side_kpa", "duct_left_c", "duct_right_c", "intake_air_c",
    "ambient_air_c", "underhood_air_c", "condenser_outlet_c", "evaporator_outlet_c",
)  # fmt: skip
SETTINGS = DerivationSettings()
TIME_S = np.arange(900.0)
# the engine bay warms from ambient air (30 degC) by 28 K with a time constant of four minutes
HOOD = 30.0 + 28.0 * (1.0 - np.exp(-TIME_S / 240.0))
FRESH = {"underhood_air_c": HOOD, "recirculation_pct": 0.0}
LOST = (
    "duct_drop_k",
    "coil_effectiveness",
    "air_enthalpy_drop_kj_per_kg",
    "duct_drop_at_reference_humidity_k",
    "capacity_index_kj_per_kg",
)
KEPT = ("duct_air_c", "evaporator_approach_k", "evaporating_dew_c", "condensing_over_air_k")


def mixed(share, intake_c, other_c=HOOD):
    """What a probe reads that hangs in a mixture of the true intake and another air."""
    return (1.0 - share) * intake_c + share * other_c


def derived(told=None, **curves):
    samples = log(seconds=900.0, blower_pct=80.0, **curves)
    found = derive(samples, context(altitude_m=0.0) if told is None else told, SETTINGS)
    whole = found.features.filter(regime="whole_test").row(0, named=True)
    late = found.features.filter(pl.col("n_windows") > 0).row(0, named=True)
    codes = found.trust.filter(channel="intake_air_c")["rule_code"].to_list()
    return whole, late, codes


@pytest.mark.parametrize("share", [0.0, 0.08, 0.15])
def test_in_fresh_air_the_share_is_found_and_taken_off(share):
    whole, late, codes = derived(intake_air_c=mixed(share, 30.0), **FRESH)
    off = whole["intake_stray_share"] - share
    assert abs(off) < 2.0 * whole["intake_stray_share_uncertainty"]
    assert codes == []
    # true intake 30 degC, ducts 8 degC
    assert abs(late["duct_drop_k"] - 22.0) < 2.0 * late["duct_drop_uncertainty_k"]


def test_a_share_that_is_told_no_longer_makes_the_drop_large():
    told_off, read = (
        derived(intake_air_c=mixed(0.12, 30.0), **curves)[1]["duct_drop_k"]
        for curves in (FRESH, {})
    )
    # late, the hood stands some 27 K over the air: 0.12 * 27 = 3.2 K too much
    assert read == pytest.approx(22.0 + 3.2, abs=0.5)
    assert told_off == pytest.approx(22.0, abs=1.2)


def test_air_under_the_hood_that_tells_nothing_leaves_the_drop_known():
    # the flap is shut and nothing says what the cabin did: the share cannot be told
    told = context(altitude_m=0.0, recirculation="recirculated")
    whole, late, _ = derived(told, intake_air_c=mixed(0.02, 30.0), underhood_air_c=HOOD)
    assert whole["intake_stray_share_uncertainty"] > 0.05
    _, without, _ = derived(told, intake_air_c=mixed(0.02, 30.0))
    # a probe in its place reads some 3 % of air 27 K over its own (common practice, no source)
    least, most = (
        without["duct_drop_uncertainty_k"],
        np.hypot(without["duct_drop_uncertainty_k"], 1),
    )
    assert least < late["duct_drop_uncertainty_k"] < most
    assert abs(late["duct_drop_k"] - 22.0) < 2.0 * late["duct_drop_uncertainty_k"]


def test_a_large_share_withholds_what_counts_from_the_intake_and_nothing_else():
    whole, late, codes = derived(intake_air_c=mixed(0.5, 30.0), **FRESH)
    assert whole["intake_stray_share"] is None or whole["intake_stray_share"] > 0.2
    assert codes == [Rule.INTAKE_NOT_REPRESENTATIVE.code]
    assert all(late[name] is None for name in LOST)
    assert all(late[name] is not None for name in KEPT)


def test_a_toggled_flap_tells_the_share_with_the_cabin_logged():
    # two minutes of fresh air in between; the cabin is cooled from 38 to 24 degC
    flap = np.where((TIME_S > 400.0) & (TIME_S < 520.0), 0.0, 90.0)
    cabin = 24.0 + 14.0 * np.exp(-TIME_S / 150.0)
    true = flap / 100.0 * cabin + (1.0 - flap / 100.0) * 30.0
    whole, _, codes = derived(
        intake_air_c=mixed(0.12, true),
        underhood_air_c=HOOD,
        recirculation_pct=flap,
        cabin_air_c=cabin,
    )
    off = whole["intake_stray_share"] - 0.12
    assert abs(off) < 2.0 * whole["intake_stray_share_uncertainty"] < 0.12
    assert codes == []


def test_a_reading_that_rises_with_the_coolant_is_withheld():
    coolant = 30.0 + 60.0 * (1.0 - np.exp(-TIME_S / 260.0))
    # 6.5 % of the way to it: below what ambient air alone gives away
    _, late, codes = derived(
        intake_air_c=mixed(0.065, 30.0, coolant), coolant_c=coolant, recirculation_pct=0.0
    )
    assert codes == [Rule.INTAKE_NOT_REPRESENTATIVE.code]
    assert late["duct_drop_k"] is None
    assert late["evaporator_approach_k"] is not None


def test_a_cabin_that_is_cooled_while_the_engine_warms_is_as_it_should_be():
    cabin = 24.0 + 16.0 * np.exp(-TIME_S / 150.0)
    told = context(altitude_m=0.0, recirculation="recirculated")
    _, late, codes = derived(told, intake_air_c=cabin, underhood_air_c=HOOD)
    assert np.corrcoef(cabin, HOOD)[0, 1] < -0.8
    assert codes == []
    assert late["duct_drop_k"] is not None


def test_on_the_simulated_plant_the_share_lies_within_its_uncertainty():
    # 60 cars without a mishap of the probe, a third of them in fresh air; the plant mixes 0 to
    # 4 % of under-hood air into the reading and shares no formula with the estimate
    rng = np.random.default_rng(4040)
    size = FleetSize(30, 60, 0.3, habits=Habits(mishap_share=0.0, seconds=900))
    tests = plan_fleet(rng, size).tests
    read = run_tests(tests, seconds=900, rng=rng).read
    names = [f"t{k:02d}" for k in range(tests.height)]
    samples = pl.concat(
        pl.DataFrame(
            {
                "test_id": [name] * 900,
                "time_s": np.arange(900.0),
                **{channel: read[channel][:, k] for channel in PLANT_LOGGED},
            }
        )
        for k, name in enumerate(names)
    )
    told = tests.select("recirculation", "ambient_c").with_columns(test_id=pl.Series(names))
    found = derive(samples, told, SETTINGS)
    whole = found.features.filter(regime="whole_test")
    share = whole["intake_stray_share"].to_numpy()
    off = np.abs(share - tests["fit_intake_stray_share"].to_numpy())
    known = np.isfinite(share)
    assert known.sum() >= 30
    uncertainty = whole["intake_stray_share_uncertainty"].to_numpy()
    assert np.mean(off[known] < 2.0 * uncertainty[known]) >= 0.9
    # nothing is withheld of a probe in its place
    codes = found.trust.filter(channel="intake_air_c")["rule_code"]
    assert (codes == Rule.INTAKE_NOT_REPRESENTATIVE.code).sum() <= 1


def test_without_air_under_the_hood_nothing_is_said():
    whole, late, _ = derived(intake_air_c=mixed(0.1, 30.0), recirculation_pct=0.0)
    assert whole["intake_stray_share"] is None
    assert late["duct_drop_k"] is not None
