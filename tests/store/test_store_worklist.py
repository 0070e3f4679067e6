"""The open queue asked for in parts: filters, order, targets, claims, who looks."""

from datetime import timedelta

import msgspec
import pytest
from conftest import HandClock
from store_makers import MORNING, add_case, decision, entry, reason, record, row, verdict

from verifier.facts.case import CaseRecord
from verifier.store import Store
from verifier.store.worklistrows import Targets, View, Wanted

TARGETS = Targets(timedelta(minutes=120), {"stat": timedelta(minutes=40)})


def seen(clock: HandClock, person: str = "Tove") -> View:
    now = clock()
    return View(person, now, TARGETS, now - timedelta(minutes=15), now - timedelta(seconds=30))


def held(name: str, *, ward: str = "", priority: str = "", minutes: int = 0) -> CaseRecord:
    made = record(
        entry(), specimen=name, patient=f"P{name}", opened=MORNING + timedelta(minutes=minutes)
    )
    assert made.patient is not None
    where = {"ward": ward} if ward else {}
    urgent = {"priority": priority} if priority else {}
    return msgspec.structs.replace(
        made,
        patient=msgspec.structs.replace(made.patient, attributes=where),
        specimen=msgspec.structs.replace(made.specimen, attributes=urgent),
    )


@pytest.fixture
def cases(store: Store) -> dict[str, int]:
    """Five held specimens, opened at 7:00 and later, and one that is not held."""
    made = {
        "late": (held("late", ward="East"), "outside", "line-1", "potassium"),
        "stat": (held("stat", ward="East", priority="stat", minutes=25), "outside", "line-2",
                 "potassium"),
        "west": (held("west", ward="West", minutes=40), "delta", "line-1", "sodium"),
        "worst": (held("worst", minutes=50), "critical-high", "line-1", "potassium"),
        "new": (held("new", ward="West", priority="stat", minutes=59), "delta", "line-2", "sodium"),
    }  # fmt: skip
    found = {}
    for name, (stored, rule, analyzer, test) in made.items():
        rows = msgspec.structs.replace(
            row(test=test), outcome="hold", reason=rule, analyzer=analyzer
        )
        verdicts = decision(verdict(0, "hold", reason(rule)))
        found[name] = store.write(lambda tx, s=stored, v=verdicts, r=rows: add_case(tx, s, v, r))
    store.write(lambda tx: add_case(tx, held("free"), decision(verdict(0, "release")), row()))
    return found


def names(store: Store, cases: dict[str, int], view: View, **wanted: object) -> list[str]:
    by_id = {number: name for name, number in cases.items()}
    asked = Wanted(**wanted)  # type: ignore[arg-type]
    listed = store.read(lambda r: r.listed(asked, view, 50))
    full = store.read(lambda r: r.wanted(asked, view, most=50))
    assert [number for number, _ in listed] == [one.case_id for one in full]
    assert store.read(lambda r: r.listed_count(asked, view)) == len(listed)
    return [by_id[number] for number, _ in listed]


def test_filters_alone_and_together(store: Store, cases: dict[str, int], clock: HandClock) -> None:
    view = seen(clock)
    everything = ["worst", "late", "stat", "west", "new"]  # critical first, then the oldest
    assert names(store, cases, view) == everything
    assert names(store, cases, view, ward="East") == ["late", "stat"]
    assert names(store, cases, view, test="sodium") == ["west", "new"]
    assert names(store, cases, view, analyzer="line-2", test="sodium") == ["new"]
    assert names(store, cases, view, reason="outside", analyzer="line-1") == ["late"]
    assert names(store, cases, view, priority="routine") == ["worst", "late", "west"]
    assert names(store, cases, view, opened_before=MORNING + timedelta(minutes=40)) == [
        "late", "stat", "west",
    ]  # fmt: skip
    assert names(store, cases, view, reason="nothing of the kind") == []
    assert names(store, cases, view, ward="East' OR 1=1 --") == []


