"""Sizes of faults learned from simulated fleets: what `models/fault_sizes.py` is made by.

`python -m tests.studies.fault_sizes FOLDER ...` reads judged fleets (`taught_fleets`, or those of
`tests.studies.causes`) and prints the rows of `SIZES`. Every test that strays is given to the
pattern of its true cause that explains it best; the severity of each test and the sizes of each
pattern follow from each other by turns. Sizes are weighted medians drawn towards the marks as
by two tests, doubts the scatter about them less what the spread of healthy cars explains. Seeds
from 9000 on are kept for final figures.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from models.causes import cars_of
from models.causes_likelihood import SEVERITIES, log_student, weights
from models.diagnostics import diagnostic_frame, learn_diagnostics
from models.fault_signs import LIMIT, PATTERNS, Pattern
from models.fault_signs_numbers import QUANTITIES, by_marks, holds
from pipeline.assess import assessment_inputs
from pipeline.inputs import read_inputs
from pipeline.run import open_published
from pipeline.score_causes import TRUE_CAUSE
from pipeline.workspace import Workspace

_STRAYS_Z, _LEAST_KNOWN, _ROUNDS = 4.0, 4, 8
_MARK_TESTS, _OPEN_MARK_TESTS, _DOUBT_TESTS = 2.0, 0.3, 3.0
_LEAST_DOUBT, _OF_SIZES, _MAD = 0.1, 0.3, 1.4826
# patterns that are of one simulated fault only, where their cause has several
_ONLY_OF = {
    "evaporator icing": "icing",
    "little air over the evaporator": "evaporator_air_low",
    "another refrigerant in the circuit": "wrong_refrigerant",
    "air or another gas in the circuit": "non_condensables",
    "liquid line or drier restricted": "liquid_restriction",
    "expansion valve feeds too little": "valve_under_feeding",
}


@dataclass(frozen=True)
class Lesson:
    """One test in one control state with its true fault."""

    fault: str
    control: str
    car: dict[str, object]
    z: np.ndarray
    unit: np.ndarray


def lessons(folder: Path) -> list[Lesson]:
    """The tests of a judged fleet that stray and have a fault."""
    workspace = Workspace((folder / "workspace").resolve())
    settings = read_inputs(workspace).settings
    with open_published(workspace, settings) as store:
        stored, residuals = assessment_inputs(store), store.read("residuals")
    norm = learn_diagnostics(stored.features, stored.context, settings.assessment)
    more = diagnostic_frame(stored.features, stored.context, norm, settings.assessment)
    is_found = pl.col("finding_code").is_not_null() | (pl.col("z").abs() >= _STRAYS_Z)
    strays = residuals.filter(is_found).select("test_id").unique().sort("test_id")
    looked_at = strays.select(pl.col("test_id").alias("vehicle_id"), "test_id")
    truth = pl.read_parquet(folder / "truth" / "truth_tests.parquet")
    faults = dict(truth.filter(pl.col("severity") > 0.0).select("test_id", "fault").iter_rows())
    return [
        Lesson(faults[car.test_id], vector.control, dict(car.case.kind), vector.z, vector.unit)
        for car in cars_of(looked_at, residuals, more, stored.context, {})
        if car.test_id in faults
        for vector in car.case.vectors
        if np.isfinite(vector.z).sum() >= _LEAST_KNOWN
    ]


def learn(taught: list[Lesson]) -> dict[int, tuple[np.ndarray, np.ndarray, int]]:
    """Sizes, doubts and number of tests by place in `PATTERNS`."""
    found = {place: (*by_marks(p, _car_of(p)), 0) for place, p in enumerate(PATTERNS)}
    for _ in range(_ROUNDS):
        pupils: dict[int, list[tuple[Lesson, float]]] = {}
        for one in taught:
            open_to = [place for place, p in enumerate(PATTERNS) if _fits(p, one)]
            fits = [(*_fit(one, *found[place][:2]), place) for place in open_to]
            if fits:
                _, severity, place = max(fits)
                pupils.setdefault(place, []).append((one, severity))
        for place, own in pupils.items():
            if len(own) >= 2:
                marks = by_marks(PATTERNS[place], _car_of(PATTERNS[place]))
                found[place] = (*_updated(own, *marks), len(own))
    return found


def _car_of(pattern: Pattern) -> dict[str, object]:
    return {name: values[0] for name, values in pattern.only.items()}


def _fits(pattern: Pattern, lesson: Lesson) -> bool:
    is_its = TRUE_CAUSE[lesson.fault] == pattern.cause and pattern.control == lesson.control
    return (
        is_its
        and holds(pattern, lesson.car)
        and _ONLY_OF.get(pattern.fault, lesson.fault) == lesson.fault
    )


def _fit(lesson: Lesson, shift: np.ndarray, doubt: np.ndarray) -> tuple[float, float]:
    """Log likelihood at the best severity above zero, and that severity."""
    known = np.isfinite(lesson.z)
    unit, z = np.where(known, np.nan_to_num(lesson.unit), 1.0), np.nan_to_num(lesson.z)
    size = SEVERITIES[1:, None] * unit
    logs = log_student(z - size * shift, np.sqrt(1.0 + (size * doubt) ** 2))
    logs = logs @ weights(known[None].astype(float))[0]
    best = int(logs.argmax())
    return float(logs[best]), float(SEVERITIES[1:][best])


def _updated(
    own: list[tuple[Lesson, float]], marks: np.ndarray, mark_doubts: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Sizes and doubts such that the median test has severity one."""
    severity = np.array([each for _, each in own])
    units = np.array([one.unit for one, _ in own]) * severity[:, None]
    values, noises = np.array([one.z for one, _ in own]) / units, 1.0 / units
    shift, doubt = marks.copy(), mark_doubts.copy()
    for place in range(len(QUANTITIES)):
        known = np.isfinite(values[:, place])
        if not known.any():
            continue
        value, noise = values[known, place], noises[known, place]
        weight = 1.0 / (noise**2 + _OF_SIZES**2)
        count = weight.sum() ** 2 / (weight**2).sum()
        is_open = marks[place] == 0 and mark_doubts[place] > 1.0
        held = _OPEN_MARK_TESTS if is_open else _MARK_TESTS * (1.0 if marks[place] else 0.5)
        size = (count * _median(value, weight) + held * marks[place]) / (count + held)
        scatter = (_MAD * _median(np.abs(value - size), weight)) ** 2 - np.median(noise) ** 2
        usual = min(mark_doubts[place], 0.25 + 0.4 * abs(size)) ** 2
        own_doubt = count * max(scatter, _LEAST_DOUBT**2) + _DOUBT_TESTS * usual
        shift[place], doubt[place] = size, np.sqrt(own_doubt / (count + _DOUBT_TESTS))
    typical = np.exp(np.median(np.log(severity)))
    return shift * typical, doubt * typical


def _median(values: np.ndarray, weight: np.ndarray) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(cumulated, cumulated[-1] / 2.0)])


def told(found: dict[int, tuple[np.ndarray, np.ndarray, int]]) -> str:
    """The rows of `SIZES`."""
    rows = []
    for place, (shift, doubt, count) in found.items():
        if count:
            pattern = PATTERNS[place]
            sizes = " ".join(f"{round(10.0 * each):d}" for each in shift)
            doubts = " ".join(f"{round(100.0 * each):d}" for each in doubt)
            key = f'("{pattern.fault}", {"LIMIT" if pattern.control == LIMIT else "REGULATING"})'
            rows.append(
                f'    {key}: Size(\n        {count},\n        "{sizes}",\n        "{doubts}",'
            )
            rows.append("    ),")
    return "\n".join(rows)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", type=Path, nargs="+")
    asked = parser.parse_args()
    every = [one for folder in asked.folders for one in lessons(folder)]
    sys.stdout.write(f"{told(learn(every))}\n")
