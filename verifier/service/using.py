"""Reads from the database what rules did in service, and what a person overrode."""

from collections.abc import Callable, Iterator
from datetime import datetime

from verifier.assurance.overrides import Override, override_of
from verifier.assurance.usage import OVERRIDES, Counting, History, Usage
from verifier.errors import RefusedError
from verifier.facts.case import BY_RULES
from verifier.language.program import Program
from verifier.store.store import Store
from verifier.store.transaction import Reader
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


def read_override(reader: Reader, program: Program, case_id: int, place: int) -> Override:
    """Return the scenario of a result that a person released although it was held.

    Raises:
        RefusedError: there is no such result, no person released it, or nothing held it.
    """
    stored = reader.case(case_id)
    if stored is None or not 0 <= place < len(stored.record.entries):
        raise RefusedError("There is no such result.")
    entry = stored.record.entries[place]
    if entry.state != "released" or entry.settled_by in ("", BY_RULES):
        raise RefusedError("No person has released this result, so nothing was overridden.")
    for kept in reversed(reader.decisions(case_id)):
        items = (i for i in kept.decision.results if i.entry == place and i.outcome == "hold")
        if next(items, None) is not None:
            facts = reader.facts(kept.id)
            if facts is None:
                raise RefusedError("The facts of this decision were not kept.")
            return override_of(program, facts, kept.decision, place)
    raise RefusedError("This result was not held, so nothing was overridden.")