def test_counts_of_a_filter_respect_the_others(
    store: Store, cases: dict[str, int], clock: HandClock
) -> None:
    view = seen(clock)
    found = store.read(lambda r: r.choices(Wanted(ward="West"), view))
    assert found["ward"] == {"East": 2, "West": 2}, "its own choice does not narrow a filter"
    assert found["test"] == {"sodium": 2}
    assert found["reason"] == {"delta": 2}
    assert found["analyzer"] == {"line-1": 1, "line-2": 1}
    assert found["priority"] == {"routine": 1, "stat": 1}
    for name, counts in found.items():
        for value, count in counts.items():
            asked = {"ward": "West", name: value}
            assert len(names(store, cases, view, **asked)) == count


def test_pages_follow_each_other(store: Store, cases: dict[str, int], clock: HandClock) -> None:
    view, whole = seen(clock), Wanted()
    pages = [store.read(lambda r, s=skip: r.listed(whole, view, 2, s)) for skip in (0, 2, 4, 6)]
    assert [len(page) for page in pages] == [2, 2, 1, 0]
    assert [row for page in pages for row in page] == store.read(
        lambda r: r.listed(whole, view, 50)
    )


def test_targets_at_eight(store: Store, cases: dict[str, int], clock: HandClock) -> None:
    """At 8:00: routine has 120 minutes (soon after 90), stat 40 (soon after 30)."""
    view = seen(clock)
    assert names(store, cases, view, due="missed") == []
    assert names(store, cases, view, due="soon") == ["stat"]  # opened 7:25, soon since 7:55
    assert names(store, cases, view, order="time") == ["stat", "new", "late", "west", "worst"]
    clock.move(minutes=30)  # 8:30: stat was due 8:05; new is soon since 8:29; late since 8:30
    view = seen(clock)
    assert names(store, cases, view, due="missed") == ["stat"]
    assert names(store, cases, view, due="soon") == ["late", "new"]
    numbers = store.read(lambda r: r.held(view))
    assert (numbers.all, numbers.critical, numbers.soon, numbers.missed) == (5, 1, 2, 1)


def test_claims_end_by_silence_and_filter_the_list(
    store: Store, cases: dict[str, int], clock: HandClock
) -> None:
    store.write(lambda tx: tx.set_claim(cases["late"], "Tove", seen(clock)))
    store.write(lambda tx: tx.set_claim(cases["west"], "Paula", seen(clock)))
    view = seen(clock)
    assert names(store, cases, view, taken="me") == ["late"]
    assert names(store, cases, view, taken="others") == ["west"]
    assert names(store, cases, view, taken="nobody") == ["worst", "stat", "new"]
    clock.move(minutes=10)
    store.write(lambda tx: tx.keep_claim(cases["late"], "Tove", seen(clock)))
    store.write(lambda tx: tx.keep_claim(cases["west"], "Tove", seen(clock)))  # it is not hers
    clock.move(minutes=10)
    view = seen(clock)
    assert store.read(lambda r: r.claims(view.claims_since)).keys() == {cases["late"]}
    assert names(store, cases, view, taken="others") == []
    store.write(lambda tx: tx.keep_claim(cases["west"], "Paula", seen(clock)))  # too late
    assert names(store, cases, view, taken="others") == []
    store.write(lambda tx: tx.set_claim(cases["late"], "Paula", seen(clock)))
    claim = store.read(lambda r: r.claim_of(cases["late"], view.claims_since))
    assert claim is not None
    assert (claim.person, claim.since) == ("Paula", clock())
    store.write(lambda tx: tx.end_claim(cases["late"]))
    assert store.read(lambda r: r.claims(view.claims_since)) == {}


def test_who_looks_is_forgotten_in_seconds(
    store: Store, cases: dict[str, int], clock: HandClock
) -> None:
    def look(person: str) -> None:
        forget = clock() - timedelta(seconds=30)
        store.write(lambda tx: tx.see(cases["late"], person, clock(), forget))

    def present() -> list[str]:
        since = clock() - timedelta(seconds=30)
        return store.read(lambda r: r.present(since)).get(cases["late"], [])

    look("Tove")
    look("Paula")
    assert present() == ["Paula", "Tove"]
    clock.move(seconds=20)
    look("Tove")
    clock.move(seconds=20)
    assert present() == ["Tove"]
    store.write(lambda tx: tx.leave([cases["late"]], "Tove"))
    assert present() == []
