"""What workshops found, as the share of each cause: published shares brought up to date.

Takes dispositions in force, gives counts per model, and from these and published shares the
shares before anything is measured. Dirichlet update in two stages: against what was found on
other models the published shares weigh as much as `PUBLISHED_CARS` cars; the shares of the
fleet that this gives weigh as much as `FLEET_CARS` cars of the model. Source of the form: the
Dirichlet distribution is conjugate to counts of kinds (Gelman and others, Bayesian Data
Analysis, section 3.4, from memory). Does not belong here: the published shares
(`causes_priors`), which rows count (`dispositions`).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from models.disposition_tables import Kind, Outcome
from models.fault_signs import CAUSE_WORDS
from models.fault_signs_numbers import NONE, SENSOR
from models.fault_signs_sensors import SENSORS

if TYPE_CHECKING:
    from collections.abc import Mapping

# Cars that were looked at which the shares before count for [default, tune on data].
PUBLISHED_CARS, FLEET_CARS = 40.0, 20.0
_NAMEABLE = (*CAUSE_WORDS, *(f"{SENSOR}:{channel}" for channel in SENSORS))


@dataclass(frozen=True)
class Found:
    """How often each cause was found on cars of one model, and on those of all others."""

    own: Mapping[str, int] = field(default_factory=dict)
    others: Mapping[str, int] = field(default_factory=dict)

    @property
    def n_own(self) -> int:
        """Cars of the model that were looked at."""
        return sum(self.own.values())

    @property
    def n_others(self) -> int:
        """Cars of other models that were looked at."""
        return sum(self.others.values())


NOTHING_FOUND = Found()


def cause_code(text: str | None) -> str | None:
    """The code of a cause as a person wrote it, `Low charge` or `low_charge`; None: no such."""
    code = (text or "").strip().lower().replace("-", "_").replace(" ", "_")
    return code if code in _NAMEABLE else None


def found_causes(counted: pl.DataFrame, vehicles: pl.DataFrame) -> dict[str, Found]:
    """What was found, by model: of one car and test the last word counts.

    Parameters
    ----------
    counted : frame
        Dispositions in force at the instant of the judgement, in the order of the file. A row
        counts when it names a cause of the list, or says that nothing was wrong.
    vehicles : frame
        vehicle_id, model_id.
    """
    looked = (
        counted.filter(pl.col("kind") == Kind.FOUND.code)
        .unique(["vehicle_id", "test_id"], keep="last", maintain_order=True)
        .join(vehicles.select("vehicle_id", "model_id"), on="vehicle_id")
    )
    by_model: dict[str, Counter[str]] = {}
    for model, outcome, text in looked.select("model_id", "outcome", "cause").iter_rows():
        code = _found(outcome, text)
        if code is not None:
            by_model.setdefault(model, Counter())[code] += 1
    total = sum(by_model.values(), Counter[str]())
    models = vehicles["model_id"].drop_nulls().unique().to_list()
    own = {model: by_model.get(model, Counter[str]()) for model in models}
    return {model: Found(counts, total - counts) for model, counts in own.items()}


def _found(outcome: str | None, text: str | None) -> str | None:
    if outcome == Outcome.NO_FAULT_FOUND.code:
        return NONE
    if outcome in {Outcome.CONFIRMED.code, Outcome.OTHER_CAUSE.code}:
        return cause_code(text)
    return None


def updated(published: Mapping[str, float], found: Found) -> dict[str, float]:
    """Shares of all causes, summing to one, after what was found on cars of the fleet."""
    total = sum(published.values())
    shares = {cause: share / total for cause, share in published.items()}
    return _stage(_stage(shares, found.others, PUBLISHED_CARS), found.own, FLEET_CARS)


def _stage(
    shares: Mapping[str, float], counts: Mapping[str, int], weight: float
) -> dict[str, float]:
    """Mean of the Dirichlet distribution after the counts."""
    total = weight + sum(counts.get(cause, 0) for cause in shares)
    return {
        cause: (weight * share + counts.get(cause, 0)) / total for cause, share in shares.items()
    }
