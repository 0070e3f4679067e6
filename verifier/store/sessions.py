"""The one connection that writes, as the writer sees it: on SQLite and on PostgreSQL."""

import contextlib
import logging
import sqlite3
from typing import Any, Protocol

import psycopg
from sqlalchemy import func, select
from sqlalchemy.engine.interfaces import Dialect
from sqlalchemy.engine.url import URL

from verifier.errors import StoreError
from verifier.store import postgres, schema
from verifier.store.base import MAIN
from verifier.store.claims import Claims
from verifier.store.ids import IDS
from verifier.store.sql import Connected, Cursor, Statement

log = logging.getLogger(__name__)

_UNDONE = ("40", "55")  # classes of SQLSTATE: deadlock and its like, a lock not to be had
_NEWEST_IDS = Statement(
    select(
        *(
            select(func.max(table.c.id)).scalar_subquery()
            for table in (schema.message, schema.decision, schema.outgoing)
        )
    )
)


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

    def __init__(self, connection: sqlite3.Connection, dialect: Dialect) -> None:
        self._connection = connection
        self._cursor = connection.cursor()
        self.dialect, self.node = dialect, MAIN

    def begin(self) -> Cursor:
        """Lock the file and begin."""
        self._cursor.execute("BEGIN IMMEDIATE")
        return self._cursor

    def told(self, error: BaseException) -> str:
        """Return what SQLite said; it quotes no values."""
        return str(error)

    def claims(self, cursor: Cursor) -> Claims | None:
        """Return None: the file is locked as a whole."""
        return None

    def commit(self) -> None:
        """Commit; the write-ahead file is synced."""
        self._cursor.execute("COMMIT")

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


class PostgresSession:
    """PostgreSQL: a session that may be lost at any moment and is opened again when needed."""

    errors = (psycopg.Error,)

    def __init__(self, url: URL, dialect: Dialect, node: str, *, alone: bool) -> None:
        self.dialect, self.node = dialect, node
        self._url = url
        self._alone = alone
        self._committing = False
        self._connection = self._connect()

    def begin(self) -> Cursor:
        """Begin, on a new connection if the old one was lost."""
        self._committing = False
        if self._connection.closed:
            self._connection = self._connect()
        cursor = self._connection.cursor()
        cursor.execute("BEGIN ISOLATION LEVEL READ COMMITTED")
        return cursor

    def told(self, error: BaseException) -> str:
        """Return what the server said without its detail."""
        return postgres.told(error) if isinstance(error, psycopg.Error) else str(error)

    def claims(self, cursor: Cursor) -> Claims | None:
        """Return claims over all nodes; ids made after one are above all it can see."""
        return Claims(cursor, self._stay_above)

    def commit(self) -> None:
        """Commit; if the connection is lost now, nobody can say whether it was done."""
        self._committing = True
        self._connection.execute("COMMIT")

    def undo(self) -> None:
        """Roll back, or let go of a connection that is of no use any more."""
        try:
            self._connection.execute("ROLLBACK")
        except psycopg.Error:
            self._connection.close()

    def usable(self) -> bool:
        """Return whether the transaction is still open on both sides."""
        return not self._connection.closed and not self._connection.broken

    def worth_again(self, error: BaseException) -> bool:
        """Return whether the server undid it for another's sake, or was lost before the commit."""
        if not isinstance(error, psycopg.Error):
            return False
        if error.sqlstate is not None and error.sqlstate[:2] in _UNDONE:
            return True
        return not self.usable() and not self._committing

    def tell(self, topics: frozenset[str]) -> None:
        """Ring the bell of the other nodes: a doorbell, they look by themselves as well."""
        with contextlib.suppress(psycopg.Error):
            text = f"{self._connection.info.backend_pid} {' '.join(sorted(topics))}"
            self._connection.execute("SELECT pg_notify(%s, %s)", (postgres.BELL, text))

    def close(self) -> None:
        """End the session; what it claimed is free."""
        self._connection.close()

    def _connect(self) -> "psycopg.Connection[Any]":
        connection = postgres.connect(self._url, f"verifier {self.node}", postgres.IDLE_WRITING)
        try:
            if self._alone:
                postgres.claim_node(connection, self.node)
            IDS.become(postgres.claim_number(connection))
        except psycopg.Error as error:
            connection.close()
            raise StoreError(f"the database can not be used: {postgres.told(error)}") from error
        except StoreError:
            connection.close()
            raise
        return connection

    def _stay_above(self, cursor: Cursor) -> None:
        """Another node's clock may be ahead: what it wrote of this specimen is older all the
        same, and must sort before what is written now."""
        for newest in Connected(cursor, self.dialect)._one(_NEWEST_IDS):
            IDS.stay_above(newest or 0)
