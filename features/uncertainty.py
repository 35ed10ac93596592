"""Standard uncertainty of every feature: what the sensors allow and what the test scattered.

First order of the GUM (JCGM 100:2008, 5.1.2): the squares of sensitivity times standard
uncertainty of each input add up, the inputs taken as independent. A sensor's own error
does not average out over a test; scatter does. Expression functions over the columns of
one feature row. Does not belong here: definitions and sensitivities (`catalogue`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.air_columns import NOTED
from features.channels import CHANNEL

if TYPE_CHECKING:
    from features.catalogue import Feature
    from features.settings import DerivationSettings

# Half width of a 95 % interval in standard deviations, GUM 6.3.3 (k = 2).
_COVERAGE_FACTOR = 2.0
# Variance of the median over that of the mean for normal values: pi / 2.
_MEDIAN_VARIANCE = 1.5708
_PIPES = ("1", "2", "3", "4", "5", "6", "7", "7 rear")


def sensor_uncertainty(feature: Feature, settings: DerivationSettings) -> pl.Expr:
    """Standard uncertainty of a feature by its sensors alone, in the feature's unit.

    Reads the columns that the feature's sensitivities name, and condenser_air_source.
    """
    terms = [
        (sensitivity * _standard_uncertainty(name, settings)) ** 2
        for name, sensitivity in feature.sensitivities.items()
    ]
    return pl.fold(pl.lit(0.0), lambda total, term: total + term, terms).sqrt()


def scatter_uncertainty(n_units: pl.Expr, between: pl.Expr, within: pl.Expr) -> pl.Expr:
    """Standard uncertainty of the median over windows by the scatter of the test.

    Parameters
    ----------
    n_units
        Windows (or cycles) with a value.
    between
        Variance of their values; null with one.
    within
        Mean variance of a single value by the scatter inside its window; null for cycles.
    """
    variance = pl.max_horizontal(between, within)
    of_median = pl.when(n_units > 2).then(_MEDIAN_VARIANCE).otherwise(1.0)
    return (variance * of_median / n_units).sqrt()


def mean_variance(variance: pl.Expr, squared_steps: pl.Expr, count: pl.Expr) -> pl.Expr:
    """Variance of a mean of autocorrelated values: variance / n (1 + r) / (1 - r).

    The lag-one autocorrelation r comes from the mean squared step (von Neumann's ratio),
    taken between 0 and 0.9.
    """
    lag_one = (1.0 - squared_steps / (2.0 * variance)).clip(0.0, 0.9)
    effective = (count * (1.0 - lag_one) / (1.0 + lag_one)).clip(lower_bound=1.0)
    return pl.when(variance > 0).then(variance / effective).otherwise(variance)


def _standard_uncertainty(name: str, settings: DerivationSettings) -> pl.Expr:
    if name == "condenser_air_c":
        accuracy = (
            pl.when(pl.col("condenser_air_source") == NOTED)
            .then(settings.noted_air_accuracy_k)
            .otherwise(settings.air_temperature_accuracy_k)
        )
        return accuracy / _COVERAGE_FACTOR
    return pl.lit(_accuracy(name, settings) / _COVERAGE_FACTOR)


def _accuracy(name: str, settings: DerivationSettings) -> float:
    """Half width of the 95 % interval of an input: a channel, or the drop to the port."""
    named = {
        "low_side_kpa": settings.low_side_accuracy_kpa,
        "high_side_kpa": settings.high_side_accuracy_kpa,
        "tap_drop_k": settings.tap_drop_accuracy_k,
    }
    if name in named:
        return named[name]
    if CHANNEL[name].station in _PIPES:
        return settings.pipe_temperature_accuracy_k
    return settings.air_temperature_accuracy_k
