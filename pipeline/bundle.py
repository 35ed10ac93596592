"""The evidence behind one warranty claim as one file: tests, features, baselines, trust, repairs.

Takes a published store and a claim (or repair), gives the bytes of a ZIP archive with a page to
read, the same as JSON, and one CSV file per table. The same store gives the same bytes; names
inside are fixed, so that no name of a claim reaches a file system. Does not belong here: the
judgement, the look of the page (`reports.claim_page`).
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.bundle_page import bundle_page
from pipeline.export import guarded
from pipeline.problems import Problem, ProblemsError, did_you_mean

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.settings import Settings
    from pipeline.warehouse import Warehouse

# the same bytes whenever it is made; a ZIP archive knows no earlier day
_EPOCH = (1980, 1, 1, 0, 0, 0)
_READABLE = 0o644 << 16
_LONGEST_NAME = 60
_BY_TEST = (
    "context", "features", "windows", "trust", "residuals", "assessments", "evidence", "unread",
    "events",
)  # fmt: skip
_BY_VEHICLE = ("vehicles", "states", "causes", "drifts", "leaks")
_BY_REPAIR = ("repairs", "repair_outcomes", "replacements")


@dataclass(frozen=True)
class Bundle:
    """The evidence of one claim: what it is called, its tables, and the bytes of the archive."""

    claim: str
    tables: dict[str, pl.DataFrame]
    content: bytes

    @property
    def file_name(self) -> str:
        """A name that any file system takes; its end tells claims of like spelling apart."""
        plain = re.sub(r"[^A-Za-z0-9_-]+", "_", self.claim).strip("_")[:_LONGEST_NAME]
        return f"claim_{plain or 'unnamed'}_{sha256(self.claim.encode()).hexdigest()[:8]}.zip"


def make_bundle(store: Warehouse, claim: str, settings: Settings) -> Bundle:
    """The bundle of a claim, or of a repair where no claim is called so.

    Raises
    ------
    ProblemsError
        Neither a claim nor a repair is called so.
    """
    repairs = _repairs_of(store, claim)
    tables = _tables(store, repairs)
    page = bundle_page(claim, tables, settings.report)
    files = {
        "README.html": page.encode("utf-8", "replace"),
        "claim.json": _json(claim, tables),
        **{f"{name}.csv": _csv(frame) for name, frame in tables.items()},
    }
    return Bundle(claim, tables, _archive(files))


def _repairs_of(store: Warehouse, claim: str) -> pl.DataFrame:
    for column in ("claim_id", "repair_id"):
        found = store.read_where("repairs", column, [claim])
        if found.height:
            return found
    known = store.read("repairs").select("claim_id", "repair_id")
    names = [*known["claim_id"].drop_nulls().unique(), *known["repair_id"]]
    hint = did_you_mean(claim, names) or "`chillroster export --table repairs` lists them."
    sentence = f"No claim and no repair is called {claim!r}."
    raise ProblemsError([Problem("unknown_claim", sentence, "registry/repairs", hint=hint)])


def _tables(store: Warehouse, repairs: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """All that the store holds of the cars of these repairs, table by table."""
    vehicles = repairs["vehicle_id"].unique().sort().to_list()
    tests = store.read_where("context", "vehicle_id", vehicles)["test_id"].to_list()
    models = store.read_where("vehicles", "vehicle_id", vehicles)["model_id"].unique().to_list()
    of_tests = {name: store.read_where(name, "test_id", tests) for name in _BY_TEST}
    of_cars = {name: store.read_where(name, "vehicle_id", vehicles) for name in _BY_VEHICLE}
    history = {name: store.read_where(name, "vehicle_id", vehicles) for name in _BY_REPAIR}
    return {
        "claimed_repairs": repairs,
        **history,
        **of_tests,
        **of_cars,
        "models": store.read_where("models", "model_id", models),
        "baselines": _baselines(store, of_tests["residuals"], of_tests["context"]),
        "logs": store.read_where("logs", "test_id", tests).drop("inputs_hash"),
    }


def _baselines(store: Warehouse, residuals: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """The baselines that the residuals of these tests were held against."""
    used = residuals.filter(pl.col("pooling_level").is_in(["model", "architecture"]))
    keys = used.select("pooling_level", "regime", "feature").unique()
    models = context["model_id"].unique().to_list()
    of_model = pl.col("model_id").is_in(models) | pl.col("model_id").is_null()
    return (
        store.read("baselines")
        .filter(of_model)
        .join(keys, on=["pooling_level", "regime", "feature"], how="semi", maintain_order="left")
    )


def _csv(frame: pl.DataFrame) -> bytes:
    text = guarded(frame)[0].write_csv(datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")
    return text.encode("utf-8", "replace")


def _json(claim: str, tables: dict[str, pl.DataFrame]) -> bytes:
    held: dict[str, Any] = {"claim": claim}
    held |= {name: frame.to_dicts() for name, frame in tables.items()}
    text = json.dumps(held, ensure_ascii=True, indent=1, default=_plain, allow_nan=False)
    return (text + "\n").encode()


def _plain(value: Any) -> str:
    return str(value.isoformat()) if hasattr(value, "isoformat") else str(value)


def _archive(files: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name in _in_order(list(files)):
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = _READABLE
            # as on every system, not as on the one that it was made on
            entry.create_system = 3
            archive.writestr(entry, files[name])
    return stream.getvalue()


def _in_order(names: Sequence[str]) -> list[str]:
    """The page first, for it is what a person opens."""
    return sorted(names, key=lambda name: (name != "README.html", name))
