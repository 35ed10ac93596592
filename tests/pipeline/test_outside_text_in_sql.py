"""Text from outside reaches the database as a parameter or a row, never as part of a statement."""

from __future__ import annotations

import ast
from pathlib import Path

import polars as pl
import pytest
from shop import FIRST_TEST, log_text, open_shop

import pipeline
from features.tables import Column, Table
from pipeline import warehouse as warehouse_module
from pipeline.explain import explain
from pipeline.run import open_published
from pipeline.settings import Settings
from pipeline.warehouse import Replacement, StoreLimits, open_store

CANARY = "canary7x"
HOSTILE = [
    "'; DROP TABLE notes; --", '"; DROP TABLE notes; --', "' OR '1'='1", '" OR "1"="1', "1 OR 1=1",
    "') ; ATTACH 'x.duckdb'; --", "'); COPY notes TO 'x.csv'; --", "a' UNION SELECT 1 --", "%", "_",
    "\\", "\\'", "''", '""', "$1", "?", ":name", "{0}", "/* x */", "-- x", ";", "\x00", "\n",
    "unnest($1)", "read_csv('/etc/passwd')", "\u2019; DROP TABLE notes; --", "\uff07", "NULL", "",
    " ", "x" * 100_000, "incoming", "store_facts", "\U0001f697",
]  # fmt: skip
NOTES = Table(
    "notes",
    "one row per note",
    ("note_id",),
    (
        Column("note_id", pl.String(), "", "hostile id"),
        Column("text", pl.String(), "", "hostile text"),
    ),
)


@pytest.fixture
def store(tmp_path):
    limits = StoreLimits("256MB", 1, tmp_path / "temp", "1GB")
    with open_store(tmp_path / "s.duckdb", (NOTES,), limits) as opened:
        yield opened


def rows(ids):
    return NOTES.conform(pl.DataFrame({"note_id": ids, "text": [f"text of {one}" for one in ids]}))


def test_hostile_ids_come_back_as_they_were(store):
    store.replace([Replacement(NOTES, rows(HOSTILE))])
    back = dict(store.read("notes").rows())
    assert back == {one: f"text of {one}" for one in HOSTILE}
    for one in HOSTILE:
        assert store.read_where("notes", "note_id", [one]).rows() == [(one, f"text of {one}")]


@pytest.mark.parametrize("one", HOSTILE, ids=lambda text: ascii(text)[:30])
def test_a_hostile_id_replaces_only_its_own_row(store, one):
    store.replace([Replacement(NOTES, rows(["plain", one]))])
    fresh = NOTES.conform(pl.DataFrame({"note_id": [one], "text": ["fresh"]}))
    store.replace([Replacement(NOTES, fresh, "note_id", (one,))], {one or "fact": one})
    assert sorted(store.read("notes").rows()) == sorted(
        [("plain", "text of plain"), (one, "fresh")]
    )
    assert store.fact(one or "fact") == one


class Recording:
    """A connection that keeps the text of every statement."""

    def __init__(self, connection, statements, parameters):
        self._connection, self._statements, self._parameters = connection, statements, parameters

    def execute(self, statement, parameters=None):
        return self._keep(self._connection.execute, statement, parameters)

    def sql(self, statement, params=None):
        self._statements.append(statement)
        self._parameters.append(repr(params))
        return self._connection.sql(statement, params=params)

    def _keep(self, run, statement, parameters):
        self._statements.append(statement)
        self._parameters.append(repr(parameters))
        return run(statement) if parameters is None else run(statement, parameters)

    def __getattr__(self, name):
        return getattr(self._connection, name)


def canary_shop(root):
    """A shop whose every free text holds the canary."""
    shop = open_shop(root, 0)
    hostile = f"{CANARY}'; DROP TABLE logs; --"
    name = f"{hostile}.csv"
    shop.log(name).parent.mkdir(exist_ok=True)
    shop.log(name).write_text(
        log_text(1, 300).replace("low_side_kpa", f'"{hostile}",low_side_kpa', 1)
    )
    registry = root / "registry"
    models = pl.read_csv(registry / "models.csv").with_columns(
        model_id=pl.lit(hostile), architecture=pl.lit(hostile)
    )
    models.write_parquet(registry / "models.parquet")
    vehicle = {"vehicle_id": [hostile], "model_id": [hostile], "region": [hostile]}
    pl.DataFrame(vehicle).write_parquet(registry / "vehicles.parquet")
    test = {name: [hostile] for name in ("vehicle_id", "test_id", "site_id", "protocol")}
    test |= {"log": [name], "started_at": [FIRST_TEST.isoformat()]}
    pl.DataFrame(test).write_parquet(registry / "tests.parquet")
    for table in ("models", "vehicles", "tests"):
        (registry / f"{table}.csv").unlink()
    return shop, hostile


def test_no_statement_of_a_whole_run_holds_text_from_outside(tmp_path, monkeypatch):
    statements, parameters = [], []
    connect = warehouse_module.duckdb.connect
    monkeypatch.setattr(
        warehouse_module.duckdb,
        "connect",
        lambda *given, **named: Recording(connect(*given, **named), statements, parameters),
    )
    shop, hostile = canary_shop(tmp_path / "ws")
    shop.update("run")
    shop.log("second.csv").write_text(log_text(2, 120))
    shop.update("run")
    with open_published(shop.workspace, Settings()) as store:
        assert hostile in explain(store, hostile, Settings().report)
        assert hostile in store.read("states")["vehicle_id"].to_list()
    assert len(statements) > 50
    assert [one for one in statements if CANARY in one] == []
    # the text did go through: it stands among the parameters
    assert any(CANARY in one for one in parameters)


SAFE_CALLS = {
    "_quoted",
    "_literal",
    "_known",
    "_sql_type",
    "quoted",
    "literal",
    "known",
    "sql_type",
}


def test_statements_are_built_of_declared_names_only():
    """A statement is a constant, or joins what a quoting function gave; no `%`, no `.format`."""
    folder = Path(pipeline.__file__).parent
    n_statements = 0
    for path in sorted(folder.glob("*.py")):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            is_statement = (
                isinstance(call, ast.Call)
                and isinstance(call.func, ast.Attribute)
                and call.func.attr in {"execute", "executemany", "sql", "query"}
            )
            if not is_statement or not call.args:
                continue
            n_statements += 1
            statement = call.args[0]
            assert isinstance(statement, ast.Constant | ast.JoinedStr | ast.Name), ast.dump(call)
            for part in getattr(statement, "values", []):
                if isinstance(part, ast.FormattedValue):
                    assert is_declared(part.value), f"{path.name}:{call.lineno}"
    assert n_statements >= 8


def is_declared(value):
    """A name of a variable (watched in the run above) or the result of a quoting function."""
    if isinstance(value, ast.Call):
        called = value.func.attr if isinstance(value.func, ast.Attribute) else value.func.id
        return called in SAFE_CALLS
    return isinstance(value, ast.Name)
