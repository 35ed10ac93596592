"""P-values of quantities straying together: counted among the mirror images of healthy cars.

Takes likelihood ratios of rows and of their mirror images (`adverse_likelihood`), gives
p-values. A row is counted among the mirror images whose likeliest direction is its own:
some faults are about the mirror image of others, and theirs would stand in the way of all.
Where such images are few, the ratio itself is the measure: under the law of healthy cars it
exceeds 1 / p with a chance of at most p (Markov's inequality), and in fact more rarely.
Does not belong here: single quantities, the counting itself (`calibration`, `mirror`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from models.calibration import (
    Calibrated,
    CalibrationUnit,
    Kinship,
    calibrate,
    learn_units,
)
from models.directions import DIRECTIONS

if TYPE_CHECKING:
    from models.adverse_likelihood import Adverse
    from models.conditions import Array, Numbers

# Mirror images of one direction that suffice to count among; the shape of the tail is that
# of all directions together [default, tune on data].
_LEAST_IMAGES = 60
# The size of an image that must not count as standing out.
_HARDLY = 1e-9
# Among 10,000 healthy rows of fourteen quantities a ratio r was about as rare as
# 1 / (1 + r exp(2)) where they were Student's t with 5, and rarer where normal [computed].
_RARER = 2.0
_LEAST_PROBABILITY = 1e-300
_UPWARD = np.array([1])


@dataclass(frozen=True)
class AdverseUnits:
    """What rows are counted among: every image, and those that lead before their own row.

    Images that stand out less than their own row may be those of faulty cars. By symmetry
    they are no more among healthy cars than the others: twice the others bounds them.
    """

    every: tuple[CalibrationUnit, ...]
    leading: tuple[CalibrationUnit, ...]


def learn_adverse(adverse: Adverse, kinship: Kinship) -> AdverseUnits:
    """The mirror images of each car's latest row of a kind, by their likeliest direction."""
    rows, images = _scores(adverse.ratio), _scores(adverse.mirrored)
    leads = (images > rows) | np.isnan(images)
    leading = np.where(leads, images, np.minimum(images, _HARDLY))
    among = _by_direction(kinship, adverse.mirrored_direction)
    # images stand on the healthy side, which is below nought
    every, few = (
        learn_units(-scores[:, None], _UPWARD, among, _LEAST_IMAGES) for scores in (images, leading)
    )
    return AdverseUnits(every, few)


def calibrate_adverse(adverse: Adverse, kinship: Kinship, units: AdverseUnits) -> Calibrated:
    """P-values (n, 1) of the rows, counted among the images that were learned."""
    scores = _scores(adverse.ratio)[:, None]
    among = _by_direction(kinship, adverse.direction)
    every = calibrate(scores, _UPWARD, among, units.every)
    leading = calibrate(scores, _UPWARD, among, units.leading)
    # sizes are one side of two
    p_values = np.minimum(np.minimum(2.0 * every.p_values, 4.0 * leading.p_values), 1.0)
    return replace(every, p_values=p_values)


def _scores(ratios: Array) -> Array:
    """Sizes of normal scores about as rare as the ratio is among healthy rows."""
    known = np.isfinite(ratios)
    rarity = np.exp(-np.logaddexp(0.0, np.where(known, ratios, 0.0) + _RARER))
    scores = -ndtri(0.5 * np.maximum(rarity, _LEAST_PROBABILITY))
    return np.where(known, np.maximum(scores, _HARDLY), np.nan)


def _by_direction(kinship: Kinship, directions: Numbers) -> Kinship:
    """Every unit parted by direction; what has no name stays without."""
    codes = np.array([f"\n{direction.code}" for direction in DIRECTIONS])[directions]
    model, pool, kind = (
        np.where(names == "", "", np.char.add(names.astype(str), codes))
        for names in (kinship.model, kinship.pool, kinship.kind)
    )
    return replace(kinship, model=model, pool=pool, kind=kind)
