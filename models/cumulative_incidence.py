"""Cumulative incidence: how many come back by some exposure, when others leave before.

The estimator of Aalen and Johansen for one event beside a competing one, with its variance,
on arrays. A car that has left cannot come back, and one that is only not followed long enough
still may: both are kept apart here. Does not belong here: what counts as coming back
(`comebacks`).

Source: Aalen & Johansen, Scand. J. Statist. 5 (1978) 141; variance as in Marubini & Valsecchi,
Analysing Survival Data (1995), chapter 10 (from memory; without censoring it is F (1 - F) / n).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

STILL_FOLLOWED, CAME_BACK, LEFT = 0, 1, 2

# ends of a 90 % interval
_ENDS = np.array([0.05, 0.95])


@dataclass(frozen=True)
class Incidence:
    """Share that came back by each exposure at which anything happened, (k,) each.

    `followed` (n,) is how far each car was followed.
    """

    exposure: Array
    share: Array
    standard_error: Array
    followed: Array

    def at(self, exposure: float) -> tuple[float, float]:
        """Share and its standard error at an exposure; zero before the first event."""
        place = int(np.searchsorted(self.exposure, exposure, side="right")) - 1
        if place < 0:
            return 0.0, 0.0
        return float(self.share[place]), float(self.standard_error[place])

    def interval_at(self, exposure: float) -> tuple[float, float, float]:
        """Share at an exposure with the ends of its 90 % interval.

        As of a share of so many cars as would have this standard error (Jeffreys' interval);
        without an event, of those followed so far.
        """
        share, error = self.at(exposure)
        followed = float((self.followed >= exposure).sum())
        cars = share * (1.0 - share) / error**2 if error > 0.0 else max(followed, 0.5)
        low, high = betaincinv(share * cars + 0.5, (1.0 - share) * cars + 0.5, _ENDS)
        return share, min(float(low), share), max(float(high), share)


def cumulative_incidence(followed: Array, ended_as: Codes) -> Incidence:
    """The share that came back, by exposure.

    Parameters
    ----------
    followed : (n,) exposure until the end of the follow-up.
    ended_as : (n,) STILL_FOLLOWED, CAME_BACK or LEFT.
    """
    times, place = np.unique(followed, return_inverse=True)
    came = np.bincount(place, ended_as == CAME_BACK, times.size).astype(np.float64)
    left = np.bincount(place, ended_as == LEFT, times.size).astype(np.float64)
    gone = np.bincount(place, minlength=times.size)
    at_risk = followed.size - np.r_[0, np.cumsum(gone)[:-1]].astype(np.float64)
    event = (came + left) > 0
    times, came, left, at_risk = times[event], came[event], left[event], at_risk[event]
    any_event = came + left
    before = np.r_[1.0, np.cumprod(1.0 - any_event / at_risk)[:-1]] if times.size else times
    share = np.cumsum(before * came / at_risk)
    return Incidence(times, share, np.sqrt(_variance(share, before, came, left, at_risk)), followed)


def _variance(share: Array, before: Array, came: Array, left: Array, at_risk: Array) -> Array:
    """Delta method: sums over the events so far of terms in F(t) - F(t_j), expanded."""
    every = came + left
    spare = np.where(at_risk > every, at_risk * (at_risk - every), np.inf)
    greenwood = every / spare
    own = before**2 * came * (at_risk - came) / at_risk**3
    cross = before * came / at_risk**2
    first = share**2 * np.cumsum(greenwood) - 2 * share * np.cumsum(greenwood * share)
    first += np.cumsum(greenwood * share**2)
    last = share * np.cumsum(cross) - np.cumsum(cross * share)
    return np.maximum(first + np.cumsum(own) - 2.0 * last, 0.0)
