"""Reads from the database what rules did in service."""

from collections.abc import Callable, Iterator
from datetime import datetime

from verifier.assurance.usage import OVERRIDES, Counting, History, Usage
from verifier.language.program import Program
from verifier.store.store import Store
from verifier.store.usage import NEWEST


def read_usage(
    store: Store,
    program: Program,
    since: datetime,
    *,
    most: int | None = None,
    least: int = OVERRIDES,
    tell: Callable[[int], None] = lambda cases: None,
) -> Usage:
    """Return what rules did with specimens received since an instant, the newest `most` of them.

    Each page of cases is read on its own, so that a long reading is in nobody's way; `tell` hears
    how many cases are done.
    """
    counting = Counting()
    for page in _pages(store, since):
        for history in page:
            if counting.cases == most:
                return counting.usage(program, since, all_read=False, least=least)
            counting.take(history)
        tell(counting.cases)
    return counting.usage(program, since, all_read=True, least=least)


def _pages(store: Store, since: datetime) -> Iterator[list[History]]:
    def read(below: int) -> list[History]:
        return store.read(lambda reader: reader.histories(since, below))

    page = read(NEWEST)
    while page:
        yield page
        page = read(page[-1].case_id)
