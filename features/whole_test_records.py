"""Derived quantities of the whole test that belong to no window: standing pressure, intake.

Holds their records, of scope `whole_test`; each is worked out by the module that its source
names. Does not belong here: rates (`catalogue`), the arithmetic.
"""

from __future__ import annotations

import polars as pl

from features.records import Feature

STANDING_RECORDS: tuple[Feature, ...] = (
    Feature(
        "static_over_saturation_kpa", "kPa",
        "standing pressure before the start over saturation at the lines' temperature",
        pl.col("static_over_saturation_kpa"),
        source="features.static_pressure; pressure of liquid and vapour at rest",
        validity="before the first start, 30 s and more; three lines within 2 K, the discharge "
        "line apart; gauges equal within their accuracy",
        scope="whole_test",
    ),
    Feature(
        "intake_stray_share", "1", "share of under-hood air in the reading of the intake air",
        pl.col("intake_stray_share"),
        source="features.intake_share; mixture of two airs, least squares over the test",
        validity="intake, under-hood and ambient air for two minutes; not where the reading "
        "contradicts any mixture; a flap that is not known counts as recirculation",
        scope="whole_test",
    ),
)  # fmt: skip
