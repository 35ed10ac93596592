"""Batches and processes change no byte; one seed, one set of readings."""

import numpy as np
import pytest

from synthetic.plant.arrays import side_by_side
from synthetic.plant.batches import PlannedTests, all_readings, run_batches
from synthetic.plant.cars import ARCHITECTURES
from synthetic.plant.conditions import Conditions, Course, profiles, surroundings
from synthetic.plant.faults import Faults, with_faults
from synthetic.plant.sensors import CHANNELS, Fitting


def planned(seed=7, seconds=40):
    designs = list(ARCHITECTURES.values())
    n = len(designs)
    cars = with_faults(side_by_side(designs), side_by_side([Faults(undercharge=0.2)] * n))
    return PlannedTests(
        cars,
        surroundings([Conditions()] * n),
        profiles([Course(seconds=seconds)] * n, np.random.default_rng(seed)),
        side_by_side([Fitting(gaps_per_hour=20.0)] * n),
        seed,
    )


def readings(**how):
    return [one.read for one in run_batches(planned(), batch_tests=4, **how)]


def same_bytes(first, second):
    return all(
        a[name].tobytes() == b[name].tobytes()
        for a, b in zip(first, second, strict=True)
        for name in CHANNELS
    )


def test_two_processes_give_the_bytes_of_one():
    assert same_bytes(readings(), readings(processes=2))


def test_another_seed_gives_other_readings():
    one = [b.read for b in run_batches(planned(seed=1))]
    two = [b.read for b in run_batches(planned(seed=2))]
    assert not same_bytes(one, two)


def test_every_test_of_every_batch_comes_back_in_order():
    logged = list(run_batches(planned(), batch_tests=4))
    assert [one.first_test for one in logged] == [0, 4, 8]
    joined = all_readings(iter(logged), "engine_rpm")
    assert joined.shape == (40, len(ARCHITECTURES))


def test_an_empty_batch_says_so():
    with pytest.raises(ValueError, match="at least one record"):
        side_by_side([])
