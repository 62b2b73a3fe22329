"""The database itself refuses to change or remove a fact, whichever way it is asked.

The trials read the schema, so a table, a column or an index that is added later is tried too.
"""

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, suppress
from itertools import product
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect

from drawup.record.schema import GUARDED, OBJECTS, metadata

Dumped = Callable[[sqlite3.Connection], dict[str, list[str]]]
Row = Mapping[str, object]


@pytest.fixture
def raw(filled: Path) -> Iterator[sqlite3.Connection]:
    """A plain connection to a record with facts in it, with all its triggers and none of the store's settings."""
    with closing(sqlite3.connect(filled, isolation_level=None)) as connection:
        yield connection


def columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]


def keys(connection: sqlite3.Connection, table: str) -> list[tuple[str, ...]]:
    """Every key by which REPLACE finds a row to remove: each unique index, and the row's number where it has one."""
    found = [
        tuple(part[2] for part in connection.execute(f"PRAGMA index_info({index[1]})"))
        for index in connection.execute(f"PRAGMA index_list({table})").fetchall()
        if index[2]
    ]
    text = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
    if "WITHOUT ROWID" not in text:
        primary = [(row[1], row[2]) for row in connection.execute(f"PRAGMA table_info({table})") if row[5]]
        is_number = len(primary) == 1 and primary[0][1] == "INTEGER"
        found.append((primary[0][0],) if is_number else ("rowid",))
    return found


def rows_of(connection: sqlite3.Connection, table: str) -> list[dict[str, object]]:
    hidden = [name for key in keys(connection, table) for name in key if name == "rowid"]
    names = [*columns(connection, table), *hidden]
    found = connection.execute(f"SELECT {', '.join(names)} FROM {table}")
    return [dict(zip(names, row, strict=True)) for row in found]


