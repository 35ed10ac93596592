"""The records of rates: how often something happens per minute of running time.

Frozen records only, one per family of events. Does not belong here: counting (`rates`).
"""

from __future__ import annotations

import polars as pl

from features.records import Feature

_RAN_LONG_ENOUGH = "a run of 1.5 min or more; where events can be told"
_MEANINGS = {
    "fan": "condenser fan stage changes per minute of running time",
    "compressor": (
        "compressor starts and stops per minute of running time, first start and last stop apart"
    ),
    "displacement": (
        "changes of the compressor's stroke or speed per minute of running time; null for a "
        "compressor that cannot change them"
    ),
    "engine": "changes of the engine speed per minute of running time",
    "blower": "changes of the blower per minute of running time",
    "recirculation": "changes of the recirculation flap per minute of running time",
    "icing": "recoveries of an iced evaporator per minute of running time",
}

RATE_FAMILIES = tuple(_MEANINGS)

RATE_RECORDS: tuple[Feature, ...] = tuple(
    Feature(
        f"{family}_events_per_min",
        "1/min",
        meaning,
        pl.col(f"n_{family}_events") / pl.col("running_min"),
        source="count over time; uncertainty of a Poisson count",
        validity=_RAN_LONG_ENOUGH,
        scope="whole_test",
    )
    for family, meaning in _MEANINGS.items()
)
