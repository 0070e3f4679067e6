"""How a case grows. Result status: HL7 table 0085 and HL7 v2.9.1 section 7.4.2.11 (OBX-11)."""

from itertools import product

import msgspec
import pytest
from fact_wires import NOW, PID, SPM, merged, obx, report
from hypothesis import given
from hypothesis import strategies as st

from verifier.facts.case import CaseRecord
from verifier.facts.merge import identity_doubts, merge

STATUSES = ["", "C", "D", "F", "I", "N", "O", "P", "R", "S", "U", "W", "X", "unknown"]


def settled(record: CaseRecord, state: str) -> CaseRecord:
    entries = tuple(msgspec.structs.replace(e, state=state) for e in record.entries)
    return msgspec.structs.replace(record, entries=entries)


@pytest.mark.parametrize(
    ("pid", "said"),
    [
        (PID, ""),
        (PID.replace("Jane", "Jane M"), ""),  # names are spelled in many ways
        (PID.replace("19800229", "19400101"), "another birth date"),
        (PID.replace("|F", "|M"), "another sex"),
        (PID.replace("4711", "4712").replace("|F", "|M"), ""),
        (PID.replace("19800229", ""), ""),
    ],
)
def test_one_number_for_two_people_is_a_doubt(pid: str, said: str) -> None:
    doubts = identity_doubts(report(obx()).patient, report(obx(), pid=pid).patient)
    assert bool(doubts) == bool(said)
    assert said in "".join(doubts)


def test_a_repeat_adds_nothing() -> None:
    once = merged([obx(), obx("2951-2^Sodium^LN", "140")])
    again = merged([obx("2951-2^Sodium^LN", "140"), obx()], start=once)
    assert again == once


def test_from_preliminary_to_final() -> None:
    record = merged([obx(value="4.0", status="P")], [obx(value="4.1", status="P")], [obx()])
    assert [e.state for e in record.entries] == ["superseded", "superseded", "open"]
    assert [e.doubts for e in record.entries] == [(), (), ()]
    assert record.entries[-1].previous == "4.1 mmol/L"
    assert not record.entries[-1].corrects


def test_a_final_value_that_changes_without_correction_is_a_doubt() -> None:
    record = merged([obx(value="4.0")], [obx(value="5.0")])
    assert [e.state for e in record.entries] == ["superseded", "open"]
    assert "without being sent as a correction" in record.entries[1].doubts[0]


def test_a_correction_before_release() -> None:
    record = merged([obx(value="4.0")], [obx(value="5.0", status="C")])
    assert [e.state for e in record.entries] == ["superseded", "open"]
    assert record.entries[1].doubts == ()
    assert not record.entries[1].corrects


def test_a_correction_of_what_has_left() -> None:
    left = settled(merged([obx(value="4.0")]), "released")
    record = merged([obx(value="5.0", status="C")], start=left)
    assert record.entries[0].state == "superseded"
    assert record.entries[1].corrects
    assert record.entries[1].previous == "4.0 mmol/L"
    assert record.entries[1].doubts == ()


def test_every_later_value_corrects_what_has_left() -> None:
    left = settled(merged([obx(value="4.0")]), "released")
    record = merged(
        [obx(value="5.0", status="C")],
        [obx(value="5.0", status="W")],
        [obx(value="6.0", status="F")],
        start=left,
    )
    assert [e.state for e in record.entries] == ["superseded", "superseded", "superseded", "open"]
    assert record.entries[-1].corrects


@pytest.mark.parametrize("status", ["W", "D"])
def test_a_withdrawal(status: str) -> None:
    kept = merged([obx()], [obx(status=status)])
    assert [e.state for e in kept.entries] == ["superseded", "withdrawn"]
    assert not kept.entries[1].corrects
    left = settled(merged([obx()]), "released")
    gone = merged([obx(status=status)], start=left)
    assert gone.entries[1].state == "withdrawn"
    assert gone.entries[1].corrects


def test_a_correction_of_nothing_is_a_doubt() -> None:
    record = merged([obx(status="C")])
    assert "never received" in record.entries[0].doubts[0]


def test_the_last_value_without_status_of_a_final_one_is_a_doubt() -> None:
    record = merged([obx()], [obx(value="4.2", status="P")])
    assert "followed by status P" in record.entries[1].doubts[0]


