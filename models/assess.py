"""The judgement of a fleet as it stood at one instant: the one door of this package.

Takes the per-test features, what is known of each test, and the registry, as frames; `fit`
gives all that the fleet says of what is normal, `judge` by such baselines, fitted now or
earlier, residuals, assessments, states and evidence. Tests and repairs after `as_of` do not
exist for either. Does not belong here: any statistics of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, timedelta
from typing import TYPE_CHECKING

import polars as pl

from features.trust.soak_biases import SOAK_BIASES
from models.assessments import assess_tests, evidence_frame
from models.baseline_table import baseline_frame
from models.causes import find_causes, tests_behind
from models.causes_found import found_causes
from models.coverage import covered_features, find_gaps
from models.diagnostics import diagnostic_frame, learn_diagnostics
from models.dispositions import add_handling, in_force, no_dispositions, precision_frame
from models.drift import TESTS_LOOKED_AT, DriftInputs, find_drifts, learn_drifts
from models.drift_watch import drifting_cars
from models.family_q_values import add_q_values, known_tests
from models.flags import add_flags, add_test_ranks, p_values_of_tests
from models.frozen import Baselines
from models.history import History, histories
from models.instrument_offsets import find_instrument_offsets
from models.offset_effects import widen_by_offsets
from models.residuals import compare_tests, direction_frame, learn_norms, residual_frame
from models.sentences import day
from models.states import latest_tests, state_frame
from models.tables import RESIDUALS

if TYPE_CHECKING:
    from datetime import datetime

    from models.drift import SeenSeries
    from models.residuals import Compared
    from models.settings import AssessmentSettings
    from models.states import LatestTest

# Enough for any reader, few enough to hide the last bits that another machine may round
# differently.
_SIGNIFICANT_DIGITS = 9


@dataclass(frozen=True)
class AssessmentInputs:
    """What a judgement rests on.

    `features` is the table of `features.catalogue`, `context` that of
    `features.context`, `soak_biases` that of `features.trust.soak_biases`; `vehicles`,
    `models`, `repairs` and `dispositions` come from the registry.
    """

    features: pl.DataFrame
    context: pl.DataFrame
    vehicles: pl.DataFrame
    models: pl.DataFrame
    repairs: pl.DataFrame
    dispositions: pl.DataFrame = field(default_factory=no_dispositions)
    soak_biases: pl.DataFrame = field(default_factory=SOAK_BIASES.empty)


@dataclass(frozen=True)
class Assessed:
    """The judgement: one frame per table of `models`."""

    baselines: pl.DataFrame
    residuals: pl.DataFrame
    assessments: pl.DataFrame
    states: pl.DataFrame
    evidence: pl.DataFrame
    drifts: pl.DataFrame
    leaks: pl.DataFrame
    disposition_precision: pl.DataFrame
    instrument_offsets: pl.DataFrame
    causes: pl.DataFrame


@dataclass(frozen=True)
class _Looked:
    """Some tests held against norms: what a judgement goes on from.

    `tests` in their context, `plain` the residuals without findings, `p_values` those of
    tests, `diagnostics` the frame of that name; `seen` the series of visits, None where they
    were not yet looked at.
    """

    tests: pl.DataFrame
    plain: pl.DataFrame
    p_values: pl.DataFrame
    diagnostics: pl.DataFrame
    seen: SeenSeries | None


@dataclass(frozen=True)
class Fitted:
    """Baselines and the fleet that they were fitted to, as the fit saw it."""

    baselines: Baselines
    looked: _Looked


def fit(inputs: AssessmentInputs, settings: AssessmentSettings, as_of: datetime) -> Fitted:
    """All that the fleet says of what is normal, by what was known at `as_of`."""
    as_of = _in_utc(as_of)
    tests = add_test_ranks(_until(inputs.context, "started_at", as_of))
    # as it is stored, so that judging by what was stored is the same
    offsets = _rounded(find_instrument_offsets(inputs.soak_biases, tests, settings))
    features = widen_by_offsets(inputs.features, tests, offsets)
    norms, compared = learn_norms(features, tests, settings)
    plain, p_values = _residuals(compared, settings)
    diagnostic_norm, diagnostics = learn_diagnostics(features, tests, settings)
    repairs = _until(inputs.repairs, "performed_at", as_of)
    residuals = RESIDUALS.conform(plain.select(_residual_columns(plain)))
    drifts, seen = learn_drifts(_drift_inputs(inputs, residuals, tests, repairs), settings)
    baselines = Baselines(
        norms=norms,
        diagnostics=diagnostic_norm,
        instrument_offsets=offsets,
        covered=covered_features(plain, tests),
        known_tests=known_tests(p_values, tests),
        drifts=drifts,
        fitted_at=as_of,
    )
    return Fitted(baselines, _Looked(tests, plain, p_values, diagnostics, seen))


def _residuals(
    compared: list[Compared], settings: AssessmentSettings
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The residuals without findings, and the p-values of the tests."""
    plain = pl.concat([residual_frame(part) for part in compared])
    return plain, p_values_of_tests(plain, direction_frame(compared), settings)


