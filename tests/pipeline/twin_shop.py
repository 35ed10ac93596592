"""A shop whose files change to and fro between two states, and what its store may then hold.

Each state has its reference: the tables of an undisturbed run on files never disturbed.
At any moment a store on the way from one state to the other must hold, of every log,
exactly what the one or the other reference holds of it, and nothing besides.
"""

from __future__ import annotations

import hashlib
import random
import shutil
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl
from shop import Shop, open_shop, test_row

from pipeline.run import open_published, store_limits
from pipeline.settings import read_settings
from pipeline.store_tables import PER_TEST_TABLES, REGISTRY_TABLES, STORE_TABLES
from pipeline.warehouse import open_store

if TYPE_CHECKING:
    from pathlib import Path

N_LOGS = 8
# baselines fitted to the tests that there are, whichever way they came
SETTINGS = """[store]
batch_logs = 2
threads = 1
[assessment]
refit_days = 0.0
refit_growth = 0.0
"""
CLOCK = ("--clock", "2026-07-20T12:00:00+00:00")
COMPLAINTS = ("rejected", "notices")
# what earlier runs did, and which states they changed, tells the way; all else must not differ
OF_THE_WAY = ("runs", "state_changes")
ALL_BUT_THE_WAY = [table.name for table in STORE_TABLES if table.name not in OF_THE_WAY]

Tables = dict[str, pl.DataFrame]


def names() -> list[str]:
    return [f"bay{number % 3}/log{number:03d}.csv" for number in range(N_LOGS)]


def write_state(shop: Shop, state: str) -> None:
    """Half of the logs have other contents in state b, and one belongs to another car."""
    rows = [test_row(number, name) for number, name in enumerate(names())]
    for number, name in enumerate(names()):
        changes = state == "b" and number % 2 == 0
        shop.write_log(name, number + 1000 * changes, seconds=60 + 20 * changes)
    if state == "b":
        rows[1] |= {"vehicle_id": "car005", "protocol": "idle"}
    shop.log("bay1/broken.csv").write_bytes(random.Random(1).randbytes(3000))
    shop.write_log("stray.csv", seed=77, seconds=60)
    rows += [test_row(6, "bay1/broken.csv"), test_row(7, "not_there.csv")]
    shop.write_registry(rows, n_vehicles=N_LOGS)


def open_twin(root: Path, state: str, settings: str = SETTINGS) -> Shop:
    shop = open_shop(root, 0, settings=settings)
    write_state(shop, state)
    return shop


def forget_store(shop: Shop) -> None:
    shutil.rmtree(shop.workspace.work_folder, ignore_errors=True)
    shop.workspace.published_file.unlink(missing_ok=True)


def stored(shop: Shop) -> Tables | None:
    """All tables of the working store; None when there is none yet."""
    path = shop.workspace.store_file
    if not path.exists() or not path.stat().st_size:
        return None
    limits = store_limits(shop.workspace, read_settings(shop.workspace))
    # opened as the next run would, which replays the journal, but on a copy
    copy = path.parent.parent / "copy.duckdb"
    for ending in ("", ".wal"):
        copy.with_name(copy.name + ending).unlink(missing_ok=True)
        if path.with_name(path.name + ending).exists():
            shutil.copy(path.with_name(path.name + ending), copy.with_name(copy.name + ending))
    with open_store(copy, STORE_TABLES, limits) as store:
        return _all_but_the_way(store)


def published(shop: Shop) -> Tables | None:
    if not shop.workspace.published_file.exists():
        return None
    with open_published(shop.workspace, read_settings(shop.workspace)) as store:
        return _all_but_the_way(store)


def _all_but_the_way(store) -> Tables:
    tables = {name: store.read(name) for name in ALL_BUT_THE_WAY}
    return {name: _in_force(name, table) for name, table in tables.items()}


def _in_force(name: str, table: pl.DataFrame) -> pl.DataFrame:
    """The rows of the baselines in force; how many were before, and why, is of the way."""
    number = "baseline_version"
    if number not in table.columns:
        return table
    if name in {"baselines", "baseline_versions"}:
        table = table.filter(pl.col(number) == pl.col(number).max())
    return table.drop(number, "reason_code" if name == "baseline_versions" else number)


