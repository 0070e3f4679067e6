"""Statements written in SQLAlchemy Core, compiled once, run on the driver's own cursor.

The line runs some thirty statements per message; compiling and wrapping each of them every time
would cost more than the database does.
"""

from collections.abc import Iterable
from typing import Any, Protocol

from sqlalchemy.engine.interfaces import Dialect
from sqlalchemy.sql.elements import ClauseElement

from verifier.errors import RefusedError


class Cursor(Protocol):
    """What is used of a DBAPI cursor."""

    @property
    def rowcount(self) -> int: ...
    def execute(self, sql: str, parameters: Any = ..., /) -> Any: ...
    def executemany(self, sql: str, parameters: Any, /) -> Any: ...
    def fetchone(self) -> Any: ...
    def fetchall(self) -> list[Any]: ...


class Statement:
    """A Core statement; its named parameters become positions of the driver's SQL."""

    def __init__(self, core: ClauseElement) -> None:
        self._core = core
        self._forms: dict[str, tuple[str, tuple[tuple[str, object], ...]]] = {}

    def form(self, dialect: Dialect) -> tuple[str, tuple[tuple[str, object], ...]]:
        """Return SQL text and (name, default) of each position, compiled for `dialect`."""
        if (known := self._forms.get(dialect.name)) is None:
            compiled: Any = self._core.compile(dialect=dialect)
            names = compiled.positiontup or ()
            known = str(compiled), tuple((name, compiled.params[name]) for name in names)
            self._forms[dialect.name] = known
        return known


class Connected:
    """Something that runs statements on one cursor of one dialect."""

    def __init__(self, cursor: Cursor, dialect: Dialect) -> None:
        self._cursor = cursor
        self._dialect = dialect

    def _run(self, statement: Statement, **values: object) -> int:
        """Run and return how many rows were touched.

        Raises:
            RefusedError: a number is longer than any that is stored.
        """
        sql, positions = statement.form(self._dialect)
        try:
            self._cursor.execute(sql, [values.get(name, default) for name, default in positions])
        except OverflowError as error:  # SQLite; PostgreSQL finds nothing
            raise RefusedError("There is nothing of so large a number.") from error
        return self._cursor.rowcount

    def _all(self, statement: Statement, **values: object) -> list[Any]:
        self._run(statement, **values)
        return self._cursor.fetchall()

    def _one(self, statement: Statement, **values: object) -> Any:
        """Return the first row as a tuple, or None."""
        self._run(statement, **values)
        return self._cursor.fetchone()

    def _insert(self, statement: Statement, *row: object) -> None:
        """Run an insert with the values of one row in the order of the table's columns."""
        self._cursor.execute(statement.form(self._dialect)[0], row)

    def _insert_many(self, statement: Statement, rows: Iterable[tuple[object, ...]]) -> None:
        self._cursor.executemany(statement.form(self._dialect)[0], rows)
