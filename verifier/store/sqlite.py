"""Everything that is particular to SQLite: how it is opened and what it promises.

`synchronous=FULL` in WAL mode makes every commit durable before it returns (sqlite.org/wal.html
section 2.3). One connection writes and checkpoints and readers are opened read-only, because
SQLite before 3.51.3 can lose a commit when two connections reset the log at the same moment.
"""

import contextlib
import os
import sqlite3
from pathlib import Path

from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.engine.interfaces import Dialect

from verifier.errors import StoreError

PREFIX = "sqlite:///"
VERSION = sqlite3.sqlite_version
BUSY_MILLISECONDS = 10_000
_PAGES_BEFORE_CHECKPOINT = 4_000
_CACHE_KIB = 32_768


def dialect() -> Dialect:
    """Return how statements are spelled for the driver of this file."""
    return SQLiteDialect_pysqlite(paramstyle="qmark")


def path_of(url: str) -> Path:
    """Return the file a database address names.

    Raises:
        StoreError: the address is not that of an SQLite file.
    """
    path = url.removeprefix(PREFIX)
    if path == url or not path or path == ":memory:":
        raise StoreError(
            f"this database address is not supported: {url.split(':', 1)[0]}:…; "
            f"write {PREFIX}FILE, with a path after the three slashes, or postgresql://USER@HOST/DATABASE"
        )
    return Path(path)


class Connection(sqlite3.Connection):
    """A connection that may hold a file lock until it is closed, and knows its files."""

    lock: int | None = None
    path: Path | None = None
    _files: tuple[tuple[int, int], ...] = ()

    def check_place(self) -> None:
        """Make sure that what is written lands where it will be looked for.

        SQLite goes on writing into a file that was moved or deleted, and into the log beside it.

        Raises:
            StoreError: the file or its log is not the one that was opened.
        """
        if self.path is None:
            return
        try:
            found = tuple(map(_identity, (self.path, self.path.with_name(f"{self.path.name}-wal"))))
        except OSError:
            found = ()
        self._files = self._files or found
        if not found or found != self._files:
            raise StoreError(
                f"the database file {self.path} or the -wal file beside it was moved, replaced or "
                "deleted while in use. Put both back, or restart the service."
            )

    def close(self) -> None:
        """Copy the log into the file if that is ours to do, and let another be the first."""
        if self.lock is not None:
            with contextlib.suppress(sqlite3.Error):
                self.execute("PRAGMA wal_checkpoint(PASSIVE)")
        super().close()
        if self.lock is not None:
            os.close(self.lock)
            self.lock = None


def _identity(path: Path) -> tuple[int, int]:
    about = path.stat()
    return about.st_dev, about.st_ino


def open_writer(path: Path) -> Connection:
    """Open the one connection of this process that writes; the file is made when not there.

    A command may write while the service runs; only the first writer copies the log into the
    file, so that two do not reset the log at the same moment.

    Raises:
        StoreError: the file can not be opened or is no database.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600, exist_ok=True)  # patients' data; SQLite's side files follow suit
        connection = _connect(f"{path.resolve().as_uri()}?mode=rwc")
    except (sqlite3.Error, OSError) as error:
        raise StoreError(f"the database {path} can not be opened: {error}") from error
    try:
        connection.lock, first = _claim(path)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA fullfsync=ON")  # macOS: reach the platter, not the drive cache
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute(f"PRAGMA cache_size=-{_CACHE_KIB}")
        pages = _PAGES_BEFORE_CHECKPOINT if first else 0
        connection.execute(f"PRAGMA wal_autocheckpoint={pages}")
        connection.execute("PRAGMA journal_size_limit=67108864")
        connection.path = path.resolve()
    except (sqlite3.Error, OSError) as error:
        connection.close()
        raise StoreError(f"the database {path} can not be opened: {error}") from error
    return connection


def _claim(path: Path) -> tuple[int | None, bool]:
    """Return a held lock, and whether this process is the first writer of the file."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system
        return None, True
    descriptor = os.open(f"{path}.writer", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        return None, False
    return descriptor, True


def open_reader(path: Path) -> sqlite3.Connection:
    """Open a connection that can not write.

    Raises:
        StoreError: the file is not there or can not be opened.
    """
    if not path.exists():
        raise StoreError(f"there is no database {path}")
    try:
        connection = _connect(f"{path.resolve().as_uri()}?mode=ro")
        connection.execute("PRAGMA query_only=ON")
    except sqlite3.Error as error:
        raise StoreError(f"the database {path} can not be read: {error}") from error
    return connection


def _connect(address: str) -> Connection:
    connection = sqlite3.connect(
        address,
        uri=True,
        factory=Connection,
        isolation_level=None,  # BEGIN and COMMIT are written out where they belong
        check_same_thread=False,
        cached_statements=256,
    )
    connection.execute(f"PRAGMA busy_timeout={BUSY_MILLISECONDS}")
    connection.execute("PRAGMA trusted_schema=OFF")
    return connection
