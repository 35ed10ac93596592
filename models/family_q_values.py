"""How sure a test is among the tests of the fleet: q values against a family that stands.

Takes p-values of tests and the tests known when baselines were fitted, gives q values. The
tests of equal age rank then (the latest of every car, the one before, ...) form one family,
and every test is asked by Benjamini-Hochberg among the known tests of all *other* cars and
itself: a test that was known in the family where it was counted, a later one among the
latest tests. So no test moves the q value of another car. Does not belong here: p-values
(`flags`), the adjustment itself (`multiplicity`).

What that does to the false discovery rate: for the tests known, it is Benjamini-Hochberg over
the family as a whole. A later healthy test is called out when p <= q R / m, with R the
rejections of the family of m tests that it joins; its p-value does not depend on the others, so
that happens with chance q E[R] / m: the fixed threshold of Storey (J. R. Statist. Soc. B 64
(2002) 479, from memory), and of the same fleet as many are found as of the tests known. In a
fleet without any fault R is 1, which is Bonferroni over the family; there k later tests would
add q k / m to the chance q of a false flag. So the family counts as large as it may become
before the next fit, m (1 + growth): q values are larger by that factor from the start, of
later tests and of those known, and both together stay within q. For that `refits` counts later
tests against the cars known; a later test in the place of what its car had adds nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from models.multiplicity import adjusted_within

if TYPE_CHECKING:
    from collections.abc import Mapping

    from models.conditions import Array

LATEST = 1
KNOWN_TESTS: dict[str, pl.DataType] = {
    "test_id": pl.String(), "vehicle_id": pl.String(), "age_rank": pl.Int64(),
    "p_value": pl.Float64(),
}  # fmt: skip


def known_tests(tests: pl.DataFrame, ranks: pl.DataFrame) -> pl.DataFrame:
    """All tests of a fleet, in order of test; the p-value is null where nothing was judged.

    `tests` as from `flags.p_values_of_tests`, `ranks` as from `flags.add_test_ranks`.
    """
    of_tests = ranks.select("test_id", "vehicle_id", "age_rank")
    p_values = tests.select("test_id", "p_value")
    return of_tests.join(p_values, on="test_id", how="left").select(*KNOWN_TESTS).sort("test_id")


def add_q_values(
    tests: pl.DataFrame, ranks: pl.DataFrame, known: pl.DataFrame, *, growth: float
) -> pl.DataFrame:
    """The tests (test_id, p_value) with their q_value against the known ones.

    Parameters
    ----------
    tests, ranks : as in `known_tests`.
    known : frame
        KNOWN_TESTS.
    growth : float
        Later tests that may join the family of the latest tests, as a share of it.
    """
    places = known.select("test_id", pl.col("age_rank").alias("family"))
    asked = (
        tests.join(ranks.select("test_id", "vehicle_id"), on="test_id", maintain_order="left")
        .join(places, on="test_id", how="left", maintain_order="left")
        .with_columns(pl.col("family").fill_null(LATEST))
        .join(
            known.select("vehicle_id", "age_rank", own="p_value"),
            left_on=("vehicle_id", "family"),
            right_on=("vehicle_id", "age_rank"),
            how="left",
            maintain_order="left",
        )
    )
    p, own = (asked[name].cast(pl.Float64).to_numpy() for name in ("p_value", "own"))
    family = asked["family"].to_numpy()
    q = np.full(p.size, np.nan)
    for rank, members in _families(known).items():
        rows = np.flatnonzero(family == rank)
        allowed = 1.0 + growth if rank == LATEST else 1.0
        q[rows] = np.minimum(among_known(p[rows], own[rows], members) * allowed, 1.0)
    alone = np.isnan(q)
    q[alone] = p[alone]
    return tests.with_columns(pl.Series("q_value", q, pl.Float64))


def _families(known: pl.DataFrame) -> Mapping[int, Array]:
    """The p-values of each family, ascending."""
    judged = known.filter(pl.col("p_value").is_not_null())
    ordered = judged.sort("age_rank", "p_value").partition_by("age_rank", as_dict=True)
    families = {int(rank): frame["p_value"].to_numpy() for (rank,), frame in ordered.items()}
    return families if LATEST in families else {LATEST: np.empty(0), **families}


def among_known(p: Array, own: Array, members: Array) -> Array:
    """Each p adjusted among the members of a family and itself.

    Parameters
    ----------
    p : (n,)
    own : (n,)
        The member in whose place each stands, NaN where it joins them all.
    members : (m,), ascending
    """
    whole = adjusted_within(members, np.zeros(members.size, dtype=np.int64))
    place = np.minimum(np.searchsorted(members, p), max(members.size - 1, 0))
    is_as_known = p == own
    q = np.full(p.size, np.nan)
    q[is_as_known] = whole[place[is_as_known]]
    for row in np.flatnonzero(~is_as_known).tolist():
        others = members
        if np.isfinite(own[row]):
            others = np.delete(members, np.searchsorted(members, own[row]))
        q[row] = _joined(float(p[row]), others)
    return q


def _joined(p: float, others: Array) -> float:
    """Adjusted value of one test that joins the others, which stand ascending."""
    first = int(np.searchsorted(others, p, side="right"))
    size = others.size + 1
    above = others[first:] * size / np.arange(first + 2, size + 1)
    return min(1.0, p * size / (first + 1), float(above.min(initial=np.inf)))
