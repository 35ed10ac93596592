"""Models that the fleet has never seen: each judged by baselines fitted without it.

Takes the inputs of a judgement and the truth per test, fits once per model without its tests,
judges that model's cars, gives a `HeldOut`. Such cars have only the pool of their architecture
to be compared with. Does not belong here: the judgement itself (`models.assess`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from models.assess import fit, judge
from pipeline.detection_curves import alarm_share
from pipeline.score_fleet import Judged, Precision, precision_of, true_cars, with_what_was_said
from pipeline.shares import Share
from pipeline.true_effects import AFFECTED, HEALTHY

if TYPE_CHECKING:
    from datetime import datetime

    from models.assess import AssessmentInputs
    from models.settings import AssessmentSettings
    from pipeline.progress import Progress


@dataclass(frozen=True)
class HeldOutModel:
    """One model judged without its own kind; `n_vehicles` of it were tested."""

    model_id: str
    n_vehicles: int
    detected: Share
    false_alarms: Share
    no_response: Share


@dataclass(frozen=True)
class HeldOut:
    """All models, each judged without its own kind."""

    precision: Precision
    detected: Share
    false_alarms: Share
    no_response: Share
    false_service: Share
    models: tuple[HeldOutModel, ...]


@dataclass(frozen=True)
class HeldOutOrder:
    """What is judged, by which settings, as of when."""

    inputs: AssessmentInputs
    settings: AssessmentSettings
    as_of: datetime


def score_held_out(
    truth: pl.DataFrame, strata: pl.DataFrame, order: HeldOutOrder, progress: Progress
) -> HeldOut:
    """Every model judged by the others; `truth` and `strata` as in `score_fleet`."""
    models = order.inputs.context["model_id"].drop_nulls().unique().sort().to_list()
    progress.begin("Judging each model by the others", len(models))
    tests, cars, by_model = [], [], []
    for model_id in models:
        judged = _judged_without(model_id, order, strata)
        mine = truth.join(judged.strata.select("test_id"), on="test_id", how="semi")
        said = with_what_was_said(mine, judged)
        tests.append(said)
        cars.append(true_cars(mine, judged.states))
        by_model.append(_of_model(model_id, said))
        progress.advance()
    return _together(pl.concat(tests), pl.concat(cars), tuple(by_model))


def _judged_without(model_id: str, order: HeldOutOrder, strata: pl.DataFrame) -> Judged:
    context = order.inputs.context
    is_mine = pl.col("model_id") == model_id
    others = replace(order.inputs, context=context.filter(~is_mine))
    mine = replace(
        order.inputs,
        context=context.filter(is_mine),
        vehicles=order.inputs.vehicles.filter(is_mine),
    )
    baselines = fit(others, order.settings, order.as_of).baselines
    assessed = judge(mine, baselines, order.settings, order.as_of)
    own = strata.join(mine.context.select("test_id"), on="test_id", how="semi")
    return Judged(assessed.assessments, assessed.states, own)


def _of_model(model_id: str, tests: pl.DataFrame) -> HeldOutModel:
    return HeldOutModel(
        model_id,
        tests["vehicle_id"].n_unique(),
        alarm_share(tests.filter(standing=AFFECTED)),
        alarm_share(tests.filter(standing=HEALTHY)),
        _no_response(tests),
    )


def _together(tests: pl.DataFrame, cars: pl.DataFrame, models: tuple[HeldOutModel, ...]) -> HeldOut:
    healthy = cars.filter(standing=HEALTHY)
    return HeldOut(
        precision=precision_of(cars),
        detected=alarm_share(tests.filter(standing=AFFECTED)),
        false_alarms=alarm_share(tests.filter(standing=HEALTHY)),
        no_response=_no_response(tests),
        false_service=Share(healthy.filter(state="service").height, healthy.height),
        models=models,
    )


def _no_response(tests: pl.DataFrame) -> Share:
    return Share(tests.filter(~pl.col("has_response")).height, tests.height)
