"""What moved from one version of the baselines to the next: expected values, in spreads.

Takes BASELINES of two versions, gives one row per group of cars, regime and quantity that
both know. Compared is what each expects under the same conditions: the middle of the ranges
that both have seen. Does not belong here: words and the terminal.
"""

from __future__ import annotations

import json
import math

import polars as pl

# A shift below a tenth of a spread changes no finding to speak of (chosen).
SHIFTS_SHOWN_FROM = 0.1
_GROUP = ("pooling_level", "group_label", "regime", "window_kind_code", "fan_stage_code", "feature")
_RESULT: dict[str, pl.DataType] = {
    **dict.fromkeys(_GROUP, pl.String()),
    "expected": pl.Float64(),
    "expected_now": pl.Float64(),
    "shift_spreads": pl.Float64(),
    "spread_ratio": pl.Float64(),
}


def baseline_shifts(old: pl.DataFrame, new: pl.DataFrame) -> pl.DataFrame:
    """The columns of a group, expected, expected_now, shift_spreads and spread_ratio.

    Of several sets of conditions of a group the one fitted to most cars is compared. Largest
    shift first.
    """
    both = _fullest(old).join(
        _fullest(new), on=_GROUP, how="inner", nulls_equal=True, suffix="_now"
    )
    rows = []
    for row in both.iter_rows(named=True):
        middle = _middle(row["condition_ranges"], row["condition_ranges_now"])
        before, after = (_expected(row[name], middle) for name in ("terms", "terms_now"))
        if before is None or after is None or not row["spread"]:
            continue
        rows.append(
            (
                *(row[name] for name in _GROUP),
                before,
                after,
                (after - before) / row["spread"],
                row["spread_now"] / row["spread"],
            )
        )
    found = pl.DataFrame(rows, schema=_RESULT, orient="row")
    return found.sort(-pl.col("shift_spreads").abs(), *_GROUP, nulls_last=True)


def _fullest(baselines: pl.DataFrame) -> pl.DataFrame:
    return (
        baselines.sort("n_vehicles", "terms", descending=[True, False])
        .unique(_GROUP, keep="first", maintain_order=True)
        .select(*_GROUP, "terms", "condition_ranges", "spread")
    )


def _middle(*ranges: str) -> dict[str, float]:
    """The middle of what both have seen of every condition."""
    before, after = (json.loads(one) for one in ranges)
    return {
        name: (max(before[name][0], after[name][0]) + min(before[name][1], after[name][1])) / 2.0
        for name in before.keys() & after.keys()
    }


def _expected(terms: str, conditions: dict[str, float]) -> float | None:
    """What a line expects under these conditions; None where it needs another."""
    total = 0.0
    for name, coefficient in json.loads(terms).items():
        factors = [] if name == "intercept" else name.split(" * ")
        if not conditions.keys() >= set(factors):
            return None
        total += coefficient * math.prod(conditions[factor] for factor in factors)
    return total
