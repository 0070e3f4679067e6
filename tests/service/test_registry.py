"""What a patient registry says, on a real database: merges and demographics.

The messages are those of HL7 v2.5.1 sections 3.3.8 (A08), 3.3.31 (A31) and 3.3.40 (A40, with MRG of
section 3.4.9); that nothing leaves twice and that doubt holds is common practice, no source.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from databases import database_url

from service.bench import ANN, Bench
from service.laboratory import RULES, result_message
from verifier.service import actions
from verifier.service.keeping import remove_old
from verifier.store.store import Store

SETTINGS = (
    ('[connections.second]\n', '[connections.second]\ntakes = ["patients"]\n'),
)  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        yield Bench(tmp_path, store, rules=RULES, changes=SETTINGS)


def registry(control_id: str, event: str, *segments: str) -> bytes:
    head = f"MSH|^~\\&|REG|HOSP|V|LAB|20260105080000+0000||ADT^{event}|{control_id}|P|2.5.1"
    return "\r".join([head, "EVN||20260105080000+0000", *segments, ""]).encode()


def pid(
    number: str = "P1", birth: str = "19700101", sex: str = "F", rest: str = "^^^LAB^MR"
) -> str:
    return f"PID|1||{number}{rest}||Test^Patient||{birth}|{sex}"


def merge(control_id: str, into: str, prior: str, **of: str) -> bytes:
    return registry(control_id, "A40^ADT_A39", pid(into, **of), f"MRG|{prior}^^^LAB^MR")


def whose(bench: Bench, specimen: str = "S1") -> str:
    patient = bench.case(specimen).record.patient
    assert patient
    return patient.key


def earlier(bench: Bench, number: str) -> list[str]:
    found = bench.store.read(
        lambda r: r.earlier(f"LAB^MR^{number}", since=datetime(2025, 1, 1, tzinfo=UTC))
    )
    return sorted(item.specimen for items in found.values() for item in items)


def audited(bench: Bench, specimen: str, what: str) -> list[dict[str, object]]:
    subject = f"case:{bench.case(specimen).id}"
    entries = bench.store.read(lambda r: r.audit_of(subject))
    return [dict(entry.detail or {}) for entry in entries if entry.what == what]


def test_earlier_results_become_history_of_the_surviving_number(bench: Bench) -> None:
    bench.take(result_message("M1", specimen="S1", patient="P2"))
    sent = bench.outbox()
    answer = bench.take(merge("R1", "P1", "P2"), "second")
    assert answer.ack
    assert b"MSA|AA|R1" in answer.ack
    assert b"|ACK^A40^ACK|" in answer.ack
    assert whose(bench) == "LAB^MR^P1"
    assert (earlier(bench, "P1"), earlier(bench, "P2")) == (["S1"], [])
    assert bench.outbox() == sent, "nothing leaves once more"
    assert [entry.state for entry in bench.case().record.entries] == ["released"]
    (detail,) = audited(bench, "S1", "merged patient numbers")
    assert (detail["from"], detail["to"]) == ("LAB^MR^P2", "LAB^MR^P1")
    (found,) = bench.store.read(lambda r: r.merges_of("LAB^MR^P2"))
    assert bench.store.read(lambda r: r.merges_of("LAB^MR^P1")) == [found]
    assert (found.surviving, found.message_id) == ("LAB^MR^P1", detail["message"])


def test_results_that_come_later_under_the_prior_number_are_the_surviving_patients(
    bench: Bench,
) -> None:
    bench.take(merge("R1", "P1", "P2"), "second")
    bench.take(result_message("M1", specimen="S1", patient="P2"))
    assert whose(bench) == "LAB^MR^P1"
    assert bench.case().record.doubts == ()
    # The LIS gets what the sender wrote.
    assert b"|P2^^^LAB^MR|" in bench.outbox()[0].payload
    bench.take(result_message("M2", specimen="S1", patient="P1", results={"potassium": "4"}))
    assert bench.case().record.doubts == (), "one specimen, one patient"


def test_numbers_merged_in_turn_lead_to_the_last_one_whatever_the_order(bench: Bench) -> None:
    for n, (into, prior) in enumerate([("P2", "P3"), ("P1", "P2"), ("P2", "P4")]):
        bench.take(merge(f"R{n}", into, prior), "second")
    for n in (1, 2, 3, 4):
        bench.take(result_message(f"M{n}", specimen=f"S{n}", patient=f"P{n}"))
        assert whose(bench, f"S{n}") == "LAB^MR^P1"
    # And back: the registry says that P2 is the one that lives on.
    bench.take(merge("R9", "P2", "P1"), "second")
    assert {whose(bench, f"S{n}") for n in (1, 2, 3, 4)} == {"LAB^MR^P2"}
    bench.take(result_message("M5", specimen="S5", patient="P2"))
    bench.take(result_message("M6", specimen="S6", patient="P1"))
    assert whose(bench, "S5") == whose(bench, "S6") == "LAB^MR^P2"


def test_open_results_are_held_where_the_two_may_not_be_one_person(bench: Bench) -> None:
    bench.take(result_message("M1", specimen="S1", patient="P2", results={"potassium": "6.9"}))
    bench.take(result_message("M2", specimen="S2", patient="P1", results={"potassium": "6.8"}))
    bench.take(merge("R1", "P1", "P2", birth="19800202"), "second")
    for specimen in ("S1", "S2"):
        record = bench.case(specimen).record
        assert record.doubts == (
            "the registry merged two patient numbers with different birth dates",
        )
        assert record.entries[0].state == "open"
        assert bench.outcomes(specimen) == {"potassium": "hold"}
    assert bench.outbox() == []
    # A person decides, as ever.
    bench.act(actions.release, ANN, [0], "Asked the ward.")
    assert len(bench.outbox()) == 1


def test_a_specimen_that_comes_after_a_doubtful_merge_is_held_as_well(bench: Bench) -> None:
    bench.take(result_message("M1", specimen="S1", patient="P2"))
    bench.take(merge("R1", "P1", "P2", birth="19800202"), "second")
    other = result_message("M2", specimen="S2", patient="P1").replace(b"19700101", b"19800202")
    bench.take(other)
    assert bench.case("S2").record.entries[0].state == "open"


def test_a_merge_that_comes_again_changes_nothing(bench: Bench) -> None:
    bench.take(result_message("M1", patient="P2", results={"potassium": "6.9"}))
    first = bench.take(merge("R1", "P1", "P2"), "second")
    version = bench.case().version
    assert bench.take(merge("R1", "P1", "P2"), "second").ack == first.ack
    bench.take(merge("R2", "P1", "P2"), "second")
    assert bench.case().record.doubts == ()
    assert len(bench.store.read(lambda r: r.merges_of("LAB^MR^P1"))) == 1
    assert bench.case().version == version


def test_a_number_without_type_is_found_under_the_type_the_results_have(bench: Bench) -> None:
    # The example of HL7 v2.9.1 section 3.6.2.1.2 gives authority and number only.
    bench.take(result_message("M1", specimen="S1", patient="P2"))
    bench.take(result_message("M2", specimen="S2", patient="P1"))
    bench.take(registry("R1", "A40", pid("P1", rest="^^^LAB"), "MRG|P2^^^LAB"), "second")
    assert whose(bench, "S1") == whose(bench, "S2") == "LAB^MR^P1"
    bench.take(result_message("M3", specimen="S3", patient="P3"))
    bench.take(registry("R2", "A40", pid("P1"), "MRG|P3^^^OTHER"), "second")
    assert whose(bench, "S3") == "LAB^MR^P3", "another authority, another person"


def test_several_merges_in_one_message(bench: Bench) -> None:
    bench.take(result_message("M1", specimen="S1", patient="P2"))
    bench.take(result_message("M2", specimen="S2", patient="P4"))
    pairs = [pid("P1"), "MRG|P2^^^LAB^MR", pid("P3"), "MRG|P4^^^LAB^MR"]
    bench.take(registry("R1", "A40^ADT_A39", *pairs), "second")
    assert (whose(bench, "S1"), whose(bench, "S2")) == ("LAB^MR^P1", "LAB^MR^P3")


@pytest.mark.parametrize(
    ("event", "segments", "code"),
    [
        ("A40", [pid("P1")], b"AR|R1"),
        ("A40", [pid("P1"), pid("P3"), "MRG|P2^^^LAB^MR"], b"AR|R1"),
        ("A40", ["MRG|P2^^^LAB^MR"], b"AE|R1"),
        ("A40", [pid("", rest=""), "MRG|P2^^^LAB^MR"], b"AE|R1"),
        ("A40", [pid("P1"), "MRG|"], b"AE|R1"),
        ("A40", [pid("P1"), 'MRG|""'], b"AE|R1"),
        ("A08", [], b"AR|R1"),
        ("A31", [pid("", rest="")], b"AE|R1"),
        ("A01", [pid("P1")], b"AR|R1"),
    ],
)
def test_what_says_nothing_usable_is_refused_and_shown(
    bench: Bench, event: str, segments: list[str], code: bytes
) -> None:
    bench.take(result_message("M1", patient="P2"))
    answer = bench.take(registry("R1", event, *segments), "second")
    assert answer.ack
    assert b"MSA|" + code in answer.ack
    assert answer.outcome == "rejected"
    assert len(bench.store.read(lambda r: r.problems())) == 1
    assert whose(bench) == "LAB^MR^P2"


def test_a_connection_takes_what_it_is_for(bench: Bench) -> None:
    for raw, connection in ((merge("R1", "P1", "P2"), "chem"), (result_message("M1"), "second")):
        answer = bench.take(raw, connection)
        assert answer.outcome == "rejected"
        assert answer.ack
        assert b"|200^" in answer.ack


@pytest.mark.parametrize("event", ["A08^ADT_A01", "A31^ADT_A05"])
def test_a_gap_is_filled_and_what_is_open_is_judged_anew(bench: Bench, event: str) -> None:
    raw = result_message("M1", results={"sodium": "140", "potassium": "6.9"})
    bench.take(raw.replace(b"19700101|F", b"|"))
    sent = bench.outbox()
    bench.take(registry("R1", event, pid()), "second")
    record = bench.case().record
    assert record.patient
    assert (record.patient.sex, record.doubts) == ("F", ())
    assert record.patient.birth
    assert [entry.state for entry in record.entries] == ["released", "open"]
    assert bench.outbox() == sent
    decisions = bench.store.read(lambda r: r.decisions(bench.case().id))
    assert len(decisions) == 2
    assert len(audited(bench, "S1", "took demographics")) == 1


@pytest.mark.parametrize(
    ("told", "doubt"),
    [
        (pid(birth="19710101"), "the registry changed the patient's birth date"),
        (pid(sex="M"), "the registry changed the patient's sex"),
        (pid(birth='""'), "the registry deleted the patient's birth date"),
    ],
)
def test_another_birth_date_or_sex_holds_what_is_open(bench: Bench, told: str, doubt: str) -> None:
    bench.take(result_message("M1", specimen="S1"))
    bench.take(result_message("M2", specimen="S2", results={"potassium": "6.9"}))
    sent = bench.outbox()
    bench.take(registry("R1", "A08^ADT_A01", told), "second")
    assert bench.case("S2").record.doubts == (doubt,)
    assert bench.case("S1").record.entries[0].state == "released"
    assert bench.outbox() == sent
    # What comes now with the old demographics does not fit the patient any more, or still does.
    bench.take(result_message("M3", specimen="S3"))
    expected = "released" if "deleted" in doubt else "open"
    assert bench.case("S3").record.entries[0].state == expected


def test_nobody_known_is_no_fault(bench: Bench) -> None:
    answer = bench.take(registry("R1", "A08^ADT_A01", pid("P9")), "second")
    assert answer.outcome == "accepted"
    assert bench.store.read(lambda r: r.problems()) == []


def test_a_merge_is_forgotten_with_the_patient(bench: Bench) -> None:
    bench.take(result_message("M1", patient="P2"))
    bench.take(merge("R1", "P1", "P2"), "second")
    for row in bench.outbox():
        bench.store.write(lambda tx, row=row: tx.mark_sent(row.id, "AA"))
    assert bench.store.read(lambda r: r.merges_of("LAB^MR^P2"))
    list(remove_old(bench.store, datetime.now(UTC) + timedelta(days=1), "ann"))
    assert bench.store.read(lambda r: r.merges_of("LAB^MR^P2")) == []
