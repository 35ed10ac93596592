"""Where the events of a test can be looked for: a logged channel, the pressures, or nowhere.

"No event seen" and "could not look" are different things: a source is null where nobody could
look, and so is the rate that counts what was found there. Takes blocks and tests. Does not
belong here: looking.
"""

from __future__ import annotations

import polars as pl

# A channel that is null for more than half of a test cannot be searched for events.
_LEAST_COVERAGE = 0.5
_COMPRESSOR_COMMANDS = ("compressor_on", "compressor_command_pct", "compressor_power_w")
_SPEEDS = ("compressor_rpm", "compressor_power_w")
_DUCTS = ("duct_air_c", "duct_left_c", "duct_right_c")

# families of events, each with its source column `{family}_source`
SOURCE_FAMILIES = (
    "fan", "compressor", "displacement", "engine", "blower", "recirculation", "icing",
)  # fmt: skip


def event_sources(blocks: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """One row per test: test_number and the source of each family.

    `displacement` is `command`, `speed` or `power` by what stands for the stroke, `pressure`
    where only the pressures can show it, and null for a compressor that cannot change it;
    `is_stroke_inferred`: both pressures are to be asked, whatever else is logged.
    """
    shares = _coverage(blocks).join(
        tests.select("test_number", "compressor", "control_target", "refrigerant"),
        on="test_number",
        how="left",
        maintain_order="left",
    )
    pressures = _has(shares, "low_side_kpa") & _has(shares, "high_side_kpa")
    inferred = pl.when(pressures).then(pl.lit("pressure"))
    on = pl.any_horizontal([_has(shares, name) for name in _COMPRESSOR_COMMANDS])
    ducts = pl.any_horizontal([_has(shares, name) for name in _DUCTS])
    ices = _has(shares, "low_side_kpa") & ducts & pl.col("refrigerant").is_not_null()
    return shares.select(
        "test_number",
        fan_source=_command_or(_has(shares, "condenser_fan_pct"), inferred),
        compressor_source=_command_or(on, inferred),
        displacement_source=_displacement_source(shares, inferred),
        is_stroke_inferred=pressures & _is_stroke_hidden(shares),
        engine_source=_command_or(_has(shares, "engine_rpm"), None),
        blower_source=_command_or(_has(shares, "blower_pct"), None),
        recirculation_source=_command_or(_has(shares, "recirculation_pct"), None),
        icing_source=pl.when(ices & (on | pressures)).then(pl.lit("air")),
    )


def _displacement_source(shares: pl.DataFrame, inferred: pl.Expr) -> pl.Expr:
    kind = pl.col("compressor")
    is_electric = kind.eq_missing("electric")
    return (
        pl.when(kind.eq_missing("fixed_clutch"))
        .then(None)
        .when(_has(shares, "compressor_command_pct"))
        .then(pl.lit("command"))
        .when(is_electric & _has(shares, "compressor_rpm"))
        .then(pl.lit("speed"))
        .when(is_electric & _has(shares, "compressor_power_w"))
        .then(pl.lit("power"))
        .otherwise(inferred)
    )


def _is_stroke_hidden(shares: pl.DataFrame) -> pl.Expr:
    """True means: no logged channel shows the stroke or speed, although it may change.

    The command of a valve that holds a suction pressure or a flow is its set point: the
    stroke goes its own way to keep it.
    """
    is_set_point = pl.col("control_target").is_in(["suction_pressure", "flow"])
    is_shown = pl.any_horizontal(
        _has(shares, "compressor_command_pct") & ~is_set_point.fill_null(value=False),
        pl.col("compressor").eq_missing("electric")
        & pl.any_horizontal([_has(shares, name) for name in _SPEEDS]),
    )
    return ~pl.col("compressor").eq_missing("fixed_clutch") & ~is_shown


def _command_or(is_logged: pl.Expr, otherwise: pl.Expr | None) -> pl.Expr:
    return pl.when(is_logged).then(pl.lit("command")).otherwise(otherwise)


def _coverage(blocks: pl.DataFrame) -> pl.DataFrame:
    """Share of the blocks of a test that know each channel."""
    names = (
        "low_side_kpa", "high_side_kpa", "condenser_fan_pct", "engine_rpm", "blower_pct",
        "recirculation_pct", "compressor_rpm", *_COMPRESSOR_COMMANDS, *_DUCTS,
    )  # fmt: skip
    known = [name for name in names if name in blocks.columns]
    return blocks.group_by("test_number", maintain_order=True).agg(
        pl.col(known).is_not_null().mean()
    )


def _has(shares: pl.DataFrame, name: str) -> pl.Expr:
    if name not in shares.columns:
        return pl.lit(value=False)
    return pl.col(name) >= _LEAST_COVERAGE
