"""Counts of groups compared: seen against expected, limits of chance, and what is likely true.

Takes rows of `REPAIR_OUTCOMES` with the group each belongs to, gives one row per group with the
columns that every comparison has. What was to be expected comes of the case mix over all groups
together; a follow-up is compared over its own exposure, so that nobody gains by young repairs.
Does not belong here: averages (`compared_means`), words (`comparison_sentences`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.case_mix import design, expected, person_intervals
from models.comebacks import FOLLOWUP_CODES
from models.cumulative_incidence import CAME_BACK, LEFT, cumulative_incidence
from models.funnel import Counts, find_scatter, limits
from models.measures import Kind, Measure
from models.read_severity import with_likely_severity
from models.shrunken_rates import ratio_posteriors

if TYPE_CHECKING:
    from models.repair_settings import RepairSettings

Array = NDArray[np.float64]

TAIL_95, TAIL_998 = 0.025, 0.001
# the rate of comebacks may change this often within the window (equal parts of it)
_INTERVALS = 5
_LEAST_FOLLOWED = 1e-3
_WINDOW_SHARES = ("window_share", "window_share_low", "window_share_high", "window_share_worst")


def compared_counts(rows: pl.DataFrame, measure: Measure, settings: RepairSettings) -> pl.DataFrame:
    """One row per group, in order of its name.

    Parameters
    ----------
    rows : frame
        `group` and the columns of `REPAIR_OUTCOMES`.
    measure : Measure
        A share or a rate.
    settings : RepairSettings
    """
    counted = rows.filter(measure.counted.fill_null(value=False) & pl.col("group").is_not_null())
    if counted.is_empty():
        return pl.DataFrame()
    counted = with_likely_severity(counted)
    is_rate = measure.kind is Kind.RATE
    each = _of_rate(counted, measure, settings) if is_rate else _of_share(counted, measure)
    found = counted.with_columns(each)
    groups = (
        found.group_by("group")
        .agg(
            pl.len().cast(pl.Int32).alias("n_repairs"),
            pl.col("seen").sum().alias("observed"),
            pl.col("due").sum().alias("expected"),
        )
        .sort("group")
    )
    seen, due = (groups[name].to_numpy() for name in ("observed", "expected"))
    trials = None if measure.kind is Kind.RATE else groups["n_repairs"].to_numpy().astype(float)
    judged = groups.with_columns(_judged(Counts(seen, np.maximum(due, 1e-9), trials)))
    shares = _window_shares(counted, settings) if is_rate else no_window_shares(groups)
    return judged.join(shares, on="group", how="left", maintain_order="left")


def _of_share(rows: pl.DataFrame, measure: Measure) -> tuple[pl.Series, pl.Series]:
    """Seen and expected of each repair, 0 to 1."""
    y = rows.select(measure.outcome.cast(pl.Float64).fill_null(0.0)).to_series().to_numpy()
    due = expected(design(rows, measure.mix), y, "binomial")
    return pl.Series("seen", y, pl.Float64), pl.Series("due", due, pl.Float64)


def _of_rate(
    rows: pl.DataFrame, measure: Measure, settings: RepairSettings
) -> tuple[pl.Series, pl.Series]:
    """Seen and expected of each repair over its own follow-up, up to the window."""
    window = comeback_window(rows, settings)
    # where nobody cooled, nothing was asked of the repair; it was followed all the same
    followed = np.maximum(rows["followup_exposure"].to_numpy(), window * _LEAST_FOLLOWED)
    came = rows.select(measure.outcome).to_series().to_numpy()
    cuts = [window * (k + 1) / _INTERVALS for k in range(_INTERVALS)]
    exposure, events, row, interval = person_intervals(followed, came, cuts)
    x = design(rows, measure.mix)
    # one rate per interval in place of the column of ones, where anything came in it
    here = np.column_stack([interval == k for k in np.unique(interval)]).astype(np.float64)
    x = np.column_stack([here, x[row, 1:]])
    due = expected(x, events, "poisson", exposure=exposure, n_free=here.shape[1])
    seen = np.bincount(row, events, rows.height)
    return (
        pl.Series("seen", seen, pl.Float64),
        pl.Series("due", np.bincount(row, due, rows.height), pl.Float64),
    )


def comeback_window(rows: pl.DataFrame, settings: RepairSettings) -> float:
    """Exposure within which another repair is a comeback, on the clock of the rows."""
    is_cooling = (rows["exposure_code"] == "cooling_degree_days").any()
    return settings.comeback_cooling_degree_days if is_cooling else settings.comeback_days


def _judged(counts: Counts) -> list[pl.Series]:
    scatter = find_scatter(counts)
    low_95, high_95 = limits(counts, TAIL_95, scatter)
    low_998, high_998 = limits(counts, TAIL_998, scatter)
    likely = ratio_posteriors(counts)
    columns = {
        "value": counts.seen / counts.expected,
        "low_95": low_95,
        "high_95": high_95,
        "low_998": low_998,
        "high_998": high_998,
        "group_spread": np.full(counts.seen.size, scatter.variance**0.5),
        "shrunken": likely.ratio,
        "shrunken_low": likely.low,
        "shrunken_high": likely.high,
        "above_probability": likely.above_one,
    }
    return [pl.Series(name, values, pl.Float64) for name, values in columns.items()]


def _window_shares(rows: pl.DataFrame, settings: RepairSettings) -> pl.DataFrame:
    """Share of each group that came back within the window, cars that left allowed for."""
    window = comeback_window(rows, settings)
    ended = rows["followup_code"].replace_strict(FOLLOWUP_CODES, return_dtype=pl.Int64)
    own = rows.select("group", "followup_exposure", ended.alias("ended")).sort("group")
    names, starts = np.unique(own["group"].to_numpy(), return_index=True)
    followed, codes = own["followup_exposure"].to_numpy(), own["ended"].to_numpy()
    found = []
    for name, start, end in zip(names, starts, [*starts[1:], own.height], strict=True):
        until, code = followed[start:end], codes[start:end]
        share, low, high = cumulative_incidence(until, code).interval_at(window)
        worst = cumulative_incidence(until, np.where(code == LEFT, CAME_BACK, code))
        found.append((str(name), share, low, high, worst.at(window)[0]))
    schema = {"group": pl.String, **dict.fromkeys(_WINDOW_SHARES, pl.Float64)}
    return pl.DataFrame(found, schema=schema, orient="row")


def no_window_shares(groups: pl.DataFrame) -> pl.DataFrame:
    """The same columns, empty, of measures that follow nobody up."""
    return groups.select("group", *(pl.lit(None, pl.Float64).alias(n) for n in _WINDOW_SHARES))
