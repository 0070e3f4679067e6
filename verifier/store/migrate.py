"""Brings a database to the schema of this version, with the migrations shipped beside this file."""

import logging
import sqlite3
from collections.abc import Callable
from typing import TYPE_CHECKING

from sqlalchemy.engine.url import URL

from verifier.errors import StoreError
from verifier.store.claims import number

if TYPE_CHECKING:
    import psycopg
    from sqlalchemy import Connection

log = logging.getLogger(__name__)

NEWEST = "0018"
_TABLES = "SELECT tablename FROM pg_tables WHERE schemaname = current_schema()"


def upgrade(connection: sqlite3.Connection) -> None:
    """Apply the migrations that are missing, all or none.

    Alembic is loaded only when there is something to do: a start should not wait for it.

    Raises:
        StoreError: the file is no database of ours, or a newer version of this program made it.
    """
    try:
        present = revision(connection)
    except sqlite3.Error as error:
        raise StoreError(f"this is not a database: {error}") from error
    if present != NEWEST:
        _apply(connection, present)


def revision(connection: sqlite3.Connection) -> str | None:
    """Return the migration a database stands at, None for an empty one."""
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    return _stands_at(tables, lambda sql: connection.execute(sql).fetchone())


def upgrade_shared(url: URL) -> None:
    """Do the same on PostgreSQL; of several processes that start at once one does it.

    Raises:
        StoreError: as `upgrade`, or the server can not be reached.
    """
    from verifier.store import postgres

    with postgres.connect(url, "verifier migration") as connection:
        present = revision_shared(connection)
    if present != NEWEST:
        _apply_shared(url, present)


def revision_shared(connection: "psycopg.Connection[tuple[str, ...]]") -> str | None:
    """Return the migration a PostgreSQL schema stands at, None for an empty one."""
    tables = {row[0] for row in connection.execute(_TABLES)}
    return _stands_at(tables, lambda sql: connection.execute(sql.encode()).fetchone())


def _stands_at(tables: set[str], one: Callable[[str], tuple[str, ...] | None]) -> str | None:
    if "alembic_version" not in tables:
        if tables:
            raise StoreError("the database holds tables that are not ours; name another one")
        return None
    row = one("SELECT version_num FROM alembic_version")
    return None if row is None else str(row[0])


def _apply(connection: sqlite3.Connection, present: str | None) -> None:
    from sqlalchemy import create_engine
    from sqlalchemy.pool import StaticPool

    engine = create_engine("sqlite://", creator=lambda: connection, poolclass=StaticPool)
    with engine.connect() as wrapped:  # leaving it undoes what was not committed
        wrapped.exec_driver_sql("BEGIN IMMEDIATE")
        _run(wrapped, present)


def _apply_shared(url: URL, present: str | None) -> None:
    from sqlalchemy import create_engine
    from sqlalchemy.exc import SQLAlchemyError
    from sqlalchemy.pool import NullPool

    engine = create_engine(url.set(drivername="postgresql+psycopg"), poolclass=NullPool)
    try:
        with engine.connect() as wrapped:
            lock = number("verifier migration")
            wrapped.exec_driver_sql(f"SELECT pg_advisory_xact_lock({lock})")
            _run(wrapped, present)  # nothing is left to do when another process was first
    except SQLAlchemyError as error:
        raise StoreError(f"the database can not be brought up to date: {error}") from error


def _run(connection: "Connection", present: str | None) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", "verifier.store:migrations")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, "head")
        connection.commit()
    except CommandError as error:
        raise StoreError(f"the database is at version {present}, unknown here: {error}") from error
    log.info("database brought from version %s to %s", present, NEWEST)
