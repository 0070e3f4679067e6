"""What leaves the laboratory: derived results, several messages and analyzers for one specimen,
several destinations, results not verified, withdrawals. What is sent is the sender's message."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from databases import database_url

from service.bench import ANN, PAT, Bench, obx_of
from service.laboratory import RULES, result_message
from verifier.service import actions
from verifier.store.store import Store

GAP = (
    RULES
    + """
derive gap "Gap"
  unit mmol/L   decimals 1
  formula sodium - potassium
  report as LOINC 33037-3
  from "invented for this test"
"""
)
BOTH = {"sodium": "140", "potassium": "4.1"}
CRITICAL = {"sodium": "140", "potassium": "6.9"}
SODIUM, POTASSIUM = ("2951-2", "140", "F"), ("2823-3", "4.1", "F")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as opened:
        yield opened


@pytest.fixture
def bench(tmp_path: Path, store: Store) -> Bench:
    return Bench(tmp_path, store, rules=GAP)


def test_a_derived_result_leaves_behind_its_inputs(bench: Bench) -> None:
    bench.take(result_message("M1", results=BOTH))
    assert bench.obx_sent() == [SODIUM, POTASSIUM, ("33037-3", "135.9", "F")]


def test_a_derived_result_waits_for_the_person_who_releases_its_input(bench: Bench) -> None:
    bench.take(result_message("M1", results=CRITICAL))
    assert bench.obx_sent() == [SODIUM]
    bench.act(actions.release, PAT, [1], "")
    assert [obx_of(row.payload) for row in bench.outbox()] == [
        [SODIUM],
        [("2823-3", "6.9", "F"), ("33037-3", "133.1", "F")],
    ]


def test_a_derived_result_never_leaves_when_an_input_is_rejected(bench: Bench) -> None:
    bench.take(result_message("M1", results=CRITICAL))
    bench.act(actions.reject, ANN, [1], "hemolysed")
    assert bench.obx_sent() == [SODIUM]


def test_inputs_from_two_analyzers_join_and_each_message_keeps_its_own_segments(
    bench: Bench,
) -> None:
    bench.take(result_message("M1", results={"sodium": "140"}, extra="ZAA|one\r"))
    bench.take(
        result_message("M2", results={"potassium": "4.1"}, extra="ZBB|two\r"), connection="second"
    )
    first, second = (row.payload for row in bench.outbox())
    assert obx_of(first) == [SODIUM]
    assert obx_of(second) == [POTASSIUM, ("33037-3", "135.9", "F")]
    assert b"ZAA|one" in first
    assert b"ZBB" not in first
    assert b"ZBB|two" in second
    assert b"ZAA" not in second


def test_results_of_two_messages_released_at_once_leave_in_two_messages(bench: Bench) -> None:
    bench.take(result_message("M1", results={"sodium": "170"}, extra="ZAA|one\r"))
    bench.take(result_message("M2", results={"potassium": "6.9"}, extra="ZBB|two\r"))
    assert bench.outbox() == []
    bench.act(actions.release, PAT, [0, 1], "called")
    first, second = (row.payload for row in bench.outbox())
    assert obx_of(first) == [("2951-2", "170", "F")]
    assert obx_of(second) == [("2823-3", "6.9", "F"), ("33037-3", "163.1", "F")]
    assert b"ZAA|one" in first
    assert b"ZBB|two" in second
    assert b"NTE|1|L|called" in first
    assert b"NTE|1|L|called" in second


def test_a_corrected_input_corrects_what_is_derived_from_it(bench: Bench) -> None:
    bench.take(result_message("M1", results=BOTH))
    bench.take(result_message("M2", results={"potassium": "4.6"}, status="C"))
    assert len(bench.outbox()) == 1, "a correction of what has left is held"
    bench.act(actions.release, PAT, [2], "")
    assert obx_of(bench.outbox()[1].payload) == [
        ("2823-3", "4.6", "C"),
        ("33037-3", "135.4", "C"),
    ]


def test_what_is_derived_does_not_outlive_its_inputs(bench: Bench) -> None:
    bench.take(result_message("M1", results=BOTH))
    bench.take(result_message("M2", results={"potassium": "4.1"}, status="W"))
    assert obx_of(bench.outbox()[1].payload) == [
        ("2823-3", "4.1", "W"),
        ("33037-3", "135.9", "W"),
    ]


def test_what_has_left_and_arrives_again_has_no_effect(bench: Bench) -> None:
    bench.take(result_message("M1", results=BOTH))
    bench.take(result_message("M2", results=BOTH))  # another control id, the same results
    assert len(bench.outbox()) == 1
    assert len(bench.case().record.entries) == 2


def test_held_results_go_as_not_verified_and_later_as_final(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, held="send unverified")
    bench.take(result_message("M1", results=CRITICAL))
    assert bench.obx_sent() == [SODIUM, ("2823-3", "6.9", "R")]
    bench.act(actions.release, PAT, [1], "")
    assert obx_of(bench.outbox()[1].payload) == [("2823-3", "6.9", "F")]


SUPPRESSING = (
    GAP
    + """
rule implausible for potassium
  from "invented for this test"
  hold when result > 9 mmol/L
  because "{test} {result} is not compatible with life"
  suppress as "not reported: see the comment"
"""
)


def test_a_suppressed_value_leaves_as_words_or_not_at_all(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, rules=SUPPRESSING, held="send unverified")
    bench.take(result_message("M1", results={"sodium": "140", "potassium": "9.9"}))
    words = "not reported: see the comment"
    assert bench.obx_sent() == [SODIUM, ("2823-3", words, "R")]
    bench.act(actions.release, PAT, [1], "hemolysed")
    last = bench.outbox()[-1].payload
    assert obx_of(last) == [("2823-3", words, "F")]  # and no gap that would tell the value
    assert b"NTE|1|L|hemolysed" in last
    assert all(b"9.9" not in row.payload for row in bench.outbox())
    assert bench.case().record.entries[1].observation.text == "9.9"  # the record keeps it


def test_each_destination_gets_what_it_takes(tmp_path: Path, store: Store) -> None:
    archive = '[destinations.archive]\nport = 5\nheld = "send unverified"\nversion = "2.4"\n'
    both = ('destinations = ["lis"]', 'destinations = ["lis", "archive"]')
    bench = Bench(tmp_path, store, changes=(both, ("[web]", archive + "[web]")))
    bench.take(result_message("M1", results=CRITICAL))
    bench.take(result_message("M2", specimen="S2"), connection="second")
    assert bench.obx_sent("lis") == [SODIUM, SODIUM]
    assert bench.obx_sent("archive") == [SODIUM, ("2823-3", "6.9", "R")]
    assert b"|P|2.4" in bench.outbox("archive")[0].payload.split(b"\r")[0]


def test_a_held_result_that_is_withdrawn_never_leaves(bench: Bench) -> None:
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    bench.take(result_message("M2", results={"potassium": "6.9"}, status="W"))
    assert bench.outbox() == []
    assert bench.case().held == 0


def test_a_specimen_sent_in_several_messages_keeps_every_byte_of_the_sender(bench: Bench) -> None:
    raw = result_message("M1", results={"sodium": "140"}, extra="ZZZ|kept|as \\T\\ sent\r")
    bench.take(raw)
    sent = bench.outbox()[0].payload
    ours = {b"MSH", b"OBR", b"OBX"}  # what verification writes into
    kept = [line for line in raw.split(b"\r") if line and line[:3] not in ours]
    assert [line for line in sent.split(b"\r") if line and line[:3] not in ours] == kept
