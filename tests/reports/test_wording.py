"""The words of the pages keep step with the codes that the other folders declare."""

from __future__ import annotations

from features.catalogue import FEATURE_RECORDS
from features.channels import CHANNELS
from features.regimes import WHOLE_TEST, Regime
from models.states import STATE_NAMES
from reports.panels import DRAWN_CHANNELS
from reports.wording import QUANTITY_WORDS, REGIME_WORDS, STATES


def test_every_state_has_words_and_no_other():
    assert sorted(words.state for words in STATES) == sorted(STATE_NAMES)


def test_every_regime_has_words_and_no_other():
    assert set(REGIME_WORDS) == {WHOLE_TEST, *(regime.value for regime in Regime)}


def test_every_channel_feature_and_curve_has_words():
    names = {channel.name for channel in CHANNELS}
    names |= {feature.name for feature in FEATURE_RECORDS} | set(DRAWN_CHANNELS)
    assert names - set(QUANTITY_WORDS) == set()


def test_words_are_for_known_quantities_only():
    names = {channel.name for channel in CHANNELS} | {"time_s"}
    names |= {feature.name for feature in FEATURE_RECORDS} | set(DRAWN_CHANNELS)
    assert set(QUANTITY_WORDS) - names == set()