def _look(
    inputs: AssessmentInputs, baselines: Baselines, settings: AssessmentSettings, as_of: datetime
) -> _Looked:
    """The tests of the inputs held against baselines that stand."""
    tests = add_test_ranks(_until(inputs.context, "started_at", as_of))
    features = widen_by_offsets(inputs.features, tests, baselines.instrument_offsets)
    compared = compare_tests(features, tests, baselines.norms, settings)
    plain, p_values = _residuals(compared, settings)
    diagnostics = diagnostic_frame(features, tests, baselines.diagnostics, settings)
    return _Looked(tests, plain, p_values, diagnostics, None)


def assess(inputs: AssessmentInputs, settings: AssessmentSettings, as_of: datetime) -> Assessed:
    """The fleet judged by baselines fitted to itself, by what was known at `as_of`.

    Parameters
    ----------
    inputs : AssessmentInputs
    settings : AssessmentSettings
    as_of : datetime
        With time zone; tests that started and repairs done later are left out.

    Raises
    ------
    ValueError
        `as_of` has no time zone.
    """
    return judge_fitted(inputs, fit(inputs, settings, as_of), settings, as_of)


def judge(
    inputs: AssessmentInputs,
    baselines: Baselines,
    settings: AssessmentSettings,
    as_of: datetime,
) -> Assessed:
    """The cars of the inputs judged by baselines that stand.

    What is said of a car follows from its own tests and the baselines: other cars may be
    among the inputs or not. Parameters and errors as in `assess`.
    """
    as_of = _in_utc(as_of)
    looked = _look(inputs, baselines, settings, as_of)
    return judge_fitted(inputs, Fitted(baselines, looked), settings, as_of)


