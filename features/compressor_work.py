"""Does the compressor work? Block by block, and since when the present run lasts.

By its command where one is logged, by the shaft of an electric one, else by the pressures:
a compressor that works holds them apart. A command alone does not make it work: a belt that
is gone or a pump that seized leaves the pressures together however long it is asked. Takes
blocks, tests and what is known of the switching; adds `is_running`, `is_cycling`,
`run_start_s` and `off_code` (why it does not work, null while it does). Does not belong
here: what its control does while it works (`control_limits`, `regimes`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.blocks import is_same_test
from features.command_steps import is_commanded_on
from features.cycles import chain_spans
from features.event_kinds import STARTS, STOPS
from features.regime_reasons import Reason

if TYPE_CHECKING:
    from features.settings import DerivationSettings

# A shorter stop is an event, not the end of a run: the circuit stays warm (tuning value).
LONGEST_PAUSE_S = 30.0
# In a longer hole of the log a stop may hide that the circuit has not forgotten (tuning value).
_LONGEST_HOLE_S = 90.0
# An engine that turns slower than this does not run (common practice, no source).
_ENGINE_STANDS_RPM = 300.0
# A shaft that turns slower stands (tuning value).
_SHAFT_STANDS_RPM = 100.0
# Asked for so long, even a slow clutchless compressor has parted the pressures.
_ASKED_S = 60.0
# From block to block the ratio of a starting compressor rises by more (tuning value).
_PARTING = 0.01
# After a stop the pressures only come together; when they part again it works (tuning value).
_PARTED_AGAIN = 1.05
# A circuit at rest cannot keep its pressures apart: above this ratio it loses more than this
# share of it in a minute (tuning values).
_KEPT_APART = 1.5
_LOST_AT_REST = 0.02
_PRESSURES = {"low_side_kpa", "high_side_kpa"}
# columns that are dropped once the compressor's work is told
_EVIDENCE = (
    "ratio", "by_command", "by_pressure", "is_idle", "stands", "is_asked", "is_in_chain",
    "chain_start_s", "reign_end_s",
)  # fmt: skip


@dataclass(frozen=True)
class Switching:
    """What is known of the compressor's switching: control events, and its cycles."""

    events: pl.DataFrame
    cycles: pl.DataFrame


def add_compressor_work(
    blocks: pl.DataFrame,
    tests: pl.DataFrame,
    switching: Switching,
    settings: DerivationSettings,
    block_s: float,
) -> pl.DataFrame:
    """The blocks with compressor, is_running, is_cycling, run_start_s and off_code.

    Needs test_number, start_s; `tests` needs test_number and compressor. Row count and order
    stay. Beside them `asked_s`: for how long the test asked to cool, and `top_ratio`: the
    highest ratio of the two pressures meanwhile.
    """
    told = tests.select("test_number", "compressor", "control_target")
    frame = (
        blocks.join(told, on="test_number", maintain_order="left")
        .pipe(_add_last_switching, switching)
        .with_columns(
            ratio=_ratio(blocks.columns),
            by_command=_by_command(blocks.columns, settings),
            stands=_engine_stands(blocks.columns),
        )
        .with_columns(is_asked=_is_asked(blocks.columns))
    )
    frame = _add_idle(_add_by_pressure(frame, settings, block_s), settings, block_s)
    judged = frame.with_columns(
        is_running=pl.coalesce("by_command", "by_pressure")
        & ~pl.col("is_idle")
        & ~pl.col("stands"),
    )
    return (
        judged.with_columns(is_cycling=_is_cycling())
        .with_columns(run_start_s=_run_start_s())
        .with_columns(off_code=_off_code())
        .drop(*_EVIDENCE, "control_target")
    )


def works() -> pl.Expr:
    """True means: it works, or pauses between two of its cycles; null where not known."""
    return pl.col("is_running") | pl.col("is_cycling")


def _is_cycling() -> pl.Expr:
    """True means: in a chain of cycles, from the first time that the control switches off."""
    has_paused = (pl.col("is_in_chain") & ~pl.col("is_running")).fill_null(value=False)
    begun = has_paused.cum_max().over("test_number", "chain_start_s")
    return pl.col("is_in_chain") & begun & ~pl.col("stands")


