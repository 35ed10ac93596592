"""The healthy workshop-idle test of the simulator: its swings are explained, not blamed."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from features.derive import derive
from features.settings import DerivationSettings
from synthetic.plant.workshop import workshop_idle

SEEDS = (20, 1, 2)
BLAME = ("fault", "defect", "leak", "worn", "replace", "weak", "bad", "fill", "too low", "too high")


@pytest.fixture(scope="module")
def found():
    logs = []
    for seed in SEEDS:
        _, read = workshop_idle(np.random.default_rng(seed))
        columns = {name: np.asarray(curve)[:, 0].astype(float) for name, curve in read.items()}
        n = len(columns["low_side_kpa"])
        logs.append(
            pl.DataFrame({"test_id": [f"s{seed}"] * n, "time_s": np.arange(float(n)), **columns})
        )
    samples = pl.concat(logs).with_columns(pl.selectors.float().fill_nan(None))
    context = pl.DataFrame({"test_id": [f"s{seed}" for seed in SEEDS]}).with_columns(
        refrigerant=pl.lit("R1234yf"), compressor=pl.lit("variable_external")
    )
    return derive(samples, context, DerivationSettings())


def test_most_of_the_duct_movement_is_explained(found):
    shares = found.features.filter(regime="whole_test")["duct_air_explained_share"]
    assert shares.median() >= 0.9


def test_the_fan_is_named_as_the_cause(found):
    of_duct = found.effects.filter(response="duct_air_c")
    largest = of_duct.sort("part_share").group_by("test_id").last()
    assert set(largest["cause_code"]) == {"condenser_fan"}


def test_nothing_in_it_is_called_a_fault(found):
    assert found.stories.height == len(SEEDS)
    for sentence in found.stories["sentence"]:
        assert "condenser fan up" in sentence
        assert not [word for word in BLAME if word in sentence.lower()]