def judge_fitted(
    inputs: AssessmentInputs, fitted: Fitted, settings: AssessmentSettings, as_of: datetime
) -> Assessed:
    """The cars judged by baselines fitted to them now: `judge`, without looking twice.

    `fitted` is that of the same inputs, settings and instant.
    """
    as_of = _in_utc(as_of)
    baselines, looked = fitted.baselines, fitted.looked
    tests = looked.tests
    growth = settings.refit_growth
    test_q = add_q_values(looked.p_values, tests, baselines.known_tests, growth=growth)
    residuals = add_flags(looked.plain, test_q, tests, settings)
    gaps = find_gaps(residuals, tests, baselines.covered)
    assessments = assess_tests(residuals, tests, test_q, gaps, least_z=settings.least_z)
    found = evidence_frame(residuals, tests)
    repairs = _until(inputs.repairs, "performed_at", as_of)
    past = histories(
        inputs.vehicles,
        assessments.join(tests.select("test_id", "purpose", "repair_id"), on="test_id"),
        found,
        repairs,
    )
    latest = latest_tests(past, _with_adverse_z(residuals), gaps, watch_z=settings.watch_z)
    latest = _with_next_fit(latest, past, baselines, settings)
    judged = RESIDUALS.conform(residuals.select(_residual_columns(residuals)))
    visited = _drift_inputs(inputs, judged, tests, repairs)
    drifting = find_drifts(visited, settings, as_of, (baselines.drifts, looked.seen))
    evidence = _behind_the_states(found, past, settings)
    counted = in_force(inputs.dispositions, as_of)
    drifts = drifting_cars(drifting.drifts, settings, as_of)
    states = state_frame(past, latest, drifts, settings, as_of)
    behind = tests_behind(states, past, settings.recent_tests)
    version = pl.lit(baselines.version, pl.Int32).alias("baseline_version")
    states = add_handling(states, evidence, counted, repairs, as_of)
    return Assessed(
        baselines=baseline_frame(baselines.norms, settings).with_columns(version),
        residuals=_rounded(judged.with_columns(version)),
        assessments=_rounded(assessments.with_columns(version)),
        states=_rounded(states.with_columns(version)),
        evidence=_rounded(evidence),
        drifts=_rounded(drifting.drifts),
        leaks=_rounded(drifting.leaks),
        disposition_precision=_rounded(precision_frame(counted, inputs.vehicles)),
        instrument_offsets=_rounded(baselines.instrument_offsets),
        causes=_rounded(
            find_causes(
                behind, judged, looked.diagnostics, tests, found_causes(counted, inputs.vehicles)
            )
        ),
    )


def _with_next_fit(
    latest: dict[str, LatestTest],
    past: list[History],
    baselines: Baselines,
    settings: AssessmentSettings,
) -> dict[str, LatestTest]:
    """The latest tests; those that the baselines do not know with when they will."""
    known = set(baselines.known_tests["test_id"].to_list())
    later = {h.vehicle_id for h in past if h.tests and h.tests[-1].test_id not in known}
    due = baselines.fitted_at + timedelta(days=settings.refit_days)
    sentence = (
        f" This test came after the baselines were fitted on {day(baselines.fitted_at)}; they are "
        f"due to be fitted anew from {day(due)} on."
    )
    return {
        car: replace(test, next_fit=sentence) if car in later else test
        for car, test in latest.items()
    }


def _drift_inputs(
    inputs: AssessmentInputs,
    residuals: pl.DataFrame,
    tests: pl.DataFrame,
    repairs: pl.DataFrame,
) -> DriftInputs:
    looked_at = tests.select(TESTS_LOOKED_AT)
    return DriftInputs(residuals, looked_at, repairs, inputs.vehicles, inputs.models)


def _in_utc(as_of: datetime) -> datetime:
    if as_of.tzinfo is None:
        raise ValueError("as_of needs a time zone: write datetime(..., tzinfo=UTC)")
    return as_of.astimezone(UTC)


def _residual_columns(residuals: pl.DataFrame) -> list[str]:
    return [name for name in RESIDUALS.schema if name in residuals.columns]


def _until(frame: pl.DataFrame, column: str, as_of: datetime) -> pl.DataFrame:
    """The rows of instants not later than `as_of`, in UTC whatever zone they came in."""
    instant = pl.col(column).cast(pl.Datetime("us", "UTC"))
    return frame.with_columns(instant).filter(pl.col(column) <= as_of)


def _with_adverse_z(residuals: pl.DataFrame) -> pl.DataFrame:
    """The residuals with `adverse_z`: z where its side is adverse, else null."""
    is_adverse = pl.col("adverse_code").is_not_null()
    return residuals.with_columns(pl.when(is_adverse).then("z").alias("adverse_z"))


def _behind_the_states(
    found: pl.DataFrame, past: list[History], settings: AssessmentSettings
) -> pl.DataFrame:
    """The findings of the tests that the states look at."""
    recent = [t.test_id for h in past for t in h.recent(settings.recent_tests)]
    ids = pl.DataFrame({"test_id": recent}, schema={"test_id": pl.String})
    return found.join(ids, on="test_id", how="semi", maintain_order="left")


def _rounded(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.selectors.float().round_sig_figs(_SIGNIFICANT_DIGITS))
