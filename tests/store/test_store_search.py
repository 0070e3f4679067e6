"""Finding specimens: what fits and nothing else, along an index, and gone with the last case."""

import sqlite3
from datetime import timedelta
from itertools import product
from pathlib import Path

import pytest
from store_makers import MORNING, decision, entry, moment, record, row, verdict

from verifier.facts.case import CaseRecord, State
from verifier.facts.subjects import Patient, Specimen
from verifier.store import Store, new_id
from verifier.store.search import BECAME, MOST_WORDS, Found, Question, statement
from verifier.store.words import folded, words_of

DAY = timedelta(days=1)
PEOPLE = {"1": "Müller-Åström, Zoë", "2": "Mullen, Anna", "3": "Annandale, Ben"}


def keep(
    store: Store,
    specimen: str,
    number: str,
    day: int,
    state: State = "open",
    test: str = "potassium",
    outcome: str = "hold",
    by: str = "",
) -> int:
    at = MORNING + day * DAY
    who = Patient(f"LAB^MR^{number}", number, PEOPLE[number])
    one = entry("K", "4.1", state)
    if by:
        one = type(one)(one.observation, one.connection, one.message, at, state, by)
    made = CaseRecord(Specimen(specimen, "serum", moment(at)), who, (one,), at)
    case = new_id()
    rows = (type(row())(0, test, "K", row().value, "mmol/L", outcome, ""),)
    said = decision(verdict(0, outcome))  # type: ignore[arg-type]
    store.write(lambda tx: tx.save_case(case, made, said, rows))
    return case


def found(store: Store, **asked: object) -> list[str]:
    rows = store.read(lambda reader: reader.search(Question(**asked)))  # type: ignore[arg-type]
    return [one.record.specimen.key for one in rows]


@pytest.fixture
def filled(store: Store) -> Store:
    keep(store, "A-100", "1", 0)
    keep(store, "A-101", "2", 1, "released", "sodium", "release", "rules")
    keep(store, "B-100", "3", 2, "released", "sodium", "release", "Tove")
    keep(store, "B-200", "1", 3, "rejected")
    keep(store, "B-201", "2", 4, "open", "glucose", "wait")
    return store


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ({}, ["B-201", "B-200", "B-100", "A-101", "A-100"]),
        ({"words": folded("MULL")}, ["B-201", "B-200", "A-101", "A-100"]),
        ({"words": folded("astrom")}, ["B-200", "A-100"]),
        ({"words": folded("mull, ANN")}, ["B-201", "A-101"]),
        ({"words": folded("ann")}, ["B-201", "B-100", "A-101"]),
        ({"words": folded("3")}, ["B-100"]),
        ({"words": folded("ller")}, []),
        ({"specimen": "B-2"}, ["B-201", "B-200"]),
        ({"specimen": "b-2"}, []),
        ({"test": "sodium"}, ["B-100", "A-101"]),
        ({"became": "held"}, ["A-100"]),
        ({"became": "waiting"}, ["B-201"]),
        ({"became": "released by rules"}, ["A-101"]),
        ({"became": "released by a person"}, ["B-100"]),
        ({"became": "rejected"}, ["B-200"]),
        ({"became": "rejected", "test": "sodium"}, []),
        ({"since": MORNING + DAY, "until": MORNING + 3 * DAY}, ["B-100", "A-101"]),
        ({"words": folded("zoe"), "since": MORNING + DAY}, ["B-200"]),
    ],
)
def test_what_is_asked_for_is_found(
    filled: Store, asked: dict[str, object], expected: list[str]
) -> None:
    assert found(filled, **asked) == expected


def test_pages_follow_each_other_without_gap_or_repetition(filled: Store) -> None:
    def page(after: tuple[int, int] | None) -> list[Found]:
        return filled.read(lambda r: r.search(Question(after=after), most=2))

    seen = page(None)
    while more := page(seen[-1].place):
        assert len(more) <= 2
        seen += more
    assert [one.record.specimen.key for one in seen] == found(filled)


def test_more_words_than_the_index_is_asked_for_are_refused(filled: Store) -> None:
    with pytest.raises(ValueError, match="at most"):
        found(filled, words=("a",) * (MOST_WORDS + 1))


def test_specimens_of_a_patient_near_a_day(filled: Store) -> None:
    near = filled.read(lambda r: r.nearby("LAB^MR^1", MORNING - DAY, MORNING + DAY))
    assert [one.record.specimen.key for one in near] == ["A-100"]
    both = filled.read(lambda r: r.nearby("LAB^MR^1", MORNING - DAY, MORNING + 7 * DAY))
    assert [one.record.specimen.key for one in both] == ["A-100", "B-200"]
    assert filled.read(lambda r: r.nearby("", MORNING, MORNING + DAY)) == []


def test_released_results_of_a_patient_are_the_past(filled: Store) -> None:
    past = filled.read(lambda r: r.past_results("LAB^MR^2", MORNING - DAY))
    assert {test: [one.specimen for one in each] for test, each in past.items()} == {
        "sodium": ["A-101"]
    }


def test_a_patient_without_a_number_has_no_words(store: Store) -> None:
    made = record(patient="")
    store.write(lambda tx: tx.save_case(new_id(), made, None, ()))
    assert found(store, words=("example",)) == []
    assert found(store, specimen="S1") == ["S1"]


def test_words_go_with_the_last_case_of_a_patient(filled: Store) -> None:
    first, last = filled.read(lambda r: r.search(Question(words=folded("zoe"))))
    filled.write(lambda tx: tx.remove_cases([first.case_id]))
    assert found(filled, words=folded("zoe")) == [last.record.specimen.key]
    filled.write(lambda tx: tx.remove_cases([last.case_id]))
    left = filled.read(lambda r: r.search(Question(words=("muller",))))
    assert left == []
    keep(filled, "C-1", "3", 5)
    assert found(filled, words=folded("zoe")) == []


def test_a_name_is_found_by_its_parts_and_without_accents() -> None:
    assert words_of("Müller-Åström, Zoë", "AB-7") == (
        "7", "ab", "ab-7", "astrom", "muller", "muller-astrom", "zoe",
    )  # fmt: skip
    assert folded("  STRASSE  straße,") == ("strasse", "strasse")


def test_no_question_looks_at_everything(filled: Store, database: Path) -> None:
    """SQLite says SCAN where it goes through a whole table in no order of use."""
    file = sqlite3.connect(database)
    for words, specimen, test, became in product(range(3), (False, True), (False, True), BECAME):
        sql, places = statement(words, specimen, test, became).form(_dialect(filled))
        plan = file.execute(f"EXPLAIN QUERY PLAN {sql}", [1] * len(places)).fetchall()
        told = [line[3] for line in plan]
        assert not [one for one in told if one.startswith("SCAN")], told
        by_time = "case_by_time" in " ".join(told)
        assert by_time is not bool(words or specimen), told
    file.close()


def _dialect(store: Store) -> object:
    return store.read(lambda reader: reader._dialect)
