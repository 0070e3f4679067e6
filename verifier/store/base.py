"""What every reader and every writer of the store is made of."""

from collections import Counter
from datetime import datetime

from sqlalchemy.engine.interfaces import Dialect

from verifier.clock import Clock
from verifier.store.claims import Claims
from verifier.store.sql import Connected, Cursor
from verifier.store.tally import Key

MAIN = "main"  # the audit log of an SQLite file; several nodes keep one each


class Reading(Connected):
    """Reads one consistent state of the database; `node` names the audit log that is meant."""

    def __init__(self, cursor: Cursor, dialect: Dialect, node: str = MAIN) -> None:
        super().__init__(cursor, dialect)
        self.node = node


class Writing(Reading):
    """Writes inside a transaction somebody else begins and ends; collects what it touched."""

    def __init__(
        self,
        cursor: Cursor,
        dialect: Dialect,
        clock: Clock,
        node: str = MAIN,
        claims: Claims | None = None,
    ) -> None:
        super().__init__(cursor, dialect, node)
        self._clock = clock
        self._claims = claims
        self.touched: set[str] = set()
        self.counted: Counter[Key] = Counter()

    def now(self) -> datetime:
        """Return the present instant of the store's clock."""
        return self._clock()

    def claim(self, *names: str) -> None:
        """Keep other nodes from the same names until the end of this transaction.

        Claim before you read what you are going to change. Where one process writes alone nothing
        is to be done.

        Raises:
            Busy: another node has one of them; the writer waits for it and runs the work again.
        """
        if self._claims is not None:
            self._claims.take(names)

    def claim_house(self) -> None:
        """Keep other nodes from everything: for what all decisions rest on. Raises Busy."""
        if self._claims is not None:
            self._claims.take_house()

    def count(self, what: str, *labels: str) -> None:
        """Count something that is told once this transaction is committed (`Store.tally`)."""
        self.counted[(what, *labels)] += 1

    def _touch(self, topic: str) -> None:
        self.touched.add(topic)
