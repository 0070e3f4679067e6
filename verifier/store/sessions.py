"""The one connection that writes, as the writer sees it, and what it is on SQLite."""

import contextlib
import sqlite3
from typing import Protocol

from sqlalchemy.engine.interfaces import Dialect

from verifier.store.base import MAIN
from verifier.store.claims import Claims
from verifier.store.sql import Cursor
from verifier.store.sqlite import Connection


class Session(Protocol):
    """A connection on which one transaction after the other is run, by one thread."""

    dialect: Dialect
    node: str

    @property
    def errors(self) -> tuple[type[Exception], ...]:
        """What the driver raises."""

    def begin(self) -> Cursor:
        """Begin a transaction; connect first if the connection was lost."""

    def told(self, error: BaseException) -> str:
        """Return what the driver said, without anybody's data."""

    def claims(self, cursor: Cursor) -> Claims | None:
        """Return how names are claimed in this transaction; None where nobody else writes."""

    def commit(self) -> None:
        """End the transaction for good."""

    def undo(self) -> None:
        """Undo the transaction if there is still one."""

    def usable(self) -> bool:
        """Return whether the transaction still stands."""

    def worth_again(self, error: BaseException) -> bool:
        """Return whether nothing was committed and the same work may succeed now."""

    def tell(self, topics: frozenset[str]) -> None:
        """Tell other processes what was touched, if there is a way."""

    def close(self) -> None:
        """Close the connection."""


class SqliteSession:
    """SQLite: one file, locked for the length of a transaction."""

    errors = (sqlite3.Error,)

    def __init__(self, connection: Connection, dialect: Dialect) -> None:
        self._connection = connection
        self._cursor = connection.cursor()
        self.dialect, self.node = dialect, MAIN

    def begin(self) -> Cursor:
        """Lock the file and begin."""
        self._connection.check_place()
        self._cursor.execute("BEGIN IMMEDIATE")
        return self._cursor

    def told(self, error: BaseException) -> str:
        """Return what SQLite said; it quotes no values."""
        return str(error)

    def claims(self, cursor: Cursor) -> Claims | None:
        """Return None: the file is locked as a whole."""
        return None

    def commit(self) -> None:
        """Commit; the write-ahead file is synced, and is where it will be looked for."""
        self._cursor.execute("COMMIT")
        self._connection.check_place()

    def undo(self) -> None:
        """Roll back unless SQLite did so itself."""
        if self._connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                self._cursor.execute("ROLLBACK")

    def usable(self) -> bool:
        """Return whether SQLite has not rolled back by itself (disk full, input/output)."""
        return self._connection.in_transaction

    def worth_again(self, error: BaseException) -> bool:
        """Return False: the file was ours alone, the same would fail again."""
        return False

    def tell(self, topics: frozenset[str]) -> None:
        """Do nothing: other processes look now and then."""

    def close(self) -> None:
        """Close the file."""
        self._connection.close()