def differing(one: Tables, other: Tables) -> list[str]:
    return [name for name in one if not one[name].equals(other[name])]


@dataclass
class Judge:
    """The references by state, and the check of a store against them."""

    references: dict[str, Tables]
    known_snapshots: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, shops: dict[str, Shop]) -> Judge:
        found = {state: published(shop) for state, shop in shops.items()}
        assert differing(found["a"], found["b"])
        return cls(found)

    def check_complete(self, shop: Shop, state: str) -> None:
        reference = self.references[state]
        assert differing(reference, stored(shop)) == []
        assert differing(reference, published(shop)) == []

    def check_snapshot(self, shop: Shop, states: set[str]) -> str | None:
        """The published snapshot is that of one of the states, whole; returns which."""
        path = shop.workspace.published_file
        if not path.exists():
            return None
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        if digest not in self.known_snapshots:
            tables = published(shop)
            same = [
                state for state, known in self.references.items() if not differing(known, tables)
            ]
            assert len(same) == 1, "a snapshot that is neither the old nor the new one"
            self.known_snapshots[digest] = same[0]
        assert self.known_snapshots[digest] in states
        return self.known_snapshots[digest]

    def check_whole_logs(
        self,
        shop: Shop,
        source: str | None,
        target: str,
        acknowledged: set[str],
        excused: frozenset[str] = frozenset(),
    ) -> int:
        """Every log is whole, of the one state or the other; returns how many are of the target.

        The files `excused` could not be read: they may be refused, or kept as they were.
        """
        tables = stored(shop)
        if tables is None:
            assert not acknowledged
            return 0
        sides = [self.references[target]]
        if source is not None:
            sides.append(self.references[source])
        logs = tables["logs"]
        assert logs["path"].n_unique() == logs.height
        logs = logs.filter(
            ~(pl.col("path").is_in(list(excused)) & (pl.col("outcome_code") == "refused"))
        )
        acknowledged = acknowledged - excused
        parts = [_rows_of(logs, side["logs"], excused) for side in sides]
        if len(parts) == 2:
            # of a log that is the same in both states the target stands for both
            parts[1] = parts[1].filter(~pl.col("path").is_in(parts[0]["path"].to_list()))
        assert sum(part.height for part in parts) == logs.height, "a log of neither state"
        assert acknowledged <= set(parts[0]["path"]), "an acknowledged log is lost"
        for table in PER_TEST_TABLES:
            self._check_rows(tables, table, parts, sides)
        self._check_complaints(tables, parts, sides, excused)
        for name in REGISTRY_TABLES:
            empty = tables[name].is_empty()
            assert empty or any(tables[name].equals(side[name]) for side in sides)
        return parts[0].height

    def _check_rows(self, tables: Tables, table, parts, sides) -> None:
        expected = pl.concat(
            side[table.name].filter(pl.col("test_id").is_in(part["test_id"].drop_nulls().to_list()))
            for part, side in zip(parts, sides, strict=True)
        ).sort(table.key, nulls_last=True)
        assert tables[table.name].equals(expected), f"{table.name}: part of a log, or too much"

    def _check_complaints(self, tables: Tables, parts, sides, excused: frozenset[str]) -> None:
        judged = set(tables["logs"]["path"]) - excused
        for name in COMPLAINTS:
            found = tables[name].filter(pl.col("path").is_in(list(judged)))
            expected = pl.concat(
                side[name].filter(pl.col("path").is_in(list(judged & set(part["path"]))))
                for part, side in zip(parts, sides, strict=True)
            )
            assert found.sort(found.columns).equals(expected.sort(found.columns))


def _rows_of(logs: pl.DataFrame, reference: pl.DataFrame, excused: frozenset[str]) -> pl.DataFrame:
    """The rows of logs that are rows of the reference, in every column.

    What was kept of a log that could not be read is marked to be read again.
    """
    is_excused = pl.col("path").is_in(list(excused))
    strict = [column for column in logs.columns if column != "inputs_hash"]
    return pl.concat(
        [
            logs.filter(~is_excused).join(reference, on=logs.columns, how="semi", nulls_equal=True),
            logs.filter(is_excused).join(reference, on=strict, how="semi", nulls_equal=True),
        ]
    )
