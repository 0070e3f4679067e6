"""The line on a real database, without sockets: what each message does to the record."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from databases import database_url

from service.bench import ADA, ANN, NOW, Bench
from service.laboratory import RULES, result_message
from verifier.errors import RefusedError
from verifier.service import actions, asking
from verifier.store.store import Store


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        yield Bench(tmp_path, store)


def test_released_and_held_results_of_one_specimen(bench: Bench) -> None:
    bench.take(result_message("M1", results={"sodium": "140", "potassium": "6.9"}))
    states = [entry.state for entry in bench.case().record.entries]
    assert states == ["released", "open"]
    assert bench.obx_sent() == [("2951-2", "140", "F")]


def test_a_resend_is_answered_from_the_record(bench: Bench) -> None:
    first = bench.take(result_message("M1"))
    again = bench.take(result_message("M1"))
    assert again.ack == first.ack
    assert again.outcome == "resend"
    assert len(bench.outbox()) == 1


def test_a_control_id_used_again_with_other_content_is_processed_and_flagged(bench: Bench) -> None:
    bench.take(result_message("M1", specimen="S1"))
    bench.take(result_message("M1", specimen="S2"))
    assert len(bench.outbox()) == 2
    problems = bench.store.read(lambda reader: reader.problems())
    assert [problem.note for problem in problems] == ["control id used before with other content"]
    subject = f"message:{problems[0].message_id}"
    (entry,) = bench.store.read(lambda reader: reader.audit_of(subject))
    assert entry.detail
    assert entry.detail["because"] == "control id used before with other content"


def test_a_person_releases_and_it_leaves_with_the_comment(bench: Bench) -> None:
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    case = bench.case()
    bench.store.write(
        lambda tx: actions.release(
            tx, bench.line.judge, ANN, case.id, [0], "Repeated, confirmed.", NOW
        )
    )
    assert bench.obx_sent() == [("2823-3", "6.9", "F")]
    assert "NTE|1|L|Repeated, confirmed." in bench.outbox()[0].payload.decode()
    assert bench.case().record.entries[0].settled_by == "ann"
    trail = bench.store.read(lambda reader: reader.audit_for_case(case.id))
    assert "released" in [entry.what for entry in trail if entry.who == "ann"]


def test_what_was_settled_can_not_be_settled_again(bench: Bench) -> None:
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    case = bench.case()

    def reject(tx: object) -> None:
        actions.reject(tx, bench.line.judge, ANN, case.id, [0], "clotted", NOW)  # type: ignore[arg-type]

    bench.store.write(reject)
    with pytest.raises(RefusedError, match="settled meanwhile"):
        bench.store.write(reject)
    assert bench.outbox() == []


def test_an_administrator_settles_no_results(bench: Bench) -> None:
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    with pytest.raises(RefusedError, match="administrator may not"):
        bench.store.write(
            lambda tx: actions.release(tx, bench.line.judge, ADA, bench.case().id, [0], "", NOW)
        )


def test_a_new_specimen_is_asked_for_with_a_reason(bench: Bench) -> None:
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    case = bench.case()
    with pytest.raises(RefusedError, match="Say why"):
        bench.store.write(
            lambda tx: asking.ask_new_specimen(tx, bench.line.judge, ANN, case.id, " ", NOW)
        )
    bench.store.write(
        lambda tx: asking.ask_new_specimen(tx, bench.line.judge, ANN, case.id, "hemolysed", NOW)
    )
    assert [entry.state for entry in bench.case().record.entries] == ["rejected"]
    trail = bench.store.read(lambda reader: reader.audit_for_case(case.id))
    assert "asked for a new specimen" in [entry.what for entry in trail]


def test_a_correction_of_what_left_is_held_then_leaves_as_c(bench: Bench) -> None:
    bench.take(result_message("M1", results={"sodium": "140"}))
    bench.take(result_message("M2", results={"sodium": "141"}, status="C"))
    assert bench.obx_sent() == [("2951-2", "140", "F")]
    case = bench.case()
    bench.store.write(lambda tx: actions.release(tx, bench.line.judge, ANN, case.id, [1], "", NOW))
    assert bench.obx_sent() == [("2951-2", "140", "F"), ("2951-2", "141", "C")]


def test_a_withdrawal_of_what_left_is_passed_on_at_once(bench: Bench) -> None:
    bench.take(result_message("M1", results={"sodium": "140"}))
    bench.take(result_message("M2", results={"sodium": "140"}, status="W"))
    assert bench.obx_sent() == [("2951-2", "140", "F"), ("2951-2", "140", "W")]


def test_results_of_one_specimen_join_across_connections(bench: Bench) -> None:
    bench.take(result_message("M1", results={"sodium": "140"}))
    bench.take(result_message("M2", results={"potassium": "4.1"}), connection="second")
    assert len(bench.case().record.entries) == 2
    assert bench.obx_sent() == [("2951-2", "140", "F"), ("2823-3", "4.1", "F")]


def test_a_control_specimen_is_kept_and_never_forwarded(bench: Bench) -> None:
    raw = result_message("M1").replace(b"|||||||P|||||", b"|||||||Q|||||")
    answer = bench.take(raw)
    assert answer.outcome == "control"
    assert b"MSA|AA" in (answer.ack or b"")
    assert bench.outbox() == []
    assert bench.store.read(lambda reader: reader.case_by_specimen("S1")) is None


def test_enhanced_mode_answers_ca_and_may_ask_for_silence(bench: Bench) -> None:
    loud = result_message("M1").replace(b"|P|2.5.1\r", b"|P|2.5.1|||AL|NE\r", 1)
    silent = result_message("M2", specimen="S2").replace(b"|P|2.5.1\r", b"|P|2.5.1|||NE|NE\r", 1)
    assert b"MSA|CA|M1" in (bench.take(loud).ack or b"")
    assert bench.take(silent).ack is None
    assert len(bench.outbox()) == 2


def test_unreadable_bytes_are_kept_and_shown(bench: Bench) -> None:
    assert bench.take(b"\x00\x01 no message").ack is None
    broken = b"MSH|^^^^|A|B|C|D|2026||ORU^R01|X9|P|2.5.1\r"
    assert b"|X9" in (bench.take(broken).ack or b"")
    problems = bench.store.read(lambda reader: reader.problems())
    assert [problem.outcome for problem in problems] == ["unreadable", "unreadable"]
    kept = {bench.store.read(lambda r, n=p.message_id: r.raw(n)) for p in problems}  # type: ignore[misc]
    assert kept == {b"\x00\x01 no message", broken}


def test_everything_is_in_one_transaction(bench: Bench) -> None:
    class Broken(Exception):
        pass

    def work(tx: object) -> None:
        bench.line.take(tx, "chem", result_message("M1"), NOW)  # type: ignore[arg-type]
        raise Broken

    with pytest.raises(Broken):
        bench.store.write(work)
    assert bench.outbox() == []
    assert bench.store.read(lambda reader: reader.case_by_specimen("S1")) is None
    assert bench.store.read(lambda reader: reader.receipts("ANALYZER", "LAB", "M1")) == []
    assert bench.take(result_message("M1")).outcome == "accepted"


def test_a_failure_inside_keeps_the_message_and_answers_207(bench: Bench) -> None:
    answer = bench.store.write(
        lambda tx: bench.line.keep_failed(tx, "chem", result_message("M1"), "defect", NOW)
    )
    assert b"MSA|AE|M1" in (answer.ack or b"")
    assert b"207^" in (answer.ack or b"")
    # The sender comes again: this time it is processed, not answered from the failed record.
    assert bench.take(result_message("M1")).outcome == "accepted"


def test_one_number_for_two_people_is_held(bench: Bench) -> None:
    bench.take(result_message("M1", specimen="S1"))
    other = result_message("M2", specimen="S2").replace(b"|19700101|F", b"|19400101|M")
    bench.take(other)
    decision = bench.case("S2").decision
    assert decision
    assert [result.outcome for result in decision.results] == ["hold"]
    assert "another birth date" in decision.results[0].reasons[0].text


def test_a_control_state_expires(bench: Bench) -> None:
    bench.store.write(lambda tx: actions.set_control(tx, ANN, "sodium", "in control", "", NOW))
    recorded = bench.store.read(lambda reader: reader.controls())[0].at
    bench.now = recorded + timedelta(hours=23)
    bench.take(result_message("M1", specimen="S1"))
    bench.now = recorded + timedelta(hours=25)
    bench.take(result_message("M2", specimen="S2"))
    assert bench.outcomes("S1") == {"sodium": "release"}
    assert bench.outcomes("S2") == {"sodium": "hold"}


PATIENT_WIDE = """
rule mixed-up  from "invented for this test"
  hold patient when sodium > 150 mmol/L
  when unknown ignore
  because "sodium {sodium} does not belong to this patient"
