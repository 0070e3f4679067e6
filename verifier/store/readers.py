"""Read-only connections, kept open and lent out; each reading sees one consistent state."""

import queue
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from sqlalchemy.engine.interfaces import Dialect

from verifier.errors import StoreError
from verifier.store.sqlite import open_reader
from verifier.store.transaction import Reader

T = TypeVar("T")
KEPT = 8


class Readers:
    """A pool of read-only connections to one file."""

    def __init__(self, path: Path, dialect: Dialect) -> None:
        self._path = path
        self._dialect = dialect
        self._idle: queue.LifoQueue[sqlite3.Connection] = queue.LifoQueue(KEPT)

    def read(self, work: Callable[[Reader], T]) -> T:
        """Run `work` on one consistent state. Raises StoreError when the database refuses."""
        try:
            with self._lent() as connection:
                return work(Reader(connection.cursor(), self._dialect))
        except sqlite3.Error as error:
            raise StoreError(f"the database can not be read: {error}") from error

    def close(self) -> None:
        """Close the connections that are not lent out."""
        while True:
            try:
                self._idle.get_nowait().close()
            except queue.Empty:
                return

    @contextmanager
    def _lent(self) -> Iterator[sqlite3.Connection]:
        try:
            connection = self._idle.get_nowait()
        except queue.Empty:
            connection = open_reader(self._path)
        try:
            connection.execute("BEGIN")
            yield connection
        finally:
            connection.execute("ROLLBACK")
            self._give_back(connection)

    def _give_back(self, connection: sqlite3.Connection) -> None:
        try:
            self._idle.put_nowait(connection)
        except queue.Full:
            connection.close()
