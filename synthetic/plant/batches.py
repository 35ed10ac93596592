"""Many tests at once: batches of bounded memory, on one process or two, and their readings.

The split into batches is fixed by the size alone, so that the bytes do not depend on how many
processes ran them. Takes records per test, gives curves; no physics here.
"""

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

from synthetic.plant.arrays import Batch, FloatArray
from synthetic.plant.conditions import Profiles
from synthetic.plant.curves import Curves, true_curves
from synthetic.plant.sensors import measure
from synthetic.plant.simulate import simulate

BATCH_TESTS = 250


@dataclass(frozen=True)
class PlannedTests:
    """Tests side by side: cars with their faults, surroundings, profiles, fittings, seed."""

    cars: Batch
    around: Batch
    profiles: Profiles
    fittings: Batch
    seed: int

    def part(self, chosen: slice) -> "PlannedTests":
        """The chosen tests."""
        return PlannedTests(
            self.cars.rows(chosen),
            self.around.rows(chosen),
            self.profiles.columns(chosen),
            self.fittings.rows(chosen),
            self.seed + chosen.start,
        )


@dataclass(frozen=True)
class Logged:
    """What came of a batch: true curves and readings, arrays of second by test."""

    first_test: int
    truth: Curves
    read: Curves


def run_batch(planned: PlannedTests, first_test: int = 0) -> Logged:
    """True curves and readings of one batch."""
    rng = np.random.default_rng(planned.seed)
    stations = simulate(planned.cars, planned.around, planned.profiles)
    truth = true_curves(stations, planned.cars)
    return Logged(first_test, truth, measure(truth, planned.fittings, rng))


def run_batches(
    planned: PlannedTests, *, processes: int = 1, batch_tests: int = BATCH_TESTS
) -> Iterator[Logged]:
    """Batches in order; two processes halve the time and change no byte."""
    starts = range(0, len(planned.cars), batch_tests)
    parts = [planned.part(slice(start, start + batch_tests)) for start in starts]
    if processes <= 1:
        yield from map(run_batch, parts, starts)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from pool.map(run_batch, parts, starts)


def all_readings(logged: Iterator[Logged], name: str) -> FloatArray:
    """One channel of all tests, batches joined."""
    return np.concatenate([one.read[name] for one in logged], axis=1)
