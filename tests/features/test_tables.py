"""Table contracts: what `conform` fills in, refuses, and leaves as it is."""

from __future__ import annotations

import polars as pl
import pytest

from features.tables import Column, Table

WEIGHTS = Table(
    "weights",
    "one row per cylinder",
    ("cylinder",),
    (
        Column("cylinder", pl.String(), "", "the cylinder"),
        Column("weight_g", pl.Float64(), "g", "its weight"),
    ),
)


@pytest.mark.parametrize("nothing", [pl.DataFrame(), pl.DataFrame([]), pl.DataFrame({})])
def test_a_frame_without_columns_becomes_a_table_without_rows(nothing):
    got = WEIGHTS.conform(nothing)
    assert got.shape == (0, 2)
    assert dict(got.schema) == WEIGHTS.schema


def test_a_frame_without_rows_stays_without_rows():
    assert WEIGHTS.conform(pl.DataFrame({"cylinder": []})).shape == (0, 2)


def test_absent_columns_come_as_nulls_in_the_order_and_types_of_the_table():
    got = WEIGHTS.conform(pl.DataFrame({"weight_g": [900, 1200]}))
    assert got.to_dict(as_series=False) == {"cylinder": [None, None], "weight_g": [900.0, 1200.0]}
    assert dict(got.schema) == WEIGHTS.schema


def test_a_column_that_the_table_does_not_declare_is_refused_by_name():
    with pytest.raises(ValueError, match="table weights has no column colour"):
        WEIGHTS.conform(pl.DataFrame({"cylinder": ["a"], "colour": ["blue"]}))
