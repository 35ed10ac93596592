"""Recurring failures for the terminal: the columns shown, and the words around them.

`shown_...` give the frames that are told and saved alike, `..._lines` the lines. Does not belong
here: reading the store (`recurrence_command`), any statistics.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from collections.abc import Sequence

_CAUTION = (
    "These are indications: a cohort that fails more often says where to look, not what is "
    "wrong or whose fault it is."
)
_VERDICTS = {
    "more_often": "more often", "less_often": "less often", "as_others": "as the others",
    "too_few": "too few to say",
}  # fmt: skip
_COHORT_COLUMNS = (
    "cohort", "component", "n_vehicles", "n_repairs", "n_failed", "n_again", "told_at",
    "failed_share", "failed_share_low", "failed_share_high", "repairs_per_vehicle",
    "repairs_per_vehicle_low", "repairs_per_vehicle_high", "expected_repairs", "ratio",
    "ratio_low", "ratio_high", "q_value", "verdict_code",
)  # fmt: skip
_SHARE_COLUMNS = (
    "cohort", "component", "n_repairs", "share_of_repairs", "expected_repairs", "ratio",
    "ratio_low", "ratio_high", "q_value", "verdict_code",
)  # fmt: skip
_FORECAST_COLUMNS = (
    "model", "component", "begins_on", "ends_on", "n_vehicles", "claims", "claims_low",
    "claims_high", "reserve", "reserve_low", "reserve_high",
)  # fmt: skip
_RETURNING_COLUMNS = (
    "vehicle_id", "model", "component", "n_repairs", "expected_repairs", "first_on",
    "latest_on", "cost", "q_value",
)  # fmt: skip
_FORECAST_NOTE = (
    "Ranges hold what comes in 90 of 100 cases, if failures, use and prices go on as so far. Cars "
    "sold from now on are not in it."
)
_MOST_SENTENCES = 5


def shown_cohorts(rows: pl.DataFrame) -> pl.DataFrame:
    """The columns told of cohorts, those that stand out first."""
    # a failure rate stands in no column where the cohorts' size is known of some rows only
    is_share = not rows.is_empty() and rows["basis_code"].eq("presented").all()
    ordered = rows.sort("q_value", "p_value", "cohort", "component", nulls_last=True)
    return ordered.select(_SHARE_COLUMNS if is_share else _COHORT_COLUMNS)


def shown_forecasts(rows: pl.DataFrame) -> pl.DataFrame:
    """The columns told of forecasts: all months together first, then month by month."""
    return rows.sort("model", "component", "month_number").select(_FORECAST_COLUMNS)


def shown_returning(rows: pl.DataFrame) -> pl.DataFrame:
    """The columns told of vehicles that come back, the clearest first."""
    return rows.sort("q_value", "vehicle_id", "component").select(_RETURNING_COLUMNS)


def cohort_lines(rows: pl.DataFrame, shown: pl.DataFrame, n_rows: int) -> list[str]:
    """The table of cohorts, the sentences of those that stand out, and the caution."""
    if shown.is_empty():
        return ["No cohort to tell: nothing stands out, or no repair of a watched car counts."]
    is_share = "share_of_repairs" in shown.columns
    names, cells = _share_cells(shown) if is_share else _rate_cells(shown)
    ranked = rows.filter(pl.col("verdict_code") == "more_often").sort("q_value", "p_value")
    told = ranked["sentence"].head(_MOST_SENTENCES).to_list()
    return [
        *_table(names, cells, n_rows),
        "",
        *([_key(is_share=is_share)]),
        *(["", *told] if told else []),
        "",
        _CAUTION,
    ]


def _key(*, is_share: bool) -> str:
    times = "`times` is repairs over those expected at the others' rate at the same ages"
    if is_share:
        times = "`times` is its share of the repairs over the others' share at the same ages"
    return (
        f"Ranges hold the true value in 90 of 100 cases. {times}; `chance` is the share of false "
        "alarms to expect among cohorts down to this one."
    )


def _rate_cells(shown: pl.DataFrame) -> tuple[tuple[str, ...], Sequence[tuple[str, ...]]]:
    names = (
        "cohort", "component", "vehicles", "repairs", "came back", "at age", "failed once",
        "repairs per 100", "times", "chance", "fails",
    )  # fmt: skip
    cells = [
        (
            row["cohort"], row["component"], str(row["n_vehicles"]), str(row["n_repairs"]),
            str(row["n_again"]), _number(row["told_at"], 0),
            _range(row, "failed_share", 100, " %"), _range(row, "repairs_per_vehicle", 100, ""),
            _range(row, "ratio", 1, ""), _number(row["q_value"], 3),
            _VERDICTS[row["verdict_code"]],
        )
        for row in shown.iter_rows(named=True)
    ]  # fmt: skip
    return names, cells


def _share_cells(shown: pl.DataFrame) -> tuple[tuple[str, ...], Sequence[tuple[str, ...]]]:
    names = ("cohort", "component", "repairs", "share of repairs", "times", "chance", "named")
    cells = [
        (
            row["cohort"], row["component"], str(row["n_repairs"]),
            _number(row["share_of_repairs"], 1, 100) + " %", _range(row, "ratio", 1, ""),
            _number(row["q_value"], 3), _VERDICTS[row["verdict_code"]],
        )
        for row in shown.iter_rows(named=True)
    ]  # fmt: skip
    return names, cells


def forecast_lines(shown: pl.DataFrame, currency: str, n_rows: int) -> list[str]:
    """The table of forecasts and what it does not know."""
    if shown.is_empty():
        return ["No forecast: it needs the size of the fleet and five repairs of a component."]
    names = ("model", "component", "from", "to", "vehicles", "claims", f"reserve, {currency}")
    cells = [
        (
            row["model"] or "not known", row["component"], str(row["begins_on"]),
            str(row["ends_on"]), _number(row["n_vehicles"], 0), _range(row, "claims", 1, "", 0),
            _range(row, "reserve", 1, "", 0),
        )
        for row in shown.iter_rows(named=True)
    ]  # fmt: skip
    return [
        *_table(names, cells, n_rows),
        "",
        _FORECAST_NOTE,
    ]


def returning_lines(shown: pl.DataFrame, n_rows: int) -> list[str]:
    """The table of vehicles that come back."""
    if shown.is_empty():
        return ["No vehicle came back more often than chance lets some of such a fleet."]
    names = ("vehicle", "model", "component", "repairs", "expected", "first", "latest", "cost")
    cells = [
        (
            row["vehicle_id"], row["model"] or "not known", row["component"],
            str(row["n_repairs"]), _number(row["expected_repairs"], 2), str(row["first_on"]),
            str(row["latest_on"]), _number(row["cost"], 0),
        )
        for row in shown.iter_rows(named=True)
    ]  # fmt: skip
    return [
        *_table(names, cells, n_rows),
        "",
        "Expected: repairs of a car of its model that was watched as long.",
    ]


def _table(names: Sequence[str], cells: Sequence[tuple[str, ...]], n_rows: int) -> list[str]:
    lines = [text_table(names, cells[:n_rows])]
    if len(cells) > n_rows:
        lines.append(f"and {len(cells) - n_rows} more rows: `--rows` prints, `--save` writes them")
    return lines


def _number(value: float | None, digits: int, factor: float = 1.0) -> str:
    return "" if value is None else f"{factor * value:,.{digits}f}"


def _range(
    row: dict[str, float | None], name: str, factor: float, unit: str, digits: int = 1
) -> str:
    """A value with its range: `4.2 (3.1 to 5.6) %`; nothing where it is not told."""
    if row[name] is None:
        return ""
    value, low, high = (
        _number(row[n], digits, factor) for n in (name, f"{name}_low", f"{name}_high")
    )
    return f"{value} ({low or '?'} to {high or '?'}){unit}"
