"""All rows of a PostgreSQL database into an SQLite file, and of a file into PostgreSQL.

Both have the same tables, so a copy is a copy of rows, streamed: neither side is held in memory.
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Any

import psycopg
from psycopg import sql
from sqlalchemy import Table
from sqlalchemy.engine.url import URL

from verifier.errors import StoreError
from verifier.store import migrate, postgres, schema

_AT_ONCE = 32  # rows; one may hold a whole message
Progress = Callable[[int, int], None]


def to_file(url: str, target: Path, progress: Progress) -> None:
    """Copy one state of a database into a new SQLite file; `progress` gets rows done and in all.

    Raises:
        StoreError: the server can not be reached, or the database is not of this version.
    """
    address = postgres.address(url)
    with postgres.connect(address, "verifier backup") as source:
        if (found := migrate.revision_shared(source)) != migrate.NEWEST:
            raise StoreError(
                f"the database is at version {found}, this program at {migrate.NEWEST}: start "
                "the service with this program first, which brings it up to date"
            )
        try:
            _pull(source, target, progress)
        except psycopg.Error as error:
            raise StoreError(f"the database can not be read: {postgres.told(error)}") from error


def _pull(source: "psycopg.Connection[Any]", target: Path, progress: Progress) -> None:
    source.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
    counts = {table.name: _count(source, table) for table in _tables()}
    every, done = sum(counts.values()), 0
    with closing(sqlite3.connect(target, isolation_level=None)) as copy:
        migrate.upgrade(copy)
        copy.execute("PRAGMA synchronous=OFF")  # nothing rests on it before it is whole
        copy.execute("BEGIN")
        for table in _tables():
            marks = ", ".join("?" * len(table.columns))
            insert = f"INSERT INTO {table.name} ({_columns(table)}) VALUES ({marks})"  # noqa: S608
            for rows in _chunks(_streamed(source, table)):
                copy.executemany(insert, rows)
                done += len(rows)
                progress(done, every)
        copy.execute("COMMIT")
        found = {table.name: _count(copy, table) for table in _tables()}
    source.execute("ROLLBACK")
    _compare(counts, found)


def to_server(source: Path, url: str, progress: Progress) -> None:
    """Copy an SQLite file, which is brought to this version, into an empty database.

    All or nothing: a copy that fails leaves the tables empty.

    Raises:
        StoreError: the server can not be reached or refuses, or the database is not empty.
    """
    address = postgres.address(url)
    refuse_used(address)
    migrate.upgrade_shared(address)
    with closing(sqlite3.connect(source, isolation_level=None)) as rows:
        migrate.upgrade(rows)
        with postgres.connect(address, "verifier restore") as target:
            try:
                _push(rows, target, progress)
            except psycopg.Error as error:
                said = postgres.told(error)
                raise StoreError(f"the database refused the rows: {said}") from error


def refuse_used(address: URL) -> None:
    """Raise StoreError when there is anything in a database."""
    with postgres.connect(address, "verifier restore") as target:
        if migrate.revision_shared(target) is None:
            return
        if any(_count(target, table) for table in _present(target)):
            raise StoreError(
                f"the database {postgres.shown(address)} is not empty: make a new one to restore to"
            )


def _push(source: sqlite3.Connection, target: "psycopg.Connection[Any]", tell: Progress) -> None:
    counts = {table.name: _count(source, table) for table in _tables()}
    every, done = sum(counts.values()), 0
    target.execute("BEGIN")
    for table in _tables():
        into = sql.SQL("COPY {} ({}) FROM STDIN").format(
            sql.Identifier(table.name),
            sql.SQL(", ").join(sql.Identifier(column.name) for column in table.columns),
        )
        select = f"SELECT {_columns(table)} FROM {table.name}"  # noqa: S608  # our own names
        cursor = source.execute(select)
        with target.cursor() as writer, writer.copy(into) as lines:
            for row in cursor:
                lines.write_row(row)
                done += 1
                if not done % _AT_ONCE or done == every:
                    tell(done, every)
    _compare(counts, {table.name: _count(target, table) for table in _tables()})
    target.execute("COMMIT")


def _tables() -> list[Table]:
    """Return all tables, those others refer to first."""
    return schema.metadata.sorted_tables


def _present(connection: "psycopg.Connection[Any]") -> list[Table]:
    found = connection.execute(
        "SELECT tablename FROM pg_tables WHERE schemaname = current_schema()"
    )
    names = {name for (name,) in found}
    return [table for table in _tables() if table.name in names]


def _columns(table: Table) -> str:
    return ", ".join(f'"{column.name}"' for column in table.columns)


def _count(connection: Any, table: Table) -> int:
    (count,) = connection.execute(f"SELECT count(*) FROM {table.name}").fetchone()  # noqa: S608
    return int(count)


def _streamed(source: "psycopg.Connection[Any]", table: Table) -> Iterator[tuple[Any, ...]]:
    with source.cursor(name="rows") as cursor:
        cursor.itersize = _AT_ONCE
        cursor.execute(f"SELECT {_columns(table)} FROM {table.name}".encode())  # noqa: S608
        yield from cursor


def _chunks(rows: Iterator[tuple[Any, ...]]) -> Iterator[list[tuple[Any, ...]]]:
    while chunk := list(islice(rows, _AT_ONCE)):
        yield chunk


def _compare(expected: dict[str, int], found: dict[str, int]) -> None:
    for table, count in expected.items():
        if found[table] != count:
            raise StoreError(f"{table}: {found[table]} of {count} rows arrived; nothing is done")
