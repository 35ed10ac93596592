"""How well what is read out of a test agrees with what really was, on trials of known truth.

Takes the truth of a trial and what was derived from its logs, gives a `ReadingScore`: intervals
of superheat and subcooling that hold the truth, events found, regimes told rightly. The
arithmetic is pure; `run_reading_score` writes the trial and derives. Does not belong here: the
trials (`synthetic.reading_trials`), the words of the tables (`reading_score_text`).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.catalogue import FEATURE
from features.context import CONTEXT
from features.derive import Derived, derive
from features.event_kinds import STOPS
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.init import init_workspace
from pipeline.inputs import read_inputs
from pipeline.log_batches import Workshop
from pipeline.log_context import log_contexts
from pipeline.progress import begin_counted
from pipeline.shares import Share
from pipeline.trial_logs import read_trial_logs
from pipeline.workspace import Workspace
from synthetic.reading_trials import ReadingOrder, ReadingTruth, write_reading_trials
from synthetic.true_control import EVENT_SHARE

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.progress import Progress

SUPERHEAT_AND_SUBCOOLING = (
    "evaporator_outlet_superheat_k",
    "rear_evaporator_outlet_superheat_k",
    "compressor_suction_superheat_k",
    "compressor_discharge_superheat_k",
    "condenser_outlet_subcooling_k",
    "expansion_inlet_subcooling_k",
)
EVENT_KINDS = (
    "fan_up", "fan_down", "displacement_up", "displacement_down", "compressor_on",
    "compressor_off",
)  # fmt: skip
# the kinds that are held to account, from this swing of the high side on
HELD_TO_ACCOUNT = ("fan_up", "fan_down", "displacement_up", "displacement_down")
LEAST_SWING_KPA = 50.0
WITHIN_S = 15.0
_NORMAL_95 = 1.959964


@dataclass(frozen=True)
class IntervalScore:
    """How often the 95 % interval of a feature holds the truth; error and uncertainty, median."""

    feature: str
    held: Share
    median_error: float
    median_uncertainty: float


@dataclass(frozen=True)
class EventScore:
    """Events of one kind with a swing beyond `LEAST_SWING_KPA`, in logs of one sort.

    `recall` of the true ones that are alone: nothing else moved the pressures at that time.
    `precision` of those found, which are right when anything of the kind happened then;
    `off_s` the median error in time.
    """

    kind_code: str
    has_commands: bool
    recall: Share
    precision: Share
    off_s: float | None


@dataclass(frozen=True)
class RegimeScore:
    """Seconds of one true regime, or of all ("all"), that were told rightly."""

    regime: str
    has_commands: bool | None
    right: Share
    told_instead: dict[str, int]


@dataclass(frozen=True)
class ReadingScore:
    """The whole score of a trial."""

    order: ReadingOrder
    intervals: tuple[IntervalScore, ...]
    events: tuple[EventScore, ...]
    regimes: tuple[RegimeScore, ...]


@dataclass(frozen=True)
class ReadTruth:
    """The frames of `synthetic.reading_trials.ReadingTruth`, read."""

    tests: pl.DataFrame
    seconds: pl.DataFrame
    events: pl.DataFrame


def score_readings(order: ReadingOrder, truth: ReadTruth, derived: Derived) -> ReadingScore:
    """The score of what was derived against the truth of a trial."""
    return ReadingScore(
        order,
        tuple(_interval_scores(truth, derived)),
        tuple(_event_scores(truth, derived.events)),
        tuple(_regime_scores(truth, getattr(derived, "regimes", None))),
    )


def true_values(truth: ReadTruth, derived: Derived) -> pl.DataFrame:
    """Per test and regime read in steady windows: the truth as the features state it.

    The mean over each window, then the median over the windows of a regime.
    """
    steady = derived.windows.filter(kind_code="steady")
    seconds = truth.seconds.sort("test_id", "time_s")
    inside = (
        steady.select("test_id", "window_number", "regime", "start_s", "end_s")
        .join(seconds.drop("regime"), on="test_id")
        .filter(pl.col("time_s") >= pl.col("start_s"), pl.col("time_s") < pl.col("end_s"))
    )
    names = pl.col(SUPERHEAT_AND_SUBCOOLING)
    windows = inside.group_by("test_id", "regime", "window_number").agg(names.mean())
    return windows.group_by("test_id", "regime").agg(names.median().cast(pl.Float64))


def _interval_scores(truth: ReadTruth, derived: Derived) -> list[IntervalScore]:
    read = derived.features.filter(window_kind_code="steady")
    both = read.join(true_values(truth, derived), on=("test_id", "regime"), suffix=":true")
    return [_interval_score(name, both) for name in SUPERHEAT_AND_SUBCOOLING]


def _interval_score(name: str, both: pl.DataFrame) -> IntervalScore:
    known = both.select(
        off=(pl.col(name) - pl.col(f"{name}:true")).abs(),
        uncertainty=FEATURE[name].uncertainty_name,
    ).drop_nulls()
    held = known.filter(pl.col("off") <= _NORMAL_95 * pl.col("uncertainty"))
    return IntervalScore(
        name,
        Share(held.height, known.height),
        _median(known["off"]) or 0.0,
        _median(known["uncertainty"]) or 0.0,
    )


def _median(values: pl.Series) -> float | None:
    """The median; None of nothing."""
    median = values.median()
    return float(median) if isinstance(median, int | float) else None


def match_events(true: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Pairs of a true event and one found: of the same kind, within `WITHIN_S`, each once.

    Both frames need test_id, kind_code, time_s and number (unique). Nearest pairs first.
    Columns: number, number_found, off_s.
    """
    pairs = (
        true.select("test_id", "kind_code", "number", "time_s")
        .join(
            found.select("test_id", "kind_code", number_found="number", found_s="time_s"),
            on=("test_id", "kind_code"),
        )
        .with_columns(off_s=(pl.col("found_s") - pl.col("time_s")).abs())
        .filter(pl.col("off_s") <= WITHIN_S)
        .sort("off_s", "number", "number_found")
    )
    matched = [pairs.clear()]
    while not pairs.is_empty():
        # those that are nearest to each other
        mutual = pairs.filter(
            pl.col("number").is_first_distinct(), pl.col("number_found").is_first_distinct()
        )
        matched.append(mutual)
        pairs = pairs.join(mutual, on="number", how="anti", maintain_order="left").join(
            mutual, on="number_found", how="anti", maintain_order="left"
        )
    return pl.concat(matched).select("number", "number_found", "off_s")


