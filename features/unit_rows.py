"""The blocks that a unit of a window covers: one row per unit and block, in order.

Does not belong here: finding units (`windows`, `periodic`), what is read in them
(`window_values`, `window_levels`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import polars as pl


def rows_of_units(blocks: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """The blocks of every unit, in order, with the unit's columns that the blocks lack.

    Needs first_row and last_row in `units`, counting the rows of `blocks`.
    """
    n_rows = (units["last_row"] - units["first_row"] + 1).to_numpy()
    unit = np.repeat(np.arange(units.height), n_rows)
    offset = np.arange(unit.size) - np.repeat(np.cumsum(n_rows) - n_rows, n_rows)
    own = units.select(name for name in units.columns if name not in blocks.columns)
    rows: pl.DataFrame = blocks[units["first_row"].to_numpy()[unit] + offset]
    return rows.hstack(own.drop("first_row", "last_row")[unit])
