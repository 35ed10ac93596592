"""What a standing circuit's pressure is over saturation at its own temperature.

Before the first start, liquid and vapour at rest have the pressure of saturation at the
temperature of the lines. What stands above it is gas that does not condense, or another
refrigerant; what stands below it says that no liquid is left, or that the lines are warmer
than the liquid. It tells nothing of the charge while any liquid is left. Takes the soak of
`screening` and what is noted of the tests; gives one row per test. Does not belong here: which
clamps stood off (`trust.clamp_soak`), what a deviation means (`models`).

It speaks only where the car can have come to rest: the lines within 2 K of each other (common
practice, no source), three of them at least, the gauges equal within their accuracy, and half a
minute of it. For a blend, whose standing pressure lies between bubble and dew point by how much
is liquid, the bubble point counts, and a third of the glide is uncertain.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.clamp_contact import CLAMPED
from features.instruments import COVERAGE_FACTOR
from features.refrigerant import bubble_pressure_kpa, by_refrigerant, dew_pressure_kpa
from features.uncertainty import stated_uncertainty

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from features.designations import Refrigerant
    from features.settings import DerivationSettings

    Floats = NDArray[np.float64]

PRESSURES = ("low_side_kpa", "high_side_kpa")
LEAST_SOAK_S = 30.0
_LEAST_LINES = 3
# the discharge line stands at the engine and has no liquid in it
_LINES = tuple(name for name in CLAMPED if name != "compressor_discharge_c")
_WITHIN_K = 2.0
# the liquid may stand anywhere between the coldest and the warmest line (GUM 4.3.7), and 1 K
# apart where the lines agree better (tuning value)
_RECTANGULAR = 12.0**0.5
_LEAST_APART_K = 1.0
_NAMES = ("saturated_kpa", "slope_kpa_per_k", "glide_kpa")
_STEP_K = 0.1


def check_static_pressure(
    soak: pl.DataFrame, trust: pl.DataFrame, tests: pl.DataFrame, settings: DerivationSettings
) -> pl.DataFrame:
    """One row per test that stood long and evenly enough: test_id, value and uncertainty.

    Columns static_over_saturation_kpa and static_over_saturation_uncertainty_kpa; null values
    where the refrigerant is not known.

    Parameters
    ----------
    soak
        One row per test: test_id, from_s, to_s and medians of the channels.
    trust
        Frame of TRUST: what is distrusted for all of a log does not count.
    tests
        One row per test: test_id, refrigerant, and the columns of `instruments`.
    """
    rows = _trusted(soak, trust).join(tests, on="test_id", how="left", maintain_order="left")
    rested = _rested(_with_lines(_with_gauges(rows, settings), settings))
    arrays = {"lines_c": rested["lines_c"].to_numpy()}
    found = by_refrigerant(_saturation, _NAMES, rested["refrigerant"], arrays)
    columns = [pl.Series(name, values).fill_nan(None) for name, values in found.items()]
    by_temperature = pl.col("worth_k") * pl.col("slope_kpa_per_k")
    squares = pl.col("static_uncertainty_kpa") ** 2 + by_temperature**2
    by_glide = pl.col("glide_kpa") / 3.0
    return rested.with_columns(columns).select(
        "test_id",
        static_over_saturation_kpa=pl.col("static_kpa") - pl.col("saturated_kpa"),
        static_over_saturation_uncertainty_kpa=(squares + by_glide**2).sqrt(),
    )


def _saturation(arrays: Mapping[str, Floats], refrigerant: Refrigerant) -> tuple[Floats, ...]:
    """Bubble pressure [kPa] at the lines, its slope [kPa/K], and how far the dew point is off."""
    lines_c = arrays["lines_c"]
    bubble = bubble_pressure_kpa(lines_c, refrigerant)
    above = bubble_pressure_kpa(lines_c + _STEP_K, refrigerant)
    return bubble, (above - bubble) / _STEP_K, bubble - dew_pressure_kpa(lines_c, refrigerant)


def _trusted(soak: pl.DataFrame, trust: pl.DataFrame) -> pl.DataFrame:
    """The soak without what is distrusted for most of its log; null where nothing was logged."""
    doubted = trust.filter(pl.col("distrusted_share") > 0.5)
    of = doubted.group_by("channel").agg("test_id")
    lost = dict(zip(of["channel"], of["test_id"].to_list(), strict=True))
    absent = {*PRESSURES, *_LINES} - {*soak.columns}
    complete = soak.with_columns(pl.lit(None, pl.Float64).alias(name) for name in sorted(absent))
    return complete.with_columns(
        pl.when(~pl.col("test_id").is_in(ids)).then(pl.col(name)).alias(name)
        for name, ids in lost.items()
        if name in complete.columns
    )


def _with_gauges(rows: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """The rows with the standing pressure: the mean of the gauges, by what each is worth."""
    weights = {
        name: pl.when(pl.col(name).is_not_null()).then(
            1.0 / stated_uncertainty(name, settings) ** 2
        )
        for name in PRESSURES
    }
    total = pl.sum_horizontal(weights.values())
    mean = pl.sum_horizontal(weight * pl.col(name) for name, weight in weights.items()) / total
    worth = pl.sum_horizontal(stated_uncertainty(name, settings) ** 2 for name in PRESSURES).sqrt()
    apart = pl.max_horizontal(PRESSURES) - pl.min_horizontal(PRESSURES)
    return rows.with_columns(
        static_kpa=pl.when(apart <= COVERAGE_FACTOR * worth).then(mean),
        static_uncertainty_kpa=total.sqrt().pow(-1),
    )


def _with_lines(rows: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """The rows with the temperature of the lines, how far they are apart, and what it is worth.

    One instrument's thermometers may err together: what one is worth does not average out.
    """
    worth = pl.max_horizontal(
        pl.when(pl.col(name).is_not_null()).then(stated_uncertainty(name, settings))
        for name in _LINES
    )
    apart = pl.max_horizontal(_LINES) - pl.min_horizontal(_LINES)
    unknown_k = apart.clip(lower_bound=_LEAST_APART_K) / _RECTANGULAR
    return rows.with_columns(
        lines_c=pl.mean_horizontal(_LINES),
        n_lines=pl.sum_horizontal(pl.col(name).is_not_null() for name in _LINES),
        apart_k=apart,
        worth_k=(worth**2 + unknown_k**2).sqrt(),
    )


def _rested(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(
        (pl.col("to_s") - pl.col("from_s") >= LEAST_SOAK_S)
        & (pl.col("n_lines") >= _LEAST_LINES)
        & (pl.col("apart_k") <= _WITHIN_K)
        & pl.col("static_kpa").is_not_null()
    )
