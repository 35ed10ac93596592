"""What `shops` tells: every shop against what such cars show anywhere, in order of name.

Takes the published tables, gives lines and the very table that they show. Shops with too
little evidence are counted and not named, unless their own list is asked for. Does not belong
here: statistics (`models.comparisons`), options (`cli_shops`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from models.measures import MEASURES, Kind, Measure
from pipeline.problems import Problem, ProblemsError, did_you_mean
from pipeline.text_tables import text_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.repair_settings import RepairSettings

_SHOWN = (
    "shop_id", "measure_code", "unit", "n_repairs", "observed", "expected", "value", "low_998",
    "high_998", "shrunken", "shrunken_low", "shrunken_high", "verdict_code", "sentence",
)  # fmt: skip
_OWN_LIST = (
    "repair_id", "vehicle_id", "performed_at", "component", "action", "technician",
    "is_back_in_band", "charge_error_g", "followup_code", "sentence",
)  # fmt: skip
_NOT_SAID = ("too_little", "no_comparison")
_VERDICTS = {
    "within": "as others",
    "worse": "worse",
    "better": "better",
    "above": "higher",
    "below": "lower",
}
_LIST_LENGTH = 40


@dataclass(frozen=True)
class Told:
    """Lines to print, and the table that they show."""

    lines: list[str]
    shown: pl.DataFrame


def all_shops(shops: pl.DataFrame, outcomes: pl.DataFrame, settings: RepairSettings) -> Told:
    """Every measure with the shops that have evidence enough."""
    if outcomes.is_empty():
        text = "No repair that changed anything is on record: fill registry/repairs."
        return Told([text], shops.select(_SHOWN))
    shown = shops.filter(~pl.col("verdict_code").is_in(_NOT_SAID)).select(_SHOWN)
    lines = _opening(outcomes)
    for measure in MEASURES:
        own = shops.filter(pl.col("measure_code") == measure.code)
        if own.height:
            within = f" within {_window(outcomes, settings)}" if measure.kind is Kind.RATE else ""
            lines += ["", *_measure_lines(measure, own, settings, within)]
    return Told([*lines, "", *_closing()], shown)


def one_shop(
    shops: pl.DataFrame, outcomes: pl.DataFrame, shop: str, settings: RepairSettings
) -> Told:
    """The own list of a shop: each measure in words, and the repairs behind it.

    Raises
    ------
    ProblemsError
        No repair names the shop.
    """
    own = outcomes.filter(pl.col("shop_id") == shop)
    if own.is_empty():
        known = outcomes["shop_id"].drop_nulls().unique().sort().to_list()
        sentence = f"No repair names a shop {shop!r}."
        hint = did_you_mean(shop, known)
        raise ProblemsError([Problem("unknown_shop", sentence, "registry/repairs", hint=hint)])
    compared = shops.filter(pl.col("shop_id") == shop)
    sentences = [*compared["sentence"], *_window_lines(compared, _window(outcomes, settings))]
    worth = own.filter(_worth_a_look()).sort("performed_at", "repair_id")
    shown = worth.select(_OWN_LIST)
    lines = [f"{shop}: {own.height} repairs that changed something.", *sentences, ""]
    lines.append(f"{worth.height} of them are worth a look of your own:")
    lines += [
        f"  {row['repair_id']}, {row['performed_at']:%Y-%m-%d}, {row['vehicle_id']}, "
        f"{_plain(row['component'])}, {_plain(row['action'])}: {row['sentence']}"
        for row in worth.head(_LIST_LENGTH).iter_rows(named=True)
    ]
    if worth.height > _LIST_LENGTH:
        lines.append(f"  and {worth.height - _LIST_LENGTH} more: --export FILE has them all")
    return Told([*lines, "", *_closing()], shown)


def _plain(text: str | None) -> str:
    return (text or "not stated").replace("_", " ")


def _worth_a_look() -> pl.Expr:
    told = ("is_overcharged", "is_undercharged", "is_topup")
    return pl.any_horizontal(
        pl.col("followup_code").eq("came_back").fill_null(value=False),
        pl.col("is_back_in_band").eq(other=False).fill_null(value=False),
        *(pl.col(name).fill_null(value=False) for name in told),
    )


def _opening(outcomes: pl.DataFrame) -> list[str]:
    n_shops = outcomes["shop_id"].drop_nulls().n_unique()
    held = (
        f"{outcomes.height} repairs at {n_shops} shops, each held against what such cars show at "
        "any shop: age, distance and circuit are allowed for, and how bad the car was where a test "
        "before tells it."
    )
    if _is_cooling(outcomes):
        clock = "on the clock of cooling: a mild month counts less than a hot one."
    else:
        clock = (
            "in days, for the climate of some regions is not told by the tests: a repair before "
            "winter looks better than it is."
        )
    return [held, f"Comebacks are followed {clock}"]


def _is_cooling(outcomes: pl.DataFrame) -> bool:
    return bool((outcomes["exposure_code"] == "cooling_degree_days").any())


def _window(outcomes: pl.DataFrame, settings: RepairSettings) -> str:
    if _is_cooling(outcomes):
        return f"{settings.comeback_cooling_degree_days:.0f} degree days of cooling"
    return f"{settings.comeback_days:.0f} days"


def _window_lines(own: pl.DataFrame, window: str) -> list[str]:
    """Of each hundred repairs how many came back, whatever became of the cars that left."""
    return [
        f"Within {window} {100 * row['window_share']:.0f} of 100 came back "
        f"({100 * row['window_share_low']:.0f} to {100 * row['window_share_high']:.0f}); if every "
        f"car that was not seen again had come back, {100 * row['window_share_worst']:.0f}."
        for row in own.filter(pl.col("window_share").is_not_null()).iter_rows(named=True)
    ]


def _measure_lines(
    measure: Measure, own: pl.DataFrame, settings: RepairSettings, within: str
) -> list[str]:
    head = measure.words[:1].upper() + measure.words[1:] + within
    if measure.kind is Kind.AVERAGE:
        lines = [f"{head} ({measure.unit}):"]
    else:
        total = int(own["observed"].sum())
        lines = [f"{head}: {total} of {own['n_repairs'].sum()} repairs at all shops."]
    if (own["verdict_code"] == "no_comparison").all():
        return [*lines, f"  Fewer than {settings.least_compared} shops: not compared."]
    said = own.filter(~pl.col("verdict_code").is_in(_NOT_SAID)).sort("shop_id")
    if said.height:
        table = text_table(_names(measure), [_row(measure, r) for r in said.iter_rows(named=True)])
        lines += [f"  {line}" for line in table.splitlines()]
    if silent := own.height - said.height:
        lines.append(f"  Not spoken of, for too little evidence: {silent} shops.")
    return lines


def _names(measure: Measure) -> Sequence[str]:
    if measure.kind is Kind.AVERAGE:
        return ("shop", "repairs", "average", "expected", "by chance", "likely difference", "is")
    return ("shop", "repairs", "seen", "expected", "by chance", "likely times expected", "is")


def _row(measure: Measure, row: dict[str, object]) -> list[str]:
    number = {name: float(str(row[name])) for name in _SHOWN[4:12]}
    is_average = measure.kind is Kind.AVERAGE
    scale = 1.0 if is_average else number["expected"]
    low, high = number["low_998"] * scale, number["high_998"] * scale
    if is_average:
        low, high = low + number["expected"], high + number["expected"]
    digits = 2 if is_average else 0
    return [
        str(row["shop_id"]),
        str(row["n_repairs"]),
        f"{number['observed']:.{digits}f}",
        f"{number['expected']:.{2 if is_average else 1}f}",
        f"{low:.1f} to {high:.1f}",
        f"{number['shrunken']:.2f} ({number['shrunken_low']:.2f} to {number['shrunken_high']:.2f})",
        _VERDICTS[str(row["verdict_code"])],
    ]


def _closing() -> list[str]:
    chance = (
        "By chance: of 1,000 shops that work alike, two lie outside. Likely: drawn towards the "
        "others as far as the shop's own numbers say little, with the range that holds nine times "
        "in ten. Shops stand in order of name; there is no other order in this."
    )
    caution = (
        "What a car brings along and nobody logged is not allowed for: this is a reason to look at "
        "the repairs together, not a verdict on anyone."
    )
    return [chance, caution]
