"""A share of logs with its interval: counts in, numbers and words out.

Holds `Share` and Wilson's interval. Does not belong here: what is counted (`score_trust`).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

# two-sided 95 % of the standard normal distribution
_Z_95 = 1.959964


def wilson_interval(n_hits: int, n_all: int, z: float = _Z_95) -> tuple[float, float]:
    """Bounds of the share behind `n_hits` of `n_all`: (0, 1) where nothing was counted.

    Wilson (1927), Journal of the American Statistical Association 22, 209-212; method 3 of
    Newcombe (1998), Statistics in Medicine 17, 857-872.
    """
    if n_all == 0:
        return 0.0, 1.0
    p, n = n_hits / n_all, n_all
    middle = p + z**2 / (2 * n)
    half = z * sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    below, above = (middle - half) / (1 + z**2 / n), (middle + half) / (1 + z**2 / n)
    return max(below, 0.0), min(above, 1.0)


@dataclass(frozen=True)
class Share:
    """So many of so many."""

    n_hits: int
    n_all: int

    @property
    def value(self) -> float | None:
        """The share, None of nothing."""
        return self.n_hits / self.n_all if self.n_all else None

    @property
    def interval(self) -> tuple[float, float]:
        """Wilson's 95 % interval."""
        return wilson_interval(self.n_hits, self.n_all)

    @property
    def text(self) -> str:
        """The share in percent with its interval."""
        if self.value is None:
            return "-"
        low, high = self.interval
        return f"{100 * self.value:.1f} % ({100 * low:.1f} to {100 * high:.1f})"

    def as_record(self) -> dict[str, float | int | None]:
        """The share as plain numbers."""
        low, high = self.interval
        return {
            "n_hits": self.n_hits,
            "n_all": self.n_all,
            "share": self.value,
            "low": low,
            "high": high,
        }
