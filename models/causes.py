"""Causes: what a car's deviations fit best, as a set or a name, with evidence both ways.

Takes the tests behind a state with their residuals, diagnostic quantities and contexts, gives
the CAUSES frame. An indication, never a proven defect. Does not belong here: the sign tables
(`fault_signs`), the likelihood (`causes_likelihood`), words (`causes_words`), what to
measure next (`causes_next`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.regimes import WHOLE_TEST, Regime
from models.assessments import rows_by
from models.causes_found import NOTHING_FOUND
from models.causes_likelihood import SEVERITIES, TEMPER, fit, log_student
from models.causes_next import FULL_LOAD, Left, next_measurement
from models.causes_priors import priors as prior_shares
from models.causes_table import CAUSES
from models.causes_words import (
    Reading,
    against,
    agrees,
    cause_words,
    found_before,
    in_favour,
    paragraph,
)
from models.fault_signs import LIMIT, REGULATING
from models.fault_signs_numbers import LEAST_EFFECTS, NONE, QUANTITIES, shapes
from models.fault_signs_sensors import SENSOR_WORDS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from models.causes_found import Found
    from models.conditions import Array, Mask
    from models.fault_signs_numbers import Shape
    from models.history import History
    from models.sentences import Row

LEAD = 3.0
# A cause stays in the set down to this part of the best one's weight: one of twenty that is left
# out would be the true one [tuned on simulated cars].
NOT_RULED_OUT = 20.0
ASKED_OF = ("service", "watch")
_LEAST_SHARE = 0.005
_MOST_KEPT = 8
_KIND = ("compressor", "control_target", "expansion_device", "internal_heat_exchanger")
_AT_LIMIT = (Regime.SATURATED.value, Regime.PULL_DOWN.value, Regime.CYCLING.value)
# Of what is not measured: one least effect in spreads.
_TYPICAL_UNIT = 3.0
# Until each of these is known, what it could say counts against a name.
_CORE = (
    ("low_side_kpa",), ("high_side_kpa",), ("condenser_outlet_subcooling_k",),
    ("evaporator_outlet_superheat_k", "compressor_suction_superheat_k"),
    ("duct_air_c", "duct_drop_k"), ("compressor_discharge_c",),
)  # fmt: skip
_PLACE = {name: place for place, name in enumerate(QUANTITIES)}

Kind = tuple[tuple[str, object], ...]


@dataclass(frozen=True)
class Vector:
    """Deviations of one car in one control state, over `QUANTITIES`; NaN where not known."""

    control: str
    z: Array
    unit: Array
    delta: Array


@dataclass(frozen=True)
class Case:
    """What is known of one car: its vectors, kind (columns of the context) and purpose.

    `found` is what workshops found on cars of its model and of others.
    """

    vectors: tuple[Vector, ...]
    kind: Kind
    purpose: str | None = None
    found: Found = NOTHING_FOUND


@dataclass(frozen=True)
class Car:
    """One car with something to go by, and the latest test that was looked at."""

    vehicle_id: str
    test_id: str
    case: Case


@dataclass(frozen=True)
class Suspect:
    """One cause of one car: how well it fits, and what it foretells in spreads."""

    cause: str
    fault: str
    log_fit: float
    severity: float
    shift: Array
    scale: Array


@dataclass(frozen=True)
class Diagnosis:
    """All causes of one car, best first, with their weights and who is not told apart."""

    suspects: tuple[Suspect, ...]
    shares: Array
    priors: Array
    is_in_set: Mask
    is_named: bool
    vector: Vector
    is_masked: bool


def tests_behind(states: pl.DataFrame, past: list[History], recent_tests: int) -> pl.DataFrame:
    """Columns vehicle_id, test_id: the tests that cars in service or watch are judged by.

    Recent tests with a finding; where there is none, the latest one.
    """
    called = set(states.filter(pl.col("state").is_in(ASKED_OF))["vehicle_id"])
    rows = []
    for history in past:
        if history.vehicle_id in called:
            recent = history.recent(recent_tests)
            found = [test for test in recent if test.findings] or recent[-1:]
            rows += [(history.vehicle_id, test.test_id) for test in found]
    schema = {"vehicle_id": pl.String, "test_id": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def find_causes(
    looked_at: pl.DataFrame,
    residuals: pl.DataFrame,
    diagnostics: pl.DataFrame,
    tests: pl.DataFrame,
    found: Mapping[str, Found] | None = None,
) -> pl.DataFrame:
    """The CAUSES of every car looked at.

    Parameters
    ----------
    looked_at : frame
        vehicle_id, test_id: the tests behind the state of each car, in order of time.
    residuals : frame
        RESIDUALS; rows without z are left out.
    diagnostics : frame
        As from `diagnostics.diagnostic_frame`.
    tests : frame
        CONTEXT.
    found : mapping
        By model, what workshops found, as from `causes_found.found_causes`.
    """
    cars = list(cars_of(looked_at, residuals, diagnostics, tests, found or {}))
    rows: list[dict[str, object]] = []
    for car, diagnosis in zip(cars, diagnose_all([car.case for car in cars]), strict=True):
        named = {"vehicle_id": car.vehicle_id, "test_id": car.test_id}
        rows += [{**named, **row} for row in cause_rows(diagnosis, car.case.found)]
    return CAUSES.conform(pl.DataFrame(rows, schema=CAUSES.schema))


def diagnose_all(cases: Sequence[Case]) -> list[Diagnosis]:
    """The causes of every car; cars of one kind in one control state are fitted together."""
    places: dict[tuple[str, Kind], list[tuple[int, int]]] = {}
    for number, case in enumerate(cases):
        for place, vector in enumerate(case.vectors):
            places.setdefault((vector.control, case.kind), []).append((number, place))
    found: dict[tuple[int, int], dict[str, Suspect]] = {}
    for (control, kind), where in places.items():
        vectors = [cases[number].vectors[place] for number, place in where]
        found.update(zip(where, _fit_causes(vectors, shapes(control, kind)), strict=True))
    return [
        _diagnosis(case, [found[number, place] for place in range(len(case.vectors))])
        for number, case in enumerate(cases)
    ]


def _diagnosis(case: Case, fits: list[dict[str, Suspect]]) -> Diagnosis:
    """The causes of one car from its fits in each control state."""
    vectors = case.vectors
    common = sorted(set.intersection(*(set(one) for one in fits)))
    fullest = int(np.argmax([_information(vector) for vector in vectors]))
    logs = np.array([[one[c].log_fit for c in common] for one in fits])
    together = logs.sum(axis=0) / np.sqrt(len(fits))
    priors = np.array(prior_shares(common, case.purpose, case.found))
    priors /= priors.sum()
    posterior = np.log(priors) + together
    order = np.lexsort((common, -posterior))
    posterior, priors = posterior[order], priors[order]
    shares = np.exp(posterior - posterior[0])
    suspects = tuple(fits[fullest][common[place]] for place in order)
    lead = posterior[0] - posterior - _unsaid(suspects, vectors)
    # two causes at once are held against one by the stricter measure: fewer causes explain as much
    is_pair = np.array(["+" in one.cause for one in suspects])
    is_in_set = lead <= np.log(np.where(is_pair, LEAD, NOT_RULED_OUT))
    is_in_set[0] = True
    is_ahead = bool((lead[1:] > np.log(LEAD)).all()) and suspects[0].cause != NONE
    z = np.nan_to_num(vectors[fullest].z)
    if not agrees(suspects[0].shift, z).any():
        # what leads by its prior alone explains nothing
        is_in_set[[s.cause for s in suspects].index(NONE)] = True
        is_ahead = False
    return Diagnosis(
        suspects, shares / shares.sum(), priors, is_in_set,
        is_ahead,
        vectors[fullest], all(v.control == REGULATING for v in vectors),
    )  # fmt: skip


def _information(vector: Vector) -> float:
    z = np.nan_to_num(vector.z)
    return float(np.sqrt((z**2).sum())) * (1.0 if vector.control == LIMIT else 0.5)


def _fit_causes(
    vectors: list[Vector], all_shapes: tuple[Shape, ...]
) -> Iterator[dict[str, Suspect]]:
    """Per vector the best pattern of every cause, at the severity that fits best."""
    units = np.array([vector.unit for vector in vectors])
    profile = fit(np.array([vector.z for vector in vectors]), units, all_shapes)
    best = profile.argmax(axis=1)
    logs = np.take_along_axis(profile, best[:, None, :], axis=1)[:, 0, :]
    for log_fits, severities, unit in zip(logs, SEVERITIES[best], units, strict=True):
        known = np.where(np.isfinite(unit), unit, _TYPICAL_UNIT)
        leading: dict[str, int] = {}
        for place, shape in enumerate(all_shapes):
            held = leading.get(shape.cause)
            if held is None or log_fits[place] > log_fits[held]:
                leading[shape.cause] = place
        yield {
            cause: _suspect(all_shapes[place], log_fits[place], severities[place], known)
            for cause, place in leading.items()
        }


def _suspect(shape: Shape, log_fit: float, severity: float, unit: Array) -> Suspect:
    scale = np.sqrt(1.0 + (severity * shape.doubt * unit) ** 2)
    shift = severity * shape.shift * unit
    return Suspect(shape.cause, shape.fault, float(log_fit), float(severity), shift, scale)


def _unsaid(suspects: tuple[Suspect, ...], vectors: tuple[Vector, ...]) -> Array:
    """What the core quantities not known could say at most for each suspect against the best."""
    known = np.any([np.isfinite(vector.z) for vector in vectors], axis=0)
    total = np.zeros(len(suspects))
    best = suspects[0]
    for family in _CORE:
        places = [QUANTITIES.index(name) for name in family]
        if known[places].any():
            continue
        for number, rival in enumerate(suspects):
            own = log_student(np.zeros(len(places)), rival.scale[places])
            of_best = log_student(rival.shift[places] - best.shift[places], best.scale[places])
            total[number] += TEMPER * max(0.0, float((own - of_best).max()))
    return total


def cause_rows(diagnosis: Diagnosis, found: Found = NOTHING_FOUND) -> Iterator[dict[str, object]]:
    """Rows of CAUSES without vehicle and test, best first."""
    vector = diagnosis.vector
    readings = [
        Reading(name, float(vector.z[place]), float(vector.delta[place]))
        for place, name in enumerate(QUANTITIES)
        if np.isfinite(vector.z[place])
    ]
    worth = diagnosis.is_in_set | (diagnosis.shares >= _LEAST_SHARE)
    places = np.flatnonzero(worth & (worth.cumsum() <= _MOST_KEPT))
    left = [
        Left(s.cause, float(diagnosis.shares[p]), s.shift, s.scale)
        for p, s in enumerate(diagnosis.suspects)
        if diagnosis.is_in_set[p]
    ][:_MOST_KEPT]
    needs_load = diagnosis.is_masked and not diagnosis.is_named
    following = next_measurement(left, np.isfinite(vector.z), SENSOR_WORDS)
    following = FULL_LOAD if needs_load else following
    rows: list[dict[str, object]] = []
    for rank, place in enumerate(places):
        suspect = diagnosis.suspects[place]
        is_in_set = bool(diagnosis.is_in_set[place])
        rows.append(
            {
                "cause_code": suspect.cause,
                "cause_rank": rank + 1,
                "cause": cause_words(suspect.cause),
                "fault": suspect.fault,
                "fit_share": float(diagnosis.shares[place]),
                "prior_share": float(diagnosis.priors[place]),
                "fault_severity": suspect.severity,
                "is_in_set": is_in_set,
                "is_named": rank == 0 and diagnosis.is_named,
                "found_before": found_before(suspect.cause, found) or None,
                "evidence_for": in_favour(suspect.shift, readings),
                "evidence_against": against(suspect.shift, suspect.scale, readings),
                "next_measurement": following if is_in_set else None,
                "needs_full_load": needs_load,
                "sentence": None,
            }
        )
    rows[0]["sentence"] = paragraph(rows)
    yield from rows


def cars_of(
    looked_at: pl.DataFrame,
    residuals: pl.DataFrame,
    diagnostics: pl.DataFrame,
    tests: pl.DataFrame,
    found: Mapping[str, Found],
) -> Iterator[Car]:
    """Every car with something to go by."""
    levels = _mean_deviations(looked_at, residuals, diagnostics)
    latest = dict(looked_at.select("vehicle_id", "test_id").iter_rows())
    columns = ("test_id", "model_id", "purpose", *_KIND)
    behind = tests.select(columns).filter(pl.col("test_id").is_in(list(latest.values())))
    known = {row["test_id"]: row for row in behind.iter_rows(named=True)}
    for car, rows in rows_by(levels, "vehicle_id").items():
        test = known[latest[car]]
        kind = tuple((name, test[name]) for name in _KIND)
        vectors = tuple(_vectors(rows, str(test["compressor"] or "")))
        if vectors:
            before = found.get(test["model_id"], NOTHING_FOUND)
            yield Car(car, latest[car], Case(vectors, kind, test["purpose"], before))


def _mean_deviations(
    looked_at: pl.DataFrame, residuals: pl.DataFrame, diagnostics: pl.DataFrame
) -> pl.DataFrame:
    """Mean deviation per car, regime and quantity over the tests looked at.

    Most of what healthy cars differ by is their own in every test, so that the mean is held
    against the spread of a single one.
    """
    columns = ("test_id", "regime", "feature", "observed", "expected", "spread", "z")
    rows = pl.concat([residuals.select(columns), diagnostics.select(columns)])
    return (
        looked_at.select("vehicle_id", "test_id")
        .join(rows.filter(pl.col("z").is_finite()), on="test_id")
        .filter(pl.col("feature").is_in(QUANTITIES))
        .sort("vehicle_id", "regime", "feature", "test_id")
        .group_by("vehicle_id", "regime", "feature", maintain_order=True)
        .agg(
            pl.col("z").mean(),
            pl.col("spread").mean(),
            (pl.col("observed") - pl.col("expected")).mean().alias("delta"),
        )
    )


def _vectors(rows: list[Row], compressor: str) -> Iterator[Vector]:
    """One vector per regime; what belongs to the whole test stands in each of them."""
    whole = [row for row in rows if row["regime"] == WHOLE_TEST]
    for regime in dict.fromkeys(row["regime"] for row in rows):
        if regime == WHOLE_TEST:
            continue
        values = np.full((3, len(QUANTITIES)), np.nan)
        for row in (*(row for row in rows if row["regime"] == regime), *whole):
            values[:, _PLACE[row["feature"]]] = row["z"], row["spread"], row["delta"]
        z, spread, delta = values
        yield Vector(_control(regime, compressor), z, LEAST_EFFECTS / spread, delta)


def _control(regime: str, compressor: str) -> str:
    """Which half of the table holds; neither where the control state cannot be told."""
    if regime in _AT_LIMIT or compressor == "fixed_clutch":
        return LIMIT
    return REGULATING if regime == Regime.REGULATING.value else regime
