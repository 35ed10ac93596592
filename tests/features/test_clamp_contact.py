"""What a clamp reads towards the air around it is taken off where it is known, by hand."""

from __future__ import annotations

import pytest
from built_logs import context, log

from features.derive import derive
from features.settings import DerivationSettings

SETTINGS = DerivationSettings()
# true pipes of the built car: dew point 0 degC, bubble point 60 degC (printed R-134a table)
PIPES = {
    "compressor_suction_c": 15.0,
    "compressor_discharge_c": 80.0,
    "condenser_outlet_c": 52.0,
    "evaporator_outlet_c": 6.0,
}
TRUE = {
    "compressor_suction_superheat_k": 15.0,
    "compressor_discharge_c": 80.0,
    "condenser_outlet_subcooling_k": 8.0,
    "evaporator_outlet_superheat_k": 6.0,
}


def row(share, around, told, **curves):
    """The features of a car whose clamps read a share of the way to the air around them."""
    read = {name: pipe + share * (around[name] - pipe) for name, pipe in PIPES.items()}
    features = derive(log(**read, **curves), told, SETTINGS).features
    return features.filter(regime="saturated").row(0, named=True)


def around(engine_c, wall_c):
    return {name: wall_c if name == "evaporator_outlet_c" else engine_c for name in PIPES}


@pytest.mark.parametrize(("insulated", "share"), [(True, 0.03), (False, 0.07)])
def test_noted_clamps_are_corrected_by_the_air_under_the_hood(insulated, share):
    # logged 65 degC under the hood, 30 degC outside; at the fire wall two thirds of the way:
    # 30 + 0.67 * 35 = 53.45 degC. Share by common practice, no source
    told = context(clamps_insulated=insulated)
    found = row(share, around(65.0, 53.45), told, underhood_air_c=65.0)
    for name, true in TRUE.items():
        assert found[name] == pytest.approx(true, abs=0.06), name


def test_without_air_under_the_hood_ambient_air_and_its_usual_rise_serve():
    # 18 K over ambient air (SAE 2015-01-1689), at the fire wall two thirds: 48 and 42.06 degC
    found = row(0.07, around(48.0, 42.06), context(clamps_insulated=False))
    for name, true in TRUE.items():
        assert found[name] == pytest.approx(true, abs=0.06), name


@pytest.mark.parametrize(
    ("told", "curves"),
    [
        (context(), {}),
        (context(clamps_insulated=True), {"ambient_air_c": None}),
    ],
    ids=["insulation not noted", "no air to go by"],
)
def test_what_is_not_known_is_not_corrected(told, curves):
    found = row(0.0, around(48.0, 42.0), told, **curves)
    assert found["evaporator_outlet_superheat_k"] == pytest.approx(6.0, abs=0.06)


def test_a_reported_error_of_bare_clamps_is_within_what_is_taken_off():
    # a trade article reports some 5 degF (2.8 K) too high on bare suction lines (2nd hand); a
    # line of 8 degC under a hood of 48 degC
    told = context(clamps_insulated=False)
    read = derive(log(evaporator_outlet_c=8.0 + 2.8), told, SETTINGS).features
    plain = derive(log(evaporator_outlet_c=8.0 + 2.8), context(), SETTINGS).features
    name, u = "evaporator_outlet_superheat_k", "evaporator_outlet_superheat_uncertainty_k"
    taken_off = plain[name].drop_nulls().item() - read[name].drop_nulls().item()
    assert abs(2.8 - taken_off) < 2.0 * read[u].drop_nulls().item()
