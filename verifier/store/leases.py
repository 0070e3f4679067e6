"""What only one of several nodes may do at a time: to send to a destination.

A lease lasts some seconds and is renewed every second. It ends by the clock of the database for
the others and, a second earlier, by the clock of the machine for its holder: a node that was
paused finds it over before it can send. Who stops in order gives it back at once.
"""

import contextlib
import secrets
from collections.abc import Iterable
from typing import Any

import psycopg
from sqlalchemy import ColumnElement, bindparam, literal_column, or_
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.engine.interfaces import Dialect
from sqlalchemy.engine.url import URL

from verifier.clock import running
from verifier.errors import StoreError
from verifier.store import postgres, schema
from verifier.store.sql import Connected, Statement

LASTS = 5.0  # seconds, for the others
MARGIN = 1.0  # seconds that its holder counts less

_lease = schema.lease
_now: ColumnElement[int] = literal_column(
    "(extract(epoch FROM clock_timestamp()) * 1000000)::bigint"
)
_ends = _now + bindparam("lasts", type_=schema.lease.c.until.type)
_taken = insert(_lease).values(name=bindparam("name"), holder=bindparam("holder"), until=_ends)
_TAKE = Statement(
    _taken.on_conflict_do_update(
        index_elements=[_lease.c.name],
        set_={"holder": _taken.excluded.holder, "until": _taken.excluded.until},
        where=or_(_lease.c.holder == _taken.excluded.holder, _lease.c.until < _now),
    ).returning(_lease.c.name)
)
_GIVE_BACK = Statement(_lease.delete().where(_lease.c.holder == bindparam("holder")))


class Leases:
    """The leases of one process, on a connection of their own; use it from one thread at a time."""

    def __init__(self, url: URL, dialect: Dialect, node: str) -> None:
        self._url, self._dialect = url, dialect
        self._holder = f"{node} {secrets.token_hex(8)}"
        self._connection: psycopg.Connection[Any] | None = None

    def renew(self, names: Iterable[str]) -> dict[str, float]:
        """Take or renew leases; return those that are ours with the moment they end
        (`clock.running`).

        Raises:
            StoreError: the database can not be reached; what is held ends by itself.
        """
        try:
            run = self._connected()
            held = {}
            for name in names:
                asked = running()
                if run._one(_TAKE, name=name, holder=self._holder, lasts=int(LASTS * 1e6)):
                    held[name] = asked + LASTS - MARGIN
            return held
        except psycopg.Error as error:
            self._let_go()
            raise StoreError(f"leases can not be renewed: {postgres.told(error)}") from error

    def close(self) -> None:
        """Give everything back and close the connection."""
        if self._connection is not None:
            with contextlib.suppress(psycopg.Error):
                self._connected()._run(_GIVE_BACK, holder=self._holder)
            self._let_go()

    def _connected(self) -> Connected:
        if self._connection is None or self._connection.closed:
            self._connection = postgres.connect(self._url, "verifier leases")
        return Connected(self._connection.cursor(), self._dialect)

    def _let_go(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = None
