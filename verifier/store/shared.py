"""The session that writes on PostgreSQL, and where its readers come from."""

import contextlib
import secrets
from typing import Any

import psycopg
from sqlalchemy import func, select
from sqlalchemy.engine.interfaces import Dialect
from sqlalchemy.engine.url import URL

from verifier.errors import StoreError
from verifier.store import postgres, schema
from verifier.store.claims import Claims
from verifier.store.ids import IDS
from verifier.store.sql import Connected, Cursor, Statement

_UNDONE = ("40", "55")  # classes of SQLSTATE: deadlock and its like, a lock not to be had
_NEWEST_IDS = Statement(
    select(
        *(
            select(func.max(table.c.id)).scalar_subquery()
            for table in (schema.message, schema.decision, schema.outgoing)
        )
    )
)


class PostgresSession:
    """PostgreSQL: a session that may be lost at any moment and is opened again when needed."""

    errors = (psycopg.Error,)

    def __init__(self, url: URL, dialect: Dialect, node: str, *, alone: bool) -> None:
        self.dialect, self.node = dialect, node
        self.token = secrets.token_hex(8)  # what the bells of this process are known by
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
        return postgres.told(error)

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
            text = " ".join((self.token, *sorted(topics)))
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


class PostgresSource:
    """Where connections that read come from."""

    begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
    errors = (psycopg.Error,)

    def __init__(self, url: URL, dialect: Dialect) -> None:
        self._url, self.dialect = url, dialect

    def open(self) -> "psycopg.Connection[Any]":
        """Return a connection; that it only reads is said by each transaction."""
        return postgres.connect(self._url, "verifier reader")

    def told(self, error: BaseException) -> str:
        """Return what the server said without its detail."""
        return postgres.told(error)
