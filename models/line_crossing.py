"""When a straight line through the visits of a car crosses the edge of its band.

Array functions over many series of equal length: least squares with a noise that the fleet
has told, and Fieller's interval for the time of crossing, which is open where the data
allow that it never crosses. Does not belong here: subcooling, which falls along a hinge
(`hinge`), and the choice of the edge (`drift`).

Source: Fieller, J. R. Statist. Soc. B 16 (1954) 175 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lines:
    """Least-squares lines of many series, (m,) each; `mean` is the level at `centre`.

    `weight` is the sum of squared times about the centre; `noise` has `freedom` degrees of
    freedom, those of the fleet's estimate and those of the series.
    """

    centre: Array
    mean: Array
    slope: Array
    weight: Array
    noise: Array
    freedom: Array
    count: int

    @property
    def slope_p(self) -> Array:
        """Two-sided p-values of the slopes against none."""
        score = np.abs(self.slope) * np.sqrt(self.weight) / self.noise
        return np.asarray(2.0 * stdtr(self.freedom, -score))


@dataclass(frozen=True)
class Crossing:
    """Times of crossing, (m,): likely, earliest, latest; infinite means never."""

    likely: Array
    earliest: Array
    latest: Array


def fit_lines(times: Array, values: Array, noise: Array, freedom: Array) -> Lines:
    """Lines of series (m, n), their noise joined to what the fleet says of it.

    Parameters
    ----------
    times, values : (m, n)
    noise, freedom : (m,)
        Standard deviation between visits as the fleet has it, and the degrees of freedom
        that this is worth.
    """
    count = times.shape[1]
    centre, mean = times.mean(axis=1), values.mean(axis=1)
    away = times - centre[:, None]
    weight = (away**2).sum(axis=1)
    slope = (away * values).sum(axis=1) / weight
    left = values - mean[:, None] - slope[:, None] * away
    total = freedom + count - 2
    joined = np.sqrt((freedom * noise**2 + (left**2).sum(axis=1)) / total)
    return Lines(centre, mean, slope, weight, joined, total, count)


def crossing_times(lines: Lines, edge: Array, confidence: float) -> Crossing:
    """When each line reaches its edge, coming from the side of zero.

    All times at which the data do not exclude, at this confidence, that the true line
    stands at the edge, from the first of them on: where the slope may be none, the interval
    is open to the right.
    """
    share = stdtrit(lines.freedom, 0.5 + 0.5 * confidence) ** 2 * lines.noise**2
    towards = np.sign(edge)
    gap, slope = towards * (edge - lines.mean), towards * lines.slope
    # (gap - slope u)^2 = share (1 / n + u^2 / weight), u from the centre
    square = slope**2 - share / lines.weight
    constant = gap**2 - share / lines.count
    root = np.sqrt(np.maximum((gap * slope) ** 2 - square * constant, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        first = (gap * slope - root) / square
        second = (gap * slope + root) / square
        likely = np.where(slope > 0, gap / slope, np.inf)
    is_sure = square > 0
    early, late = np.minimum(first, second), np.maximum(first, second)
    # not sure of the slope, two stretches stay open, before the earlier root and from the
    # later one on: a car inside its band is looked at ahead, one outside of it back
    inside, outside = constant > 0, (constant > 0) & (gap < 0)
    earliest = np.where(is_sure, early, np.where(inside & ~outside, late, -np.inf))
    latest = np.where(is_sure, late, np.where(outside, early, np.inf))
    # a slope that is surely away from the edge never leads there
    away = is_sure & (slope < 0)
    earliest = np.where(away, np.inf, earliest)
    latest = np.where(away, np.inf, latest)
    centre = lines.centre
    return Crossing(likely + centre, earliest + centre, latest + centre)
