"""What was learned of drift as rows of numbers, and back.

Takes `drift.DriftNorm`, gives owner, piece, head and numbers of each row of BASELINE_ARRAYS.
Does not belong here: the rest of the baselines (`frozen_rows`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.drift import DriftNorm
from models.leak_priors import Leaking, LeakPrior

if TYPE_CHECKING:
    from collections.abc import Iterator

    from models.conditions import Array
    from models.frozen_rows import Piece, Pieces

_NUMBERS = (
    "reserve_log_mean", "reserve_log_variance", "kelvin_log_mean", "kelvin_log_variance",
    "log_covariance",
)  # fmt: skip
_KEY = ("model_id", "feature", "regime")
_NOISE: dict[str, pl.DataType] = {
    "feature": pl.String(), "regime": pl.String(), "noise": pl.Float64(),
    "noise_freedom": pl.Float64(),
}  # fmt: skip


def drift_rows(norm: DriftNorm) -> Iterator[tuple[str, str, dict[str, object], Array]]:
    """Owner, piece, head and numbers of every row."""
    yield "", "lines", {}, norm.p_values
    for feature, regime, noise, freedom in norm.noise.select(list(_NOISE)).iter_rows():
        yield "", "noise", {"feature": feature, "regime": regime}, np.array([noise, freedom])
    for key, prior in norm.priors.items():
        head: dict[str, object] = dict(zip(_KEY, key, strict=True))
        numbers = [getattr(prior, name) for name in _NUMBERS]
        for kind in prior.kinds:
            numbers += [kind.share, kind.log_mean, kind.log_sigma]
        yield key[0], "leak_prior", head | {"is_learned": prior.is_learned}, np.array(numbers)


def read_drifts(pieces: Pieces) -> DriftNorm:
    """What was learned of drift, of its rows."""
    rows = [
        (p.head["feature"], p.head["regime"], *p.numbers.tolist()) for p in pieces.get("noise", [])
    ]
    noise = pl.DataFrame(rows, schema=_NOISE, orient="row").sort("feature", "regime")
    priors = {
        (p.head["model_id"], p.head["feature"], p.head["regime"]): _prior(p)
        for p in pieces.get("leak_prior", [])
    }
    return DriftNorm(noise, dict(sorted(priors.items())), pieces["lines"][0].numbers)


def _prior(piece: Piece) -> LeakPrior:
    n = len(_NUMBERS)
    kinds = piece.numbers[n:].reshape(-1, 3).tolist()
    return LeakPrior(
        kinds=tuple(Leaking(*kind) for kind in kinds),
        is_learned=piece.head["is_learned"],
        **dict(zip(_NUMBERS, piece.numbers[:n].tolist(), strict=True)),
    )
