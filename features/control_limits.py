"""Is the compressor at its limit, or does its control hold it below? Block by block.

A compressor of fixed stroke is at its limit whenever it is engaged. A variable one is told
by its command, an electric one by its speed, one with a valve of its own by the low side
that this valve holds. Where nothing of that is logged, only what the circuit cannot do
otherwise is claimed, and a low side that moves as at full stroke counts before its level.
Takes blocks with `compressor`, `is_running` and `run_start_s`; adds `is_at_limit` (null =
cannot be told) and `limit_code`. Does not belong here: whether it works at all
(`compressor_work`), how the low side moves (`full_stroke`), pull-down (`pull_down`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.air_columns import atmosphere_kpa
from features.full_stroke import FIGURES, add_full_stroke
from features.regime_reasons import Reason

if TYPE_CHECKING:
    from features.settings import DerivationSettings

# Commands and speeds are judged by their median over so long: a control acts in tens of
# seconds, its sensors are noisier (tuning value).
_SMOOTH_S = 25.0
# What must hold for a minute, as the pressures do that a valve holds.
_MINUTE_S = 60.0
# The engine must change its speed by so much before a level that stays is one that is held,
_LOAD_STEP_RPM = 300.0
_LOAD_WITHIN_S = 180.0
# and the level stays when it moves less (tuning values).
_HELD_WITHIN_KPA = 10.0
# Targets of the air leaving the evaporator: 3 to 5 degC at full cold, 3 to 8 degC where a
# temperature is chosen (service manuals of cars); beyond that by 2 K the control has no more
# to give (tuning value). On its way to the outlets the air gains a kelvin (common practice).
_WARMEST_FULL_COLD_C = 5.0
_WARMEST_CHOSEN_C = 8.0
_OVER_TARGET_K = 2.0
_DUCT_GAIN_K = 1.0
# A low side that follows by more than the one share is at full stroke, by less than the other
# it is held; between them the run holds both (tuning values).
_FOLLOWS, _HELD = 0.5, 0.1
# and then it stands higher where it is not held, by more than (tuning value)
_LIFTED_KPA = 4.0
# A stroke or speed that is controlled moves the low side by more than the high side and the
# engine do; at full stroke so little is left, relative (tuning values).
_NEAR_FULL_STROKE = {"variable_external": 0.006, "electric": 0.016}
_UNEXPLAINED = 0.009
_FOLLOWS_ALIKE = (0.4, 2.0)
# the air around a car at sea level, for a valve that works against vacuum
_SEA_LEVEL_KPA = 101.325


def add_control_limits(
    blocks: pl.DataFrame, tests: pl.DataFrame, settings: DerivationSettings, block_s: float
) -> pl.DataFrame:
    """The blocks with is_at_limit, limit_code and low_gauge_kpa.

    `tests` needs test_number, altitude_m, noted_barometric_kpa, control_target and
    cabin_setpoint_c. Row count and order stay.
    """
    told = tests.select("test_number", "altitude_m", "noted_barometric_kpa", *_TOLD)
    frame = (
        blocks.join(told, on="test_number", maintain_order="left")
        .pipe(add_full_stroke, block_s)
        .with_columns(low_gauge_kpa=_low_gauge_kpa(blocks.columns))
    )
    evidence = _evidence(blocks.columns, settings, block_s)
    code = pl.lit(Reason.ALWAYS_FULL.code)
    is_fixed = pl.col("compressor").eq_missing("fixed_clutch")
    frame = frame.with_columns(limit_code=pl.when(is_fixed).then(code).otherwise(evidence))
    at_limit = [reason.code for reason in _AT_LIMIT]
    return frame.with_columns(is_at_limit=pl.col("limit_code").is_in(at_limit)).drop(
        "altitude_m", "noted_barometric_kpa", *_TOLD, *FIGURES
    )


_TOLD = ("control_target", "cabin_setpoint_c")
_AT_LIMIT = (
    Reason.ALWAYS_FULL,
    Reason.COMMAND_FULL,
    Reason.SPEED_FULL,
    Reason.LOW_SIDE_ABOVE,
    Reason.LOW_SIDE_BELOW,
    Reason.LOW_SIDE_FOLLOWS,
    Reason.LOW_SIDE_LIFTED,
    Reason.AIR_TOO_WARM,
)


def _evidence(columns: list[str], settings: DerivationSettings, block_s: float) -> pl.Expr:
    """The code of the best evidence that is logged; null where none speaks."""
    have = set(columns)
    answers: list[pl.Expr] = []
    if "compressor_command_pct" in have:
        command = _by_command(settings, block_s)
        # the full command of a valve that holds the low side is a set point, no stroke
        is_open = _holds_low_side() & (command == Reason.COMMAND_FULL.code)
        answers.append(pl.when(~is_open.fill_null(value=False)).then(command))
    if "compressor_rpm" in have:
        is_electric = pl.col("compressor") == "electric"
        answers.append(pl.when(is_electric).then(_by_speed(settings, block_s)))
    if "low_side_kpa" in have:
        answers.append(pl.when(_holds_low_side()).then(_by_low_side(settings, block_s)))
        if "engine_rpm" in have:
            answers.append(_by_load(block_s))
        answers.append(_by_full_stroke())
    answers.append(_by_air(columns, block_s))
    return pl.coalesce(answers)


def _holds_low_side() -> pl.Expr:
    """True means: a valve in the compressor holds the low side, whoever sets its set point."""
    is_internal = pl.col("compressor").eq_missing("variable_internal")
    is_external = pl.col("compressor").eq_missing("variable_external")
    return is_internal | (is_external & pl.col("control_target").eq_missing("suction_pressure"))


def _over(seconds: float, block_s: float) -> int:
    """An odd number of blocks that span about so many seconds, 3 at least."""
    return max(2 * round((seconds / block_s - 1) / 2) + 1, 3)


def _smooth(name: str, block_s: float) -> pl.Expr:
    """Median over some blocks around, while the compressor runs."""
    running = pl.when(pl.col("is_running")).then(pl.col(name))
    length = _over(_SMOOTH_S, block_s)
    return running.rolling_median(length, min_samples=1, center=True).over("test_number")


def _by_command(settings: DerivationSettings, block_s: float) -> pl.Expr:
    """Full: near the highest command of the test, and not below a least command."""
    command = pl.col("compressor_command_pct")
    highest = pl.when(pl.col("is_running")).then(command).quantile(0.99, "linear")
    threshold = pl.max_horizontal(
        settings.saturated_share * highest.over("test_number"),
        pl.lit(settings.saturated_least_command_pct),
    )
    smooth = _smooth("compressor_command_pct", block_s)
    return _full_or_below(smooth, threshold, Reason.COMMAND_FULL, Reason.COMMAND_BELOW)


def _by_speed(settings: DerivationSettings, block_s: float) -> pl.Expr:
    """Full: near the highest speed of a test that shows a start; else that may be no limit.

    A control that starts with a warm car asks for the highest speed it allows.
    """
    running = pl.when(pl.col("is_running")).then(pl.col("compressor_rpm"))
    threshold = settings.saturated_share * running.max().over("test_number")
    was_started = (~pl.col("is_running")).any().over("test_number")
    told = _full_or_below(
        _smooth("compressor_rpm", block_s), threshold, Reason.SPEED_FULL, Reason.SPEED_BELOW
    )
    return pl.when(was_started | (told == Reason.SPEED_BELOW.code)).then(told)


def _full_or_below(value: pl.Expr, threshold: pl.Expr, full: Reason, below: Reason) -> pl.Expr:
    return (
        pl.when(value >= threshold)
        .then(pl.lit(full.code))
        .when(value < threshold)
        .then(pl.lit(below.code))
    )


def _low_gauge_kpa(columns: list[str]) -> pl.Expr:
    """The low side over the air against which the valve that holds it works.

    The bellows of a valve of the compressor's own feels the air around the car; one that is
    steered from outside is evacuated (from memory), and its set point a pressure as such.
    """
    if "low_side_kpa" not in columns:
        return pl.lit(None, pl.Float64)
    logged = [name for name in ("barometric_kpa",) if name in columns]
    around = atmosphere_kpa([*logged, "noted_barometric_kpa"])
    is_steered = pl.col("compressor").eq_missing("variable_external")
    return pl.col("low_side_kpa") - pl.when(is_steered).then(_SEA_LEVEL_KPA).otherwise(around)


def _by_low_side(settings: DerivationSettings, block_s: float) -> pl.Expr:
    """A valve of the compressor's own holds the low side at its set point, in gauge terms.

    Above it the stroke is full; below it nobody holds. Half a minute of undershoot after a
    change of load is not yet below.
    """
    # rolling medians cost by the value that is known: only cars of which they are asked
    gauge = pl.when(_holds_low_side()).then(pl.col("low_gauge_kpa"))
    smooth = gauge.rolling_median(_over(_SMOOTH_S, block_s), min_samples=1, center=True)
    minutes = gauge.rolling_mean(_over(2 * _MINUTE_S, block_s), min_samples=1, center=True)
    set_point, width = settings.held_low_side_kpa_gauge, settings.held_low_side_width_kpa
    is_above = (smooth > set_point + width).over("test_number")
    is_below = (minutes < set_point - width).over("test_number")
    return (
        pl.when(gauge.is_null())
        .then(None)
        .when(is_above)
        .then(pl.lit(Reason.LOW_SIDE_ABOVE.code))
        .when(is_below)
        .then(pl.lit(Reason.LOW_SIDE_BELOW.code))
        .when(pl.col("follows") > _FOLLOWS)
        .then(pl.lit(Reason.LOW_SIDE_FOLLOWS.code))
        .when((pl.col("follows") > _HELD) & (pl.col("lifted_kpa") > _LIFTED_KPA))
        .then(pl.lit(Reason.LOW_SIDE_LIFTED.code))
        .otherwise(pl.lit(Reason.LOW_SIDE_HELD.code))
    )


def _by_full_stroke() -> pl.Expr:
    """Full where the low side of the run does what full stroke makes of it, and no more.

    Says nothing where more moves it: that can be a control, or a change of the load.
    """
    is_near = pl.any_horizontal(
        (pl.col("compressor") == compressor) & (pl.col("off_full_stroke") < near)
        for compressor, near in _NEAR_FULL_STROKE.items()
    )
    is_alike = pl.col("follows").is_between(*_FOLLOWS_ALIKE)
    is_alike &= (pl.col("compressor") == "variable_external") & (
        pl.col("unexplained") < _UNEXPLAINED
    )
    return pl.when(is_near | is_alike).then(pl.lit(Reason.LOW_SIDE_FOLLOWS.code))


def _by_air(columns: list[str], block_s: float) -> pl.Expr:
    """Full where the air stays warmer than any target for a minute, below where it is held.

    A control asks for all there is while its air is too warm, and air that lies where
    controls hold it is taken to be held: hardware at its limit would be there by chance.
    """
    air = [name for name in ("evaporator_fin_c", "duct_air_c") if name in columns]
    if not air:
        return pl.lit(None, pl.String)
    has_fin = pl.col("evaporator_fin_c").is_not_null() if "evaporator_fin_c" in air else False
    gain_k = pl.when(has_fin).then(0.0).otherwise(_DUCT_GAIN_K)
    is_chosen = pl.col("cabin_setpoint_c").is_not_null()
    target_c = pl.when(is_chosen).then(_WARMEST_CHOSEN_C).otherwise(_WARMEST_FULL_COLD_C)
    warmest_c = target_c + _OVER_TARGET_K + gain_k
    is_controlled = pl.col("compressor").is_in(["variable_external", "electric"])
    read = pl.when(pl.col("is_running") & is_controlled).then(pl.coalesce(air))
    level = read.rolling_mean(_over(_MINUTE_S, block_s), min_samples=2, center=True)
    told = _full_or_below(
        -level.over("test_number"), -warmest_c, Reason.AIR_HELD, Reason.AIR_TOO_WARM
    )
    return pl.when(is_controlled).then(told)


def _by_load(block_s: float) -> pl.Expr:
    """Below its limit where the low side stays while the engine drives it faster or slower."""
    length = _over(_LOAD_WITHIN_S, block_s)

    def span(name: str) -> pl.Expr:
        value = pl.when(pl.col("is_running")).then(pl.col(name))
        highest = value.rolling_max(length, center=True)
        return (highest - value.rolling_min(length, center=True)).over("test_number")

    is_held = (span("engine_rpm") > _LOAD_STEP_RPM) & (span("low_side_kpa") < _HELD_WITHIN_KPA)
    return pl.when(is_held).then(pl.lit(Reason.HELD_UNDER_LOAD.code))
