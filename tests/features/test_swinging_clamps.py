"""Slow clamps told by a compressor that cycles: the rule `clamp_lag` beside the start.

The low side swings between R-134a pressures of some -2 and 8 degC every 40 s (tables of
`built_logs`); clamps follow with the time constant given, 5 to 15 s on a pipe being common
practice (no source).
"""

from __future__ import annotations

import numpy as np
import pytest
from built_logs import clock, context, log

from features.screening import screen
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
PERIOD_S, USUAL_S = 40.0, 8.0


def lagged(line, lag_s):
    read = line.copy()
    for second in range(1, read.size):
        read[second] = read[second - 1] + (line[second] - read[second - 1]) / lag_s
    return read


def cycling(*, suction_s=USUAL_S, inlet_s=USUAL_S, seed=1):
    """A log of a cycling compressor; time constants of the two clamps asked about [s]."""
    wave = np.sin(2.0 * np.pi * clock() / PERIOD_S)
    return log(
        seed=seed,
        low_side_kpa=330.0 + 60.0 * wave,
        high_side_kpa=1680.0 - 80.0 * wave,
        evaporator_outlet_c=lagged(8.0 + 5.0 * wave, USUAL_S),
        compressor_suction_c=lagged(14.0 + 6.0 * wave, suction_s),
        condenser_outlet_c=lagged(52.0 - 3.0 * wave, USUAL_S),
        expansion_inlet_c=lagged(50.0 - 3.0 * wave, inlet_s),
    )


def slow_clamps(samples, *, has_exchanger=False):
    known = context(internal_heat_exchanger=has_exchanger)
    return set(screen(samples, known, SETTINGS).trust.filter(rule_code="clamp_lag")["channel"])


def test_clamps_that_swing_alike_are_believed():
    raised = [slow_clamps(cycling(seed=seed)) for seed in range(10)]
    assert not any(raised)


@pytest.mark.parametrize(("lag_s", "is_found"), [(12.0, False), (60.0, True), (120.0, True)])
def test_a_suction_clamp_that_hardly_swings_is_slow(lag_s, is_found):
    found = slow_clamps(cycling(suction_s=lag_s))
    assert found == ({"compressor_suction_c"} if is_found else set())


def test_a_liquid_clamp_that_hardly_swings_is_slow():
    assert slow_clamps(cycling(inlet_s=90.0)) == {"expansion_inlet_c"}


def test_behind_an_exchanger_lines_swing_unlike():
    assert not slow_clamps(cycling(suction_s=120.0), has_exchanger=True)
