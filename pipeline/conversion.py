"""From raw wide rows to canonical samples: units, the atmosphere of gauges, time from zero.

Takes raw rows (`raw_logs`) of logs that share one column plan, gives rows of `SAMPLES`
with the column `file`, and refuses gauge pressures of logs whose place is not known.
Does not belong here: reading files, the arithmetic of units (`features.units`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.air import atmospheric_pressure_kpa
from features.channels import CHANNEL
from features.units import to_canonical
from pipeline.raw_logs import value_name
from pipeline.refusals import Objection

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.column_plans import ColumnPlan, ColumnUse
    from pipeline.log_requests import Door, LogRequest

_BAROMETER = CHANNEL["barometric_kpa"]


def to_samples(
    raw: pl.DataFrame, plan: ColumnPlan, atmospheres: Mapping[int, float | None]
) -> pl.DataFrame:
    """Raw rows as samples: `file`, `first_s`, `time_s` and one column per channel.

    Rows keep their order. `first_s` is the time of the log's first row as `clocks.seconds`
    gives it; time is rounded to the microsecond. A vented gauge without an atmosphere
    gives null.
    """
    last = max(atmospheres, default=0)
    by_file = pl.Series([atmospheres.get(file) for file in range(last + 1)], dtype=pl.Float64)
    local_kpa = by_file.gather(raw["file"]).alias("atmospheric_kpa")
    first_s = pl.col("seconds").first().over("file").alias("first_s")
    return raw.with_columns(first_s, local_kpa).select(
        "file",
        "first_s",
        (pl.col("seconds") - pl.col("first_s")).round(6).alias("time_s"),
        *(
            to_canonical(pl.col(value_name(use.index)), use.unit, pl.col("atmospheric_kpa")).alias(
                use.channel
            )
            for use in plan.uses
        ),
    )


def find_atmospheres(
    raw: pl.DataFrame, plan: ColumnPlan, requests: Mapping[int, LogRequest], door: Door
) -> dict[int, float | None]:
    """Atmospheric pressure per log [kPa]; None where nothing states it.

    The barometer in the log counts first (its median, where that is a pressure a
    barometer can show), then the barometer and the altitude of the test's registry row,
    then the altitude of the site in the settings.
    """
    logged = _logged_barometer(raw, plan)
    return {
        file: logged.get(file) if logged.get(file) is not None else _stated(request, door)
        for file, request in requests.items()
    }


def _stated(request: LogRequest, door: Door) -> float | None:
    if request.barometric_kpa is not None:
        return request.barometric_kpa
    altitude_m = request.altitude_m if request.altitude_m is not None else door.altitude_m
    return None if altitude_m is None else float(atmospheric_pressure_kpa(altitude_m))


def _logged_barometer(raw: pl.DataFrame, plan: ColumnPlan) -> dict[int, float | None]:
    use = next((use for use in plan.uses if use.channel == _BAROMETER.name), None)
    if use is None:
        return {}
    reading = to_canonical(pl.col(value_name(use.index)), use.unit, pl.lit(None))
    median = reading.median().alias("median_kpa")
    per_log = raw.group_by("file").agg(median)
    real = pl.col("median_kpa").is_between(_BAROMETER.lowest, _BAROMETER.highest)
    return dict(per_log.filter(real).select("file", "median_kpa").rows())


def gauges_without_place(
    plan: ColumnPlan, atmospheres: Mapping[int, float | None], requests: Mapping[int, LogRequest]
) -> list[Objection]:
    """A refusal per gauge column of every log whose atmospheric pressure is not known."""
    gauges = [use for use in plan.uses if use.unit.reference == "gauge_vented"]
    return [
        _no_atmosphere(request.path, use)
        for file, request in requests.items()
        if atmospheres.get(file) is None
        for use in gauges
    ]


def _no_atmosphere(path: str, use: ColumnUse) -> Objection:
    return Objection(
        path,
        use.name,
        "no_atmosphere",
        "The gauge pressure cannot be made absolute: neither barometer nor altitude is known.",
        f"column {use.name}",
        "State `altitude_m` or `barometric_kpa` in the registry's tests table, or `altitude_m` "
        "under [site] in chillroster.toml.",
    )


def count_values(samples: pl.DataFrame, channels: Sequence[str]) -> pl.DataFrame:
    """Per log: `n_rows`, `first_s`, `duration_s`, and the number of values per channel."""
    return samples.group_by("file", maintain_order=True).agg(
        pl.len().alias("n_rows"),
        pl.col("first_s").first(),
        pl.col("time_s").last().alias("duration_s"),
        *(pl.col(channel).count().alias(channel) for channel in channels),
    )


def count_unknown_switches(
    raw: pl.DataFrame, samples: pl.DataFrame, plan: ColumnPlan, requests: Mapping[int, LogRequest]
) -> list[Objection]:
    """A remark per switch column and log whose cells say neither on nor off."""
    remarks = []
    for use in (use for use in plan.uses if use.is_text):
        cells = raw.select("file", pl.col(value_name(use.index)).alias("cell"))
        is_unknown = cells["cell"].is_not_null() & samples[use.channel].is_null()
        unknown = (
            cells.filter(is_unknown)
            .group_by("file", maintain_order=True)
            .agg(pl.len().alias("n"), pl.col("cell").first())
        )
        remarks += [
            _unknown_switch(requests[file].path, use, n, cell) for file, n, cell in unknown.rows()
        ]
    return remarks


def _unknown_switch(path: str, use: ColumnUse, n: int, cell: str) -> Objection:
    return Objection(
        path,
        use.name,
        "few_unreadable_cells",
        f"{n} cells say neither on nor off and count as missing; the first is {cell!r}.",
        f"column {use.name}",
        "Switches are read as on/off, true/false, yes/no or 1/0.",
    )