def true_and_found(truth: ReadTruth, derived: Derived) -> pl.DataFrame:
    """All events, true and found, in order of test and time; `side` says which."""
    true = truth.events.select("test_id", "time_s", "kind_code", "swing_kpa", side=pl.lit("true"))
    found = derived.events.select(
        "test_id", "time_s", "kind_code", _swing(derived.events).alias("swing_kpa"),
        side=pl.lit("found"),
    )  # fmt: skip
    return (
        pl.concat([true, found])
        .join(truth.tests, on="test_id")
        .sort("test_id", "time_s", "side", "kind_code")
    )


def _swing(events: pl.DataFrame) -> pl.Expr:
    name = "high_side_swing_kpa"
    return pl.col(name if name in events.columns else "high_side_change_kpa").abs()


def _event_scores(truth: ReadTruth, events: pl.DataFrame) -> list[EventScore]:
    told = truth.tests.select("test_id", "has_commands")
    true = truth.events.join(told, on="test_id").with_row_index("number")
    found = (
        # the truth knows stops, not what made them
        events.with_columns(pl.col("kind_code").replace(dict.fromkeys(STOPS, "compressor_off")))
        .select("test_id", "kind_code", "time_s", swing_kpa=_swing(events))
        .join(told, on="test_id")
        .with_row_index("number")
    )
    pairs = match_events(true, found)
    true = true.join(pairs, on="number", how="left")
    found = found.join(pairs.select(number="number_found", off_s="off_s"), on="number", how="left")
    large = pl.col("swing_kpa") > LEAST_SWING_KPA
    counted = large & pl.col("is_alone") & (pl.col("size") >= EVENT_SHARE)
    return [
        _event_score(kind, has_commands, true.filter(counted), found.filter(large))
        for kind in EVENT_KINDS
        for has_commands in (True, False)
    ]


