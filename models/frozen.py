"""Baselines as they stand between fits: all that one test is judged by besides itself.

Holds the record `Baselines`. Whatever is learned from the fleet is in it, so that judging a
test needs no other test and a new log moves no car but its own. Does not belong here: how
any of it is learned (`assess.fit`), how it is kept (`frozen_tables`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from models.drift import DriftNorm
    from models.norms import Norm


@dataclass(frozen=True)
class Baselines:
    """What the fleet said of what is normal, at one instant.

    `norms` are those of control states and of whole tests, `diagnostics` that of the
    quantities that tell causes apart. `instrument_offsets` is the table of that name;
    `covered` what each model is judged by (model_id, feature); `known_tests` the tests
    fitted to, with their p-values; `drifts` what was learned of drift. `version` numbers them,
    `fitted_at` is the instant that the fit took for now.
    """

    norms: tuple[Norm, ...]
    diagnostics: Norm
    instrument_offsets: pl.DataFrame
    covered: pl.DataFrame
    known_tests: pl.DataFrame
    drifts: DriftNorm
    fitted_at: datetime
    version: int = 1
