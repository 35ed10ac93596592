"""The curves of tests: screened samples, thinned to what a screen can show, in display units.

Takes samples of some tests (rows: test and instant) with their context, gives per test
a frozen `Curves`. Thinning keeps the least and the greatest value of every stretch, so
that no peak is lost. Does not belong here: which curve goes where (`panels`), drawing
(`charts`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from features.channels import channels_in
from features.refrigerant import add_saturation_temperatures
from features.screening import screen
from features.settings import DerivationSettings
from reports.display import display_unit
from reports.panels import DRAWN_CHANNELS

if TYPE_CHECKING:
    from reports.settings import ReportSettings

MOST_DISTRUST_MARKS = 40  # per channel: enough to show where a stretch lies
# Readings set aside that lie nearer together than this share of the test are one stretch: a
# hundred slivers would be seen as one grey all the same.
_SEAM_SHARE = 1 / 150
_LEAST_SEAM_S = 3.0


@dataclass(frozen=True)
class Curves:
    """The curves of one test over common instants, and the readings that were set aside.

    `distrusted` holds some instants and raw values, `hatched` the stretches [s] they lie in.
    """

    seconds: tuple[float, ...]
    values: dict[str, tuple[float | None, ...]]
    distrusted: dict[str, tuple[tuple[float, float], ...]]
    n_samples: int
    hatched: dict[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)


def read_curves(
    samples: pl.DataFrame, context: pl.DataFrame, settings: ReportSettings
) -> dict[str, Curves]:
    """The curves of every test in the samples, by test.

    Parameters
    ----------
    samples
        Canonical samples of any number of tests.
    context
        Their rows of `features.context.CONTEXT`.
    """
    if samples.is_empty():
        return {}
    screened = screen(samples, context, DerivationSettings()).samples
    drawn = add_saturation_temperatures(screened, context)
    names = [name for name in DRAWN_CHANNELS if name in drawn.columns]
    thinned = thin(drawn.select("test_id", "time_s", *names), settings.curve_points)
    shown = thinned.with_columns(
        display_unit(name, settings).finer().expression(pl.col(name)) for name in names
    )
    set_aside, hatched = _distrusted(samples, screened, settings)
    sizes = dict(samples.group_by("test_id", maintain_order=True).len().iter_rows())
    return {
        str(test_id): Curves(
            seconds=tuple(frame["time_s"].round(1).to_list()),
            values=_known_values(frame),
            distrusted=set_aside.get(str(test_id), {}),
            n_samples=sizes[test_id],
            hatched=hatched.get(str(test_id), {}),
        )
        for (test_id,), frame in shown.partition_by(
            "test_id", as_dict=True, maintain_order=True
        ).items()
    }


def thin(samples: pl.DataFrame, most_points: int) -> pl.DataFrame:
    """At most `most_points` rows per test; least and greatest value per stretch are kept.

    A test that is short enough comes back as it is. Of a longer one, every stretch of
    equal row count gives two rows, at its first and its middle instant, holding each
    channel's least and greatest value in the order in which they occurred.
    """
    ordered = samples.filter(pl.col("time_s").is_not_null()).sort(
        "test_id", "time_s", maintain_order=True
    )
    names = [name for name in ordered.columns if name not in ("test_id", "time_s")]
    row, rows = pl.int_range(pl.len()).over("test_id"), pl.len().over("test_id")
    per_stretch = (rows * 2 / most_points).ceil().cast(pl.Int64)
    numbered = ordered.with_columns(stretch=row // per_stretch, is_long=rows > most_points)
    short = numbered.filter(~pl.col("is_long")).select(ordered.columns)
    stretches = (
        numbered.filter("is_long")
        .group_by("test_id", "stretch", maintain_order=True)
        .agg(_two_instants(), *(_two_extremes(name) for name in names))
    )
    long = stretches.drop("stretch").explode("time_s", *names)
    return pl.concat([short, long.select(ordered.columns)]).sort(
        "test_id", "time_s", maintain_order=True
    )


def _two_instants() -> pl.Expr:
    time = pl.col("time_s")
    return pl.concat_list(time.first(), (time.first() + time.last()) / 2).alias("time_s")


def _two_extremes(name: str) -> pl.Expr:
    column = pl.col(name)
    least, greatest = column.min(), column.max()
    falls = column.arg_max() < column.arg_min()
    first = pl.when(falls).then(greatest).otherwise(least)
    second = pl.when(falls).then(least).otherwise(greatest)
    return pl.concat_list(first, second).alias(name)


_Marks = dict[str, dict[str, tuple[tuple[float, float], ...]]]


def _distrusted(
    raw: pl.DataFrame, screened: pl.DataFrame, settings: ReportSettings
) -> tuple[_Marks, _Marks]:
    """Per test and channel what screening set aside: some instants and values, and stretches."""
    names = [name for name in channels_in(raw) if name in DRAWN_CHANNELS]
    # screening keeps rows and their order
    joined = raw.with_columns(screened[name].alias(f"{name}__trusted") for name in names)
    marks: _Marks = {}
    stretches: _Marks = {}
    for name in names:
        is_set_aside = pl.col(name).is_not_null() & pl.col(f"{name}__trusted").is_null()
        found = joined.filter(is_set_aside & pl.col("time_s").is_not_null()).select(
            "test_id", "time_s", display_unit(name, settings).expression(pl.col(name))
        )
        ordered = found.sort("test_id", "time_s")
        _collect(marks, name, ordered.filter(_evenly(MOST_DISTRUST_MARKS)))
        _collect(stretches, name, _stretches(ordered, raw))
    return marks, stretches


def _collect(found: _Marks, name: str, rows: pl.DataFrame) -> None:
    for test_id, first, second in rows.iter_rows():
        channels = found.setdefault(test_id, {})
        channels[name] = (*channels.get(name, ()), (first, second))


def _stretches(set_aside: pl.DataFrame, raw: pl.DataFrame) -> pl.DataFrame:
    """From when to when readings were set aside, per test; near ones are one stretch."""
    lengths = raw.group_by("test_id").agg(length_s=pl.col("time_s").max() - pl.col("time_s").min())
    seam = pl.max_horizontal(pl.col("length_s") * _SEAM_SHARE, _LEAST_SEAM_S)
    is_new = (pl.col("time_s").diff().over("test_id") > seam).fill_null(value=False)
    return (
        set_aside.join(lengths, on="test_id", how="left", maintain_order="left")
        .with_columns(stretch=is_new.cum_sum().over("test_id"))
        .group_by("test_id", "stretch", maintain_order=True)
        .agg(from_s=pl.col("time_s").first(), to_s=pl.col("time_s").last())
        .drop("stretch")
    )


def _evenly(most: int) -> pl.Expr:
    """True for at most `most` rows per test, evenly apart."""
    row, rows = pl.int_range(pl.len()).over("test_id"), pl.len().over("test_id")
    return row % (rows / most).ceil().cast(pl.Int64) == 0


def _known_values(frame: pl.DataFrame) -> dict[str, tuple[float | None, ...]]:
    names = [name for name in frame.columns if name not in ("test_id", "time_s")]
    known = [name for name in names if frame[name].null_count() < frame.height]
    return {name: tuple(frame[name].to_list()) for name in known}
