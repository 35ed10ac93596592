"""What is normal for one kind of rows, learned once and judged by ever after.

Takes the arrays of a fleet, gives a `Norm`: the fits of every group and the yardstick of how
far healthy cars stray. Nothing else of the fleet is looked at when a test is judged. Does not
belong here: how groups are fitted (`comparison`), what the yardstick is made of (`scores`),
frames (`residuals`), all norms of a fleet together (`frozen`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.comparison import compare, fit_groups
from models.reasons import NUMBER, NotAssessable
from models.scores import learn, score

if TYPE_CHECKING:
    from models.comparison import Comparison, FittedGroups, Fleet
    from models.conditions import Numbers
    from models.scores import Scores, Yardstick
    from models.settings import AssessmentSettings


@dataclass(frozen=True)
class Norm:
    """What is expected of a value, by group, and how far healthy cars stray from it."""

    groups: FittedGroups
    yardstick: Yardstick


@dataclass(frozen=True)
class Judged:
    """A fleet compared and scored; `reasons` (n, features) is 0 where a value can be judged."""

    comparison: Comparison
    reasons: Numbers
    scores: Scores


def learn_norm(fleet: Fleet, settings: AssessmentSettings) -> tuple[Norm, Judged]:
    """What is normal by the rows of a fleet, and the fleet judged by it."""
    groups, comparison = fit_groups(fleet, settings)
    reasons = all_reasons(fleet, comparison, settings)
    yardstick, scores = learn(fleet, comparison, reasons == 0, settings)
    return Norm(groups, yardstick), Judged(comparison, reasons, scores)


def judge_by(fleet: Fleet, norm: Norm, settings: AssessmentSettings) -> Judged:
    """A fleet judged by what was learned of it, or of one before."""
    comparison = compare(fleet, norm.groups, settings)
    reasons = all_reasons(fleet, comparison, settings)
    return Judged(comparison, reasons, score(fleet, comparison, reasons == 0, norm.yardstick))


def all_reasons(fleet: Fleet, comparison: Comparison, settings: AssessmentSettings) -> Numbers:
    """The reasons of the comparison, overruled by what is wrong with the value itself."""
    reasons = comparison.expectation.reasons.copy()
    limits = settings.largest_relative_uncertainty * np.array(
        [feature.least_effect for feature in fleet.features]
    )
    with np.errstate(invalid="ignore"):
        reasons[fleet.uncertainties > limits] = NUMBER[NotAssessable.TOO_UNCERTAIN]
    reasons[~np.isfinite(fleet.uncertainties)] = NUMBER[NotAssessable.UNCERTAINTY_NOT_KNOWN]
    reasons[~np.isfinite(fleet.values)] = NUMBER[NotAssessable.NOT_KNOWN]
    return reasons
