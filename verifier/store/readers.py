"""Read-only connections, kept open and lent out; each reading sees one consistent state."""

import contextlib
import queue
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol, TypeVar

import psycopg
from sqlalchemy.engine.interfaces import Dialect
from sqlalchemy.engine.url import URL

from verifier.errors import StoreError
from verifier.store import postgres
from verifier.store.sqlite import open_reader
from verifier.store.transaction import Reader

T = TypeVar("T")
KEPT = 8


class Source(Protocol):
    """Where connections for reading come from."""

    dialect: Dialect
    begin: str  # begins a transaction that sees one state and can not write

    @property
    def errors(self) -> tuple[type[Exception], ...]:
        """What the driver raises."""

    def open(self) -> Any:
        """Return a new connection. Raises StoreError."""


class SqliteSource:
    """Reads a file."""

    begin = "BEGIN"
    errors = (sqlite3.Error,)

    def __init__(self, path: Path, dialect: Dialect) -> None:
        self._path, self.dialect = path, dialect

    def open(self) -> sqlite3.Connection:
        """Return a connection that can not write."""
        return open_reader(self._path)


class PostgresSource:
    """Reads a server."""

    begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
    errors = (psycopg.Error,)

    def __init__(self, url: URL, dialect: Dialect) -> None:
        self._url, self.dialect = url, dialect

    def open(self) -> "psycopg.Connection[Any]":
        """Return a connection; that it only reads is said by each transaction."""
        return postgres.connect(self._url, "verifier reader")


class Readers:
    """A pool of connections that only read."""

    def __init__(self, source: Source, node: str) -> None:
        self._source = source
        self._node = node
        self._idle: queue.LifoQueue[Any] = queue.LifoQueue(KEPT)

    def read(self, work: Callable[[Reader], T]) -> T:
        """Run `work` on one consistent state. Raises StoreError when the database refuses."""
        try:
            with self._lent() as connection:
                return work(Reader(connection.cursor(), self._source.dialect, self._node))
        except self._source.errors as error:
            said = postgres.told(error) if isinstance(error, psycopg.Error) else error
            raise StoreError(f"the database can not be read: {said}") from error

    def close(self) -> None:
        """Close the connections that are not lent out."""
        while True:
            try:
                self._idle.get_nowait().close()
            except queue.Empty:
                return

    @contextmanager
    def _lent(self) -> Iterator[Any]:
        connection = self._begun()
        try:
            yield connection
        finally:
            try:
                connection.execute("ROLLBACK")
            except self._source.errors:  # it was lost; the reading itself has failed or is done
                connection.close()
            else:
                self._give_back(connection)

    def _begun(self) -> Any:
        """Return a connection in a transaction: an idle one that still works, or a new one."""
        while True:
            try:
                connection = self._idle.get_nowait()
            except queue.Empty:
                break
            try:
                connection.execute(self._source.begin)
            except self._source.errors:
                with contextlib.suppress(*self._source.errors):
                    connection.close()
            else:
                return connection
        connection = self._source.open()
        connection.execute(self._source.begin)
        return connection

    def _give_back(self, connection: Any) -> None:
        try:
            self._idle.put_nowait(connection)
        except queue.Full:
            connection.close()