"""


def test_what_holds_a_patient_holds_the_next_specimen_until_it_is_settled(tmp_path: Path) -> None:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        bench = Bench(tmp_path, store, rules=RULES + PATIENT_WIDE)
        bench.take(result_message("M1", specimen="S1", results={"sodium": "155"}))
        bench.take(result_message("M2", specimen="S2"))
        bench.take(result_message("M3", specimen="S3", patient="P2"))
        assert bench.outcomes("S2") == {"sodium": "hold"}
        assert bench.outcomes("S3") == {"sodium": "release"}
        decision = bench.case("S2").decision
        assert decision
        assert "specimen S1 holds all of this patient" in decision.results[0].reasons[0].text
        bench.act(actions.reject, ANN, [0], "another person's tube")
        bench.take(result_message("M4", specimen="S4"))
        assert bench.outcomes("S4") == {"sodium": "release"}


REMARKED = """
derive double "Double sodium"
  unit mmol/L  decimals 0
  formula 2 * sodium
  report as LOINC 33037-3
  from "invented for this test"

rule remark for double  from "invented for this test"
  when double > 0 mmol/L
  when unknown ignore
  because "it is calculated"
  comment "calculated, not measured"
"""


def test_a_comment_on_a_derived_result_leaves_with_it(tmp_path: Path) -> None:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        bench = Bench(tmp_path, store, rules=RULES + REMARKED)
        bench.take(result_message("M1", results={"sodium": "140"}))
        payload = bench.outbox()[0].payload.decode()
    assert payload.index("|280|mmol/L") < payload.index("calculated, not measured")
