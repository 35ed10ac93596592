"""Clamps read a share of the way from their pipe to the air around it; this takes it off.

T_read = T_pipe + share (T_air - T_pipe): a clamp on a cold suction line under a hot hood reads
warm, so that superheat reads high and subcooling low (common practice, no source: a share of
0.02 to 0.05 with insulation and good contact, 0.05 to 0.2 without). A known systematic effect
is corrected before uncertainty is counted (GUM, JCGM 100:2008, 3.2.4). It is known where it is
noted whether the clamps were insulated and the air around them can be told; elsewhere the
reading stays as it is and the effect is uncertainty alone (F.2.4.5). Takes rows with readings
of clamps and the air around them. Does not belong here: clamps off their line
(`trust.clamps`), uncertainty of other origin (`uncertainty`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from features.channels import CHANNEL, CHANNELS

if TYPE_CHECKING:
    from features.settings import DerivationSettings

# The air around the clamps by station, made by `air_columns`, and what is noted of them.
_AT_ENGINE, _AT_WALL = "hood_air_c", "wall_air_c"
CLAMP_AIR = (_AT_ENGINE, _AT_WALL)
INSULATED = "clamps_insulated"
# How far the air under the hood usually is from the pipe that a clamp sits on, by station, K:
# 60 degC against a suction line of 10, a liquid line of 45, a discharge line of 85
# (common practice, no source); where the air cannot be told.
_PIPE_TO_HOOD_K = {"1": 50.0, "7": 50.0, "7 rear": 50.0, "2": 25.0, "3": 15.0, "4": 15.0, "5": 15.0}
# The channels that are read by clamps on pipes, with that distance.
CLAMPED: dict[str, float] = {
    channel.name: _PIPE_TO_HOOD_K[channel.station]
    for channel in CHANNELS
    if channel.quantity == "temperature" and channel.station in _PIPE_TO_HOOD_K
}
_WALL_STATIONS = ("5", "7", "7 rear")


def _air(name: str) -> pl.Expr:
    """The air around a clamp [degC]."""
    return pl.col(_AT_WALL if CHANNEL[name].station in _WALL_STATIONS else _AT_ENGINE)


def take_off_contact(rows: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    """The rows with temperatures of pipes in place of the readings of their clamps.

    Needs `CLAMP_AIR` and `INSULATED`; where either is null, and for a sensor that is no clamp,
    the reading stays.
    """
    share = _share(settings)
    return rows.with_columns(
        pl.coalesce((pl.col(name) - share * _air(name)) / (1.0 - share), pl.col(name)).alias(name)
        for name in CLAMPED
        if name in rows.columns
    )


def contact_uncertainty(name: str, settings: DerivationSettings) -> pl.Expr:
    """Standard uncertainty [K] of a pipe's temperature by the contact of its clamp.

    Of a corrected reading: how far shares differ, over the span, and the air around it; of one
    that is not, all of the effect. Reads the channel itself, `CLAMP_AIR` and `INSULATED`.
    """
    span_k = pl.coalesce(_air(name) - pl.col(name), pl.lit(CLAMPED[name])).abs()
    share = _share(settings)
    by_share = share * (settings.clamp_share_spread / 2.0) * span_k
    by_air = share * (settings.clamp_air_accuracy_k / 2.0)
    corrected = (by_share**2 + by_air**2).sqrt()
    left = pl.coalesce(share, pl.lit(settings.clamp_share)) * span_k
    is_corrected = pl.col(INSULATED).is_not_null() & _air(name).is_not_null()
    return pl.when(is_corrected).then(corrected).otherwise(left)


def _share(settings: DerivationSettings) -> pl.Expr:
    """The share that clamps usually read towards the air; null where nothing is noted."""
    insulated = pl.col(INSULATED)
    return (
        pl.when(insulated)
        .then(settings.insulated_clamp_share)
        .when(~insulated)
        .then(settings.bare_clamp_share)
    )
