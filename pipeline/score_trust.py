"""How well the trust rules do on trials whose truth is known: caught, raised in vain, when.

Takes the truth of a trial and the verdicts on its logs, gives a `TrustScore`. The arithmetic
is pure; `run_trust_score` writes the trial, reads it through the door and judges it. Does not
belong here: the trials (`synthetic.trust_trials`), the verdicts (`trust_verdicts`), the words
of the table (`score_text`).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.screening import RULES
from pipeline.fingerprints import code_fingerprint, hash_values
from pipeline.init import init_workspace
from pipeline.progress import begin_counted
from pipeline.shares import Share
from pipeline.trust_verdicts import CLAMP_MOVED, judge_trials
from pipeline.workspace import Workspace
from synthetic.mishaps import MISHAP
from synthetic.trust_trials import TrialOrder, write_trust_trials

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.progress import Progress
    from pipeline.trust_verdicts import TrustVerdicts

DOOR = "refused at the door"
# Which rules answer for which mishap: any of them, on a channel that it hit. The first is the
# one that is held to account for it.
ANSWERS: dict[str, tuple[str, ...]] = {
    "gap": ("gap",),
    "clock_jump": ("clock_jump",),
    "clock_jump_back": (DOOR, "clock_jump", "time_not_increasing"),
    "repeated_times": ("time_not_increasing",),
    "stuck": ("stuck",),
    "stuck_logger": ("stuck",),
    "spikes": ("spike",),
    "clipped": ("clipped", "stuck"),
    "implausible": ("out_of_range",),
    "coarse_temperature": ("too_coarse",),
    "coarse_pressure": ("too_coarse",),
    "slow_logger": ("too_coarse",),
    "sides_swapped": ("sides_swapped",),
    "gauge_as_absolute": ("gauge_read_as_absolute",),
    "absolute_as_gauge": ("absolute_read_as_gauge",),
    "pressure_unit_slip": ("pressure_unit_slip",),
    "kgf_as_bar": ("pressure_unit_slip",),
    "celsius_as_fahrenheit": ("temperature_unit_slip",),
    "fahrenheit_as_celsius": ("temperature_unit_slip",),
    "other_refrigerant": ("refrigerant_impossible",),
    "like_refrigerant": ("refrigerant_impossible",),
    "clamp_fallen": ("clamp_off_line",),
    "clamp_never_on": ("clamp_off_line",),
    "clamp_moved": (CLAMP_MOVED,),
    "clamps_exchanged": ("clamps_exchanged",),
    "clamp_biased": ("clamp_bias",),
    "clamp_loose": ("clamp_off_line", "clamp_bias", "liquid_line_above_condensing"),
    "clamp_slow": ("clamp_lag",),
    "liquid_clamp_hot": ("liquid_line_above_condensing",),
    "intake_underhood": ("intake_not_representative",),
    "intake_coolant": ("intake_not_representative",),
    "intake_warm": ("intake_not_representative",),
    "intake_in_duct_air": ("intake_not_representative",),
    "exchanger_clamp_off": ("exchanger_balance_impossible",),
    "instrument_temperature": ("instrument_offset",),
    "instrument_pressure": ("instrument_offset",),
    "gauge_drift": (),
    "second_clock_off": ("second_clock",),
}
WITHIN_S = 5.0
CLEAN = "none"


@dataclass(frozen=True)
class TrialSize:
    """How large a trial is: logs per kind of mishap, clean logs, seed; kinds, or all."""

    logs_per_mishap: int = 40
    clean_logs: int = 300
    seed: int = 1
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True)
class MishapScore:
    """What came of the logs with one kind of mishap, whose severity `told` says.

    `caught` by a rule that answers for it, `by_any` rule on a channel that it hit;
    `exempt` logs by reason are in neither.
    """

    mishap: str
    told: str
    rules: tuple[str, ...]
    has_rule: bool
    n_written: int
    exempt: dict[str, int]
    caught: Share
    by_any: Share


@dataclass(frozen=True)
class RuleScore:
    """What one rule did: caught over the mishaps it answers for first, raised on clean logs."""

    rule_code: str
    exists: bool
    caught: Share
    raised: Share


@dataclass(frozen=True)
class MoveScore:
    """Clamps found to be moved: error of the moment [s], and where readings were put.

    `quantiles_s` of the absolute error at 50, 90 and 95 %; `within` so many of those caught;
    `relabelled_right` and `wrong` of the affected logs.
    """

    quantiles_s: tuple[float, ...]
    within: Share
    relabelled_right: int
    relabelled_wrong: int
    n_could_be: int


@dataclass(frozen=True)
class TrustScore:
    """The whole score of a trial."""

    size: TrialSize
    mishaps: tuple[MishapScore, ...]
    rules: tuple[RuleScore, ...]
    any_rule: Share
    moves: MoveScore


def score_verdicts(size: TrialSize, truth: pl.DataFrame, verdicts: TrustVerdicts) -> TrustScore:
    """The score of verdicts against the truth of a trial.

    Parameters
    ----------
    size
        The trial, told on.
    truth
        One row per log: test_id, mishap, channels (separated by blanks), moment_s, detail,
        left_out, exempt_because.
    verdicts
        From `trust_verdicts.judge_trials`.
    """
    told = with_verdicts(truth, verdicts)
    codes = [code for code in ANSWERS if code in set(truth["mishap"])]
    mishaps = tuple(_mishap_score(code, told.filter(mishap=code)) for code in codes)
    clean = told.filter(mishap=CLEAN)
    names = dict.fromkeys([*RULES, *(rule for rules in ANSWERS.values() for rule in rules)])
    return TrustScore(
        size,
        mishaps,
        tuple(_rule_score(name, mishaps, clean) for name in names),
        Share(clean.filter(pl.col("raised").list.len() > 0).height, clean.height),
        _move_score(told.filter(mishap=CLAMP_MOVED), verdicts),
    )


def with_verdicts(truth: pl.DataFrame, verdicts: TrustVerdicts) -> pl.DataFrame:
    """The truth with `raised` (rules), `raised_there` (rules on channels that were hit).

    A mishap of the clock, or of the door, is met on any channel.
    """
    refused = verdicts.refused.select(
        "test_id", channel=pl.lit("time_s"), rule_code=pl.lit(DOOR), sentence="code"
    )
    rows = pl.concat([verdicts.raised, refused]).join(
        truth.select("test_id", hit=pl.col("channels").str.split(" ")), on="test_id"
    )
    there = pl.col("hit").list.contains(pl.col("channel")) | pl.col("hit").list.contains("time_s")
    said = rows.group_by("test_id").agg(
        pl.col("rule_code").unique().sort().alias("raised"),
        pl.col("rule_code").filter(there).unique().sort().alias("raised_there"),
        pl.format("{}: {}: {}", "channel", "rule_code", "sentence").sort().alias("sentences"),
    )
    lists = ("raised", "raised_there", "sentences")
    return truth.join(said, on="test_id", how="left", maintain_order="left").with_columns(
        pl.col(name).fill_null(pl.lit([], dtype=pl.List(pl.String))) for name in lists
    )


def _exists(rule: str) -> bool:
    return rule in RULES or rule == DOOR


def _mishap_score(code: str, told: pl.DataFrame) -> MishapScore:
    affected = told.filter(pl.col("exempt_because").is_null())
    caught = affected.filter(
        pl.col("raised_there").list.set_intersection(list(ANSWERS[code])).list.len() > 0
    )
    spoken = affected.filter(pl.col("raised_there").list.len() > 0)
    reasons = told["exempt_because"].drop_nulls().value_counts().sort("exempt_because")
    return MishapScore(
        mishap=code,
        told=MISHAP[code].told,
        rules=ANSWERS[code],
        has_rule=any(_exists(rule) for rule in ANSWERS[code]),
        n_written=told.height,
        exempt=dict(reasons.iter_rows()),
        caught=Share(caught.height, affected.height),
        by_any=Share(spoken.height, affected.height),
    )


def _rule_score(rule: str, mishaps: tuple[MishapScore, ...], clean: pl.DataFrame) -> RuleScore:
    mine = [each.caught for each in mishaps if each.rules[:1] == (rule,)]
    return RuleScore(
        rule,
        _exists(rule),
        Share(sum(each.n_hits for each in mine), sum(each.n_all for each in mine)),
        Share(clean.filter(pl.col("raised").list.contains(rule)).height, clean.height),
    )


def _move_score(told: pl.DataFrame, verdicts: TrustVerdicts) -> MoveScore:
    affected = told.filter(pl.col("exempt_because").is_null())
    found = affected.join(
        verdicts.moments, left_on=["test_id", "channels"], right_on=["test_id", "channel"]
    )
    off_s = (found["found_s"] - found["moment_s"]).abs()
    given = affected.join(verdicts.relabelled, on="test_id")
    right = given.filter(pl.col("to_channel") == pl.col("detail"))["test_id"].n_unique()
    wrong = given.filter(pl.col("to_channel") != pl.col("detail"))["test_id"].n_unique()
    quantiles = tuple(
        float(off_s.quantile(share, "linear") or 0.0) for share in (0.5, 0.9, 0.95) if len(off_s)
    )
    return MoveScore(
        quantiles,
        Share(int((off_s <= WITHIN_S).sum()), len(off_s)),
        right,
        wrong,
        affected.filter(pl.col("left_out") != "").height,
    )


def run_trust_score(
    size: TrialSize, folder: Path, progress: Progress
) -> tuple[TrustScore, pl.DataFrame]:
    """The score of a trial, and the truth of its logs beside what the rules said of them.

    The trial lies in `folder`; one that lies there already with the same size is used again.
    """
    truth = pl.read_parquet(_written(size, folder, progress))
    verdicts = judge_trials(Workspace((folder / "workspace").resolve()), progress)
    return score_verdicts(size, truth, verdicts), with_verdicts(truth, verdicts)


def _written(size: TrialSize, folder: Path, progress: Progress) -> Path:
    """The truth of the trial, which is written unless it lies there from the same code."""
    kinds = size.kinds or tuple(MISHAP)
    order = TrialOrder(size.seed, size.logs_per_mishap, size.clean_logs, kinds=kinds)
    workspace, note = Workspace((folder / "workspace").resolve()), folder / "made_from.txt"
    truth = folder / "truth" / "truth_trials.parquet"
    made_from = hash_values(asdict(order), code_fingerprint("synthetic"))
    if note.is_file() and truth.is_file() and note.read_text("utf-8") == made_from:
        return truth
    if not workspace.settings_file.is_file():
        init_workspace(workspace.root)
    tell = begin_counted(
        progress, "Simulating logs", size.logs_per_mishap * len(kinds) + size.clean_logs
    )
    write_trust_trials(workspace.root, truth.parent, order, processes=2, on_progress=tell)
    note.write_text(made_from, encoding="utf-8")
    return truth
