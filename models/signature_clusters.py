"""Groups of cars with a like pattern that no named cause explains, and what they share.

Takes residuals, the registry's frames (`ClaimRecords`) and causes, gives SIGNATURE_CLUSTERS. A
group is told only when its members share a span of build months, a plant, a lot of parts or a
shop more markedly than groups do when these labels are shuffled among the cars of the model;
noise has groups too, but they share nothing. Does not belong here: grouping (`signatures`),
words (`early_warning_words`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from scipy.stats import hypergeom

from models.batch_votes import PART_LOT, batch_members, batch_votes
from models.early_warning_tables import SIGNATURE_CLUSTERS
from models.early_warning_words import cluster_sentence, pattern_words
from models.signatures import Array, Mask, Numbers, alike_groups, alikeness, signatures

if TYPE_CHECKING:
    from models.recurrence.exposure import ClaimRecords
    from models.settings import AssessmentSettings

LEAST_MEMBERS, _LEAST_SHARING, _LEAST_CARS, _LEAST_QUANTITIES = 5, 4, 30, 4
# Batches come in spans of up to so many build months.
_LONGEST_SPAN = 4
_SHUFFLES = 999


@dataclass(frozen=True)
class _Labels:
    """What cars may share: kind and value, and (values, n) whether each car has it."""

    names: list[tuple[str, str]]
    has: Mask


@dataclass(frozen=True)
class _Found:
    """A group with what it shares most markedly: place of the label, and its chance."""

    members: Numbers
    label: int
    chance: float


def find_signature_clusters(
    residuals: pl.DataFrame,
    records: ClaimRecords,
    causes: pl.DataFrame,
    settings: AssessmentSettings,
) -> pl.DataFrame:
    """SIGNATURE_CLUSTERS over all models; cars with a named cause belong to no group."""
    votes = _latest_stage(batch_votes(residuals, records.tests, records.repairs))
    members = _shared(batch_members(records.vehicles, records.models, records.repairs), votes)
    named = set(causes.filter(pl.col("is_named"))["vehicle_id"])
    models = votes.group_by("model_id", maintain_order=True)
    parts = [(str(model), *_matrix(own)) for (model,), own in models]
    large = [part for part in parts if len(part[1]) >= _LEAST_CARS]
    rows: list[dict[str, Any]] = []
    for number, (model, cars, names, values) in enumerate(large):
        directions = signatures(values)
        free = np.array([car not in named for car in cars])
        labels = _labels(members, cars)
        rng = np.random.default_rng([settings.fold_seed, number])
        limit = settings.batch_error_rate / len(large)
        groups = alike_groups(directions, free, LEAST_MEMBERS)
        for found in _beyond_chance(groups, labels, rng, limit):
            near = alikeness(directions, found.members)
            said = _Told(model, cars, labels, pattern_words(names, values[found.members]))
            rows += _rows(found, said, near, 1 + len({row["cluster_number"] for row in rows}))
    return SIGNATURE_CLUSTERS.conform(pl.DataFrame(rows, infer_schema_length=None))


def _latest_stage(votes: pl.DataFrame) -> pl.DataFrame:
    """The votes of each car since its first repair, where it has any, else before."""
    order = pl.col("stage") == "repaired"
    return votes.filter(order | ~order.any().over("vehicle_id"))


def _shared(members: pl.DataFrame, votes: pl.DataFrame) -> pl.DataFrame:
    """vehicle_id, kind, value: build month, plant, lot, and the shop of most tests."""
    kinds = ("build_month", "plant", PART_LOT)
    made = members.filter(pl.col("kind_code").is_in(kinds)).select(
        "vehicle_id", kind="kind_code", value="cohort"
    )
    shops = votes.filter(pl.col("site_id").is_not_null()).select(
        "vehicle_id", kind=pl.lit("shop"), value="site_id"
    )
    return pl.concat([made, shops]).unique().sort("kind", "value", "vehicle_id")


def _matrix(votes: pl.DataFrame) -> tuple[list[str], list[str], Array]:
    """Cars, quantities and votes (cars, quantities) of a model; NaN where not known."""
    wide = votes.pivot(on="feature", index="vehicle_id", values="vote").sort("vehicle_id")
    names = sorted(name for name in wide.columns if name != "vehicle_id")
    names = [name for name in names if wide[name].is_not_null().mean() > 0.5]  # type: ignore[operator]
    values = wide.select(pl.col(names).cast(pl.Float64)).to_numpy().astype(float)
    known = np.isfinite(values).sum(axis=1) >= _LEAST_QUANTITIES
    return wide.filter(pl.Series(known))["vehicle_id"].to_list(), names, values[known]


def _labels(members: pl.DataFrame, cars: list[str]) -> _Labels:
    """All labels of the cars, with spans of build months."""
    place = {car: number for number, car in enumerate(cars)}
    names: list[tuple[str, str]] = []
    has: list[Mask] = []
    for (kind, value), own in members.group_by("kind", "value", maintain_order=True):
        row = np.zeros(len(cars), dtype=bool)
        row[[place[car] for car in own["vehicle_id"] if car in place]] = True
        if row.any():
            names.append((str(kind), str(value)))
            has.append(row)
    months = [n for n, (kind, _) in enumerate(names) if kind == "build_month"]
    for length in range(2, _LONGEST_SPAN + 1):
        for span in (months[k : k + length] for k in range(len(months) - length + 1)):
            names.append(("build_month", f"{names[span[0]][1]} to {names[span[-1]][1]}"))
            has.append(np.any([has[n] for n in span], axis=0))
    return _Labels(names, np.array(has, dtype=bool).reshape(len(names), len(cars)))


def _beyond_chance(
    groups: list[Numbers], labels: _Labels, rng: np.random.Generator, limit: float
) -> list[_Found]:
    """The groups that share something more markedly than shuffled labels would."""
    if not groups or not labels.names:
        return []
    tables = _chance_tables(groups, labels)
    places, chances = _best(groups, labels.has, tables)
    least = np.empty(_SHUFFLES)
    for number in range(_SHUFFLES):
        shuffled = labels.has[:, rng.permutation(labels.has.shape[1])]
        least[number] = _best(groups, shuffled, tables)[1].min()
    # the margin: equal values must count as equal whatever the order of summing
    counted = (1 + (least[None, :] <= chances[:, None] * (1 + 1e-9)).sum(axis=1)) / (_SHUFFLES + 1)
    return [
        _Found(group, int(place), float(chance))
        for group, place, chance in zip(groups, places, counted, strict=True)
        if chance <= limit
    ]


def _chance_tables(groups: list[Numbers], labels: _Labels) -> list[Array]:
    """Per group (values, members + 1): chance that so many or more members share a value."""
    n_cars, having = labels.has.shape[1], labels.has.sum(axis=1)
    tables = []
    for group in groups:
        counts = np.arange(len(group) + 1)
        table = hypergeom.sf(counts[None, :] - 1, n_cars, having[:, None], len(group))
        table[:, :_LEAST_SHARING] = 1.0
        tables.append(table)
    return tables


def _best(groups: list[Numbers], has: Mask, tables: list[Array]) -> tuple[Numbers, Array]:
    """Per group the label shared most markedly, and how rarely members would by themselves."""
    values = np.arange(len(has))
    found = [
        table[values, has[:, group].sum(axis=1)]
        for group, table in zip(groups, tables, strict=True)
    ]
    places = np.array([int(each.argmin()) for each in found])
    return places, np.array([float(each.min()) for each in found])


@dataclass(frozen=True)
class _Told:
    """What a group is told with: model, cars, labels, and its pattern in words."""

    model: str
    cars: list[str]
    labels: _Labels
    pattern: str


def _rows(found: _Found, told: _Told, near: Array, number: int) -> list[dict[str, Any]]:
    kind, value = told.labels.names[found.label]
    has = told.labels.has[found.label]
    inside = np.zeros(len(has), dtype=bool)
    inside[found.members] = True
    group = {
        "cluster_number": number,
        "model_id": told.model,
        "n_members": len(found.members),
        "shared_kind": kind,
        "shared_value": value,
        "n_sharing": int(has[inside].sum()),
        "shared_elsewhere": float(has[~inside].mean()) if (~inside).any() else 0.0,
        "chance": found.chance,
        "pattern": told.pattern,
    }
    sentence = cluster_sentence(group)
    return [
        {
            **group, "vehicle_id": told.cars[car], "has_it": bool(has[car]),
            "alikeness": float(like), "sentence": sentence,
        }
        for car, like in zip(found.members, near, strict=True)
    ]  # fmt: skip
