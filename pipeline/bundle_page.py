"""The words of a bundle of evidence: claim, car, repairs, tests, findings, trust, baselines.

Takes the tables of a bundle, gives the page as HTML. Does not belong here: which tables belong
to a claim (`bundle`), layout (`reports.claim_page`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.fingerprints import code_version
from pipeline.store_tables import STORE_TABLES
from reports.cautions import INDICATION
from reports.claim_page import BundledFile, ClaimPage, Part, claim_page
from reports.pages import foot_of

if TYPE_CHECKING:
    from reports.settings import ReportSettings

_GRAINS = {table.name: table.grain for table in STORE_TABLES}
_CLAIMED = "The repairs of the claim itself."
_LEAD = (
    "All that is stored of the car of this claim: its tests, what was derived from them, what they "
    "were held against, which readings were doubted, and every repair on record."
)


def bundle_page(claim: str, tables: dict[str, pl.DataFrame], settings: ReportSettings) -> str:
    """The page as HTML."""
    parts = (
        _repairs(tables),
        _tests(tables),
        _findings(tables),
        _trust(tables),
        _baselines(tables),
        _state(tables),
    )
    files = tuple(
        BundledFile(f"{name}.csv", frame.height, _meaning(name)) for name, frame in tables.items()
    )
    page = ClaimPage(f"Evidence for claim {claim}", _LEAD, parts, files)
    return claim_page(page, foot_of(settings, code_version()))


def _meaning(name: str) -> str:
    if name not in _GRAINS:
        return _CLAIMED
    return f"{_GRAINS[name][:1].upper()}{_GRAINS[name][1:]}."


def _repairs(tables: dict[str, pl.DataFrame]) -> Part:
    claimed = tables["claimed_repairs"]["repair_id"].to_list()
    came = tables["repair_outcomes"].select("repair_id", "sentence")
    rows = (
        tables["repairs"]
        .sort("performed_at", "repair_id")
        .join(came, on="repair_id", how="left", maintain_order="left")
    )
    names = ("performed_at", "repair_id", "shop_id", "odometer_km", "complaint", "component",
             "action", "recovered_g", "charged_g", "part_number", "supplier", "part_lot",
             "parts_cost", "labour_cost", "sentence")  # fmt: skip
    sentence = f"{len(claimed)} of the {rows.height} repairs of the car belong to the claim: "
    return Part("Repairs", (sentence + ", ".join(claimed) + ".",), names, _cells(rows, names))


def _tests(tables: dict[str, pl.DataFrame]) -> Part:
    verdicts = tables["assessments"].select("test_id", "verdict_code", "n_findings", "reason")
    rows = (
        tables["context"]
        .sort("started_at", "test_id")
        .join(verdicts, on="test_id", how="left", maintain_order="left")
    )
    names = ("started_at", "test_id", "purpose", "repair_id", "site_id", "odometer_km",
             "ambient_c", "verdict_code", "n_findings", "reason", "log_path")  # fmt: skip
    return Part("Tests", (f"{rows.height} tests of the car.",), names, _cells(rows, names))


def _findings(tables: dict[str, pl.DataFrame]) -> Part:
    rows = tables["residuals"].filter(pl.col("finding_code").is_not_null())
    names = ("test_id", "regime", "feature", "observed", "expected", "spread", "z", "q_value",
             "pooling_level", "baseline_vehicles", "finding_code")  # fmt: skip
    n = tables["residuals"].filter(pl.col("z").is_not_null()).height
    sentences = (f"{rows.height} of {n} quantities judged are findings. {INDICATION}",)
    return Part("Findings", sentences, names, _cells(rows, names))


def _trust(tables: dict[str, pl.DataFrame]) -> Part:
    rows = tables["trust"]
    names = ("test_id", "channel", "rule_code", "distrusted_share", "sentence")
    sentence = "Readings doubted, and therefore left out:" if rows.height else "None was doubted."
    return Part("Trust in the readings", (sentence,), names, _cells(rows, names))


def _baselines(tables: dict[str, pl.DataFrame]) -> Part:
    rows = tables["baselines"]
    names = ("group_label", "regime", "feature", "n_vehicles", "n_tests", "spread", "version")
    sentence = "What the tests were held against, each with the version of its data."
    return Part("Baselines", (sentence,), names, _cells(rows, names))


def _state(tables: dict[str, pl.DataFrame]) -> Part:
    sentences = [
        f"{row['vehicle_id']}: {row['state']}. {row['reason']}"
        for row in tables["states"].iter_rows(named=True)
    ]
    sentences += [text for text in tables["causes"]["sentence"].to_list() if text]
    return Part("The car as it stands", tuple(sentences))


def _cells(rows: pl.DataFrame, names: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(_cell(cell) for cell in row) for row in rows.select(names).iter_rows())


def _cell(value: Any) -> str:
    if value is None:
        return "not stated"
    if isinstance(value, float):
        return f"{value:.6g}"
    return f"{value:%Y-%m-%d %H:%M}" if hasattr(value, "hour") else str(value)
