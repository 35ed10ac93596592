"""One compared quantity as a line of text: observed, expected, by how much, how sure.

Takes rows of the tables `evidence` and `residuals` as mappings, gives frozen records
that both summaries (`fleet`, `vehicle`) use. Does not belong here: choosing rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reports.display import (
    CHANCE_NOT_RULED_OUT,
    DisplayUnit,
    display_unit,
    false_alarm_text,
    number_text,
    share_text,
)
from reports.wording import baseline_words, quantity_words, regime_words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reports.settings import ReportSettings


@dataclass(frozen=True)
class Comparison:
    """A quantity of one test against what is expected of the model.

    `z` is the deviation in units of the whole spread and `q` the share of false alarms,
    kept as numbers for sorting; every other field is text ready to print.
    """

    quantity: str
    regime: str
    observed: str
    expected: str
    difference: str
    spread: str
    z: float | None
    z_text: str
    p_text: str
    q: float | None
    q_text: str
    baseline: str
    pooling: str
    direction: str
    is_finding: bool

    @property
    def chance(self) -> str:
        """The share of false alarms as the terminal says it: `q 1.2 %`."""
        return self.q_text if self.q_text == CHANCE_NOT_RULED_OUT else f"q {self.q_text}"


def read_comparison(row: Mapping[str, Any], settings: ReportSettings) -> Comparison:
    """The line of one row of `evidence` or `residuals`."""
    unit = display_unit(row["feature"], settings)
    observed, expected = row["observed"], row["expected"]
    return Comparison(
        quantity=quantity_words(row["feature"]),
        regime=regime_words(row["regime"]),
        observed=unit.text(observed),
        expected=unit.text(expected),
        difference=_difference(observed, expected, unit),
        spread=_spread(row["spread"], unit),
        z=None if row["z"] is None else round(row["z"], 4),
        z_text="" if row["z"] is None else number_text(row["z"], 1, sign=True),
        p_text=share_text(row["p_value"]),
        q=None if row["q_value"] is None else round(row["q_value"], 6),
        q_text=false_alarm_text(row["q_value"]),
        baseline=baseline_words(row["pooling_level"], row["baseline_vehicles"]),
        pooling=row["pooling_level"] or "none",
        direction=_direction(observed, expected),
        is_finding=row["finding_code"] is not None,
    )


def _difference(observed: float | None, expected: float | None, unit: DisplayUnit) -> str:
    if observed is None or expected is None:
        return unit.difference_text(None)
    return unit.difference_text(observed - expected)


def _direction(observed: float | None, expected: float | None) -> str:
    """Which way it deviates, in words: a sign is easily overlooked."""
    if observed is None or expected is None:
        return ""
    return "higher than expected" if observed > expected else "lower than expected"


def _spread(spread: float | None, unit: DisplayUnit) -> str:
    return unit.difference_text(spread).lstrip("+")
