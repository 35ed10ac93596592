"""What the trust rules say of the logs of a trial: read as any log, screened as any log.

Takes a workspace of trials, gives frames of verdicts: rules raised per test and channel, logs
refused at the door, and for moved clamps the moment found and the channel relabelled. Does
not belong here: which of these are right (`score_trust`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.channels import channels_in
from features.context import CONTEXT
from features.derive import derive
from features.screening import Rule, distrust_flags, screen
from models.instrument_offsets import ALL_TEMPERATURES, find_instrument_offsets, offsets_of_tests
from pipeline.inputs import read_inputs
from pipeline.log_batches import Workshop
from pipeline.log_context import log_contexts
from pipeline.trial_logs import read_trial_logs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from models.settings import AssessmentSettings
    from pipeline.progress import Progress
    from pipeline.workspace import Workspace

CLAMP_MOVED = "clamp_moved"
# tests screened together; a rule over the tests of one instrument sees all of them
_TESTS_SCREENED_TOGETHER = 2000

_RAISED = {"test_id": pl.String, "channel": pl.String, "rule_code": pl.String}
_MOMENTS = {"test_id": pl.String, "channel": pl.String, "found_s": pl.Float64}
_RELABELLED = {"test_id": pl.String, "to_channel": pl.String}


@dataclass(frozen=True)
class TrustVerdicts:
    """What was said of the logs of a trial.

    Attributes
    ----------
    raised : DataFrame
        test_id, channel, rule_code, sentence: rows of TRUST.
    refused : DataFrame
        test_id, code: logs that the door refused as a whole.
    moments : DataFrame
        test_id, channel, found_s: first instant flagged as of a moved clamp.
    relabelled : DataFrame
        test_id, to_channel: channels that the screening gave readings they did not have.
    """

    raised: pl.DataFrame
    refused: pl.DataFrame
    moments: pl.DataFrame
    relabelled: pl.DataFrame


def judge_trials(workspace: Workspace, progress: Progress) -> TrustVerdicts:
    """The verdicts on all logs that the registry of a trial lists."""
    inputs = read_inputs(workspace)
    workshop = Workshop.of(workspace, inputs)
    contexts = log_contexts(inputs.registry, inputs.settings.site.altitude_m)
    progress.begin("Screening logs", contexts.height)
    parts, refused, biases = [], [], []
    for some in _by_instrument(contexts):
        samples, turned_away = read_trial_logs(some, workshop, progress)
        refused.append(turned_away)
        context = CONTEXT.conform(some.select(CONTEXT.schema.keys()))
        screened, of_soaks = _screened(samples, context, workshop)
        parts.append(screened)
        biases.append(of_soaks)
    offsets = _of_instruments(pl.concat(biases), contexts, inputs.settings.assessment)
    return TrustVerdicts(
        pl.concat([*(part.raised for part in parts), offsets]),
        pl.concat(refused),
        pl.concat([part.moments for part in parts]),
        pl.concat([part.relabelled for part in parts]),
    )


def _by_instrument(contexts: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """The contexts in parts that keep the tests of an instrument together where they fit."""
    ordered = contexts.sort("instrument_id", "test_id")
    for start in range(0, ordered.height, _TESTS_SCREENED_TOGETHER):
        yield ordered.slice(start, _TESTS_SCREENED_TOGETHER)


def _of_instruments(
    soak_biases: pl.DataFrame, contexts: pl.DataFrame, settings: AssessmentSettings
) -> pl.DataFrame:
    """What is said of instruments, as rows of each of their tests and channels."""
    offsets = find_instrument_offsets(soak_biases, contexts, settings)
    clamps = soak_biases.filter(pl.col("channel").str.ends_with("_c")).select(
        "test_id", clamp="channel"
    )
    of_tests = offsets_of_tests(offsets, contexts).join(clamps, on="test_id", how="left")
    is_of_all = pl.col("channel") == ALL_TEMPERATURES
    return of_tests.select(
        "test_id",
        pl.when(is_of_all).then("clamp").otherwise("channel").alias("channel"),
        pl.lit(Rule.INSTRUMENT_OFFSET.code).alias("rule_code"),
        "sentence",
    ).unique(("test_id", "channel"), keep="first", maintain_order=True)


def _screened(
    samples: pl.DataFrame, context: pl.DataFrame, workshop: Workshop
) -> tuple[TrustVerdicts, pl.DataFrame]:
    """What the rules say of these tests, and their soak biases."""
    derived = derive(samples, context, workshop.derivation, workshop.instruments)
    raised = derived.trust.select(*_RAISED, "sentence")
    moved = raised.filter(rule_code=CLAMP_MOVED).select("test_id").unique()
    suspects = samples.join(moved, on="test_id", how="semi", maintain_order="left")
    moments, relabelled = _moves(suspects, context, workshop)
    verdicts = TrustVerdicts(raised, pl.DataFrame(), moments, relabelled)
    return verdicts, derived.soak_biases


def _moves(
    samples: pl.DataFrame, context: pl.DataFrame, workshop: Workshop
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """When each clamp was found to move, and the channels that readings were given to."""
    if samples.is_empty():
        return pl.DataFrame(schema=_MOMENTS), pl.DataFrame(schema=_RELABELLED)
    flags = distrust_flags(samples, context, workshop.derivation)
    suffix = f"__{CLAMP_MOVED}"
    names = [name.removesuffix(suffix) for name in flags.columns if name.endswith(suffix)]
    times = samples.select("test_id", "time_s").hstack(flags)
    found = [
        times.filter(pl.col(f"{name}{suffix}"))
        .group_by("test_id")
        .agg(pl.lit(name).first().alias("channel"), pl.col("time_s").min().alias("found_s"))
        for name in names
    ]
    after = screen(samples, context, workshop.derivation).samples
    gained = [_gained(samples, after, name) for name in channels_in(after)]
    return (
        pl.concat([pl.DataFrame(schema=_MOMENTS), *found]),
        pl.concat([pl.DataFrame(schema=_RELABELLED), *gained]),
    )


def _gained(before: pl.DataFrame, after: pl.DataFrame, name: str) -> pl.DataFrame:
    """Tests in which a channel has more readings after screening than it had before."""

    def counted(frame: pl.DataFrame) -> pl.DataFrame:
        value = pl.col(name) if name in frame.columns else pl.lit(None)
        return frame.group_by("test_id").agg(value.count().alias("n"))

    both = counted(after).join(counted(before), on="test_id", suffix="_before")
    return both.filter(pl.col("n") > pl.col("n_before")).select(
        "test_id", pl.lit(name).alias("to_channel")
    )