def _add_last_switching(frame: pl.DataFrame, switching: Switching) -> pl.DataFrame:
    """The frame with `is_in_chain` and the last stop or start that the pressures showed."""
    reigns = chain_spans(switching.cycles).select(
        "test_number", "start_s", "reign_end_s", chain_start_s="start_s"
    )
    edges = switching.events.filter(
        pl.col("kind_code").is_in([*STARTS, *STOPS]) & (pl.col("source_code") == "pressure")
    ).select(
        "test_number",
        start_s="time_s",
        edge_s="time_s",
        edge_code=pl.col("kind_code").replace(dict.fromkeys(STOPS, "compressor_off")),
    )
    return (
        frame.join_asof(reigns, on="start_s", by="test_number", check_sortedness=False)
        .join_asof(edges, on="start_s", by="test_number", check_sortedness=False)
        .with_columns(
            is_in_chain=(pl.col("start_s") < pl.col("reign_end_s")).fill_null(value=False)
        )
    )


def _ratio(columns: list[str]) -> pl.Expr:
    if not set(columns) >= _PRESSURES:
        return pl.lit(None, pl.Float64)
    return pl.col("high_side_kpa") / pl.col("low_side_kpa")


def _by_command(columns: list[str], settings: DerivationSettings) -> pl.Expr:
    """True means: commanded on, or the shaft of an electric compressor turns."""
    commanded = is_commanded_on(columns, settings)
    answers = [] if commanded is None else [pl.when(~_is_set_point(columns)).then(commanded)]
    if "compressor_rpm" in columns:
        is_electric = pl.col("compressor") == "electric"
        answers.append(pl.when(is_electric).then(pl.col("compressor_rpm") > _SHAFT_STANDS_RPM))
    return pl.coalesce(answers) if answers else pl.lit(None, pl.Boolean)


def _is_set_point(columns: list[str]) -> pl.Expr:
    """True means: the only command is the set point of a valve that holds the low side.

    No command at all then asks for the least stroke or for the lowest pressure, by the valve's
    make, and so does not tell whether the compressor works; the pressures do.
    """
    is_held = pl.col("control_target").eq_missing("suction_pressure")
    return is_held & pl.col("compressor_on").is_null() if "compressor_on" in columns else is_held


def _engine_stands(columns: list[str]) -> pl.Expr:
    """True means: the engine that drives the compressor stands. Never true where not known."""
    if "engine_rpm" not in columns:
        return pl.lit(value=False)
    is_driven = pl.col("compressor") != "electric"
    return (is_driven & (pl.col("engine_rpm") < _ENGINE_STANDS_RPM)).fill_null(value=False)


def _is_asked(columns: list[str]) -> pl.Expr:
    """True means: the car is asked to cool: by command, else fan or blower with the engine on."""
    moved = [name for name in ("condenser_fan_pct", "blower_pct") if name in columns]
    answers = [pl.col("by_command")]
    if moved and "engine_rpm" in columns:
        answers.append(
            pl.any_horizontal(pl.col(moved) > 0) & (pl.col("engine_rpm") >= _ENGINE_STANDS_RPM)
        )
    return (pl.coalesce(answers) & ~pl.col("stands")).fill_null(value=False)


def _add_by_pressure(
    frame: pl.DataFrame, settings: DerivationSettings, block_s: float
) -> pl.DataFrame:
    """The frame with `by_pressure`: apart and not just coming together, or parting."""
    stretch = pl.struct("test_number", "edge_s")
    rises = is_same_test(-1) & (pl.col("ratio").shift(-1) - pl.col("ratio") > _PARTING)
    least = settings.running_pressure_ratio
    frame = frame.with_columns(
        lowest=pl.when(pl.col("edge_code") == "compressor_off").then(
            pl.col("ratio").cum_min().over(stretch)
        ),
        rise=pl.struct("test_number", rises.fill_null(value=False).alias("rises")).rle_id(),
        rises=rises.fill_null(value=False),
    )
    is_apart = pl.col("ratio") > least
    is_settling = (pl.col("ratio") <= _PARTED_AGAIN * pl.col("lowest")).fill_null(value=False)
    is_settling &= ~_is_kept_apart(block_s)
    # the ratio that a climb ends with stands in the first block after it
    climbs_to = pl.col("ratio").shift(-1).last().over("rise")
    return frame.with_columns(
        by_pressure=(is_apart & ~is_settling)
        | (pl.col("rises") & (climbs_to > least).fill_null(value=False))
    ).drop("lowest", "rise", "rises", "edge_s", "edge_code")


