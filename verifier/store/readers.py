"""Read-only connections, kept open and lent out; each reading sees one consistent state."""

import contextlib
import queue
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol, TypeVar

from sqlalchemy.engine.interfaces import Dialect

from verifier.errors import StoreError
from verifier.store.sqlite import open_reader
from verifier.store.tally import UNREADABLE, Tally
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

    def told(self, error: BaseException) -> str:
        """Return what the driver said, without anybody's data."""


class SqliteSource:
    """Reads a file."""

    begin = "BEGIN"
    errors = (sqlite3.Error,)

    def __init__(self, path: Path, dialect: Dialect) -> None:
        self._path, self.dialect = path, dialect

    def open(self) -> sqlite3.Connection:
        """Return a connection that can not write."""
        return open_reader(self._path)

    def told(self, error: BaseException) -> str:
        """Return what SQLite said; it quotes no values."""
        return str(error)


class Readers:
    """A pool of connections that only read."""

    def __init__(self, source: Source, node: str, tally: Tally | None = None) -> None:
        self._source = source
        self._tally = tally or Tally()
        self.node = node
        self._idle: queue.LifoQueue[Any] = queue.LifoQueue(KEPT)

    def read(self, work: Callable[[Reader], T], log: str = "") -> T:
        """Run `work` on one consistent state; `log` is the audit log meant if not this node's.

        Raises:
            StoreError: the database refuses or is not there.
        """
        try:
            with self._lent() as connection:
                return work(Reader(connection.cursor(), self._source.dialect, log or self.node))
        except self._source.errors as error:
            said = self._source.told(error)
            self._tally.add({(UNREADABLE,): 1})
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
