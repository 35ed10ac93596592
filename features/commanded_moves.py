"""Moves of what drives the circuit, where it is logged: engine, blower, flap, compressor.

Takes the event grid and gives one row per move, of the kinds that go with each channel.
Does not belong here: switches and stages (`command_steps`), what only the pressures show
(`pressure_edges`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.grid_moves import MOVES_SCHEMA, MoveRule, find_moves

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.event_grid import EventGrid
    from features.settings import DerivationSettings

    Floats = NDArray[np.float64]

_SPEED_WITHIN_S, _STEP_WITHIN_S, _STROKE_WITHIN_S = 10.0, 5.0, 20.0
_APART_S, _STROKE_APART_S = 15.0, 30.0


def engine_moves(grid: EventGrid, settings: DerivationSettings) -> pl.DataFrame:
    """Changes of the engine speed, size in 1/min."""
    rule = MoveRule(settings.least_engine_step_rpm, _SPEED_WITHIN_S, _APART_S)
    return _moves(grid, "engine_rpm", rule)


def blower_moves(grid: EventGrid, settings: DerivationSettings) -> pl.DataFrame:
    """Changes of the blower, size in points."""
    rule = MoveRule(settings.least_blower_step_pct, _STEP_WITHIN_S, _APART_S)
    return _moves(grid, "blower_pct", rule)


def recirculation_moves(grid: EventGrid, settings: DerivationSettings) -> pl.DataFrame:
    """Changes of the recirculation flap, size in points."""
    rule = MoveRule(settings.least_recirculation_step_pct, _STEP_WITHIN_S, _APART_S)
    return _moves(grid, "recirculation_pct", rule)


def command_moves(grid: EventGrid, settings: DerivationSettings) -> pl.DataFrame:
    """Changes of the displacement command, size in points."""
    rule = MoveRule(settings.least_stroke_step_pct, _STROKE_WITHIN_S, _STROKE_APART_S)
    return _moves(grid, "compressor_command_pct", rule)


def speed_moves(grid: EventGrid, channel: str, settings: DerivationSettings) -> pl.DataFrame:
    """Changes of an electric compressor's speed, or else its power, by share of the highest."""
    if channel not in grid.values:
        return pl.DataFrame(schema=MOVES_SCHEMA)
    least = settings.least_stroke_step_pct / 100.0 * _highest(grid, grid.values[channel])
    rule = MoveRule(np.where(least > 0.0, least, np.inf), _STROKE_WITHIN_S, _STROKE_APART_S)
    return _moves(grid, channel, rule)


def _moves(grid: EventGrid, channel: str, rule: MoveRule) -> pl.DataFrame:
    if channel not in grid.values:
        return pl.DataFrame(schema=MOVES_SCHEMA)
    return find_moves(grid, grid.values[channel], rule)


def _highest(grid: EventGrid, values: Floats) -> Floats:
    """The highest value of the test, at every cell; NaN between tests."""
    frame = pl.DataFrame({"test": grid.test, "value": values}).with_columns(
        pl.col("value").fill_nan(None)
    )
    highest = frame.select(pl.col("value").max().over("test")).to_series()
    return highest.fill_null(np.nan).to_numpy()
