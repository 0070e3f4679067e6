"""Reads from the database what rules did in service."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from verifier.assurance.usage import OVERRIDES, Counting, History, Usage
from verifier.language.program import Program
from verifier.practice import Coded
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


def reasons_given(
    reader: Reader, since: datetime, coded: Sequence[Coded]
) -> dict[str, list[tuple[str, int]]]:
    """Return per rule why people released what it held, with how often, the most frequent first.

    What was taken back does not count.
    """
    texts = {each.code: each.text for each in coded}
    found: dict[str, Counter[str]] = {}
    for act in reader.acts_since(since):
        done = act.done
        if act.what != "release" or act.undone or not (done.reason or done.why):
            continue
        said = " ".join(filter(None, (texts.get(done.reason, done.reason), done.why)))
        for rule in done.rules:
            found.setdefault(rule, Counter())[said] += 1
    return {rule: counted.most_common() for rule, counted in found.items()}


def _pages(store: Store, since: datetime) -> Iterator[list[History]]:
    def read(below: int) -> list[History]:
        return store.read(lambda reader: reader.histories(since, below))

    page = read(NEWEST)
    while page:
        yield page
        page = read(page[-1].case_id)
