"""The bridge from array functions to expression functions.

Holds one function. Array functions know the unknown as NaN, frames know it as null: the
translation happens here and nowhere else, so that no NaN and no infinity enters a frame.
Does not belong here: any formula.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np
    from numpy.typing import NDArray


def expression_of(function: Callable[..., NDArray[np.float64]], *columns: pl.Expr) -> pl.Expr:
    """The expression that applies an array function element by element.

    Parameters
    ----------
    function
        Takes one float array per column and gives one of the same length, NaN where the
        result is not known.
    columns
        Its arguments in order; null stands for NaN.

    Returns
    -------
    pl.Expr
        Float64, null wherever the function gave NaN or an infinity.
    """

    def _apply(series: Sequence[pl.Series]) -> pl.Series:
        arrays = [one.cast(pl.Float64()).to_numpy() for one in series]
        return pl.Series(function(*arrays), dtype=pl.Float64())

    values = pl.map_batches(columns, _apply, return_dtype=pl.Float64(), is_elementwise=True)
    return pl.when(values.is_finite()).then(values)
