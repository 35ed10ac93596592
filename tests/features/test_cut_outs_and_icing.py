"""Stops at a pressure limit, recoveries of an iced evaporator, clamps that move."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from built_logs import clock, context, lagged, log

from features.derive import derive
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
TIME_S = clock()


def events(samples, told=None):
    told = context(*samples["test_id"].unique()) if told is None else told
    return derive(samples, told, SETTINGS).events


def stopped(*, high_kpa=1681.8, low_kpa=292.8, rest_s=60.0):
    """A compressor that stops at 500 s and starts again after a rest."""
    is_on = (TIME_S < 500) | (TIME_S - rest_s >= 500)
    ramp = np.clip((TIME_S - 200.0) / 280.0, 0.0, 1.0)
    high = 1681.8 + (high_kpa - 1681.8) * ramp - lagged(TIME_S, 500.0, 800.0, tau_s=20.0) * ~is_on
    low = 292.8 + (low_kpa - 292.8) * ramp + lagged(TIME_S, 500.0, 300.0, tau_s=20.0) * ~is_on
    return log(
        compressor_on=is_on.astype(float), compressor_command_pct=None,
        low_side_kpa=low, high_side_kpa=high,
    )  # fmt: skip


def kinds(samples):
    return events(samples)["kind_code"].to_list()


def test_a_stop_at_the_high_limit_with_a_long_rest_is_a_cut_out():
    # protections act at 27 to 31 bar gauge (common practice, no source)
    for bar_gauge in (27.0, 29.0, 31.0):
        high_kpa = 100.0 * bar_gauge + 101.3
        assert "high_pressure_cut_out" in kinds(stopped(high_kpa=high_kpa))
    assert kinds(stopped(high_kpa=2100.0)) == ["compressor_off", "compressor_on"]
    # a clutch that is back at once was switched by its control
    assert "compressor_off" in kinds(stopped(high_kpa=2900.0, rest_s=10.0))


def test_a_stop_at_an_empty_low_side_is_a_cut_out():
    assert "low_pressure_cut_out" in kinds(stopped(low_kpa=100.0))
    # the pressure at which a cycling switch of an orifice-tube car acts: some 1.5 bar gauge
    # (common practice, no source); an ordinary stop
    assert "compressor_off" in kinds(stopped(low_kpa=250.0))


def test_a_low_side_that_is_not_logged_makes_no_cut_out():
    assert kinds(stopped(low_kpa=100.0).drop("low_side_kpa", "high_side_kpa")) == [
        "compressor_off",
        "compressor_on",
    ]


# ---- icing: R-134a evaporates at -1 degC at 282 kPa absolute (printed tables: 292.8 at 0 degC)


def iced(*, low_kpa, warming_k, recovery_k, refrigerant="R134a"):
    """Low side drifts down and duct air warms until a stop at 500 s; free again from 560 s on."""
    is_on = (TIME_S < 500) | (TIME_S >= 560)
    drift = np.clip((TIME_S - 200.0) / 280.0, 0.0, 1.0)
    low = np.where(TIME_S < 500, 310.0 + (low_kpa - 310.0) * drift, 310.0)
    duct = np.where(TIME_S < 560, 8.0 + warming_k * drift, 8.0 + warming_k - recovery_k)
    samples = log(
        compressor_on=is_on.astype(float), compressor_command_pct=None,
        low_side_kpa=low, duct_air_c=duct,
    )  # fmt: skip
    return events(samples, context(refrigerant=refrigerant))


def test_an_iced_evaporator_that_is_free_after_a_stop_is_told():
    found = iced(low_kpa=255.0, warming_k=4.0, recovery_k=4.0).filter(kind_code="icing_recovery")
    assert found["time_s"].to_list() == [pytest.approx(560.0, abs=2.0)]
    assert found["source_code"].item() == "air"


@pytest.mark.parametrize(
    "told",
    [
        {"low_kpa": 290.0, "warming_k": 4.0, "recovery_k": 4.0},  # above freezing
        {"low_kpa": 255.0, "warming_k": 0.0, "recovery_k": 4.0},  # the air did not suffer
        {"low_kpa": 255.0, "warming_k": 4.0, "recovery_k": 0.0},  # and did not get better
        {"low_kpa": 255.0, "warming_k": 4.0, "recovery_k": 4.0, "refrigerant": None},
    ],
)
def test_any_part_of_it_alone_is_no_icing(told):
    assert "icing_recovery" not in iced(**told)["kind_code"].to_list()


def test_the_refrigerant_decides_where_it_freezes():
    # 293.5 kPa: R-1234yf (315.9 kPa at 0 degC) freezes, R-134a (292.8 kPa at 0 degC) does not
    at = {"low_kpa": 293.5, "warming_k": 4.0, "recovery_k": 4.0}
    yf = iced(**at, refrigerant="R1234yf")["kind_code"].to_list()
    assert ("icing_recovery" in yf) != ("icing_recovery" in iced(**at)["kind_code"].to_list())


# ---- a clamp that moves: the trust rule finds it, the event tells its moment


def test_a_clamp_put_on_another_line_is_an_event_at_its_moment():
    # the suction clamp goes to the liquid line at 450 s: a pipe's pace, another clamp's value
    moved = 15.0 + lagged(TIME_S, 450.0, 37.0, tau_s=8.0)
    samples = log(compressor_suction_c=moved, compressor_on=(TIME_S >= 60).astype(float))
    derived = derive(samples, context(), SETTINGS)
    rules = derived.trust.filter(rule_code="clamp_moved")
    assert rules["channel"].to_list() == ["compressor_suction_c"]
    found = derived.events.filter(kind_code="clamp_move")
    assert found["time_s"].to_list() == [pytest.approx(450.0, abs=10.0)]
    assert found["source_code"].item() == "trust"


def test_a_clean_log_has_no_clamp_move():
    samples = pl.concat([log(f"{k}", seed=k) for k in range(5)])
    assert events(samples).filter(kind_code="clamp_move").is_empty()
