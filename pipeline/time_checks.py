"""Whether the times of a log can be those of one test: judged in the order of the file.

Takes raw rows (`raw_logs`) of logs that share one time column, gives a refusal for every
log whose clock starts again or whose samples lie too far apart or too close together for
the unit that they are read in. Only the door can see this: later steps put rows in order
of time. Does not belong here: reading a time (`clocks`), gaps and repeated instants
(`features.screening`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.refusals import LogRefusedError

if TYPE_CHECKING:
    from pipeline.clocks import TimeUse

# A logger's channels may report a few seconds out of turn; a clock that was set back or a
# second recording goes back further, and does so rarely.
_OUT_OF_TURN_S = 10.0
_RARE_SHARE = 0.05
_RARE_STEPS = 2
# Sampling intervals that a performance test can have: where the unit of time is stated,
# and where it is not and seconds are only the most likely one (common practice, no source).
_STATED_S = (1e-4, 300.0)
_ASSUMED_S = (0.02, 20.0)
_LEAST_STEPS = 10


def refuse_impossible_times(raw: pl.DataFrame, time: TimeUse) -> dict[int, LogRefusedError]:
    """The refusals by position of the log in its batch; logs not named there are sound."""
    refused: dict[int, LogRefusedError] = {}
    for row in _measured(raw).iter_rows(named=True):
        if 0 < row["n_back"] <= max(_RARE_STEPS, _RARE_SHARE * row["n_steps"]):
            refused[row["file"]] = _starts_again(row)
        elif time.is_scientific and row["n_still"] > _RARE_SHARE * row["n_rows"]:
            refused[row["file"]] = _rounded(row["n_still"], row["n_rows"], time)
        elif row["n_steps"] == 0 and row["n_still"] >= _LEAST_STEPS:
            refused[row["file"]] = _stands_still(row["n_rows"], time)
        elif row["n_steps"] >= _LEAST_STEPS and not _is_possible(row["interval_s"], time):
            refused[row["file"]] = _doubtful_unit(row["interval_s"], time)
    return refused


def refuse_restarts(rows: pl.DataFrame) -> dict[int, LogRefusedError]:
    """The refusals of long logs in which the time of a channel goes back, by position.

    `rows` as in `long_logs`, in the order of the file: there channels may come one after the
    other, so each is looked at by itself.
    """
    if not rows.select((pl.col("seconds").diff() < -_OUT_OF_TURN_S).any()).item():
        return {}
    step_s = pl.col("seconds").diff()
    channels = rows.group_by("file", "label", maintain_order=True).agg(
        (step_s < -_OUT_OF_TURN_S).sum().alias("n_back"),
        (step_s != 0).sum().alias("n_steps"),
        step_s.min().alias("furthest_s"),
        (step_s < -_OUT_OF_TURN_S).arg_max().alias("row_back"),
    )
    is_rare = pl.col("n_back") <= pl.max_horizontal(_RARE_STEPS, _RARE_SHARE * pl.col("n_steps"))
    found = channels.filter((pl.col("n_back") > 0) & is_rare).unique("file", maintain_order=True)
    return {row["file"]: _starts_again(row) for row in found.iter_rows(named=True)}


def _measured(raw: pl.DataFrame) -> pl.DataFrame:
    """Per log: `n_steps` that change the time, their median, and those that go far back."""
    step_s = pl.col("seconds").diff()
    far_back = step_s < -_OUT_OF_TURN_S
    return raw.group_by("file", maintain_order=True).agg(
        pl.len().alias("n_rows"),
        (step_s == 0).sum().alias("n_still"),
        (step_s != 0).sum().alias("n_steps"),
        step_s.filter(step_s != 0).abs().median().alias("interval_s"),
        far_back.sum().alias("n_back"),
        step_s.min().alias("furthest_s"),
        far_back.arg_max().alias("row_back"),
    )


def _is_possible(interval_s: float, time: TimeUse) -> bool:
    shortest, longest = _ASSUMED_S if time.is_assumed else _STATED_S
    return shortest <= interval_s <= longest


def _starts_again(row: dict[str, Any]) -> LogRefusedError:
    times = "once" if row["n_back"] == 1 else f"{row['n_back']} times"
    return LogRefusedError(
        "time_goes_back",
        f"The time goes back {times}, by up to {-row['furthest_s']:.0f} s: the file holds more "
        "than one recording, or the logger's clock was set during the test.",
        place=f"row of data {row['row_back'] + 1}",
        hint="Save each recording as a file of its own, with its own row in the registry; after "
        "a clock change repeat the test. Over the night when the clocks go back, write an offset.",
    )


def _rounded(n_still: int, n_rows: int, time: TimeUse) -> LogRefusedError:
    return LogRefusedError(
        "time_rounded",
        f"The time has lost its last digits: {n_still} of {n_rows} rows have the time of the row "
        "above, for it is written as a power of ten with too few digits, such as 1.7640E+09.",
        place=f"column {time.name}",
        hint="This comes from a spreadsheet that saved the file anew: export it from the logger "
        "again, or format the column as a number without decimals before saving.",
    )


def _stands_still(n_rows: int, time: TimeUse) -> LogRefusedError:
    return LogRefusedError(
        "time_stands_still",
        f"All {n_rows} rows have the same time.",
        place=f"column {time.name}",
        hint="If another column tells the time, name it in a profile, under [time], `column = "
        "...`; else set the logger's clock and repeat the test.",
    )


def _doubtful_unit(interval_s: float, time: TimeUse) -> LogRefusedError:
    read_as = (
        "no unit is stated, and read as seconds"
        if time.is_assumed
        else f"read as {time.format_code.replace('_', ' ')}"
    )
    return LogRefusedError(
        "time_unit_doubtful",
        f"The unit of the time is doubtful: {read_as}, the samples are {interval_s:.6g} s apart, "
        "which no performance test has.",
        place=f"column {time.name}",
        hint="State the unit in the header, such as `Time [ms]`, or `format` under [time] in a "
        "profile. Numbers that a spreadsheet uses for dates must be exported as dates.",
    )
