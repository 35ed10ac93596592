"""Drift between visits: the trend of every quantity of a car since its last service.

Takes residuals, tests and registry as frames, gives the `DRIFTS` and `LEAKS` frames.
Subcooling falls along a hinge (`hinge`), everything else is looked at along a line
(`line_crossing`); slopes without a model stand beside (`trends`). A date of leaving the
band is given only where the data show the drift: for lines at the false discovery rate of
the settings over the fleet, for the hinge where the fall has likely begun and the visits,
not the prior alone, say so. Does not belong here: which visits count (`visits`), words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.drift_sentences import (
    PLAIN_OUTLOOKS,
    drift_sentence,
    lacking_visits,
    plain_sentence,
)
from models.drift_series import CONFIDENCE, add_crossings, add_trends, listed, series_frame
from models.drift_tables import DRIFTS, Outlook
from models.family_q_values import among_known
from models.hinge import HingeVisits, hinge_laws
from models.leak_frame import leak_frame
from models.leak_priors import PUBLISHED
from models.leaks import fillings, learn_priors, weighed_services
from models.visits import SERIES, after_years, visit_frame, years_between

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from models.conditions import Array
    from models.leak_priors import LeakPrior
    from models.settings import AssessmentSettings

SUBCOOLING = ("condenser_outlet_subcooling_k", "expansion_inlet_subcooling_k")
# From this probability on the fall counts as begun, if the visits have raised its odds.
_SURE_DECLINE = 0.95
_LEAST_ODDS_RAISED = 3.0


# What drift looks at of the context of a test.
TESTS_LOOKED_AT = (
    "test_id", "vehicle_id", "started_at", "purpose", "repair_id", "instrument_id",
)  # fmt: skip


@dataclass(frozen=True)
class DriftInputs:
    """What the drift of a fleet rests on; nothing in it is later than the judgement.

    `residuals` RESIDUALS; `tests` of their CONTEXT the columns TESTS_LOOKED_AT; the rest is
    the registry.
    """

    residuals: pl.DataFrame
    tests: pl.DataFrame
    repairs: pl.DataFrame
    vehicles: pl.DataFrame
    models: pl.DataFrame


@dataclass(frozen=True)
class Drifts:
    """The frames `DRIFTS` and `LEAKS`."""

    drifts: pl.DataFrame
    leaks: pl.DataFrame


@dataclass(frozen=True)
class DriftNorm:
    """What a fleet says of drift: how visits scatter, what services teach, whose lines stand out.

    `noise` as from `visits.visit_frame`, `priors` as from `leaks.learn_priors`; `p_values` of
    all lines of the fleet, ascending.
    """

    noise: pl.DataFrame
    priors: Mapping[tuple[str, str, str], LeakPrior]
    p_values: Array


@dataclass(frozen=True)
class SeenSeries:
    """The series of some cars held against lines, and their weighed services.

    `plain` are those without a band, `lined` those held against one, `short` those of too few
    visits; the former two in parts of equally many visits.
    """

    plain: list[pl.DataFrame]
    lined: list[pl.DataFrame]
    short: pl.DataFrame
    services: pl.DataFrame


def learn_drifts(inputs: DriftInputs, settings: AssessmentSettings) -> tuple[DriftNorm, SeenSeries]:
    """What the fleet says of drift, of any of its cars, and its series as they were seen."""
    known = _known(inputs)
    seen, noise = _seen(known, None, settings)
    dated = known.residuals.filter(pl.col("feature").is_in(SUBCOOLING)).join(
        known.tests.select("test_id", pl.col("started_at").alias("tested_at")), on="test_id"
    )
    p_values = [line["p_value"].drop_nulls().to_numpy() for line in seen.lined]
    norm = DriftNorm(
        noise,
        learn_priors(seen.services, dated, settings),
        np.sort(np.concatenate([np.empty(0), *p_values])),
    )
    return norm, seen


def find_drifts(
    inputs: DriftInputs,
    settings: AssessmentSettings,
    as_of: datetime,
    learned: tuple[DriftNorm, SeenSeries | None] | None = None,
) -> Drifts:
    """The drift of every quantity of every car, and what is known of leaks.

    `learned` is as from `learn_drifts`, of these inputs or of others; in the latter case
    without the series. Without it all is learned of these inputs.
    """
    norm, seen = learned or learn_drifts(inputs, settings)
    if seen is None:
        seen, _ = _seen(_known(inputs), norm.noise, settings)
    hinged = [_with_hinges(part, norm.priors) for part in seen.lined]
    found = pl.concat([*seen.plain, *hinged, seen.short], how="diagonal_relaxed")
    found = _with_outlook(_with_q_values(_complete(found), norm.p_values), settings, as_of)
    return Drifts(
        DRIFTS.conform(_worded(found, settings, as_of).select(list(DRIFTS.schema))),
        leak_frame(seen.services, found, settings),
    )


def _known(inputs: DriftInputs) -> DriftInputs:
    """The inputs with all columns that are looked at."""
    return replace(
        inputs,
        repairs=_with(inputs.repairs, charged_g=pl.Float64(), recovered_g=pl.Float64()),
        vehicles=_with(inputs.vehicles, in_service_date=pl.Date()),
        models=_with(inputs.models, charge_g=pl.Float64()),
    )


def _seen(
    inputs: DriftInputs, noise: pl.DataFrame | None, settings: AssessmentSettings
) -> tuple[SeenSeries, pl.DataFrame]:
    """The series, and the noise that they were seen with; None learns it of these inputs."""
    visits, noise = visit_frame(inputs.residuals, inputs.tests, inputs.repairs, settings, noise)
    filled = fillings(inputs.repairs, inputs.models, inputs.vehicles)
    series = series_frame(visits, filled, settings)
    enough = series.filter("is_enough").partition_by("n_visits") if series.height else []
    has_band = pl.col("is_residual") & pl.col("band").is_not_null()
    parts = [add_trends(part) for part in enough]
    return SeenSeries(
        plain=[part.filter(~has_band) for part in parts],
        lined=[add_crossings(part.filter(has_band)) for part in parts],
        short=series.filter(~pl.col("is_enough")),
        services=weighed_services(inputs.repairs, inputs.models, inputs.vehicles),
    ), noise


def _with(frame: pl.DataFrame, **columns: pl.DataType) -> pl.DataFrame:
    """The frame with columns that it may lack, then not known."""
    lacking = [
        pl.lit(None, dtype).alias(name)
        for name, dtype in columns.items()
        if name not in frame.columns
    ]
    return frame.with_columns(lacking)


# What looking at a series adds, for fleets in which none had enough visits.
_ADDED: dict[str, pl.DataType] = {
    **{
        name: pl.Float64()
        for name in (
            "slope_per_year", "slope_low_per_year", "slope_high_per_year", "mann_kendall_p",
            "p_value", "limit", "likely", "early", "late", "early_if_open",
            "decline_probability", "exhausted", "rate_g_per_year", "rate_low_g_per_year",
            "rate_high_g_per_year",
            "fall_per_year",
            "fall_low_per_year",
            "fall_high_per_year",
        )
    },
    "model_code": pl.String(),
    "is_towards": pl.Boolean(),
    "has_begun": pl.Boolean(),
}  # fmt: skip


def _complete(found: pl.DataFrame) -> pl.DataFrame:
    return _with(found, **_ADDED)


def _with_hinges(
    part: pl.DataFrame, priors: Mapping[tuple[str, str, str], LeakPrior]
) -> pl.DataFrame:
    """Series of equally many visits held against lines, some against hinges instead."""
    # what rises needs no hinge, which costs most of the time
    is_hinge = pl.col("feature").is_in(SUBCOOLING) & (pl.col("limit") < 0)
    hinged = [
        _add_hinges(group, priors.get(key, PUBLISHED))
        for key, group in _by_prior(part.filter(is_hinge), priors)
    ]
    return pl.concat([part.filter(~is_hinge), *hinged], how="diagonal_relaxed")


def _by_prior(
    part: pl.DataFrame, priors: Mapping[tuple[str, str, str], LeakPrior]
) -> list[tuple[tuple[str, str, str], pl.DataFrame]]:
    """The series by the key of the prior that their services have taught; "" where none."""
    nothing = ("", "", "")
    keys = [
        key if key in priors else nothing
        for key in part.select("model_id", "feature", "regime").iter_rows()
    ]
    places: dict[tuple[str, str, str], list[int]] = {}
    for place, key in enumerate(keys):
        places.setdefault(key, []).append(place)
    return [(key, part[rows]) for key, rows in sorted(places.items())]


def _add_hinges(part: pl.DataFrame, prior: LeakPrior) -> pl.DataFrame:
    """Series of subcooling with their hinge in place of the line."""
    years_full = years_between(pl.col("full_at"), pl.col("first_at"))
    noise, spread = part["noise"].to_numpy(), part["spread"].to_numpy()
    laws = hinge_laws(
        HingeVisits(
            times=listed(part, "years"),
            deviations=listed(part, "value"),
            floors=-listed(part, "expected"),
            noise=noise,
            freedom=part["noise_freedom"].to_numpy(),
            between=np.sqrt(np.maximum(spread**2 - noise**2, (noise / 2.0) ** 2)),
            limit=part["band"].to_numpy(),
            full_before=part.select(years_full.cast(pl.Float64).fill_null(np.nan))
            .to_series()
            .to_numpy(),
        ),
        prior,
    )
    begun, before = laws.decline_probability, laws.prior_decline
    raised = begun * (1.0 - before) >= _LEAST_ODDS_RAISED * before * (1.0 - begun)
    rates = (
        {}
        if laws.rate is None
        else {
            "rate_g_per_year": laws.rate.quantile(0.5),
            "rate_low_g_per_year": laws.rate.quantile(0.5 - CONFIDENCE / 2.0),
            "rate_high_g_per_year": laws.rate.quantile(0.5 + CONFIDENCE / 2.0),
        }
    )
    values = {
        "likely": laws.start + laws.crossing.quantile(0.5),
        "early": laws.start + laws.crossing.quantile(0.5 - CONFIDENCE / 2.0),
        "late": laws.start + laws.crossing.quantile(0.5 + CONFIDENCE / 2.0),
        "early_if_open": laws.start + laws.crossing.quantile(1.0 - CONFIDENCE),
        "limit": -part["band"].to_numpy(),
        "decline_probability": begun,
        "fall_per_year": laws.fall.quantile(0.5),
        "fall_low_per_year": laws.fall.quantile(0.5 - CONFIDENCE / 2.0),
        "fall_high_per_year": laws.fall.quantile(0.5 + CONFIDENCE / 2.0),
        "exhausted": laws.start + laws.exhausted.quantile(0.5),
        "has_begun": (begun >= _SURE_DECLINE) & raised,
        **rates,
    }
    return part.with_columns(
        pl.lit("hinge").alias("model_code"),
        pl.lit(value=True).alias("is_towards"),
        *(pl.Series(name, column) for name, column in values.items()),
    )


def _with_q_values(found: pl.DataFrame, known: Array) -> pl.DataFrame:
    """The false discovery rate of every line, asked among the known lines and itself."""
    lines = found.with_row_index("row").filter(pl.col("p_value").is_not_null())
    p_values = lines["p_value"].to_numpy()
    at = np.minimum(np.searchsorted(known, p_values), max(known.size - 1, 0))
    is_known = known[at] == p_values if known.size else np.zeros(p_values.size, dtype=bool)
    q_values = among_known(p_values, np.where(is_known, p_values, np.nan), known)
    rated = lines.select("row", pl.Series("q_value", q_values, pl.Float64))
    return found.with_row_index("row").join(rated, on="row", how="left").drop("row")


def _with_outlook(
    found: pl.DataFrame, settings: AssessmentSettings, as_of: datetime
) -> pl.DataFrame:
    """The series with their outlook and, where there is one, the date and its interval.

    What lies beyond the horizon counts as never. Where never lies in the interval, or no
    drift is seen, the interval is open, and all that it leaves out lies before it.
    """
    last = years_between(pl.col("first_at"), pl.lit(as_of)) + settings.drift_horizon_years
    # one visit far out can tilt a line, but not the median of all slopes
    is_robust = pl.col("slope_low_per_year") * pl.col("slope_high_per_year") > 0
    by_line = (
        (pl.col("q_value") <= settings.false_discovery_rate) & pl.col("is_towards") & is_robust
    )
    drifts = pl.when(pl.col("model_code") == "hinge").then("has_begun").otherwise(by_line)
    is_soon = pl.col("likely") <= last
    codes = (
        pl.when(~pl.col("is_enough"))
        .then(pl.lit(Outlook.TOO_FEW_VISITS.code))
        .when(pl.col("limit").is_null())
        .then(pl.lit(Outlook.NO_BAND.code))
        .when(~drifts.fill_null(value=False))
        .then(pl.lit(Outlook.NO_TREND.code))
        .when(is_soon)
        .then(pl.lit(Outlook.DATED.code))
        .otherwise(pl.lit(Outlook.BEYOND_HORIZON.code))
    )
    # a line without a trend has been held against one edge; where both are adverse, "not
    # before" would say nothing of the other
    is_one_sided = pl.col("is_high_adverse") != pl.col("is_low_adverse")
    has_start = drifts.fill_null(value=False) | is_one_sided | (pl.col("model_code") == "hinge")
    is_dated = pl.col("outlook_code") == Outlook.DATED.code
    is_closed = is_dated & (pl.col("late") <= last)
    first = pl.col("first_at")
    return found.with_columns(codes.alias("outlook_code")).with_columns(
        pl.when(is_dated).then(after_years(first, pl.col("likely"))).alias("leaves_band_at"),
        after_years(
            first,
            pl.when(is_closed).then("early").when(has_start).then("early_if_open"),
        ).alias("leaves_band_from"),
        pl.when(is_closed).then(after_years(first, pl.col("late"))).alias("leaves_band_until"),
        pl.when("has_begun")
        .then(after_years(first, pl.col("exhausted")))
        .alias("reserve_exhausted_at"),
    )


def _worded(found: pl.DataFrame, settings: AssessmentSettings, as_of: datetime) -> pl.DataFrame:
    """The series with what they lack and their sentence."""
    least = settings.least_visits
    lacking = [
        None if is_enough else lacking_visits(count, least)
        for count, is_enough in found.select("n_visits", "is_enough").iter_rows()
    ]
    found = found.with_columns(pl.Series("lacking", lacking, pl.String)).sort(SERIES)
    is_plain = pl.col("outlook_code").is_in([code.code for code in PLAIN_OUTLOOKS])
    rest = found.with_row_index("row").filter(~is_plain)
    sentences = [drift_sentence(row, as_of) for row in rest.iter_rows(named=True)]
    told = rest.select("row", pl.Series("told", sentences, pl.String))
    return (
        found.with_row_index("row")
        .join(told, on="row", how="left", maintain_order="left")
        .with_columns(pl.coalesce("told", plain_sentence(as_of)).alias("sentence"))
    )
