"""What the overview reads: counts of a stretch, specimens drawn from it, counts since the start."""

from datetime import timedelta

import pytest
from conftest import HandClock
from databases import of_sqlite
from msgspec.structs import replace
from store_makers import MORNING, add_case, decision, entry, inbound, outgoing, record, row, verdict

from verifier.errors import StoreError
from verifier.store import ResultRow, Store, Transaction, overview, queue, sqlite
from verifier.store.overviewrows import HeldCount, SettledCount
from verifier.store.tally import FAILED

HOUR = timedelta(hours=1)


def held(place: int = 0) -> ResultRow:
    return replace(row(place), outcome="hold", reason="outside")


def test_a_result_keeps_the_reason_it_was_held_for(store: Store, clock: HandClock) -> None:
    since = clock()
    number = store.write(lambda tx: add_case(tx, record(), decision(verdict()), held()))
    assert store.read(lambda r: r.held_counts()) == [HeldCount("potassium", "outside", 1)]
    clock.move(minutes=20)
    settled = record(replace(entry(state="released"), settled_by="Tove"))
    # Judged once more when it is settled: nothing is decided of it any more.
    store.write(lambda tx: tx.save_case(number, settled, decision(), (replace(row(), outcome=""),)))
    until = clock.move(minutes=1)
    counts = store.read(lambda r: r.settled_counts(since, until))
    assert counts == [SettledCount("potassium", False, "released", "outside", 1)]
    assert store.read(lambda r: r.held_counts()) == []
    assert store.read(lambda r: r.settled_counts(until, until + HOUR)) == []


def test_specimens_are_drawn_by_their_first_decision(store: Store, clock: HandClock) -> None:
    """Each specimen is as likely as any other, however often it was judged."""
    made = decision(verdict(0, "release"))

    def work(tx: Transaction) -> None:
        for at in range(40):
            stored = record(entry(state="released"), specimen=f"S{at}")
            case = add_case(tx, stored, made, row())
            for _ in range(1 + at % 3):
                tx.add_decision(case, None, made)

    store.write(work)
    whole = store.read(lambda r: r.courses(MORNING - HOUR, MORNING + HOUR, most=1000))
    assert (len(whole.drawn), whole.one_of) == (40, 1)
    assert {course.record.specimen.key for course in whole.drawn} == {f"S{at}" for at in range(40)}
    assert all(course.settled == {0: clock()} for course in whole.drawn)
    part = store.read(lambda r: r.courses(MORNING - HOUR, MORNING + HOUR, most=10))
    assert part.one_of == 13  # of 119 decisions
    assert len(part.drawn) <= 20
    assert store.read(lambda r: r.courses(MORNING + HOUR, MORNING + 2 * HOUR)).drawn == []


def test_what_is_next_and_how_large_it_is(store: Store) -> None:
    def work(tx: Transaction) -> None:
        sent = outgoing()
        tx.add_outbox(sent)
        tx.postpone(sent.id, MORNING + HOUR, "nobody answers")

    store.write(work)
    found = store.read(lambda r: r.next_out(["lis", "other"]))
    assert list(found) == ["lis"]
    assert (found["lis"].attempts, found["lis"].answer) == (1, "nobody answers")
    kind, size = store.read(lambda r: r.database())
    assert kind.split()[0] in ("SQLite", "PostgreSQL")
    assert size > 100_000


def test_only_what_was_committed_is_counted(store: Store) -> None:
    def fails(tx: Transaction) -> None:
        tx.add_message(inbound("M2"))
        raise StoreError("no")

    store.write(lambda tx: tx.add_message(inbound("M1")))
    with pytest.raises(StoreError):
        store.write(fails)
    assert store.tally.of("messages") == {("line", "accepted"): 1}
    assert store.tally.total(FAILED) == 0


@of_sqlite
@pytest.mark.parametrize("statement", [overview._SETTLED, queue._RELEASED])
def test_counting_reads_one_index_and_no_result(store: Store, statement: object) -> None:
    sql, positions = statement.form(sqlite.dialect())  # type: ignore[attr-defined]
    values = [None] * len(positions)
    plan = store.read(lambda r: r._cursor.execute(f"EXPLAIN QUERY PLAN {sql}", values).fetchall())
    assert "USING COVERING INDEX result_settled" in plan[0][-1]
