"""Names that one transaction keeps to itself among all nodes: a specimen, a patient, a sender's
control id. PostgreSQL's advisory locks, which end with the transaction.

A transaction that already holds something never waits for more: the work is undone, what came
before it is committed, and the next transaction begins by waiting for everything the work needs,
in one order for all. So no two nodes can wait for each other.

Whoever claims a name shares the house as well; who claims the house as a whole (suspension,
controls, rules: what everybody judges by) is alone in it.
"""

import hashlib
from collections.abc import Callable, Iterable

from verifier.store.sql import Cursor

Claim = tuple[int, bool]  # the name as a number, and whether it is shared with others
_Claims = frozenset[Claim]
HOUSE = "house"


class Busy(Exception):  # noqa: N818  # not a failure: the work comes again
    """Another node holds what this work needs; `needs` is all it asked for so far."""

    def __init__(self, needs: _Claims) -> None:
        super().__init__("another node holds what this work needs")
        self.needs = needs


def number(name: str) -> int:
    """Return the advisory lock of a name. That two names share one costs waiting, no more."""
    digest = hashlib.blake2b(name.encode("utf-8", "surrogatepass"), digest_size=8).digest()
    return int.from_bytes(digest, signed=True)


_HOUSE = number(HOUSE)


class Claims:
    """What one transaction holds. `refreshed` is called after each new claim was granted."""

    def __init__(self, cursor: Cursor, refreshed: Callable[[Cursor], None]) -> None:
        self._cursor = cursor
        self._refreshed = refreshed
        self.held: _Claims = frozenset()
        self._of_work: _Claims = frozenset()

    def begin_work(self) -> None:
        """Begin to note what one piece of work asks for."""
        self._of_work = frozenset()

    def take(self, names: Iterable[str]) -> None:
        """Claim names without waiting. Raises Busy when one is held elsewhere."""
        self._take({(number(name), False) for name in names} | {(_HOUSE, True)})

    def take_house(self) -> None:
        """Claim everything without waiting. Raises Busy when anything is held elsewhere."""
        self._take({(_HOUSE, False)})

    def _take(self, asked: set[Claim]) -> None:
        self._of_work |= asked
        if (_HOUSE, False) in self.held:
            return
        missing = sorted(asked - self.held)
        if not missing:
            return
        self._cursor.execute(_select("pg_try_advisory_xact_lock", missing))
        if not all(self._cursor.fetchone()):
            raise Busy(self._of_work)
        self._hold(missing)

    def wait(self, needs: _Claims) -> None:
        """Claim all of it, waiting for each in the order of the numbers; nothing may be held."""
        alone = {lock for lock, shared in needs if not shared}
        order = sorted(claim for claim in needs if not (claim[1] and claim[0] in alone))
        for claim in order:
            self._cursor.execute(_select("pg_advisory_xact_lock", [claim]))
        if order:
            self._hold(order)

    def _hold(self, claims: Iterable[Claim]) -> None:
        self.held |= frozenset(claims)
        self._refreshed(self._cursor)


def _select(function: str, claims: Iterable[Claim]) -> str:
    calls = (f"{function}{'_shared' * shared}({lock})" for lock, shared in claims)
    return f"SELECT {', '.join(calls)}"
