"""The lag from repair to report, told from reports that could only come in by now.

Short lags are overrepresented among young repairs: what is not reported yet is not seen. The
lag law is therefore estimated by its reverse-time hazard, each lag among those that could
have been seen. Takes the repairs of the registry, gives `LagLaw`. Does not belong here: what
is done about it (`exposure` cuts the days that are not yet complete).

Source: Lagakos, Barraj & De Gruttola, Biometrika 75 (1988) 515; Kalbfleisch & Lawless,
J. Amer. Statist. Assoc. 84 (1989) 360 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.recurrence.exposure import day_number

if TYPE_CHECKING:
    from datetime import date

Array = NDArray[np.float64]

# With fewer reports the law of the lag is anybody's guess.
_LEAST_REPORTS = 30
# With fewer reports that could have been as late, no share of them is told.
_LEAST_AT_RISK = 10


@dataclass(frozen=True)
class LagLaw:
    """The share of repairs reported within so many whole days, of those ever reported.

    `share[d]` belongs to d days; it is 1 at the longest lag that could be told. Empty when the
    lag is not known; `n_reports` are the reports behind it.
    """

    share: Array
    n_reports: int

    @property
    def is_known(self) -> bool:
        """Whether there were reports enough."""
        return bool(self.share.size)

    def days_for(self, share: float) -> int:
        """Whole days after which at least so large a share is reported; 0 when not known."""
        return int(np.argmax(self.share >= share)) if self.is_known else 0

    def reported_by(self, days: Array) -> Array:
        """Share reported so many days after the repair; 1 where the lag is not known."""
        if not self.is_known:
            return np.ones(np.shape(days))
        whole = np.clip(np.floor(days).astype(np.int64), -1, self.share.size - 1)
        return np.where(whole < 0, 0.0, self.share[whole])


def fit_reporting_lag(repairs: pl.DataFrame, as_of: date) -> LagLaw:
    """The law of the lag between `performed_at` and `reported_at` as known on a day."""
    today = pl.lit(as_of).cast(pl.Date).cast(pl.Int32)
    days = (
        repairs.drop_nulls(["reported_at", "performed_at"])
        .select(
            (day_number("reported_at") - day_number("performed_at")).alias("lag"),
            (today - day_number("performed_at")).alias("longest"),
        )
        .filter((pl.col("lag") >= 0) & (pl.col("lag") <= pl.col("longest")))
    )
    if days.height < _LEAST_REPORTS:
        return LagLaw(np.empty(0), days.height)
    return LagLaw(
        reverse_time_shares(days["lag"].to_numpy(), days["longest"].to_numpy()), days.height
    )


def reverse_time_shares(lag: NDArray[np.int32], longest: NDArray[np.int32]) -> Array:
    """The share with at most 0, 1, ... days of lag, from lags right-truncated at `longest`.

    The product-limit estimate in reversed time: of the lags of at most d days whose repair is
    at least d days old, the share that is exactly d.
    """
    size = int(longest.max()) + 1
    exactly = np.bincount(lag, minlength=size)
    # lags of at most d days among repairs at least d days old: begun minus done
    at_risk = np.cumsum(exactly) - np.r_[0, np.cumsum(np.bincount(longest, minlength=size))[:-1]]
    is_told = at_risk >= _LEAST_AT_RISK
    last = int(np.flatnonzero(is_told & (exactly > 0)).max(initial=0))
    stays = 1.0 - exactly[: last + 1] / np.maximum(at_risk[: last + 1], 1)
    stays[0] = 1.0
    later = np.cumprod(stays[::-1])[::-1]
    return np.asarray(np.r_[later[1:], 1.0])
