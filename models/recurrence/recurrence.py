"""Recurring failures as known at one instant: the one door of this package.

Takes registry frames as `ClaimRecords`, gives the tables of `recurrence_tables`; repairs
performed or reported after `as_of` do not exist for it. `prepare` once, then `cohorts_of` for
any cut, as the commands do. Does not belong here: any statistics of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.recurrence.claim_forecasts import forecast_rows
from models.recurrence.climate import by_cooling
from models.recurrence.clocks import Aged, ClockName, by_months
from models.recurrence.cohort_rows import Estimates, curve_rows, estimate, vehicle_variance
from models.recurrence.cohorts import DIMENSION, FOUND_BY, FOUND_BY_PARTS, PART_DIMENSIONS
from models.recurrence.denominators import Denominator, fleet_size
from models.recurrence.exposure import ClaimRecords, repair_events, watch_vehicles
from models.recurrence.fitted_parts import fitted_parts
from models.recurrence.ledger import (
    ComponentLedger,
    Ledger,
    build_ledger,
    component_ledger,
    repair_counts,
)
from models.recurrence.mean_cumulative import mean_cumulative
from models.recurrence.odometer import by_distance
from models.recurrence.proportions import proportion_columns
from models.recurrence.recurrence_sentences import with_words
from models.recurrence.recurrence_tables import (
    CLAIM_FORECASTS,
    RECURRENCE_BASES,
    RECURRENCE_CURVES,
    RECURRENCES,
    RETURNING_VEHICLES,
)
from models.recurrence.reporting_lag import fit_reporting_lag
from models.recurrence.returning import counts_of_cars, returning_rows

if TYPE_CHECKING:
    from models.recurrence.settings import RecurrenceSettings

# Enough for any reader, few enough to hide the last bits that another machine rounds differently.
_SIGNIFICANT_DIGITS = 9


@dataclass(frozen=True)
class Cut:
    """What cohorts are asked for: dimensions, clock, and components (none named: all)."""

    dimensions: tuple[str, ...]
    clock: ClockName = "months"
    components: tuple[str, ...] = ()

    @property
    def is_of_parts(self) -> bool:
        """Whether fitted parts are set apart, and not cars."""
        return any(name in PART_DIMENSIONS for name in self.dimensions)


@dataclass(frozen=True)
class Prepared:
    """Watched cars and counted repairs, on the clocks asked for so far."""

    records: ClaimRecords
    settings: RecurrenceSettings
    denominator: Denominator
    events: pl.DataFrame
    last_day: date
    instant: datetime
    bases: pl.DataFrame

    @property
    def as_of(self) -> date:
        """The day that all is told on."""
        return self.instant.date()

    def aged(self, clock: ClockName) -> Aged:
        """Cars and repairs on a clock."""
        watches = self.denominator.watches
        if clock == "months":
            return by_months(watches, self.events)
        if clock == "km":
            return by_distance(self.records, watches, self.events)
        return by_cooling(self.records, watches, self.events, self.settings.cooling_from_c)

    @property
    def components(self) -> list[str]:
        """The components that were repaired, in order."""
        return sorted(self.events["component"].unique())


@dataclass(frozen=True)
class Recurrences:
    """One frame per table of `recurrence_tables`."""

    recurrences: pl.DataFrame
    recurrence_curves: pl.DataFrame
    claim_forecasts: pl.DataFrame
    returning_vehicles: pl.DataFrame
    recurrence_bases: pl.DataFrame


def prepare(records: ClaimRecords, settings: RecurrenceSettings, as_of: datetime) -> Prepared:
    """What all cuts share: who was watched until which day, and which repairs count.

    Raises
    ------
    ValueError
        `as_of` has no time zone.
    """
    if as_of.tzinfo is None:
        raise ValueError("as_of needs a time zone: write datetime(..., tzinfo=UTC)")
    as_of = as_of.astimezone(UTC)
    known = _known(records, as_of)
    lag = fit_reporting_lag(known.repairs, as_of.date())
    n_cut = lag.days_for(settings.reported_share)
    last_day = as_of.date() - timedelta(days=n_cut + 1)
    watches = watch_vehicles(known, settings, last_day)
    found = repair_events(known, watches)
    denominator = fleet_size(known, watches, settings)
    bases = _bases(denominator, found.n_left_out, (lag.n_reports, n_cut, last_day), settings)
    return Prepared(known, settings, denominator, found.events, last_day, as_of, bases)


def _known(records: ClaimRecords, as_of: datetime) -> ClaimRecords:
    """The records as they stood: what was done and reported by then."""
    is_reported = pl.col("reported_at").is_null() | (pl.col("reported_at") <= as_of)
    return replace(
        records,
        repairs=records.repairs.filter((pl.col("performed_at") <= as_of) & is_reported),
        tests=records.tests.filter(pl.col("started_at") <= as_of),
    )


def _bases(
    denominator: Denominator,
    left_out: dict[str, int],
    lag: tuple[int, int, date],
    settings: RecurrenceSettings,
) -> pl.DataFrame:
    n_reports, n_cut, last_day = lag
    share = f"{100.0 * settings.reported_share:g} %"
    told_lag = (
        f"{share} of the repairs are reported within {n_cut} days, told from {n_reports} reports; "
        f"repairs count up to {last_day.isoformat()}, the days after it are cut off."
        if n_reports and n_cut
        else "The lag from repair to report is not known; the last weeks may look better than "
        "they are."
    )
    reasons = denominator.watches.drop_nulls("reason_code").group_by("reason_code").len()
    rows = [
        ("fleet size", denominator.sentence, float(denominator.watches["weight"].sum())),
        ("cars added by volumes", "Cars built that the register lacks.", denominator.n_added),
        ("reporting lag", told_lag, float(n_cut)),
        *((f"cars left out: {why}", "Cars that cannot be watched.", n) for why, n in
          sorted(reasons.iter_rows())),
        *((f"repairs left out: {why}", "Repairs that do not count.", n) for why, n in
          sorted(left_out.items())),
    ]  # fmt: skip
    return RECURRENCE_BASES.conform(
        pl.DataFrame(rows, schema=["subject", "sentence", "value"], orient="row", strict=False)
    )


def find_recurrences(
    records: ClaimRecords, settings: RecurrenceSettings, as_of: datetime
) -> Recurrences:
    """All tables, for the cuts that are made when nobody says how."""
    prepared = prepare(records, settings, as_of)
    aged = prepared.aged("months")
    parts = [cohorts_of(prepared, Cut(each), aged) for each in (*FOUND_BY, *FOUND_BY_PARTS)]
    forecasts = CLAIM_FORECASTS.empty()
    returning = RETURNING_VEHICLES.empty()
    if prepared.denominator.basis != "presented" and aged.cars.height:
        ledger = build_ledger(aged, ("model",))
        forecasts = forecast_rows(prepared, aged, ledger)
        returning = _returning(prepared, aged, ledger)
    return Recurrences(
        recurrences=_rounded(pl.concat([part[0] for part in parts])),
        recurrence_curves=_rounded(pl.concat([part[1] for part in parts])),
        claim_forecasts=_rounded(CLAIM_FORECASTS.conform(forecasts)),
        returning_vehicles=_rounded(RETURNING_VEHICLES.conform(returning)),
        recurrence_bases=prepared.bases,
    )


def cohorts_of(
    prepared: Prepared, cut: Cut, aged: Aged | None = None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of `RECURRENCES` and `RECURRENCE_CURVES` of one cut.

    Raises
    ------
    ValueError
        A dimension is not known, or dimensions of cars and of fitted parts are mixed.
    """
    _check(cut)
    aged = aged or prepared.aged(cut.clock)
    components = [name for name in prepared.components if name in (cut.components or [name])]
    if aged.reason or not aged.cars.height or not components:
        return RECURRENCES.empty(), RECURRENCE_CURVES.empty()
    if cut.is_of_parts:
        return _of_parts(prepared, cut, aged, components)
    ledger = build_ledger(aged, cut.dimensions)
    rows, curves = [], []
    repairs_of_all = repair_counts(ledger, aged.events)
    for name in components:
        counted = component_ledger(ledger, aged.of(name))
        row, curve = _rows(prepared, cut, (ledger, counted, repairs_of_all), name)
        rows.append(row)
        curves.append(curve)
    return pl.concat(rows), pl.concat(curves)


