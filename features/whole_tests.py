"""What is read of a test as a whole: rates, transients, explained variation and its story.

Takes what was logged and found; gives the rows of regime `whole_test`, the effects of causes
and the stories. Does not belong here: any of the steps itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from features.explained import explain_variation
from features.rates import rate_tests
from features.story import Facts, describe_running, tell_stories
from features.transients import Logged, read_transients

if TYPE_CHECKING:
    import polars as pl

    from features.events import EventLog
    from features.settings import DerivationSettings


@dataclass(frozen=True)
class WholeTests:
    """One row per test of features and of stories, with test_number; effects of causes."""

    features: pl.DataFrame
    effects: pl.DataFrame
    stories: pl.DataFrame


def read_whole_tests(
    logged: Logged, log: EventLog, tests: pl.DataFrame, settings: DerivationSettings
) -> WholeTests:
    """All that does not belong to a window.

    `tests` has test_id, test_number, what is noted of it and the columns of `instruments`.
    """
    transients = read_transients(logged, tests, settings)
    variation = explain_variation(logged.blocks, logged.events, logged.block_s)
    values = transients.values.join(
        variation.values, on="test_number", how="left", maintain_order="left"
    )
    told = describe_running(logged.blocks).join(values, on="test_number", how="left")
    stories = tell_stories(Facts(told, logged.events, transients.swings, variation.effects))
    rates = rate_tests(logged.blocks, log, logged.block_s)
    features = rates.join(
        values.drop("start_s"), on="test_number", how="left", maintain_order="left"
    )
    return WholeTests(features, variation.effects, stories)
