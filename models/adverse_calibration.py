"""P-values of quantities straying together: counted among the mirror images of healthy cars.

Takes likelihood ratios of rows and of their mirror images (`adverse_likelihood`), gives
p-values. A row is counted among the mirror images whose likeliest direction is its own:
some faults are about the mirror image of others, and theirs would stand in the way of all.
Where such images are few, the ratio itself is the measure: under the law of healthy cars it
exceeds 1 / p with a chance of at most p (Markov's inequality), and in fact more rarely.
Does not belong here: single quantities, the counting itself (`calibration`, `mirror`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from models.calibration import Calibrated, Kinship, calibrate
from models.directions import DIRECTIONS

if TYPE_CHECKING:
    from models.adverse_likelihood import Adverse
    from models.conditions import Array, Numbers

# Mirror images of one direction that suffice to count among; the shape of the tail is that
# of all directions together [default, tune on data].
_LEAST_IMAGES = 60
# An image that must not count as standing out.
_HARDLY = 1e-9
# Among 10,000 healthy rows of fourteen quantities a ratio r was about as rare as
# 1 / (1 + r exp(2)) where they were Student's t with 5, and rarer where normal [computed].
_RARER = 2.0
_LEAST_PROBABILITY = 1e-300


def calibrate_adverse(adverse: Adverse, kinship: Kinship) -> Calibrated:
    """P-values (n, 1) of the rows; the images of each car's latest row stand for healthy cars.

    Images that stand out less than their own row may be those of faulty cars. By symmetry
    they are no more among healthy cars than the others: twice the others bounds them.
    """
    rows, images = _scores(adverse.ratio), _scores(adverse.mirrored)
    stacked = _stacked(adverse, kinship)
    every = _among(rows, images, stacked)
    leads = images > rows
    leading = np.where(leads | np.isnan(images), images, np.minimum(images, _HARDLY))
    twice = 2.0 * _among(rows, leading, stacked).p_values
    return replace(every, p_values=np.minimum(np.minimum(every.p_values, twice), 1.0))


def _stacked(adverse: Adverse, kinship: Kinship) -> Kinship:
    """Kinship of the rows and, below them, of their images, each by its likeliest direction."""
    directions = np.concatenate([adverse.direction, adverse.mirrored_direction])
    units = (kinship.model, kinship.pool, kinship.kind)
    model, pool, kind = (_by_direction(unit, directions) for unit in units)
    is_image = np.concatenate([np.zeros(len(directions) // 2, dtype=bool), kinship.is_latest])
    return Kinship(model, pool, kind, is_image, np.vstack([kinship.strata, kinship.strata]))


def _among(rows: Array, images: Array, stacked: Kinship) -> Calibrated:
    """The rows counted among images, which stand on the healthy side."""
    scores = np.concatenate([rows, -images])[:, None]
    found = calibrate(scores, np.array([1]), stacked, _LEAST_IMAGES)
    n = rows.size
    return Calibrated(2.0 * found.p_values[:n], found.codes[:n], found.vehicles[:n])


def _scores(ratios: Array) -> Array:
    """Sizes of normal scores about as rare as the ratio is among healthy rows."""
    known = np.isfinite(ratios)
    rarity = np.exp(-np.logaddexp(0.0, np.where(known, ratios, 0.0) + _RARER))
    scores = -ndtri(0.5 * np.maximum(rarity, _LEAST_PROBABILITY))
    return np.where(known, scores, np.nan)


def _by_direction(units: Numbers, directions: Numbers) -> Numbers:
    """Units numbered apart by direction; -1 stays none."""
    twice = np.concatenate([units, units])
    return np.where(twice < 0, -1, twice * len(DIRECTIONS) + directions)