def _check(cut: Cut) -> None:
    unknown = [name for name in cut.dimensions if name not in DIMENSION]
    if unknown:
        raise ValueError(f"no cohort can be cut by {', '.join(unknown)}")
    kinds = {DIMENSION[name].is_of_part for name in cut.dimensions}
    if len(kinds) > 1:
        raise ValueError("a cut is of cars or of fitted parts; dimensions of both were named")
    if cut.is_of_parts and cut.clock != "months":
        raise ValueError("fitted parts are told by months since they were fitted only")


def _of_parts(
    prepared: Prepared, cut: Cut, aged: Aged, components: list[str]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows, curves = [RECURRENCES.empty()], [RECURRENCE_CURVES.empty()]
    for name in components:
        fitted = fitted_parts(aged, name)
        if fitted.cars.height < prepared.settings.least_vehicles:
            continue
        ledger = build_ledger(fitted, cut.dimensions)
        counted = component_ledger(ledger, fitted.events)
        row, curve = _rows(prepared, cut, (ledger, counted, counted.counts), name)
        rows.append(row)
        curves.append(curve)
    return pl.concat(rows), pl.concat(curves)


def _rows(
    prepared: Prepared,
    cut: Cut,
    counts: tuple[Ledger, ComponentLedger, np.ndarray],
    component: str,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    ledger, counted, repairs_of_all = counts
    settings = prepared.settings
    # of a part that was fitted it is always known that it is there
    basis = "fleet" if cut.is_of_parts else prepared.denominator.basis_of(cut.dimensions)
    is_fleet = basis != "presented"
    key = {
        "clock_code": cut.clock,
        "unit_code": "fitted_part" if cut.is_of_parts else "vehicle",
        "dimensions": ",".join(cut.dimensions),
        "component": component,
    }
    named = ledger.cohorts.drop("parent").with_columns(pl.lit(v).alias(k) for k, v in key.items())
    total = repairs_of_all.sum(axis=1)
    share = np.divide(
        counted.counts.sum(axis=1), total, out=np.full(total.size, np.nan), where=total > 0
    )
    curves = RECURRENCE_CURVES.empty()
    if is_fleet:
        estimates = estimate(ledger, counted, settings)
        columns = estimates.columns
        curves = _curves(ledger, estimates, named, settings.least_vehicles)
    else:
        columns = proportion_columns(ledger, counted, repairs_of_all)
    series = {name: pl.Series(values).fill_nan(None) for name, values in columns.items()}
    rows = named.with_columns(
        basis_code=pl.lit(basis),
        n_vehicles=pl.col("n_vehicles") if is_fleet else pl.lit(None, dtype=pl.Int64),
        share_of_repairs=pl.Series(share).fill_nan(None),
        **series,
    )
    worded = with_words(RECURRENCES.conform(_whole(rows)), settings.false_discovery_rate)
    return RECURRENCES.conform(worded.select(*RECURRENCES.schema)), curves


def _whole(rows: pl.DataFrame) -> pl.DataFrame:
    counts = [n for n, t in RECURRENCES.schema.items() if t == pl.Int64() and n in rows.columns]
    return rows.with_columns(pl.col(counts).cast(pl.Int64))


def _curves(
    ledger: Ledger, estimates: Estimates, named: pl.DataFrame, least_vehicles: int
) -> pl.DataFrame:
    keys = ("clock_code", "unit_code", "dimensions", "cohort", "component")
    rows = curve_rows(ledger, estimates, least_vehicles)
    of_row = named.select(*keys)[rows["number"].to_numpy()]
    return RECURRENCE_CURVES.conform(pl.concat([of_row, rows.drop("number")], how="horizontal"))


def _returning(prepared: Prepared, aged: Aged, ledger: Ledger) -> pl.DataFrame:
    found, components = [], prepared.components
    for name in components:
        counted = component_ledger(ledger, aged.of(name))
        means = mean_cumulative(ledger.spans, counted.repairs, ledger.shape)
        variance = vehicle_variance(ledger, counted, means).pooled
        counts = counts_of_cars(ledger, counted, means, variance)
        found.append(counts.with_columns(component=pl.lit(name)))
    if not found:
        return RETURNING_VEHICLES.empty()
    n_asked = int(ledger.spans.weight.sum()) * len(components)
    rate = prepared.settings.false_discovery_rate
    return returning_rows(pl.concat(found), aged.events, n_asked, rate)


def _rounded(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.selectors.float().round_sig_figs(_SIGNIFICANT_DIGITS))
