"""Baselines as rows of tables, and back: the same numbers to the last bit.

Takes `Baselines`, gives a frame per table of `frozen_tables.IN_FORCE`, and the other way
round. Of the rows only those of some owners (models, pools, the fleet) and cars need be there
to judge these cars. Does not belong here: what the numbers mean (`norms`), versions.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from models.adverse_calibration import AdverseUnits
from models.calibration import CalibrationUnit
from models.conditions import Basis, Choice
from models.diagnostics import DIAGNOSTIC
from models.findings import JUDGED
from models.fitted_groups import FittedGroup, GroupKey
from models.frozen import Baselines
from models.frozen_drifts import drift_rows, read_drifts
from models.frozen_fits import fit_rows, read_fits
from models.frozen_tables import IN_FORCE
from models.mirror import Side
from models.mirror import Tail as FarTail
from models.moderation import Prior
from models.norms import Norm
from models.scores import Yardstick
from models.tail import Tail

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from models.comparison import FittedGroups
    from models.conditions import Array
    from models.findings import JudgedFeature

# The parts in the order of `Baselines.norms`, the diagnostics last.
PARTS = ("regimes", "whole_tests", "diagnostics")
_DRIFT = "drift"
_FEATURES: dict[str, tuple[JudgedFeature, ...]] = {
    "regimes": tuple(f for f in JUDGED if not f.is_for_whole_test),
    "whole_tests": tuple(f for f in JUDGED if f.is_for_whole_test),
    "diagnostics": DIAGNOSTIC,
}
_ARRAY_SCHEMA: dict[str, pl.DataType] = {
    "part_code": pl.String(), "owner": pl.String(), "piece_code": pl.String(),
    "group_number": pl.Int32(), "basis_number": pl.Int32(), "fold": pl.Int32(),
    "head": pl.String(), "numbers": pl.List(pl.Float64()),
}  # fmt: skip
_CAR_SCHEMA: dict[str, pl.DataType] = {
    "part_code": pl.String(), "group_number": pl.Int32(), "vehicle_id": pl.String(),
    "fold": pl.Int32(), "known_features": pl.Int64(),
}  # fmt: skip


@dataclass(frozen=True)
class Piece:
    """One row of BASELINE_ARRAYS of a part, read back."""

    owner: str
    head: dict[str, Any]
    numbers: Array
    group_number: int
    basis_number: int
    fold: int


Pieces = dict[str, list[Piece]]


def frozen_frames(baselines: Baselines) -> dict[str, pl.DataFrame]:
    """The rows of each table of `IN_FORCE`, by its name."""
    norms = dict(zip(PARTS, (*baselines.norms, baselines.diagnostics), strict=True))
    arrays = [row for part, norm in norms.items() for row in _rows(part, norm)]
    arrays += _named_rows(_DRIFT, drift_rows(baselines.drifts))
    cars = [row for part, norm in norms.items() for row in _car_rows(part, norm)]
    frames = {
        "baseline_arrays": pl.DataFrame(arrays, schema=_ARRAY_SCHEMA, orient="row"),
        "baseline_cars": pl.DataFrame(cars, schema=_CAR_SCHEMA, orient="row"),
        "baseline_tests": baselines.known_tests,
        "baseline_coverage": baselines.covered,
    }
    number = pl.lit(baselines.version).alias("baseline_version")
    return {
        table.name: table.conform(frames[table.name].with_columns(number)).sort(
            table.key, nulls_last=True
        )
        for table in IN_FORCE
    }


def read_frozen(
    frames: Mapping[str, pl.DataFrame], instrument_offsets: pl.DataFrame, fitted_at: datetime
) -> Baselines:
    """The baselines of rows that `frozen_frames` gave, and of what stands elsewhere."""
    pieces = _pieces(frames["baseline_arrays"])
    cars = _cars(frames["baseline_cars"])
    *norms, diagnostics = (_norm(pieces[part], cars, part, _FEATURES[part]) for part in PARTS)
    return Baselines(
        norms=tuple(norms),
        diagnostics=diagnostics,
        instrument_offsets=instrument_offsets,
        covered=frames["baseline_coverage"].drop("baseline_version"),
        known_tests=frames["baseline_tests"].drop("baseline_version"),
        drifts=read_drifts(pieces[_DRIFT]),
        fitted_at=fitted_at,
        version=frames["baseline_arrays"].item(0, "baseline_version"),
    )


def _rows(part: str, norm: Norm) -> Iterator[tuple[object, ...]]:
    for number, (key, group) in enumerate(norm.groups.items()):
        head: dict[str, object] = {
            "key": list(key),
            "varies": group.choice.varies.tolist(),
            "bases": [[b.required, b.terms, b.products] for b in group.choice.bases],
            "n_models": group.n_models,
        }
        known = group.n_known.astype(float)
        yield part, key.label, "group", number, None, None, json.dumps(head), known
        for place, fits in enumerate(group.fits):
            if fits is None:
                continue
            for piece, fold, shape, numbers in fit_rows(fits):
                yield part, key.label, piece, number, place, fold, json.dumps(shape), numbers
    yield from _named_rows(part, _yardstick_rows(norm.yardstick))


def _named_rows(
    part: str, rows: Iterator[tuple[str, str, dict[str, object], Array]]
) -> Iterator[tuple[object, ...]]:
    """The rows of BASELINE_ARRAYS that belong to no group."""
    for owner, piece, head, numbers in rows:
        yield part, owner, piece, None, None, None, json.dumps(head, sort_keys=True), numbers


def _yardstick_rows(
    yardstick: Yardstick,
) -> Iterator[tuple[str, str, dict[str, object], Array]]:
    """Owner, piece, head and numbers of everything that is no fit."""
    yield "", "tail", *_tail_row(yardstick.tail)
    if yardstick.correlation is not None:
        yield "", "correlation", {}, yardstick.correlation.reshape(-1)
    for (kind, feature), prior in yardstick.priors.items():
        head: dict[str, object] = {"kind": kind, "feature": feature}
        yield "", "prior", head, np.array([prior.freedom, prior.variance])
    for kind, middle in yardstick.middles.items():
        yield "", "middle", {"kind": kind}, np.array([middle])
    units = {"quantities": yardstick.quantities, **vars(yardstick.adverse)}
    for asked, some in units.items():
        for unit in some:
            owner = "" if unit.level == "kind" else unit.label.partition("\n")[0]
            yield owner, "unit", *_unit_row(asked, unit)


def _tail_row(tail: Tail) -> tuple[dict[str, object], Array]:
    return {"n_residuals": tail.n_residuals}, np.r_[tail.degrees_of_freedom, tail.factors]


def _unit_row(asked: str, unit: CalibrationUnit) -> tuple[dict[str, object], Array]:
    names = ("column", "kind", "level", "label", "half", "code", "n_vehicles")
    head = {name: getattr(unit, name) for name in names}
    side, tail = unit.side, unit.tail
    numbers = np.r_[side.share, side.start, tail.mean, tail.weight, side.sizes]
    return {"of": asked, "beyond": side.beyond, **head}, numbers


def _car_rows(part: str, norm: Norm) -> Iterator[tuple[object, ...]]:
    for number, group in enumerate(norm.groups.values()):
        for vehicle_id, (fold, known) in group.cars.items():
            yield part, number, vehicle_id, fold, known


def _pieces(arrays: pl.DataFrame) -> dict[str, Pieces]:
    """The rows by part and piece; folds and groups in their order."""
    rows = arrays.sort("part_code", "piece_code", "group_number", "basis_number", "fold", "head")
    ends = rows["numbers"].list.len().cum_sum().to_list()
    flat = rows.filter(pl.col("numbers").list.len() > 0)["numbers"].explode().to_numpy()
    found: dict[str, Pieces] = {part: {} for part in (*PARTS, _DRIFT)}
    start = 0
    columns = ("part_code", "piece_code", "owner", "head", "group_number", "basis_number", "fold")
    for (part, piece, owner, head, *numbers), end in zip(
        rows.select(columns).iter_rows(), ends, strict=True
    ):
        places = (-1 if n is None else n for n in numbers)
        one = Piece(owner, json.loads(head), flat[start:end], *places)
        found[part].setdefault(piece, []).append(one)
        start = end
    return found


def _cars(frame: pl.DataFrame) -> dict[tuple[str, int], dict[str, tuple[int, int]]]:
    found: dict[tuple[str, int], dict[str, tuple[int, int]]] = {}
    columns = ("part_code", "group_number", "vehicle_id", "fold", "known_features")
    for part, number, vehicle_id, fold, known in frame.select(columns).iter_rows():
        found.setdefault((part, number), {})[vehicle_id] = (fold, known)
    return found


def _norm(
    pieces: Pieces,
    cars: dict[tuple[str, int], dict[str, tuple[int, int]]],
    part: str,
    features: tuple[JudgedFeature, ...],
) -> Norm:
    groups: FittedGroups = {}
    fits = read_fits(pieces)
    for piece in pieces.get("group", []):
        number, head = piece.group_number, piece.head
        bases = tuple(_basis(*one) for one in head["bases"])
        groups[GroupKey(*head["key"])] = FittedGroup(
            choice=Choice(bases, np.array(head["varies"], dtype=bool)),
            fits=tuple(fits(number, place, basis) for place, basis in enumerate(bases)),
            cars=cars.get((part, number), {}),
            n_known=piece.numbers.astype(np.int64),
            n_models=head["n_models"],
            features=features,
        )
    return Norm(groups, _yardstick(pieces))


def _basis(required: list[int], terms: list[int], products: list[list[int]]) -> Basis:
    return Basis(tuple(required), tuple(terms), tuple((a, b) for a, b in products))


def _yardstick(pieces: Pieces) -> Yardstick:
    correlation = None
    if "correlation" in pieces:
        flat = pieces["correlation"][0].numbers
        side = int(np.sqrt(flat.size))
        correlation = flat.reshape(side, side)
    units: dict[str, list[CalibrationUnit]] = {"quantities": [], "every": [], "leading": []}
    for piece in pieces.get("unit", []):
        units[piece.head.pop("of")].append(_unit(piece))
    return Yardstick(
        priors={
            (p.head["kind"], p.head["feature"]): Prior(*p.numbers.tolist())
            for p in pieces.get("prior", [])
        },
        tail=_tail(pieces["tail"][0]),
        correlation=correlation,
        middles={p.head["kind"]: float(p.numbers[0]) for p in pieces.get("middle", [])},
        quantities=tuple(units["quantities"]),
        adverse=AdverseUnits(tuple(units["every"]), tuple(units["leading"])),
    )


def _tail(piece: Piece) -> Tail:
    freedom, *_ = piece.numbers.tolist()
    return Tail(piece.numbers[1:], freedom, piece.head["n_residuals"])


def _unit(piece: Piece) -> CalibrationUnit:
    share, start, mean, weight = piece.numbers[:4].tolist()
    head = dict(piece.head)
    side = Side(piece.numbers[4:], share, start, head.pop("beyond"))
    return CalibrationUnit(**head, side=side, tail=FarTail(mean, weight))
