"""The regimes of a test as spans in order of time, each with its reason in words.

Takes blocks with what `regimes.add_regimes` found; gives the table REGIMES. Does not belong
here: telling regimes (`regimes`), the sentences themselves (`regime_reasons`).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import polars as pl

from features.regime_reasons import Reason
from features.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Sequence

REGIMES = Table(
    "regimes",
    "one row per span of a test in one control regime",
    ("test_id", "span_number"),
    (
        Column("test_id", pl.String(), "", "the test"),
        Column("span_number", pl.Int32(), "1", "counted from 1 in order of time"),
        Column(
            "regime", pl.String(), "",
            "off, starting, pull_down, regulating, saturated, cycling, or running: it works, "
            "its control cannot be told; null: whether it works cannot be told",
        ),
        Column("reason_code", pl.String(), "", "what it was told by"),
        Column("start_s", pl.Float64(), "s", "start, since the start of the log"),
        Column("end_s", pl.Float64(), "s", "end, since the start of the log"),
        Column("sentence", pl.String(), "", "the reason in words, with figures of the span"),
    ),
)  # fmt: skip

# A gap in the log up to so many blocks does not end a span.
_LONGEST_HOLE_BLOCKS = 3
_KPA_PER_BAR = 100.0
_AIR = ("evaporator_fin_c", "duct_air_c")
# What the sentences quote, from the columns of the blocks: name, columns, scale, decimals.
_FIGURES: tuple[tuple[str, Sequence[str], float, int], ...] = (
    ("asked_s", ("asked_s",), 1.0, 0),
    ("top_ratio", ("top_ratio",), 1.0, 2),
    ("command_pct", ("compressor_command_pct",), 1.0, 0),
    ("speed_rpm", ("compressor_rpm",), 1.0, 0),
    ("low_gauge_bar", ("low_gauge_kpa",), 1.0 / _KPA_PER_BAR, 2),
    ("air_c", _AIR, 1.0, 1),
)


def describe_regimes(blocks: pl.DataFrame, tests: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """The spans of all tests as a frame of `REGIMES`.

    Needs test_number, block_number, start_s, regime, regime_reason and the figures of
    `regimes.add_regimes`, ordered by test and time.
    """
    figures = {
        name: pl.coalesce(present).mean() * scale
        for name, columns, scale, _ in _FIGURES
        if (present := [column for column in columns if column in blocks.columns])
    }
    is_torn = pl.col("block_number").diff() > _LONGEST_HOLE_BLOCKS
    torn = is_torn.fill_null(value=False).cum_sum()
    spans = (
        blocks.with_columns(span=pl.struct("test_number", "regime", "regime_reason", torn).rle_id())
        .group_by("span", maintain_order=True)
        .agg(
            pl.col("test_number", "regime", "regime_reason").first(),
            pl.col("start_s").first(),
            end_s=pl.col("start_s").last() + block_s,
            fall_per_min=pl.col("fall_per_min").mean(),
            **figures,
        )
        .join(tests.select("test_id", "test_number"), on="test_number", maintain_order="left")
    )
    return REGIMES.conform(
        spans.with_columns(
            span_number=pl.int_range(1, pl.len() + 1).over("test_number"),
            sentence=_sentence(set(figures)),
        )
        .rename({"regime_reason": "reason_code"})
        .select(column.name for column in REGIMES.columns)
    )


def _sentence(known: set[str]) -> pl.Expr:
    """The sentence of the span's reason; a figure that is not known is told as such."""
    decimals = {name: places for name, _, _, places in _FIGURES} | {"fall_per_min": 1}
    told = pl.lit(None, pl.String)
    for reason in Reason:
        names = re.findall(r"{(\w+)}", reason.value)
        shown = [
            _shown(name, decimals[name]) if name in known | {"fall_per_min"} else pl.lit("?")
            for name in names
        ]
        text = re.sub(r"{\w+}", "{}", reason.value)
        sentence = pl.format(text, *shown) if shown else pl.lit(text)
        told = pl.when(pl.col("regime_reason") == reason.code).then(sentence).otherwise(told)
    return told


def _shown(name: str, decimals: int) -> pl.Expr:
    value = pl.col(name).round(decimals)
    text = value.cast(pl.Int64, strict=False) if decimals == 0 else value
    return text.cast(pl.String).fill_null("?")
