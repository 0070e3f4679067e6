"""What every reader and every writer of the store is made of."""

from datetime import datetime

from sqlalchemy.engine.interfaces import Dialect

from verifier.clock import Clock
from verifier.store.sql import Connected, Cursor


class Reading(Connected):
    """Reads one consistent state of the database."""


class Writing(Reading):
    """Writes inside a transaction somebody else begins and ends; collects what it touched."""

    def __init__(self, cursor: Cursor, dialect: Dialect, clock: Clock) -> None:
        super().__init__(cursor, dialect)
        self._clock = clock
        self.touched: set[str] = set()

    def now(self) -> datetime:
        """Return the present instant of the store's clock."""
        return self._clock()

    def _touch(self, topic: str) -> None:
        self.touched.add(topic)
