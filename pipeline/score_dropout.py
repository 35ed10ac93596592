"""What becomes of a flag when data are lost: flagged tests read again from fewer samples.

Takes the samples of tests that were flagged, drops channels, samples or the end of the log,
derives and judges them by baselines that stand, gives what was said. Lost data may silence a
flag, never turn it into "in band". Does not belong here: deriving (`features.derive`),
judging (`models.assess`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.channels import channels_in
from features.derive import derive
from models.assess import judge
from pipeline.shares import Share

if TYPE_CHECKING:
    from datetime import datetime

    from features.settings import DerivationSettings
    from models.assess import AssessmentInputs
    from models.frozen import Baselines
    from models.settings import AssessmentSettings
    from pipeline.progress import Progress

CHANNELS, SAMPLES, END = "channels", "samples", "end of the log"
KINDS = (CHANNELS, SAMPLES, END)
SHARES = (0.0, 0.2, 0.4, 0.6, 0.8)
MOST_TESTS = 60


@dataclass(frozen=True)
class Dropout:
    """Flagged tests of which a share of one kind of data was lost: how many were called what.

    `in_band` and `unassessed` are of the tests flagged when nothing was lost; `changed` lists
    the tests that turned into "in band". `flags_kept` are still flagged.
    """

    kind: str
    share: float
    in_band: Share
    unassessed: Share
    flags_kept: Share
    changed: tuple[str, ...] = ()


@dataclass(frozen=True)
class DropoutOrder:
    """The flagged tests' samples, what the fleet is judged by, and the clock."""

    samples: pl.DataFrame
    inputs: AssessmentInputs
    baselines: Baselines
    derivation: DerivationSettings
    settings: AssessmentSettings
    instruments: pl.DataFrame
    as_of: datetime
    seed: int


def score_dropouts(order: DropoutOrder, progress: Progress) -> tuple[Dropout, ...]:
    """All kinds and shares, none without samples; a test counts if flagged with nothing lost."""
    if order.samples.is_empty():
        return ()
    progress.begin("Losing data of flagged tests", len(KINDS) * len(SHARES))
    scores = []
    for kind in KINDS:
        flagged: frozenset[str] = frozenset()
        for share in SHARES:
            said = _said(order, drop(order.samples, kind, share, order.seed))
            if share == 0.0:
                flagged = frozenset(name for name, code in said.items() if code == "flag")
            scores.append(_dropout(kind, share, flagged, said))
            progress.advance()
    return tuple(scores)


def drop(samples: pl.DataFrame, kind: str, share: float, seed: int) -> pl.DataFrame:
    """The samples without a share of each test's logged channels, its samples, or its end.

    Which are lost is drawn by the seed; what is lost at a share is lost at a larger one too.
    """
    tests = samples["test_id"].unique().sort().to_list()
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    parts = [samples.filter(test_id=test_id).sort("time_s") for test_id in tests]
    if kind == CHANNELS:
        return pl.concat([_without_channels(part, share, rng) for part in parts])
    if kind == SAMPLES:
        return pl.concat([part.filter(rng.random(part.height) >= share) for part in parts])
    return pl.concat([part.head(round((1.0 - share) * part.height)) for part in parts])


def _without_channels(test: pl.DataFrame, share: float, rng: np.random.Generator) -> pl.DataFrame:
    logged = [name for name in channels_in(test) if test[name].null_count() < test.height]
    order = [logged[place] for place in rng.permutation(len(logged))]
    gone = order[: round(share * len(order))]
    return test.with_columns(pl.lit(None, test.schema[name]).alias(name) for name in gone)


def _said(order: DropoutOrder, samples: pl.DataFrame) -> dict[str, str]:
    """Per test `flag`, `in_band` or `not_assessable`."""
    ids = order.samples["test_id"].unique().to_list()
    context = order.inputs.context.filter(pl.col("test_id").is_in(ids))
    derived = derive(samples, context, order.derivation, order.instruments)
    of_them = pl.col("vehicle_id").is_in(context["vehicle_id"].to_list())
    inputs = replace(
        order.inputs,
        features=derived.features,
        context=context,
        vehicles=order.inputs.vehicles.filter(of_them),
        repairs=order.inputs.repairs.filter(of_them),
        soak_biases=derived.soak_biases,
    )
    said = judge(inputs, order.baselines, order.settings, order.as_of).assessments
    codes = pl.col("verdict_code").replace({"finding": "flag", "far_beyond": "flag"})
    return dict(said.select("test_id", codes).iter_rows())


def _dropout(kind: str, share: float, flagged: frozenset[str], said: dict[str, str]) -> Dropout:
    changed = tuple(sorted(name for name in flagged if said.get(name) == "in_band"))
    n_kept = sum(said.get(name) == "flag" for name in flagged)
    n_all = len(flagged)
    return Dropout(
        kind,
        share,
        Share(len(changed), n_all),
        Share(n_all - n_kept - len(changed), n_all),
        Share(n_kept, n_all),
        changed,
    )
