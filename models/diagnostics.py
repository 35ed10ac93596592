"""Diagnostic quantities: compared with the baseline like judged ones, yet never a finding.

Holds the list `DIAGNOSTIC`, what is normal of them (`learn_diagnostics`), and
`diagnostic_frame`: one row per test, regime and quantity with
its z. They tell causes apart once something else has found that the car strays. Standing
pressure needs no baseline: a circuit at rest with clean refrigerant holds saturation. Does
not belong here: naming causes (`causes`), the quantities themselves (`features`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.catalogue import FEATURE
from features.regimes import WHOLE_TEST
from models.adverse_calibration import AdverseUnits
from models.comparison import compare, fit_groups
from models.findings import JudgedFeature
from models.fleet_spread import fleet_spread, fleet_tail, learn_priors, moderated_spreads
from models.norms import Norm, all_reasons
from models.residuals import fleet_of, rows_to_compare
from models.scores import Yardstick

if TYPE_CHECKING:
    from models.comparison import Comparison, Fleet
    from models.conditions import Array
    from models.settings import AssessmentSettings

# Least effects and floors of spread: common practice, no source; to be tuned on data.
DIAGNOSTIC: tuple[JudgedFeature, ...] = (
    JudgedFeature("discharge_over_reference_k", "discharge line over a reference compressor",
                  6.0, 0.8, None, None),
    JudgedFeature("heat_exchanger_effectiveness", "effectiveness of the internal heat exchanger",
                  0.12, 0.02, None, None, digits=2),
    JudgedFeature("heat_exchanger_balance", "heat balance of the internal heat exchanger",
                  0.5, 0.1, None, None, digits=2),
    JudgedFeature("subcooling_share", "subcooling as a share of condensing over air",
                  0.12, 0.02, None, None, digits=2, roles=frozenset({"heat_sink"})),
    JudgedFeature("coil_effectiveness", "effectiveness of the evaporator",
                  0.10, 0.02, None, None, digits=2, roles=frozenset({"load"})),
    JudgedFeature("superheat_swing_k", "swing of the superheat", 1.0, 0.15, None, None),
    JudgedFeature("start_high_side_kpa_per_s", "rise of the high side at the start",
                  8.0, 1.5, None, None),
    JudgedFeature("start_low_side_kpa_per_s", "fall of the low side at the start",
                  8.0, 1.5, None, None),
)  # fmt: skip
STANDING = "static_over_saturation_kpa"
# Gas of 25 kPa raises condensing by about a kelvin [computed, 0.03 K/kPa]; below it none of it
# can be told.
STANDING_LEAST_EFFECT_KPA, STANDING_SPREAD_KPA = 40.0, 12.0
DIAGNOSTIC_FRAME: dict[str, pl.DataType] = {
    "test_id": pl.String(), "regime": pl.String(), "feature": pl.String(),
    "observed": pl.Float64(), "expected": pl.Float64(), "spread": pl.Float64(),
    "z": pl.Float64(),
}  # fmt: skip


def learn_diagnostics(
    features: pl.DataFrame, context: pl.DataFrame, settings: AssessmentSettings
) -> tuple[Norm, pl.DataFrame]:
    """What is normal of the diagnostic quantities by the tests of the context.

    Besides it the frame of `diagnostic_frame` of the same tests.
    """
    rows, fleet = _rows_of(features, context)
    groups, comparison = fit_groups(fleet, settings)
    is_compared = all_reasons(fleet, comparison, settings) == 0
    priors = learn_priors(fleet, comparison, is_compared)
    spreads = moderated_spreads(fleet, comparison, is_compared, priors)
    tail = fleet_tail(fleet, comparison, spreads, is_compared, settings)
    norm = Norm(groups, Yardstick(priors, tail, None, {}, (), AdverseUnits((), ())))
    spread, _ = fleet_spread(fleet, comparison, spreads, tail)
    deviations = _deviations(rows, fleet, comparison, np.where(is_compared, spread, np.nan))
    return norm, pl.concat([_standing(features, context), deviations])


def diagnostic_frame(
    features: pl.DataFrame, context: pl.DataFrame, norm: Norm, settings: AssessmentSettings
) -> pl.DataFrame:
    """One row per test, regime and diagnostic quantity that could be compared."""
    rows, fleet = _rows_of(features, context)
    comparison = compare(fleet, norm.groups, settings)
    is_compared = all_reasons(fleet, comparison, settings) == 0
    spreads = moderated_spreads(fleet, comparison, is_compared, norm.yardstick.priors)
    spread, _ = fleet_spread(fleet, comparison, spreads, norm.yardstick.tail)
    deviations = _deviations(rows, fleet, comparison, np.where(is_compared, spread, np.nan))
    return pl.concat([_standing(features, context), deviations])


def _rows_of(features: pl.DataFrame, context: pl.DataFrame) -> tuple[pl.DataFrame, Fleet]:
    """The rows of control states and whole tests, and the quantities; not derived is unknown."""
    lacking = [
        pl.lit(None, pl.Float64).alias(name)
        for feature in DIAGNOSTIC
        for name in (feature.name, FEATURE[feature.name].uncertainty_name)
        if name not in features.columns
    ]
    rows = rows_to_compare(features.with_columns(lacking), context)
    return rows, fleet_of(rows, DIAGNOSTIC)


def _deviations(
    rows: pl.DataFrame, fleet: Fleet, comparison: Comparison, spread: Array
) -> pl.DataFrame:
    """The values against what was expected; `spread` (n, f) is NaN where not compared."""
    expected = comparison.expectation.expected
    row, place = np.nonzero(np.isfinite(spread) & (spread > 0))
    names = pl.Series([feature.name for feature in DIAGNOSTIC], dtype=pl.String)
    return (
        rows.select("test_id", "regime")[row]
        .with_columns(
            feature=names.gather(place),
            observed=pl.Series(fleet.values[row, place], dtype=pl.Float64),
            expected=pl.Series(expected[row, place], dtype=pl.Float64),
            spread=pl.Series(spread[row, place], dtype=pl.Float64),
        )
        .with_columns(z=(pl.col("observed") - pl.col("expected")) / pl.col("spread"))
        .select(*DIAGNOSTIC_FRAME)
    )


def _standing(features: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    if STANDING not in features.columns:
        return pl.DataFrame(schema=DIAGNOSTIC_FRAME)
    own = pl.col(FEATURE[STANDING].uncertainty_name).cast(pl.Float64).fill_null(0.0)
    return (
        features.filter(pl.col(STANDING).is_not_null())
        .join(context.select("test_id"), on="test_id", how="semi")
        .select(
            "test_id",
            pl.lit(WHOLE_TEST).alias("regime"),
            pl.lit(STANDING).alias("feature"),
            pl.col(STANDING).cast(pl.Float64).alias("observed"),
            pl.lit(0.0).alias("expected"),
            (own**2 + STANDING_SPREAD_KPA**2).sqrt().alias("spread"),
        )
        .with_columns(z=pl.col("observed") / pl.col("spread"))
        .select(*DIAGNOSTIC_FRAME)
    )
