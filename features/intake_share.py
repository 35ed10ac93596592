"""How much under-hood air an intake probe reads, per test; its correction, and when it is no use.

T_read = (1 - f) T_intake + f T_hood, and T_intake lies between ambient air (fresh) and cabin air
(recirculation). The share f is estimated over the warm-up and any change of the flap: where the
flap is known to be open to fresh air the true intake is ambient air; in recirculation it is let
follow the cabin air, or where that is not logged the ducts that cool the cabin, and the heat of
the soak that dies away. What is not known of these is a prior width, so that a test that cannot
tell gives a wide uncertainty, not a wrong share. Takes blocks with under-hood, intake and
ambient air; gives one row per test, and blocks with the intake corrected, withheld or left. Does
not belong here: probes that need no under-hood sensor to be found out (`trust.intake`).

Withheld intake air takes with it all that counts from it (duct drop, coil effectiveness,
enthalpy drop, capacity index); evaporator approach, duct air and evaporating temperature stay.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from features.blocks import is_same_test
from features.tables import Column, Table
from features.trust.rules import TRUST, Rule

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Numbers = NDArray[np.int64]

INTAKE, HOOD, COOLANT = "intake_air_c", "underhood_air_c", "coolant_c"
_NEEDED = (INTAKE, HOOD)
# standard deviations before anything was read: of the share, of the part that recirculated air
# follows cabin or ducts by, of the heat of the soak that leaves fast and slowly [K], of sensors
# and sun together [K]
_PRIOR = (1.0, 0.4, 8.0, 8.0, 0.8)
_PRIOR_MEAN = (0.0, 0.4, 0.0, 0.0, 0.0)
# how fast a cabin follows its ducts and loses the heat of its soak (common practice, no source)
_CABIN_S = 120.0
_SOAK_S = (120.0, 600.0)
# a closed flap leaks, an open one leaves a part of the cabin's air (common practice, no source)
_FRESH_RECIRCULATES = 0.1
# how much under-hood air a probe in its place reads (common practice, no source): what a test
# that shows no share leaves open
_IN_PLACE = 0.03
# residuals of neighbouring blocks are alike: two minutes of them count as one
_INDEPENDENT_S = 120.0
_LEAST_RESIDUAL_K = 0.2
_LEAST_S = 120.0
# a share beyond this spoils what is counted from the intake; beyond this correlation, with this
# much of a rise, the reading follows the engine and not the car's air (tuning values)
LARGEST_SHARE = 0.2
_TRACKING = 0.8
_TRACKING_RISE_K = 3.0
_LEAST_BLOCKS = 24
_SIGNIFICANT = 2.0
_REMEDY = "Put the probe where air enters with this flap setting, and repeat the test"


class _Warmth(NamedTuple):
    """Blocks of the tests that can be judged: place of the test among them, and arrays [degC]."""

    test: Numbers
    n_tests: int
    intake: Floats
    hood: Floats
    ambient: Floats
    inside: Floats
    recirculated: Floats
    since_s: Floats


SHARES = Table(
    "intake_shares",
    "one row per test whose intake reading was held against air under the hood",
    ("test_number",),
    (
        Column("test_number", pl.UInt32(), "", "the test"),
        Column("intake_stray_share", pl.Float64(), "1", "share of under-hood air in the reading"),
        Column("intake_stray_share_uncertainty", pl.Float64(), "1", "its standard uncertainty"),
    ),
)
_SHARE, _UNCERTAINTY = pl.col("intake_stray_share"), pl.col("intake_stray_share_uncertainty")


def estimate_intake_share(blocks: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """The share of every test that can tell: a frame of `SHARES`.

    Needs noted_recirculation and noted_ambient_c beside the blocks' own columns; a flap that is
    not known counts as recirculation. A share below zero by more than its uncertainty says that
    the true intake is something else than was thought: no row.
    """
    if not {*_NEEDED} <= {*blocks.columns}:
        return SHARES.empty()
    rows = _rows(blocks, block_s)
    share, uncertainty = _fit(_warmth(rows), block_s)
    numbers = rows.select(pl.col("test_number").unique(maintain_order=True)).to_series()
    found = pl.DataFrame(dict(zip(SHARES.schema, (numbers, share, uncertainty), strict=True)))
    could_be = _SHARE + _SIGNIFICANT * _UNCERTAINTY > 0.0
    return SHARES.conform(found.filter(could_be).with_columns(_SHARE.clip(lower_bound=0.0)))


def correct_intake(
    blocks: pl.DataFrame, shares: pl.DataFrame, strays: pl.DataFrame
) -> pl.DataFrame:
    """The blocks with the true intake air as far as it can be told, and `intake_stray_k`.

    Taken off is a share that is larger than chance explains; withheld (null) is the intake of
    `strays`, a frame of `find_strays`. `intake_stray_k` is the standard uncertainty that the
    share leaves [K]; a test that shows none leaves what a probe in its place reads, for a log
    of one air more must not tell less.
    """
    if INTAKE not in blocks.columns:
        return blocks.with_columns(intake_stray_k=pl.lit(None, pl.Float64))
    lost = strays["test_number"].to_list()
    if HOOD not in blocks.columns:
        known = blocks.with_columns(intake_stray_k=pl.lit(None, pl.Float64))
    else:
        known = _without_stray_air(blocks, shares)
    is_lost = pl.col("test_number").is_in(lost)
    return known.with_columns(pl.when(~is_lost).then(pl.col(INTAKE)).alias(INTAKE))


def _without_stray_air(blocks: pl.DataFrame, shares: pl.DataFrame) -> pl.DataFrame:
    is_told = (_SHARE >= _SIGNIFICANT * _UNCERTAINTY).fill_null(value=False)
    taken_off = pl.when(is_told).then(_SHARE).otherwise(0.0)
    corrected = (pl.col(INTAKE) - taken_off * pl.col(HOOD)) / (1.0 - taken_off)
    # a share that is not told is that of a probe in its place, as far as the test does not speak
    # against it; of a share that is not taken off, all of it is uncertain
    trust = _IN_PLACE**2 / (_IN_PLACE**2 + _UNCERTAINTY**2)
    untold = ((trust * _SHARE) ** 2 + trust * _UNCERTAINTY**2).sqrt()
    left = pl.when(is_told).then(_UNCERTAINTY).otherwise(untold)
    span_k = (pl.col(HOOD) - pl.coalesce(corrected, INTAKE)).abs()
    return (
        blocks.join(shares, on="test_number", how="left", maintain_order="left")
        .with_columns(
            pl.when(pl.col(HOOD).is_not_null()).then(corrected).otherwise(INTAKE).alias(INTAKE),
            intake_stray_k=left / (1.0 - taken_off) * span_k,
        )
        .drop("intake_stray_share", "intake_stray_share_uncertainty")
    )


def find_strays(blocks: pl.DataFrame, shares: pl.DataFrame) -> pl.DataFrame:
    """Tests whose intake reading is no intake air: test_number, sentence."""
    if INTAKE not in blocks.columns:
        return pl.DataFrame(schema={"test_number": pl.UInt32, "sentence": pl.String})
    is_sure = _SHARE - _SIGNIFICANT * _UNCERTAINTY > LARGEST_SHARE / 2.0
    large = shares.filter((_SHARE > LARGEST_SHARE) & is_sure).select(
        "test_number",
        sentence=pl.format(
            "{} % of the reading is air under the hood (+-{} %): duct drop and what else counts "
            "from the intake are withheld; evaporator approach, duct air and evaporating "
            "temperature stay. {}",
            (100.0 * _SHARE).round(0).cast(pl.Int64),
            (200.0 * _UNCERTAINTY).round(0).cast(pl.Int64),
            pl.lit(_REMEDY),
        ),
    )
    # a share that is told is taken off, and what is left follows nothing
    is_told = _SHARE >= _SIGNIFICANT * _UNCERTAINTY
    told = shares.filter(is_told)["test_number"].to_list()
    following = find_engine_followers(blocks.filter(~pl.col("test_number").is_in(told))).select(
        "test_number",
        sentence=pl.format(
            "the reading rises with the engine (correlation {}) and not with the air that "
            "enters: duct drop and what else counts from the intake are withheld. {}",
            pl.col("correlation").round(2),
            pl.lit(_REMEDY),
        ),
    )
    return pl.concat([large, following]).unique("test_number", keep="first", maintain_order=True)


def describe_strays(strays: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """TRUST rows of the tests whose intake is withheld."""
    named = strays.join(
        tests.select("test_number", "test_id"), on="test_number", maintain_order="left"
    )
    return TRUST.conform(
        named.select(
            "test_id",
            "sentence",
            channel=pl.lit(INTAKE),
            rule_code=pl.lit(Rule.INTAKE_NOT_REPRESENTATIVE.code),
            distrusted_share=pl.lit(1.0),
        )
    )


def _rows(blocks: pl.DataFrame, block_s: float) -> pl.DataFrame:
    """The blocks that count, with what their intake air may follow."""
    ambient = pl.coalesce(
        *(name for name in ("ambient_air_c", "noted_ambient_c") if name in blocks.columns)
    )
    noted = pl.col("noted_recirculation").replace_strict(
        {"fresh": 0.0, "recirculated": 1.0}, default=None, return_dtype=pl.Float64
    )
    flap = pl.col("recirculation_pct") / 100.0 if "recirculation_pct" in blocks.columns else noted
    ready = blocks.filter(
        pl.all_horizontal(pl.col(_NEEDED).is_not_null()).sum().over("test_number") * block_s
        >= _LEAST_S
    )
    return ready.select(
        "test_number",
        INTAKE,
        HOOD,
        ambient.alias("ambient"),
        _inside(blocks.columns, block_s).fill_null(ambient).alias("inside"),
        pl.coalesce(flap, noted, pl.lit(1.0)).clip(_FRESH_RECIRCULATES, 1.0).alias("recirculated"),
        (pl.col("start_s") - pl.col("start_s").first().over("test_number")).alias("since_s"),
    ).drop_nulls()


def _inside(columns: list[str], block_s: float) -> pl.Expr:
    """The air of the cabin: as logged, else the air of the ducts as the cabin follows it."""
    follows = 1.0 - float(np.exp(-block_s / _CABIN_S))
    ways = {
        "cabin_air_c": pl.col("cabin_air_c"),
        "duct_air_c": pl.col("duct_air_c")
        .ewm_mean(alpha=follows, adjust=False, ignore_nulls=True)
        .over("test_number"),
    }
    known = [way for name, way in ways.items() if name in columns]
    return pl.coalesce(*known) if known else pl.lit(None, pl.Float64)


def _warmth(rows: pl.DataFrame) -> _Warmth:
    is_new = rows.select((~is_same_test(1)).alias("new")).to_series().to_numpy()
    test = np.cumsum(is_new) - 1
    return _Warmth(
        test,
        int(test[-1]) + 1 if test.size else 0,
        *(
            rows[name].to_numpy()
            for name in (INTAKE, HOOD, "ambient", "inside", "recirculated", "since_s")
        ),
    )


def _fit(warmth: _Warmth, block_s: float) -> tuple[Floats, Floats]:
    """Share of every test and its standard uncertainty: least squares with priors, in two rounds.

    The first round takes residuals of 0.5 K, the second those that the first left.
    """
    if not warmth.n_tests:
        return np.empty(0), np.empty(0)
    follows = np.column_stack(
        (
            warmth.hood - warmth.ambient,
            warmth.recirculated * (warmth.inside - warmth.ambient),
            *(warmth.recirculated * np.exp(-warmth.since_s / soak_s) for soak_s in _SOAK_S),
            np.ones_like(warmth.hood),
        )
    )
    over = warmth.intake - warmth.ambient
    squares = _summed(follows[:, :, None] * follows[:, None, :], warmth)
    products = _summed(follows * over[:, None], warmth)
    count = _summed(np.ones_like(over), warmth)
    weight = np.full(warmth.n_tests, 1.0 / 0.5**2) * block_s / _INDEPENDENT_S
    prior = np.diag(1.0 / np.square(_PRIOR))
    mean = prior @ np.array(_PRIOR_MEAN)
    for _ in range(2):
        precision = weight[:, None, None] * squares + prior
        found = np.linalg.solve(precision, (weight[:, None] * products + mean)[:, :, None])[:, :, 0]
        left = over - np.sum(follows * found[warmth.test], axis=1)
        variance = np.maximum(_summed(left**2, warmth) / count, _LEAST_RESIDUAL_K**2)
        weight = block_s / _INDEPENDENT_S / variance
    return found[:, 0], np.sqrt(np.linalg.inv(precision)[:, 0, 0])


def _summed(values: Floats, warmth: _Warmth) -> Floats:
    starts = np.searchsorted(warmth.test, np.arange(warmth.n_tests))
    return np.add.reduceat(values, starts, axis=0)


def find_engine_followers(blocks: pl.DataFrame) -> pl.DataFrame:
    """Tests whose intake reading follows under-hood air or coolant: test_number, correlation.

    Only a rise with the engine counts: the air of a cabin that is being cooled falls while the
    engine warms, and that is as it should be.
    """
    warm = [name for name in (HOOD, COOLANT) if name in blocks.columns]
    rise_k = pl.col(INTAKE).quantile(0.95) - pl.col(INTAKE).quantile(0.05)
    per_test = blocks.group_by("test_number", maintain_order=True).agg(
        correlation=pl.max_horizontal(pl.lit(None, pl.Float64), *(_correlation(n) for n in warm)),
        rise_k=rise_k,
        n_blocks=pl.col(INTAKE).count(),
    )
    return per_test.filter(
        (pl.col("correlation") > _TRACKING)
        & (pl.col("rise_k") >= _TRACKING_RISE_K)
        & (pl.col("n_blocks") >= _LEAST_BLOCKS)
    ).select("test_number", "correlation")


def _correlation(name: str) -> pl.Expr:
    return pl.corr(INTAKE, name).fill_nan(None)
