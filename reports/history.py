"""Quantities over a vehicle's tests: observed, the expected band, repairs between.

Takes a vehicle's rows of `residuals` (with the date of each test) and of the repairs,
gives frozen `HistoryPanel` records. Does not belong here: drift statistics (`models`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reports.display import DisplayUnit, display_unit, unit_kind
from reports.wording import quantity_words, regime_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from reports.settings import ReportSettings

# half width of the band in spreads: 19 of 20 values of a normal distribution lie inside
BAND_SPREADS = 1.959963984540054


@dataclass(frozen=True)
class HistoryPoint:
    """One test: observed, expected and its band, in the display unit."""

    tested_at: str
    observed: float
    expected: float | None
    band_low: float | None
    band_high: float | None
    is_finding: bool


@dataclass(frozen=True)
class HistoryPanel:
    """One quantity in one regime over the tests of a vehicle, oldest first."""

    quantity: str
    regime: str
    unit: str
    kind: str
    decimals: int
    points: tuple[HistoryPoint, ...]


@dataclass(frozen=True)
class RepairMark:
    """A repair or service as the history shows it."""

    performed_on: str
    words: str
    shop: str


def history_panels(
    rows: Iterable[Mapping[str, Any]], settings: ReportSettings
) -> tuple[HistoryPanel, ...]:
    """The quantities worth a chart, those with findings and large deviations first.

    Rows are of `residuals`, each with `tested_at` (local, ISO 8601 text). A quantity
    observed in a single test has no history and is left out.
    """
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = defaultdict(list)
    for row in rows:
        if row["observed"] is not None:
            groups[row["feature"], row["regime"] or ""].append(row)
    told = {key: group for key, group in groups.items() if len(group) > 1}
    chosen = sorted(told, key=lambda key: (*_interest(told[key]), key))[: settings.history_charts]
    return tuple(_panel(key, told[key], settings) for key in chosen)


def _interest(group: Sequence[Mapping[str, Any]]) -> tuple[int, float, int]:
    n_findings = sum(row["finding_code"] is not None for row in group)
    largest = max((abs(row["z"]) for row in group if row["z"] is not None), default=0.0)
    return (-n_findings, -largest, -len(group))


def _panel(
    key: tuple[str, str], group: Sequence[Mapping[str, Any]], settings: ReportSettings
) -> HistoryPanel:
    feature, regime = key
    unit = display_unit(feature, settings)
    ordered = sorted(group, key=lambda row: (row["tested_at"], row["test_id"]))
    return HistoryPanel(
        quantity=quantity_words(feature),
        regime=regime_words(regime),
        unit=unit.label,
        kind=unit_kind(feature),
        decimals=unit.decimals,
        points=tuple(_point(row, unit, _floor(feature)) for row in ordered),
    )


def _floor(feature: str) -> float:
    """The least value that the quantity can have: a count per minute is never negative."""
    return 0.0 if feature.endswith("_per_min") else float("-inf")


def _point(row: Mapping[str, Any], unit: DisplayUnit, floor: float) -> HistoryPoint:
    expected, spread = row["expected"], row["spread"]
    reach = None if expected is None or spread is None else BAND_SPREADS * spread
    return HistoryPoint(
        tested_at=row["tested_at"],
        observed=unit.convert(row["observed"]),
        expected=None if expected is None else unit.convert(expected),
        band_low=None if reach is None else unit.convert(max(floor, expected - reach)),
        band_high=None if reach is None else unit.convert(expected + reach),
        is_finding=row["finding_code"] is not None,
    )
