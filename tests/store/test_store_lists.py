"""Inbox, outbox, suspensions and control states."""

from datetime import timedelta

import pytest
from store_makers import MORNING, add_case, decision, inbound, outgoing, record, verdict

from verifier.store import Store, Transaction


def test_receipts_are_of_one_sender_and_control_id(store: Store) -> None:
    first, other_body = inbound("M1"), inbound("M1", b"other", ack=b"second")
    for message in (first, other_body, inbound("M2"), inbound("")):
        store.write(lambda tx, m=message: tx.add_message(m))
    found = store.read(lambda r: r.receipts("APP", "FAC", "M1"))
    assert [one.message_id for one in found] == [other_body.id, first.id]
    assert (found[1].body_hash, found[1].ack) == (first.body_hash, b"MSA|AA")
    assert store.read(lambda r: r.receipts("APP", "OTHER", "M1")) == []
    assert store.read(lambda r: r.receipts("APP", "FAC", "")) == []


def test_problems_stay_until_settled(store: Store) -> None:
    fine = inbound("M1")
    bad = inbound("M2", outcome="unreadable", error="no MSH")
    noted = inbound("M3", note="control id used before")
    for message in (fine, bad, noted):
        store.write(lambda tx, m=message: tx.add_message(m))
    found = store.read(lambda r: r.problems())
    assert [one.message_id for one in found] == [noted.id, bad.id]
    assert (found[1].error, found[0].note) == ("no MSH", "control id used before")
    assert store.write(lambda tx: tx.settle_problem(bad.id))
    assert not store.write(lambda tx: tx.settle_problem(bad.id))
    assert not store.write(lambda tx: tx.settle_problem(fine.id))
    assert store.read(lambda r: r.problem_count()) == 1
    assert store.read(lambda r: r.message(bad.id)) == bad


def test_the_last_message_of_each_connection(store: Store) -> None:
    late = inbound("M2", received=MORNING + timedelta(minutes=3))
    for message in (late, inbound("M1")):
        store.write(lambda tx, m=message: tx.add_message(m))
    assert store.read(lambda r: r.last_messages()) == {"line": late.received}


def test_the_outbox_is_strictly_in_order_per_destination(store: Store) -> None:
    messages = [outgoing("lis"), outgoing("archive"), outgoing("lis")]

    def work(tx: Transaction) -> None:
        for message in reversed(messages):
            tx.add_outbox(message)

    store.write(work)
    first = store.read(lambda r: r.next_outgoing("lis", MORNING))
    assert first is not None
    assert (first.id, first.status, first.attempts) == (messages[0].id, "waiting", 0)
    until = MORNING + timedelta(seconds=30)
    assert store.write(lambda tx: tx.postpone(first.id, until, "connection refused"))
    again = store.read(lambda r: r.next_outgoing("lis", MORNING))
    assert again is not None, "a message that waits for another attempt lets nothing past it"
    assert (again.id, again.attempts, again.not_before) == (first.id, 1, until)
    assert store.write(lambda tx: tx.mark_sent(first.id, "AA"))
    assert not store.write(lambda tx: tx.mark_sent(first.id, "AA")), "only once"
    assert not store.write(lambda tx: tx.mark_rejected(first.id, "AE")), "sent stays sent"
    last = store.read(lambda r: r.next_outgoing("lis", MORNING))
    assert last is not None
    assert last.id == messages[2].id
    sent = store.read(lambda r: r.outgoing(first.id))
    assert sent is not None
    assert (sent.status, sent.attempts, sent.answer) == ("sent", 2, "AA")
    assert store.read(lambda r: r.next_outgoing("nowhere", MORNING)) is None


def test_a_refused_message_is_shown_and_lets_the_next_go(store: Store, clock: object) -> None:
    messages = [outgoing(), outgoing()]
    for message in messages:
        store.write(lambda tx, m=message: tx.add_outbox(m))
    store.write(lambda tx: tx.mark_rejected(messages[0].id, "AE: no such order"))
    (shown,) = store.read(lambda r: r.rejected_outgoing())
    assert (shown.answer, shown.finished) == ("AE: no such order", clock.at)
    assert [one.id for one in store.read(lambda r: r.outbox("lis"))] == [messages[1].id]
    counts = store.read(lambda r: r.outbox_counts())
    assert (counts["lis"].waiting, counts["lis"].rejected) == (1, 1)
    assert store.write(lambda tx: tx.retry(shown.id))
    first = store.read(lambda r: r.next_outgoing("lis", MORNING))
    assert first is not None
    assert first.id == shown.id, "it takes its old place"
    store.write(lambda tx: tx.mark_rejected(shown.id, "AE again"))
    assert store.write(lambda tx: tx.abandon(shown.id))
    assert not store.write(lambda tx: tx.abandon(shown.id))
    assert store.read(lambda r: r.rejected_outgoing()) == []


def test_what_was_sent_for_a_case(store: Store) -> None:
    number = store.write(lambda tx: add_case(tx, record(), decision(verdict())))
    messages = [outgoing("lis", number), outgoing("archive", number)]
    for message in messages:
        store.write(lambda tx, m=message: tx.add_outbox(m))
    store.write(lambda tx: tx.add_outbox(outgoing()))
    found = store.read(lambda r: r.outgoing_of_case(number))
    assert [one.control_id for one in found] == [message.control_id for message in messages]
    assert found[0].payload == b"MSH|out"


def test_suspensions_stand_until_ended(store: Store, clock: object) -> None:
    everything = store.write(lambda tx: tx.suspend("all", "", "flood", "ann"))
    one = store.write(lambda tx: tx.suspend("test", "potassium", "electrode", "bob"))
    found = store.read(lambda r: r.suspensions())
    assert [(s.id, s.scope, s.subject, s.text, s.who, s.since) for s in found] == [
        (everything, "all", "", "flood", "ann", clock.at),
        (one, "test", "potassium", "electrode", "bob", clock.at),
    ]
    assert store.write(lambda tx: tx.resume(everything, "ann"))
    assert not store.write(lambda tx: tx.resume(everything, "ann"))
    assert [s.id for s in store.read(lambda r: r.suspensions())] == [one]


@pytest.mark.parametrize("state", ["in control", "out of control", "unknown"])
def test_control_states_are_the_last_recorded(store: Store, clock: object, state: str) -> None:
    store.write(lambda tx: tx.set_control_state("sodium", "in control", "ann"))
    store.write(lambda tx: tx.set_control_state("potassium", "unknown", "ann"))
    clock.move(hours=1)
    store.write(lambda tx: tx.set_control_state("potassium", state, "bob", "level 2"))
    assert store.read(lambda r: r.control_states()) == {"potassium": state, "sodium": "in control"}
    shown = store.read(lambda r: r.controls())[0]
    assert (shown.who, shown.at, shown.note) == ("bob", clock.at, "level 2")
