"""Brings a database to the schema of this version, with the migrations shipped beside this file."""

import logging
import sqlite3

from verifier.errors import StoreError

log = logging.getLogger(__name__)

NEWEST = "0004"


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
    if "alembic_version" not in tables:
        if tables:
            raise StoreError("the database holds tables that are not ours; name another file")
        return None
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return None if row is None else str(row[0])


def _apply(connection: sqlite3.Connection, present: str | None) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError
    from sqlalchemy import create_engine
    from sqlalchemy.pool import StaticPool

    engine = create_engine("sqlite://", creator=lambda: connection, poolclass=StaticPool)
    config = Config()
    config.set_main_option("script_location", "verifier.store:migrations")
    try:
        with engine.connect() as wrapped:  # leaving it undoes what was not committed
            wrapped.exec_driver_sql("BEGIN IMMEDIATE")
            config.attributes["connection"] = wrapped
            command.upgrade(config, "head")
            wrapped.commit()
    except CommandError as error:
        raise StoreError(f"the database is at version {present}, unknown here: {error}") from error
    log.info("database brought from version %s to %s", present, NEWEST)