def _is_kept_apart(block_s: float) -> pl.Expr:
    """True means: in a minute since the last stop or start in which the ratio did not fall."""
    n_blocks = max(round(_ASKED_S / block_s), 1)
    is_alike = is_same_test(n_blocks) & (pl.col("edge_s") == pl.col("edge_s").shift(n_blocks))
    was = pl.col("ratio").shift(n_blocks)
    is_end = is_alike & (pl.col("ratio") > _KEPT_APART)
    is_end &= pl.col("ratio") >= (1.0 - _LOST_AT_REST) * was
    ends = is_end.fill_null(value=False).cast(pl.Int8)
    return ends.reverse().rolling_max(n_blocks + 1, min_samples=1).reverse() > 0


def _add_idle(frame: pl.DataFrame, settings: DerivationSettings, block_s: float) -> pl.DataFrame:
    """The frame with `is_idle`, `asked_s` and `top_ratio`.

    True means: asked by its command for a minute on end, or time and again in a test, without
    the pressures ever parting.
    """
    request = pl.struct("test_number", "is_asked").rle_id()
    while_asked = pl.col("ratio").filter(pl.col("is_asked"))
    frame = frame.with_columns(request=request).with_columns(
        asked_s=(pl.col("is_asked").sum() * block_s).over("test_number"),
        top_ratio=while_asked.max().over("test_number"),
        stretch_s=(pl.len() * block_s).over("request"),
        stretch_ratio=pl.col("ratio").max().over("request"),
    )
    together = settings.idle_pressure_ratio
    is_idle = ((pl.col("stretch_s") >= _ASKED_S) & (pl.col("stretch_ratio") < together)) | (
        (pl.col("asked_s") >= _ASKED_S) & (pl.col("top_ratio") < together)
    )
    return frame.with_columns(
        is_idle=(pl.col("by_command") & pl.col("is_asked") & is_idle).fill_null(value=False)
    ).drop("request", "stretch_s", "stretch_ratio")


def _run_start_s() -> pl.Expr:
    """When the present run began: the first working block of the test or after a real stop.

    A hole in the log is no stop while it is short and the compressor works on either side.
    """
    last_s = pl.when(works()).then(pl.col("start_s")).forward_fill().shift(1)
    pause_s = pl.col("start_s") - last_s
    is_hole = works().shift(1).fill_null(value=False)
    longest_s = pl.when(is_hole).then(_LONGEST_HOLE_S).otherwise(LONGEST_PAUSE_S)
    begins = works() & (pause_s.is_null() | (pause_s > longest_s))
    return pl.when(begins).then(pl.col("start_s")).forward_fill().over("test_number")


def _off_code() -> pl.Expr:
    """Why it does not work; null while it does or where that is not known."""
    never = ~works().any().over("test_number")
    is_refused = never & pl.col("is_asked") & (pl.col("asked_s") >= _ASKED_S)
    return (
        pl.when(works().is_null() | works())
        .then(None)
        .when(pl.col("stands"))
        .then(pl.lit(Reason.ENGINE_STANDS.code))
        .when(is_refused & pl.col("top_ratio").is_not_null())
        .then(pl.lit(Reason.NEVER_RAN.code))
        .when(pl.col("is_idle"))
        .then(pl.lit(Reason.ASKED_IN_VAIN.code))
        .when(pl.col("by_command").is_not_null())
        .then(pl.lit(Reason.COMMAND_OFF.code))
        .otherwise(pl.lit(Reason.PRESSURES_TOGETHER.code))
    )