# HL7 v2.9.1 section 7.4.2.11: a final result is changed by C, W or D and by nothing else.
@pytest.mark.parametrize(("before", "after"), list(product(["F", "C"], STATUSES)))
def test_a_final_value_is_left_only_by_correction_or_withdrawal(before: str, after: str) -> None:
    first = merged([obx(value="4.0")], [obx(value="4.0", status=before)])
    record = merged([obx(value="4.5", status=after)], start=first)
    assert bool(record.entries[-1].doubts) == (after not in {"C", "W", "D"})


def test_other_runs_and_analyzers_are_other_results() -> None:
    record = merged([obx(value="4.0")], [obx(value="5.0", run="2"), obx(value="6.0", analyzer="B")])
    assert [e.state for e in record.entries] == ["open"] * 3


def test_one_message_that_contradicts_itself() -> None:
    record = merged([obx(value="4.0"), obx(value="5.0"), obx(value="5.0")])
    assert len(record.entries) == 2
    assert all("several times" in e.doubts[0] for e in record.entries)
    assert merged([obx(value="4.0"), obx(value="5.0")], start=record) == record


def test_a_correction_replaces_all_contradictory_values() -> None:
    record = merged([obx(value="4.0"), obx(value="5.0")], [obx(value="6.0", status="C")])
    assert [e.state for e in record.entries] == ["superseded", "superseded", "open"]


def test_a_changed_flag_or_unit_is_a_change() -> None:
    for changed in (obx(flags="HH"), obx(unit="mg/dL")):
        record = merged([obx()], [changed])
        assert [e.state for e in record.entries] == ["superseded", "open"]
        assert record.entries[1].doubts


@pytest.mark.parametrize(
    ("pid", "spm", "doubt"),
    [
        (PID.replace("4711", "4712"), SPM, "another patient"),
        (PID.replace("19800229", "19800301"), SPM, "another birth date"),
        (PID.replace("|F", "|M"), SPM, "another sex"),
        (PID, SPM.replace("SER", "UR"), "as serum, now as urine"),
        (PID, SPM.replace("|P|", "|Q|"), "two roles"),
    ],
)
def test_a_specimen_that_is_told_differently_is_a_doubt(pid: str, spm: str, doubt: str) -> None:
    record = merged([obx()], report(obx("2951-2^Sodium^LN", "140"), pid=pid, spm=spm))
    assert doubt in record.doubts[0]
    again = merged(report(obx("2951-2^Sodium^LN", "140"), pid=pid, spm=spm), start=record)
    assert again.doubts == record.doubts


def test_what_was_not_known_is_filled_in() -> None:
    bare = report(obx(), pid="", spm="SPM|1|S1")
    record = merged(bare, report(obx("2951-2^Sodium^LN", "140")))
    assert record.doubts == ()
    assert record.patient is not None
    assert record.patient.number == "4711"
    assert record.specimen.type == "serum"
    later = merged(bare, start=record)
    assert later.patient == record.patient


def test_a_patient_without_number_does_not_hide_the_one_known() -> None:
    record = merged([obx()], report(obx(), pid="PID|||^^^^U|||U"))
    assert record.patient is not None
    assert record.patient.key == "HOSP^MR^4711"


steps = st.lists(
    st.tuples(
        st.sampled_from(["2823-3^K^LN", "2951-2^Na^LN"]),
        st.sampled_from(["4.0", "5.0", ""]),
        st.sampled_from(STATUSES),
    ),
    max_size=8,
)


@given(steps)
def test_entries_keep_their_place_and_content(history: list[tuple[str, str, str]]) -> None:
    record: CaseRecord | None = None
    for number, (code, value, status) in enumerate(history):
        said = report(obx(code, value, status=status))
        after = merge(record, said, connection="analyzer", message=number, arrived=NOW)
        if record:
            for old, new in zip(record.entries, after.entries, strict=False):
                assert new.observation == old.observation
                assert new.state in {old.state, "superseded"}
            assert len(after.entries) - len(record.entries) in {0, 1}
        standing = [e.observation.key for e in after.entries if e.state != "superseded"]
        assert len(standing) == len(set(standing))
        assert merge(after, said, connection="analyzer", message=99, arrived=NOW) == after
        record = after


@given(st.permutations([obx(), obx("2951-2^Na^LN", "140"), obx("2075-0^Cl^LN", "103")]))
def test_the_order_of_messages_of_different_tests_does_not_matter(order: list[str]) -> None:
    record = merged(*([item] for item in order))
    entries = {(e.observation.code, e.observation.text, e.state, e.doubts) for e in record.entries}
    assert entries == {
        ("2823-3", "4.10", "open", ()),
        ("2951-2", "140", "open", ()),
        ("2075-0", "103", "open", ()),
    }
    assert record.doubts == ()