def insert(connection: sqlite3.Connection, table: str, row: Row, *, how: str = "INSERT") -> None:
    marks = ", ".join("?" * len(row))
    connection.execute(f"{how} INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))


def next_rows(connection: sqlite3.Connection, table: str) -> list[dict[str, object]]:
    """Rows that the triggers accept next, once the row before them that they ask for is inserted too."""
    newest = connection.execute("SELECT * FROM fact ORDER BY position DESC LIMIT 1").fetchone()
    position, stream, number, *rest = newest
    facts = [(position + 1, stream, number + 1, *rest), (position + 1, "patient/new", 1, *rest)]
    documents = connection.execute("SELECT max(number) FROM document").fetchone()[0]
    accepted: dict[str, list[tuple[object, ...]]] = {
        "fact": facts,
        "chain": [(position + 1, stream, number + 1, rest[-1], documents, bytes(32))],
        "look_up": [(position, "batch/new")],
        "document": [(documents + 1, "f" * 64, b"new")],
        "record": [(1, "another clinic", "2026-03-03T09:00:00.000000Z")],
    }
    if table == "chain":
        connection.execute(f"INSERT INTO fact VALUES ({', '.join('?' * len(newest))})", facts[0])
    return [dict(zip(columns(connection, table), row, strict=True)) for row in accepted[table]]


def ways_round(connection: sqlite3.Connection, table: str, dumped: Dumped) -> list[str]:
    """Every REPLACE, of rows otherwise as acceptable as can be, that removed or changed a row of the table."""
    found = []
    connection.execute("BEGIN")
    before = dumped(connection)[table]
    existing, fresh = rows_of(connection, table), next_rows(connection, table)
    for key, old, row in product(keys(connection, table), (existing[0], existing[-1]), (*existing, *fresh)):
        tried = {**row, **{name: old[name] for name in key}}
        connection.execute("SAVEPOINT trial")
        with suppress(sqlite3.IntegrityError):
            insert(connection, table, tried, how="INSERT OR REPLACE")
        if set(before) - set(dumped(connection)[table]):
            found.append(f"REPLACE through {key}: {tried}")
        connection.execute("ROLLBACK TO trial")
    connection.execute("ROLLBACK")
    return found


def test_every_table_but_the_claims_is_guarded(raw: sqlite3.Connection) -> None:
    tables = {row[0] for row in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables - set(GUARDED) == {"claim", "alembic_version"}


@pytest.mark.parametrize("table", GUARDED)
def test_a_guarded_table_has_one_key_only(raw: sqlite3.Connection, table: str) -> None:
    assert len(keys(raw, table)) == 1


@pytest.mark.parametrize("table", GUARDED)
def test_update_of_any_column_is_refused(raw: sqlite3.Connection, table: str, dumped: Dumped) -> None:
    before = dumped(raw)
    for column in columns(raw, table):
        for how in ("UPDATE", "UPDATE OR REPLACE", "UPDATE OR IGNORE"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed nor removed"):
                raw.execute(f"{how} {table} SET {column} = {column}")
    assert dumped(raw) == before


@pytest.mark.parametrize("table", GUARDED)
def test_delete_is_refused(raw: sqlite3.Connection, table: str, dumped: Dumped) -> None:
    before = dumped(raw)
    name = columns(raw, table)[0]
    for text in (f"DELETE FROM {table}", f"DELETE FROM {table} WHERE {name} = (SELECT max({name}) FROM {table})"):
        with pytest.raises(sqlite3.IntegrityError, match="never changed nor removed"):
            raw.execute(text)
    assert dumped(raw) == before


@pytest.mark.parametrize("recursive_triggers", [0, 1])
@pytest.mark.parametrize("table", GUARDED)
def test_replace_through_any_key_removes_nothing(
    raw: sqlite3.Connection, table: str, recursive_triggers: int, dumped: Dumped
) -> None:
    raw.execute(f"PRAGMA recursive_triggers={recursive_triggers}")
    assert ways_round(raw, table, dumped) == []


@pytest.mark.parametrize("table", GUARDED)
def test_upsert_is_refused(raw: sqlite3.Connection, table: str, dumped: Dumped) -> None:
    before = dumped(raw)
    (key,) = keys(raw, table)
    row = rows_of(raw, table)[0]
    changed = f"ON CONFLICT ({', '.join(key)}) DO UPDATE SET {columns(raw, table)[-1]} = 'x'"
    marks = ", ".join("?" * len(row))
    with pytest.raises(sqlite3.IntegrityError):
        raw.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks}) {changed}", tuple(row.values()))
    assert dumped(raw) == before


@pytest.mark.parametrize("index", ["ON fact (hash)", "ON fact (hash) WHERE number = 1"])
def test_a_second_unique_index_would_be_a_way_round_and_the_trial_finds_it(
    raw: sqlite3.Connection, index: str, dumped: Dumped
) -> None:
    raw.execute(f"CREATE UNIQUE INDEX second {index}")
    assert ways_round(raw, "fact", dumped)


def test_a_hidden_row_number_would_be_a_way_round_and_the_trial_finds_it(
    raw: sqlite3.Connection, dumped: Dumped
) -> None:
    rows = rows_of(raw, "look_up")
    raw.execute("DROP TABLE look_up")
    raw.execute(OBJECTS["look_up"].replace(", WITHOUT ROWID", ""))
    for row in rows:
        insert(raw, "look_up", row)
    raw.execute(OBJECTS["look_up_only_next"])
    assert ways_round(raw, "look_up", dumped)


@pytest.mark.parametrize("table", ["fact", "chain", "document"])
def test_a_number_that_does_not_follow_is_refused(raw: sqlite3.Connection, table: str) -> None:
    for row in next_rows(raw, table):
        for name in {"position", "number"} & row.keys():
            for wrong in (0, -1, 1, int(str(row[name])) + 1, None):
                if wrong == row[name]:
                    continue
                with pytest.raises(sqlite3.IntegrityError):
                    insert(raw, table, {**row, name: wrong})
        insert(raw, table, row)
        break


def test_a_fact_is_refused_until_the_one_before_it_has_its_link(raw: sqlite3.Connection) -> None:
    insert(raw, "fact", next_rows(raw, "fact")[0])
    after_it = next_rows(raw, "fact")[0]
    for row in (after_it, {**after_it, "position": 10}):
        with pytest.raises(sqlite3.IntegrityError, match="only the next row of fact"):
            insert(raw, "fact", row, how="INSERT OR REPLACE")


@pytest.mark.parametrize("name", ["stream", "number", "fact_hash", "documents"])
def test_a_link_that_does_not_agree_with_its_fact_is_refused(raw: sqlite3.Connection, name: str) -> None:
    row = next_rows(raw, "chain")[0]
    wrong = {"stream": "patient/9", "number": 9, "fact_hash": bytes(32), "documents": 3}[name]
    assert row[name] != wrong
    with pytest.raises(sqlite3.IntegrityError, match="only the next row of chain"):
        insert(raw, "chain", {**row, name: wrong})


def test_a_document_with_a_digest_that_is_there_is_refused(raw: sqlite3.Connection) -> None:
    digest = raw.execute("SELECT digest FROM document WHERE number = 2").fetchone()[0]
    with pytest.raises(sqlite3.IntegrityError, match="only the next row of document"):
        insert(raw, "document", {**next_rows(raw, "document")[0], "digest": digest})


def test_a_look_up_key_is_refused_for_any_but_the_newest_fact(raw: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="only the next row of look_up"):
        insert(raw, "look_up", {"position": 1, "key": "batch/other"})


def test_a_value_of_another_type_is_refused(raw: sqlite3.Connection) -> None:
    row = next_rows(raw, "fact")[0]
    for name, wrong in (("text", b"bytes"), ("hash", "text"), ("number", "one"), ("kind", None)):
        with pytest.raises(sqlite3.IntegrityError):
            insert(raw, "fact", {**row, name: wrong})


def test_the_tables_of_the_statements_are_those_that_are_made(filled: Path) -> None:
    engine = create_engine(f"sqlite:///{filled}")
    made = inspect(engine)
    for table in metadata.sorted_tables:
        found = {column["name"]: (str(column["type"]), column["nullable"]) for column in made.get_columns(table.name)}
        wanted = {column.name: (str(column.type), column.nullable) for column in table.columns}
        # A whole number that is the primary key is never null, though the database does not say so.
        assert found.keys() == wanted.keys()
        for name, (kind, nullable) in wanted.items():
            assert found[name][0] == kind
            assert found[name][1] == nullable or table.columns[name].primary_key
        assert made.get_pk_constraint(table.name)["constrained_columns"] == [
            column.name for column in table.primary_key.columns
        ]
    engine.dispose()
