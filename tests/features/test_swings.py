"""A hunting valve: swings of the suction line are read over whole swings, noise never is."""

from __future__ import annotations

import numpy as np
import pytest
from built_logs import LEVELS, clock, context, log

from features.derive import derive
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
TIME_S = clock()


def hunting(period_s, amplitude_k, **curves):
    """The suction line and, in step with it, the low side swing about their levels."""
    swing = np.sin(2 * np.pi * TIME_S / period_s)
    return log(
        evaporator_outlet_c=LEVELS["evaporator_outlet_c"] + amplitude_k * swing,
        low_side_kpa=LEVELS["low_side_kpa"] - 4.0 * amplitude_k * swing,
        **curves,
    )


@pytest.mark.parametrize("period_s", [25.0, 40.0, 60.0, 120.0])
@pytest.mark.parametrize("amplitude_k", [3.0, 6.0])
def test_a_hunting_valve_is_read_over_whole_swings(period_s, amplitude_k):
    # periods of 20 to 120 s, amplitude above 3 K: common practice, no source. The mean
    # superheat is that of the level: 6 K over 0 degC (R-134a, 292.8 kPa, printed table)
    found = derive(hunting(period_s, amplitude_k), context(), SETTINGS)
    assert set(found.windows["kind_code"]) == {"periodic"}
    assert set(found.windows["cycle_code"]) == {"swing"}
    values = found.features.filter(regime="saturated").row(0, named=True)
    # the dew point is slightly curved over the swing of the pressure: below 0.1 K
    assert values["evaporator_outlet_superheat_k"] == pytest.approx(6.0, abs=0.25)
    assert found.unread.is_empty()


def test_swings_are_timed_by_their_rises():
    found = derive(hunting(60.0, 4.0), context(), SETTINGS).windows
    lengths_s = (found["end_s"] - found["start_s"]).to_list()
    # five whole swings of 60 s to a window, found on blocks of 5 s
    assert lengths_s[0] == pytest.approx(5 * 60.0, abs=5.0)


@pytest.mark.parametrize("seed", range(20))
def test_noise_does_not_swing(seed):
    # a suction line noisier than any steady window allows (0.8 K over blocks of 5 s), 20 logs
    rng = np.random.default_rng(seed)
    noisy = log(evaporator_outlet_c=6.0 + rng.normal(0.0, 2.5, TIME_S.size), seed=seed)
    assert derive(noisy, context(), SETTINGS).windows.filter(kind_code="periodic").is_empty()


def test_swings_too_small_leave_the_car_steady():
    found = derive(hunting(60.0, 0.3), context(), SETTINGS).windows
    assert set(found["kind_code"]) == {"steady"}
    assert found["cycle_code"].null_count() == found.height


def test_an_uneven_swing_is_not_read_but_named():
    # 45 to 210 s from one rise to the next, in no order: no swing is a likeness of another
    starts_s = np.cumsum([300, 25, 20, 90, 110, 30, 25, 100, 110, 20, 30])
    is_high = np.searchsorted(starts_s, TIME_S, side="right") % 2
    found = derive(log(evaporator_outlet_c=6.0 + 5.0 * is_high), context(), SETTINGS)
    assert found.windows.filter(kind_code="periodic").is_empty()


def test_a_swing_that_drifts_is_not_read_but_named():
    # hunting about a level that rises by 2 K a minute: neither steady nor whole swings alike
    rising = 2.0 * TIME_S / 60.0
    found = derive(
        hunting(40.0, 5.0, duct_air_c=8.0 + rising, high_side_kpa=1681.8 + 60.0 * rising),
        context(),
        SETTINGS,
    )
    assert found.windows.is_empty()
    assert found.unread["reason_code"].item() == "never_settled"
    assert "suction line swings by" in found.unread["sentence"].item()
    assert "duct air drifts by" in found.unread["sentence"].item()


def test_a_fan_that_makes_the_swing_goes_first():
    fan = np.where((TIME_S % 100.0) < 50.0, 100.0, 50.0)
    swing = np.where((TIME_S % 100.0) < 50.0, -3.0, 3.0)
    found = derive(
        log(condenser_fan_pct=fan, evaporator_outlet_c=6.0 + swing, condenser_outlet_c=52.0),
        context(),
        SETTINGS,
    )
    assert set(found.windows["cycle_code"]) == {"fan"}
    # windows begin with a fan stage, every 100 s
    assert (found.windows["start_s"] % 100.0).is_in([0.0, 95.0, 5.0]).all()
    assert found.windows.height >= 1
