"""Results that need looking into because a control failed: what a person released meanwhile."""

from collections.abc import Collection
from datetime import datetime

from verifier.facts.build import analyzer_of
from verifier.facts.case import Result
from verifier.service.judging import Judge
from verifier.store.ids import new_id
from verifier.store.qualityrows import Review
from verifier.store.rows import StoredCase
from verifier.store.transaction import Reader, Transaction


def list_released(
    tx: Transaction, judge: Judge, stored: StoredCase, entries: Collection[int], now: datetime
) -> list[str]:
    """List what a person is about to release of a test that is out of control; return the tests.

    What is on the list already stays there: it then shows that the result has left.
    """
    case = judge.case_of(tx, stored.record, now, stored.id)
    chosen = [result for result in case.results if result.entry in entries]
    listed = []
    for result in chosen:
        out = result.control.state if result.control else case.quality.get(result.test)
        if out != "out of control" or _is_listed(tx, stored.id, result.entry):
            continue
        tx.add_review(_review(tx, stored, result, now))
        listed.append(result.test)
    return listed


def _is_listed(reader: Reader, case_id: int, entry: int) -> bool:
    return any((r.case_id, r.entry) == (case_id, entry) for r in reader.open_reviews())


def _review(reader: Reader, stored: StoredCase, result: Result, now: datetime) -> Review:
    analyzer = analyzer_of(stored.record.entries[result.entry])
    row = reader.standing(result.test, analyzer)
    failed = row.since if row and row.since else now
    return Review(
        new_id(), result.test, analyzer, failed, stored.id, result.entry,
        stored.record.specimen.key, "released", now,
    )  # fmt: skip
