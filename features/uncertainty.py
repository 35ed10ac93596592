"""Standard uncertainty of every feature: what the sensors allow and what the test scattered.

First order of the GUM (JCGM 100:2008, 5.1.2): the squares of sensitivity times standard
uncertainty of each input add up, the inputs taken as independent. A sensor's own error
does not average out over a test; scatter does. Expression functions over the columns of
one feature row. Does not belong here: definitions and sensitivities (`catalogue`), what
an instrument states (`instruments`).

What a sensor is off by, where each component comes from
- sensor: what its instrument states (95 %, and its display), else the settings;
- contact of a clamp: corrected where it is known, its rest or all of it here (`clamp_contact`);
- drop between clamp and port: of one line beside each other little, else what a suction line or
  a condenser loses at workshop flow. It has one sign, but nothing is added to what a gauge
  reads for it: most of it is of the design and cancels between cars of a model;
- air that stands in for another: how much the difference varies between tests;
- scatter: of windows and of the test's drift.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.air_columns import BOTH_SIDES, NOTED
from features.clamp_contact import CLAMPED, contact_uncertainty
from features.instruments import COVERAGE_FACTOR, SENSORS, sensor_column

if TYPE_CHECKING:
    from features.records import Feature, Port
    from features.settings import DerivationSettings

# Variance of the median over that of the mean for normal values: pi / 2.
_MEDIAN_VARIANCE = 1.5708
# Columns of a feature row that say how it was measured; `context` has the first three.
CIRCUMSTANCES = ("low_port_station", "high_port_station", "clamps_insulated")


def sensor_uncertainty(feature: Feature, settings: DerivationSettings) -> pl.Expr:
    """Standard uncertainty of a feature by its sensors alone, in the feature's unit.

    Reads the columns that the feature's sensitivities name, `CIRCUMSTANCES`,
    condenser_air_source, duct_air_source, the columns of `instruments`, and for a clamp its
    own reading and the air around it (`clamp_contact`), for the intake intake_stray_k.
    """
    terms = [
        (sensitivity * _standard_uncertainty(name, feature, settings)) ** 2
        for name, sensitivity in feature.sensitivities.items()
    ]
    return pl.fold(pl.lit(0.0), lambda total, term: total + term, terms).sqrt()


def scatter_uncertainty(n_units: pl.Expr, between: pl.Expr, within: pl.Expr) -> pl.Expr:
    """Standard uncertainty of the median over windows by the scatter of the test.

    What the windows' own noise explains averages out over them. What they differ by beyond
    it is drift: the car has not come to rest, and more windows of it do not make it so.
    Cycles have no noise of their own and are taken as independent.

    Parameters
    ----------
    n_units
        Windows (or cycles) with a value.
    between
        Variance of their values; null with one.
    within
        Mean variance of a single value by the scatter inside its window; null for cycles.
    """
    of_median = pl.when(n_units > 2).then(_MEDIAN_VARIANCE).otherwise(1.0)
    # variance of n normal values scatters by sqrt(2 / (n - 1)) of itself: within two such
    # standard deviations there is no drift to be seen
    unseen = within * (1.0 + 2.0 * (2.0 / (n_units - 1)).sqrt())
    drift = pl.when(between > unseen).then(between - within).otherwise(0.0)
    noise = pl.when(drift > 0).then(within).otherwise(pl.max_horizontal(between, within))
    return (noise * of_median / n_units + drift).sqrt()


def mean_variance(variance: pl.Expr, squared_steps: pl.Expr, count: pl.Expr) -> pl.Expr:
    """Variance of a mean of autocorrelated values: variance / n (1 + r) / (1 - r).

    The lag-one autocorrelation r comes from the mean squared step (von Neumann's ratio),
    taken between 0 and 0.9.
    """
    lag_one = (1.0 - squared_steps / (2.0 * variance)).clip(0.0, 0.9)
    effective = (count * (1.0 - lag_one) / (1.0 + lag_one)).clip(lower_bound=1.0)
    return pl.when(variance > 0).then(variance / effective).otherwise(variance)


def _standard_uncertainty(name: str, feature: Feature, settings: DerivationSettings) -> pl.Expr:
    if name == "tap_drop_k":
        return _port_uncertainty(feature.port, settings)
    return channel_uncertainty(name, settings)


def channel_uncertainty(name: str, settings: DerivationSettings) -> pl.Expr:
    """Standard uncertainty of a channel by sensor, clamp and place, in its unit."""
    if name == "condenser_air_c":
        return _condenser_air_uncertainty(settings)
    if name == "duct_air_c":
        return _duct_uncertainty(settings)
    if name == "intake_air_c":
        return _root_sum(
            stated_uncertainty(name, settings), pl.col("intake_stray_k").fill_null(0.0)
        )
    if name in CLAMPED:
        return _root_sum(stated_uncertainty(name, settings), contact_uncertainty(name, settings))
    return stated_uncertainty(name, settings)


def stated_uncertainty(name: str, settings: DerivationSettings) -> pl.Expr:
    """By the instrument where it states its accuracy, else by the settings."""
    default = pl.lit(_accuracy(name, settings) / COVERAGE_FACTOR)
    return pl.coalesce(sensor_column(name), default) if name in SENSORS else default


def _port_uncertainty(port: Port | None, settings: DerivationSettings) -> pl.Expr:
    """The drop between clamp and port; a port whose place is not known may be elsewhere."""
    near = pl.lit(settings.tap_drop_accuracy_k)
    if port is None:
        return near / COVERAGE_FACTOR
    far = pl.lit(
        settings.far_low_port_drop_accuracy_k
        if port.column == "low_port_station"
        else settings.far_high_port_drop_accuracy_k
    )
    is_near = pl.col(port.column).eq_missing(pl.lit(port.station))
    return pl.when(is_near).then(near).otherwise(far) / COVERAGE_FACTOR


def _condenser_air_uncertainty(settings: DerivationSettings) -> pl.Expr:
    source = pl.col("condenser_air_source")
    stand_in = pl.lit(settings.condenser_air_stand_in_accuracy_k / COVERAGE_FACTOR)
    return (
        pl.when(source == NOTED)
        .then(_root_sum(pl.lit(settings.noted_air_accuracy_k / COVERAGE_FACTOR), stand_in))
        .when(source == "ambient_air_c")
        .then(_root_sum(stated_uncertainty("ambient_air_c", settings), stand_in))
        .otherwise(stated_uncertainty("condenser_inlet_air_c", settings))
    )


def _duct_uncertainty(settings: DerivationSettings) -> pl.Expr:
    """Of one duct sensor, of the mean of two (which may err together), of one side alone."""
    source = pl.col("duct_air_source")
    left, right = (stated_uncertainty(name, settings) for name in ("duct_left_c", "duct_right_c"))
    side = pl.lit(settings.duct_side_accuracy_k / COVERAGE_FACTOR)
    return (
        pl.when(source == BOTH_SIDES)
        .then((left + right) / 2.0)
        .when(source == "duct_left_c")
        .then(_root_sum(left, side))
        .when(source == "duct_right_c")
        .then(_root_sum(right, side))
        .otherwise(stated_uncertainty("duct_air_c", settings))
    )


def _root_sum(one: pl.Expr, other: pl.Expr) -> pl.Expr:
    return (one**2 + other**2).sqrt()


def _accuracy(name: str, settings: DerivationSettings) -> float:
    """Half width of the 95 % interval of a channel's sensor, where no instrument states one."""
    named = {
        "low_side_kpa": settings.low_side_accuracy_kpa,
        "high_side_kpa": settings.high_side_accuracy_kpa,
        "intake_humidity_pct": settings.humidity_accuracy_pct,
    }
    if name in named:
        return named[name]
    if name in CLAMPED:
        return settings.pipe_temperature_accuracy_k
    return settings.air_temperature_accuracy_k
