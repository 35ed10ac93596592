"""What each sensor shows over the standing car, test by test: a free point of calibration.

Before the start all lines stand at about one temperature and both gauges at its saturation
pressure. One test alone cannot say whether a difference is the car's or the instrument's;
the tests of one instrument on many cars can (`models.instrument_offsets`). Holds the table
SOAK_BIASES and `find_soak_biases`. Takes ordered samples, the soaks and the context. Does not
belong here: any verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.tables import Column, Table
from features.trust.clamp_grid import CLAMPS
from features.trust.clamp_soak import PRESSURES, find_soaks, median_of
from features.trust.ordered import TEST, Ordered
from features.trust.standing import read_standing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.settings import DerivationSettings

    Floats = NDArray[np.float64]

SOAK_BIASES = Table(
    "soak_biases",
    "one row per test and sensor that stood still before the start",
    ("test_id", "channel"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("channel", pl.String(), "", "a clamp, or one of the two gauges"),
        Column(
            "bias_k",
            pl.Float64(),
            "K",
            "a clamp: its reading over those of the other clamps and saturation; a gauge: "
            "saturation at its pressure over the middle of the clamps",
        ),
        Column("uncertainty_k", pl.Float64(), "K", "standard uncertainty of bias_k"),
        Column(
            "bias_kpa",
            pl.Float64(),
            "kPa",
            "a gauge: its pressure over saturation at the middle of the clamps, in the first "
            "seconds where the lines stood even, else in the middle of the rest; null for a clamp",
        ),
        Column(
            "is_even",
            pl.Boolean(),
            "",
            "whether the lines near the engine stood where the others did; a bias of other tests "
            "may be the car's",
        ),
    ),
)

# Lines of a car that has stood agree within 1 to 2 K (common practice): half of that.
_UNEVEN_K = 0.75
_COVERAGE = 2.0


def find_soak_biases(
    ordered: Ordered, context: pl.DataFrame, settings: DerivationSettings
) -> pl.DataFrame:
    """The SOAK_BIASES frame of all tests in the stack that have a soak."""
    if ordered.samples.is_empty() or ordered.soak.is_empty():
        return SOAK_BIASES.empty()
    soaks = find_soaks(ordered, context)
    lines_c = median_of([soaks.level[name] for name in CLAMPS])
    standing = read_standing(ordered, context)
    saturated_kpa = standing.saturation_kpa(lines_c)
    slope = standing.saturation_kpa(lines_c + 0.5) - standing.saturation_kpa(lines_c - 0.5)
    every = {name: _of_clamp(soaks.level[name] - soaks.witnesses_c(name)) for name in CLAMPS}
    for name in PRESSURES:
        # A car whose lines stand even has stood: its sides are alike when the log begins, and
        # opened doors, blower and sun part them while it waits. One that ran shortly before
        # begins with its sides apart and comes to rest later.
        read_kpa = np.where(soaks.is_cold, standing.at_begin(name), _spread(ordered, name))
        every[name] = (soaks.level[name] - lines_c, read_kpa - saturated_kpa)
    half_k = settings.pipe_temperature_accuracy_k / _COVERAGE
    gauges_kpa = {
        "low_side_kpa": settings.low_side_accuracy_kpa / _COVERAGE,
        "high_side_kpa": settings.high_side_accuracy_kpa / _COVERAGE,
    }
    parts = [
        pl.DataFrame(
            {
                "test_id": ordered.test_ids["test_id"],
                "channel": [name] * lines_c.size,
                "bias_k": bias_k,
                "uncertainty_k": np.sqrt(
                    half_k**2 + _UNEVEN_K**2 + (gauges_kpa.get(name, 0.0) / slope) ** 2
                ),
                "bias_kpa": bias_kpa,
                "is_even": soaks.is_cold,
            }
        )
        for name, (bias_k, bias_kpa) in every.items()
    ]
    known = pl.concat(parts).filter(pl.col("bias_k").is_finite())
    rounded = known.with_columns(pl.selectors.float().fill_nan(None).round(4))
    return SOAK_BIASES.conform(rounded).sort(SOAK_BIASES.key)


def _of_clamp(bias_k: Floats) -> tuple[Floats, Floats]:
    return bias_k, np.full(bias_k.size, np.nan)


def _spread(ordered: Ordered, name: str) -> Floats:
    """A channel's soak median by test, NaN where there is none."""
    every = np.full(ordered.first.size - 1, np.nan)
    soak = ordered.soak
    if name in soak.columns:
        values = soak[name].cast(pl.Float64()).fill_null(np.nan).to_numpy()
        every[soak[TEST].to_numpy()] = values
    return every
