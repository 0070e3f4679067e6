"""Cases, earlier results, decisions, the queue and the counters."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from store_makers import (
    MORNING,
    add_case,
    case_of,
    decision,
    entry,
    inbound,
    outgoing,
    reason,
    record,
    row,
    verdict,
)

from verifier.errors import RefusedError
from verifier.facts.values import Absent, Between, Number, Unreadable, Value, Words
from verifier.facts.verdicts import Request
from verifier.store import CRITICAL, ResultRow, Store, Transaction, new_id, result_rows
from verifier.store.codec import encode, instant, micros, read_value

DAY = timedelta(days=1)


def test_a_case_comes_back_as_it_went(store: Store) -> None:
    stored, made = record(entry("K"), entry("NA", doubts=("odd",))), decision(verdict())
    number = store.write(lambda tx: add_case(tx, stored, made, row()))
    found = store.read(lambda r: r.case(number))
    assert found is not None
    assert (found.record, found.decision, found.version) == (stored, made, 1)
    assert (found.rule_set, found.held, found.waiting) == (made.rule_set, 1, 0)
    assert store.read(lambda r: r.case_by_specimen("S1")) == found
    assert store.read(lambda r: r.cases_of_patient("LAB^MR^7")) == [found]


def test_nobody_and_nothing_have_no_cases(store: Store) -> None:
    store.write(lambda tx: add_case(tx, record(specimen="", patient=""), decision(verdict())))
    assert store.read(lambda r: r.case_by_specimen("")) is None
    assert store.read(lambda r: r.cases_of_patient("")) == []
    assert store.read(lambda r: r.case(1)) is None


def test_a_specimen_number_used_again_names_the_newest_case(store: Store) -> None:
    store.write(lambda tx: add_case(tx, record(), decision(verdict())))
    newest = store.write(lambda tx: add_case(tx, record(), decision(verdict())))
    found = store.read(lambda r: r.case_by_specimen("S1"))
    assert found is not None
    assert found.id == newest


def test_versions_count_and_guard(store: Store) -> None:
    number = store.write(lambda tx: add_case(tx, record(), decision(verdict()), row()))
    later = record(entry(state="released"))
    store.write(lambda tx: tx.save_case(number, later, expected=1))
    found = store.read(lambda r: r.case(number))
    assert found is not None
    assert (found.version, found.held, found.decision) == (2, 0, decision(verdict()))
    with pytest.raises(RefusedError, match="changed meanwhile"):
        store.write(lambda tx: tx.save_case(number, record(), expected=1))
    assert store.read(lambda r: r.case(number)) == found


def test_every_decision_is_kept_with_its_facts(store: Store) -> None:
    stored = record()
    first, second = decision(verdict()), decision(verdict(0, "release"))
    message = inbound()

    def work(tx: Transaction) -> int:
        tx.add_message(message)
        number = new_id()
        tx.save_case(number, stored, first)
        tx.add_decision(number, message.id, first, case_of(stored))
        tx.save_case(number, stored, second)
        tx.add_decision(number, None, second)
        return number

    number = store.write(work)
    kept = store.read(lambda r: r.decisions(number))
    assert [(one.decision, one.message_id, one.has_facts) for one in kept] == [
        (first, message.id, True),
        (second, None, False),
    ]
    assert store.read(lambda r: r.facts(kept[0].id)) == case_of(stored)
    assert store.read(lambda r: r.facts(kept[1].id)) is None
    latest = store.read(lambda r: r.case(number))
    assert latest is not None
    assert latest.decision == second


def add_earlier(store: Store, key: str, ago: timedelta, value: str, **more: str) -> int:
    stored = record(
        entry(state=more.get("state", "released")),
        specimen=key,
        patient=more.get("patient", "LAB^MR^7"),
        collected=MORNING - ago,
    )
    made = decision(verdict(0, "release"))
    return store.write(lambda tx: add_case(tx, stored, made, row(0, value)))


def test_earlier_results_are_released_of_this_patient_and_newest_first(store: Store) -> None:
    add_earlier(store, "old", 30 * DAY, "1.1")
    add_earlier(store, "b", 2 * DAY, "4.2")
    add_earlier(store, "a", 3 * DAY, "4.3")
    add_earlier(store, "c", DAY, "4.4")
    add_earlier(store, "now", timedelta(0), "4.5")
    add_earlier(store, "held", DAY, "9.9", state="open")
    add_earlier(store, "gone", DAY, "9.8", state="withdrawn")
    add_earlier(store, "other", DAY, "9.7", patient="ELSEWHERE^MR^7")
    found = store.read(
        lambda r: r.earlier("LAB^MR^7", since=MORNING - 7 * DAY, before=MORNING, excluding="c")
    )
    assert [(e.value, e.collected, e.specimen) for e in found["potassium"]] == [
        (Number(Decimal("4.2")), MORNING - 2 * DAY, "b"),
        (Number(Decimal("4.3")), MORNING - 3 * DAY, "a"),
    ]
    assert {e.specimen_type for e in found["potassium"]} == {"serum"}
    open_ended = store.read(lambda r: r.earlier("LAB^MR^7", since=MORNING - 7 * DAY))
    assert [e.specimen for e in open_ended["potassium"]] == ["now", "c", "b", "a"]
    assert store.read(lambda r: r.earlier("", since=MORNING - 7 * DAY)) == {}


def test_a_result_taken_at_no_known_time_is_nobodys_earlier_result(store: Store) -> None:
    stored = record(entry(state="released"), collected=None)
    store.write(lambda tx: add_case(tx, stored, decision(verdict(0, "release")), row()))
    assert store.read(lambda r: r.earlier("LAB^MR^7", since=MORNING - 7 * DAY)) == {}


def test_a_patient_corrected_later_takes_the_results_along(store: Store) -> None:
    number = add_earlier(store, "S1", DAY, "4.2")
    moved = record(entry(state="released"), patient="LAB^MR^8", collected=MORNING - DAY)
    made = decision(verdict(0, "release"))
    store.write(lambda tx: tx.save_case(number, moved, made, (row(0, "4.2"),)))
    assert store.read(lambda r: r.earlier("LAB^MR^7", since=MORNING - 7 * DAY)) == {}
    assert store.read(lambda r: r.earlier("LAB^MR^8", since=MORNING - 7 * DAY)) != {}


def test_a_correction_replaces_what_was_released(store: Store) -> None:
    number = add_earlier(store, "S1", DAY, "4.2")
    entries = entry(state="superseded"), entry(text="4.9", state="released")
    corrected = record(*entries, collected=MORNING - DAY)
    made = decision(verdict(1, "release"))
    store.write(lambda tx: tx.save_case(number, corrected, made, (row(1, "4.9"),)))
    found = store.read(lambda r: r.earlier("LAB^MR^7", since=MORNING - 7 * DAY))
    assert [e.value for e in found["potassium"]] == [Number(Decimal("4.9"))]


decimals = st.decimals(allow_nan=False, allow_infinity=False)
values = st.one_of(
    st.builds(Number, decimals),
    st.builds(Between, st.none() | decimals, st.none() | decimals, st.booleans(), st.booleans()),
    st.builds(Words, st.text(), st.text()),
    st.builds(Absent, st.sampled_from(["empty", "null"])),
    st.builds(Unreadable, st.text(), st.text()),
)


@given(values)
def test_every_value_keeps_its_digits(value: Value) -> None:
    again = read_value(encode(value))
    assert again == value
    assert encode(again) == encode(value)


@given(st.datetimes(min_value=datetime(1900, 1, 1), timezones=st.just(UTC)))  # noqa: DTZ001
def test_every_instant_keeps_its_microseconds(at: datetime) -> None:
    assert instant(micros(at)) == at


def test_result_rows_take_outcome_and_worst_reason() -> None:
    stored = record(entry(), entry(state="released"))
    made = decision(verdict(0, "hold", reason("x", "unknown"), reason("y"), reason("z")))
    rows = result_rows(case_of(stored), made)
    assert rows == (
        ResultRow(0, "potassium", "K", Number(Decimal("6.4")), "mmol/L", "hold", "y", ""),
        ResultRow(1, "potassium", "K", Number(Decimal("6.4")), "mmol/L", "", "", ""),
    )


def queue_of(store: Store) -> list[str]:
    return [one.specimen for one in store.read(lambda r: r.queue())]


def test_the_queue_is_worst_first_then_oldest(store: Store) -> None:
    call = Request("call clinician", "panic")
    held = {
        "unknown": decision(verdict(0, "hold", reason("x", "unknown"))),
        "safeguard": decision(verdict(0, "hold", reason("built-in:unknown-test", "safeguard"))),
        "rule": decision(verdict(0, "hold", reason())),
        "called": decision(verdict(0, "hold", reason("panic")), requests=(call,)),
        "critical": decision(verdict(0, "hold", reason("critical"))),
        "flag": decision(verdict(0, "hold", reason(), flag="HH")),
    }
    for minute, (key, made) in enumerate(held.items()):
        stored = record(specimen=key, opened=MORNING + timedelta(minutes=minute))
        store.write(lambda tx, s=stored, m=made: add_case(tx, s, m, row()))
    corrected = record(entry(corrects=True), specimen="corrected")
    store.write(lambda tx: add_case(tx, corrected, decision(verdict(0, "hold", reason()))))
    older = record(specimen="older rule", opened=MORNING - timedelta(minutes=1))
    store.write(lambda tx: add_case(tx, older, decision(verdict(0, "hold", reason()))))
    assert queue_of(store) == [
        "called", "critical", "flag", "corrected", "older rule", "rule", "safeguard", "unknown",
    ]  # fmt: skip
    assert store.read(lambda r: r.queue(most=2, skip=1))[0].specimen == "critical"
    assert store.read(lambda r: r.queue())[0].severity == CRITICAL


def test_an_unknown_critical_rule_is_not_yet_critical(store: Store) -> None:
    made = decision(verdict(0, "hold", reason("critical", "unknown")))
    store.write(lambda tx: add_case(tx, record(), made))
    assert store.read(lambda r: r.queue())[0].severity == 1


def test_a_row_of_the_queue_says_what_is_held(store: Store) -> None:
    entries = entry(), entry(state="released"), entry(state="rejected"), entry()
    made = decision(
        verdict(0, "hold", reason("x", "unknown"), reason("outside")),
        verdict(1, "release"),
        verdict(2, "hold", reason("critical")),
        verdict(3, "wait", reason("gap", "wait")),
        wait=timedelta(minutes=20),
    )
    store.write(lambda tx: add_case(tx, record(*entries), made, row()))
    (found,) = store.read(lambda r: r.queue())
    assert (found.held, found.waiting, found.released, found.severity) == (1, 1, 1, 3)
    assert (found.patient_number, found.patient_name) == ("7", "EXAMPLE^PERSON")
    assert [(one.rule, one.text) for one in found.results] == [("outside", "because of outside")]


def test_a_settled_case_leaves_the_queue(store: Store) -> None:
    number = store.write(lambda tx: add_case(tx, record(), decision(verdict()), row()))
    assert queue_of(store) == ["S1"]
    store.write(lambda tx: tx.save_case(number, record(entry(state="rejected"))))
    assert queue_of(store) == []


def test_waiting_is_due_at_its_time_and_not_before(store: Store) -> None:
    waits = decision(verdict(0, "wait"), wait=timedelta(minutes=20))
    number = store.write(lambda tx: add_case(tx, record(), waits, row()))
    early, late = MORNING + timedelta(minutes=19), MORNING + timedelta(minutes=20)
    assert store.read(lambda r: r.waiting_due(early)) == []
    assert store.read(lambda r: r.waiting_due(late)) == [number]
    assert store.read(lambda r: r.statistics(since=MORNING)).waiting_specimens == 1
    store.write(lambda tx: tx.save_case(number, record(entry(state="rejected"))))
    assert store.read(lambda r: r.waiting_due(late)) == []


def test_the_counters_count(store: Store, clock: object) -> None:
    released = entry(state="released")
    made = decision(verdict(0, "release"), verdict(1, "hold", reason()))
    add_earlier(store, "yesterday", DAY, "4.0")
    today = clock.move(hours=1)
    stored = record(released, entry())
    number = store.write(lambda tx: add_case(tx, stored, made, row(0), row(1)))
    clock.move(minutes=5)
    by_hand = record(released, entry(state="released"))
    by_hand = record(released, type(released)(
        by_hand.entries[1].observation, "line", 1, MORNING, "released", "ann"
    ))  # fmt: skip
    store.write(lambda tx: tx.save_case(number, by_hand))
    clock.move(minutes=5)
    store.write(lambda tx: tx.save_case(number, by_hand, made, (row(0), row(1))))
    store.write(lambda tx: tx.add_outbox(outgoing("lis", number)))
    message = inbound(error="unreadable", outcome="unreadable")
    store.write(lambda tx: tx.add_message(message))
    found = store.read(lambda r: r.statistics(since=today))
    assert (found.released_by_rules, found.released_by_person) == (1, 1)
    assert (found.held_specimens, found.problems) == (0, 1)
    assert found.outbox["lis"].waiting == 1
    assert found.last_message == {"line": MORNING}
    moved_on = store.read(lambda r: r.statistics(since=clock.at))
    assert (moved_on.released_by_rules, moved_on.released_by_person) == (0, 0)