def _event_score(
    kind: str,
    has_commands: bool,  # noqa: FBT001 - a value of the column
    true: pl.DataFrame,
    found: pl.DataFrame,
) -> EventScore:
    true = true.filter(kind_code=kind, has_commands=has_commands)
    found = found.filter(kind_code=kind, has_commands=has_commands)
    matched = true["off_s"].drop_nulls()
    return EventScore(
        kind,
        has_commands,
        Share(matched.len(), true.height),
        Share(found["off_s"].drop_nulls().len(), found.height),
        _median(matched),
    )


def told_regimes(truth: ReadTruth, spans: pl.DataFrame) -> pl.DataFrame:
    """Per second of the truth whose regime is defined: regime, told (null where none was)."""
    spans = spans.select("test_id", "start_s", "end_s", told="regime").sort("test_id", "start_s")
    seconds = truth.seconds.filter(pl.col("regime") != "").select("test_id", "time_s", "regime")
    joined = seconds.sort("test_id", "time_s").join_asof(
        spans, left_on="time_s", right_on="start_s", by="test_id", check_sortedness=False
    )
    return joined.with_columns(told=pl.when(pl.col("time_s") < pl.col("end_s")).then("told")).join(
        truth.tests.select("test_id", "model_id", "has_commands"), on="test_id"
    )


def _regime_scores(truth: ReadTruth, spans: pl.DataFrame | None) -> list[RegimeScore]:
    if spans is None:
        return []
    told = told_regimes(truth, spans)
    scores = [
        _regime_score("all", told, None),
        _regime_score("all", told, has_commands=True),
        _regime_score("all", told, has_commands=False),
    ]
    return [
        *scores,
        *(
            _regime_score(name, told.filter(regime=name), None)
            for name in sorted(told["regime"].unique())
        ),
    ]


def _regime_score(name: str, told: pl.DataFrame, has_commands: bool | None) -> RegimeScore:  # noqa: FBT001 - a value of the column
    if has_commands is not None:
        told = told.filter(has_commands=has_commands)
    right = told.filter(pl.col("told") == pl.col("regime")).height
    wrong = told.filter(pl.col("told").ne_missing(pl.col("regime")))["told"].fill_null("not told")
    counts = wrong.value_counts(sort=True).rows()
    return RegimeScore(name, has_commands, Share(right, told.height), dict(counts))


def run_reading_score(
    order: ReadingOrder, folder: Path, progress: Progress
) -> tuple[ReadingScore, ReadTruth, Derived]:
    """The score of a trial, with its truth and what was derived from its logs.

    The trial lies in `folder`; one that lies there already of the same order is used again.
    """
    files = _written(order, folder, progress)
    truth = ReadTruth(
        *(pl.read_parquet(file) for file in (files.tests, files.seconds, files.events))
    )
    derived = derive_trial(Workspace((folder / "workspace").resolve()), progress)
    return score_readings(order, truth, derived), truth, derived


def derive_trial(workspace: Workspace, progress: Progress) -> Derived:
    """What is derived from all logs that the registry of a trial lists."""
    inputs = read_inputs(workspace)
    workshop = Workshop.of(workspace, inputs)
    contexts = log_contexts(inputs.registry, inputs.settings.site.altitude_m)
    progress.begin("Reading logs", contexts.height)
    samples, _ = read_trial_logs(contexts, workshop, progress)
    context = CONTEXT.conform(contexts.select(CONTEXT.schema.keys()))
    return derive(samples, context, workshop.derivation, workshop.instruments)


def _written(order: ReadingOrder, folder: Path, progress: Progress) -> ReadingTruth:
    """The truth of the trial, which is written unless it lies there from the same code."""
    workspace, note = Workspace((folder / "workspace").resolve()), folder / "made_from.txt"
    files = ReadingTruth.in_folder(folder.resolve() / "truth")
    made_from = hash_values(asdict(order), code_fingerprint("synthetic"))
    if note.is_file() and files.events.is_file() and note.read_text("utf-8") == made_from:
        return files
    if not workspace.settings_file.is_file():
        init_workspace(workspace.root)
    tell = begin_counted(progress, "Simulating logs", order.tests)
    files = write_reading_trials(workspace.root, files.tests.parent, order, on_progress=tell)
    note.write_text(made_from, encoding="utf-8")
    return files
