"""How large a fault must be to be detected: shares by size, and a curve through them.

Takes tests of one fault with their size and what was said, gives a `Detection`. Sizes are
severities from 0 to 1, of faults of charge grams beyond the receiver's reserve. Does not
belong here: what counts as a fault (`true_effects`), words (`fleet_score_text`).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.shares import Share
from pipeline.true_effects import CHARGE_FAULTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_STEPS = 50
_RIDGE = 1e-3


@dataclass(frozen=True)
class Scale:
    """What the size of a fault is counted in; `column` holds it, `unit` is "" for a severity.

    `edges` of the bins, from lowest to highest; `whole` is what the curve takes for one.
    """

    column: str
    unit: str
    edges: tuple[float, ...]
    whole: float = 1.0


SEVERITY = Scale("severity", "", (0.0, 0.2, 0.4, 0.6, 0.8, 1.0))
GRAMS = Scale("beyond_reserve_g", "g", (-math.inf, 50.0, 100.0, 150.0, 200.0, math.inf), 100.0)


@dataclass(frozen=True)
class Detection:
    """Tests of one fault that moved something, by size: detected of those that were judged.

    `by_size` has one share per bin of the scale, `mean_sizes` the mean size of its tests. `i50`
    and `i90`: size at which half, and nine in ten, are detected, by the logistic `curve`
    (intercept, slope per whole); None where it does not reach it among the sizes seen.
    `n_masked` tests had the fault and moved nothing: they are not among the others.
    """

    fault: str
    scale: Scale
    by_size: tuple[Share, ...]
    mean_sizes: tuple[float | None, ...]
    detected: Share
    no_response: Share
    n_masked: int
    i50: float | None
    i90: float | None
    curve: tuple[float, float]


def scale_of(fault: str) -> Scale:
    """Grams for faults of charge, else severity."""
    return GRAMS if fault in CHARGE_FAULTS else SEVERITY


def detection_of(fault: str, tests: pl.DataFrame, n_masked: int) -> Detection:
    """The detection of one fault.

    Parameters
    ----------
    tests
        The tests that it affected: severity, beyond_reserve_g, has_response, is_alarm.
    n_masked
        Its tests in which nothing moved.
    """
    scale = scale_of(fault)
    told = tests.filter("has_response", pl.col(scale.column).is_not_null())
    size = pl.col(scale.column)
    bins = [told.filter(size > low, size <= high) for low, high in itertools.pairwise(scale.edges)]
    sizes = told[scale.column].to_numpy().astype(float)
    curve = fit_detection(sizes / scale.whole, told["is_alarm"].to_numpy().astype(float))
    highest = float(sizes.max()) if sizes.size else 0.0
    return Detection(
        fault=fault,
        scale=scale,
        by_size=tuple(alarm_share(part) for part in bins),
        mean_sizes=tuple(_mean(part[scale.column]) for part in bins),
        detected=alarm_share(told),
        no_response=Share(tests.filter(~pl.col("has_response")).height, tests.height),
        n_masked=n_masked,
        i50=_size_at(0.5, curve, scale, highest),
        i90=_size_at(0.9, curve, scale, highest),
        curve=curve,
    )


def alarm_share(tests: pl.DataFrame) -> Share:
    """Alarms of the tests that had a response."""
    told = tests.filter("has_response")
    return Share(told.filter("is_alarm").height, told.height)


def _mean(sizes: pl.Series) -> float | None:
    return float(sizes.to_numpy().mean()) if sizes.len() else None


def _size_at(
    share: float, curve: tuple[float, float], scale: Scale, highest: float
) -> float | None:
    at = severity_at(share, curve, highest / scale.whole)
    return None if at is None else at * scale.whole


def fit_detection(severity: Floats, detected: Floats) -> tuple[float, float]:
    """Intercept and slope of P(detected) = 1 / (1 + exp(-(a + b severity))).

    Maximum likelihood by Newton's steps (iteratively reweighted least squares; McCullagh and
    Nelder, Generalized Linear Models, 1989, section 4.4), with a slight ridge so that counts
    that part cleanly have a curve too.
    """
    design = np.column_stack([np.ones_like(severity), severity])
    beta = np.zeros(2)
    for _ in range(_STEPS):
        chance = chance_of_detection(severity, (float(beta[0]), float(beta[1])))
        gradient = design.T @ (detected - chance) - _RIDGE * beta
        curvature = (design * (chance * (1.0 - chance))[:, None]).T @ design
        step = np.linalg.solve(curvature + _RIDGE * np.eye(2), gradient)
        beta = beta + np.clip(step, -5.0, 5.0)
    return float(beta[0]), float(beta[1])


def chance_of_detection(severity: Floats, curve: tuple[float, float]) -> Floats:
    """P(detected) along the curve."""
    line = np.clip(curve[0] + curve[1] * severity, -30.0, 30.0)
    return np.asarray(1.0 / (1.0 + np.exp(-line)))


def severity_at(share: float, curve: tuple[float, float], highest: float = 1.0) -> float | None:
    """Severity at which the curve reaches the share; None outside 0 to `highest`, or falling."""
    intercept, slope = curve
    if slope <= 0.0:
        return None
    severity = (np.log(share / (1.0 - share)) - intercept) / slope
    return float(severity) if 0.0 <= severity <= highest else None
