"""Everything that is particular to PostgreSQL: how it is reached, and what a session may not do.

A session that stops in the middle of a transaction (its process is paused, its network is cut)
is ended by the server after two seconds: what it held is free for the other nodes, and nothing of
it can be committed later.
"""

import logging
import secrets
import time
from typing import Any

import psycopg
from psycopg.types.string import StrDumper
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.engine.interfaces import Dialect
from sqlalchemy.engine.url import URL, make_url
from sqlalchemy.exc import ArgumentError

from verifier.clock import running
from verifier.errors import StoreError
from verifier.store.claims import number

log = logging.getLogger(__name__)

PATIENCE = 10.0  # seconds for the server to notice that a process is gone
NODES = 1024  # numbers that tell the ids of processes apart, see `store.ids`
IDLE_WRITING, IDLE_READING = "2s", "60s"
_SESSION = {
    "lock_timeout": "10s",
    "synchronous_commit": "on",  # an acknowledgement relies on the commit
    "tcp_keepalives_idle": "3",
    "tcp_keepalives_interval": "1",
    "tcp_keepalives_count": "3",
    "timezone": "UTC",
}
_REACHING: dict[str, Any] = {
    "connect_timeout": 3,
    "keepalives_idle": 3,
    "keepalives_interval": 1,
    "keepalives_count": 3,
    "tcp_user_timeout": 5000,
}
BELL = "verifier"  # the channel of NOTIFY
_IDS = 0x76_65_72  # the space of the advisory locks over the numbers of processes


class _Text(StrDumper):
    """PostgreSQL's text holds no NUL; its visible sign stands for it. The bytes of a message are
    kept as they came."""

    def dump(self, obj: str) -> Any:
        return super().dump(obj.replace("\0", "\u2400") if "\0" in obj else obj)


def dialect() -> Dialect:
    """Return how statements are spelled for the driver of this file."""
    return PGDialect_psycopg(paramstyle="format")  # type: ignore[no-untyped-call]


def address(url: str) -> URL:
    """Return a database address, read. Raises StoreError when it is none."""
    try:
        return make_url(url)
    except (ArgumentError, ValueError) as error:  # the latter of a port that is no number
        raise StoreError(
            "this database address can not be read; write postgresql://USER@HOST/DATABASE"
        ) from error


def connect(url: URL, purpose: str, idle: str = IDLE_READING) -> "psycopg.Connection[Any]":
    """Open a session in which BEGIN and COMMIT are written out.

    `idle` is how long it may do nothing in the middle of a transaction.

    Raises:
        StoreError: the server can not be reached or refuses.
    """
    options = " ".join(f"-c {name}={value}" for name, value in _SESSION.items())
    options += f" -c idle_in_transaction_session_timeout={idle}"
    plain = url.set(drivername="postgresql").render_as_string(hide_password=False)
    try:
        connection = psycopg.connect(
            plain, autocommit=True, options=options, application_name=purpose, **_REACHING
        )
    except psycopg.Error as error:
        raise StoreError(f"the database {shown(url)} can not be reached: {told(error)}") from error
    connection.adapters.register_dumper(str, _Text)
    return connection


def told(error: BaseException) -> str:
    """Return what a server said without the detail, which may quote a patient's data."""
    said = error.diag.message_primary if isinstance(error, psycopg.Error) else None
    return said or str(error)


def shown(url: URL) -> str:
    """Return an address without its secrets."""
    return f"{url.host or 'local'}:{url.port or 5432}/{url.database}"


def claim_node(connection: "psycopg.Connection[Any]", node: str) -> None:
    """Claim the name of a node for as long as the session lasts.

    One whose machine lost its power is still there for the server for some seconds.

    Raises:
        StoreError: another process works under this name.
    """
    until = running() + PATIENCE
    while not _try(connection, "pg_try_advisory_lock(%s)", number(f"node {node}")):
        if running() < until:
            time.sleep(0.2)
            continue
        raise StoreError(
            f"another process already works as node {node!r}; give each its own name "
            "(`node` in the configuration, or the environment variable VERIFIER_NODE)"
        )


def claim_number(connection: "psycopg.Connection[Any]") -> int:
    """Claim a number no other session has, for the ids made here.

    Raises:
        StoreError: there are more sessions than numbers.
    """
    first = secrets.randbelow(NODES)
    for step in range(NODES):
        chosen = (first + step) % NODES
        if _try(connection, "pg_try_advisory_lock(%s, %s)", _IDS, chosen):
            return chosen
    raise StoreError(f"more than {NODES} processes write to this database")


def _try(connection: "psycopg.Connection[Any]", call: str, *values: int) -> bool:
    row = connection.execute(f"SELECT {call}".encode(), values).fetchone()
    return bool(row and row[0])
