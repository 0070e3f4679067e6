"""What people do with results: words, suppression, corrections, taking back, requests."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from databases import database_url

from service.bench import ANN, PAT, Bench, obx_of
from service.laboratory import RULES, result_message
from verifier.errors import RefusedError
from verifier.hl7.message import Message
from verifier.service import actions, asking, correcting
from verifier.service.settling import Words
from verifier.service.using import reasons_given
from verifier.store.store import Store

GAP = """
derive gap "Gap"
  unit mmol/L   decimals 1
  formula sodium - potassium
  report as LOINC 33037-3
  from "invented for this test"
"""
ORDERS = 'destinations = ["lis"]', 'destinations = ["lis"]\nrequests = "orders"'
PLACE = "[destinations.lis]", "[destinations.orders]\nport = 9\n[destinations.lis]"
TELL_ALL = ('held = "', 'rejected = "tell all"\nheld = "')


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    stores: list[Store] = []

    def made(*changes: tuple[str, str], **more: Any) -> Bench:
        url, folder = database_url(tmp_path), tmp_path / "checkpoints"
        bench = Bench(tmp_path, None, changes=changes, **more)  # type: ignore[arg-type]
        bench.store = Store.open(url, checkpoints=folder, clock=lambda: bench.now)
        stores.append(bench.store)
        return bench

    yield made
    for store in stores:
        store.close()


def fields(payload: bytes, name: str) -> list[list[str]]:
    lines = payload.decode().split("\r")
    return [line.split("|") for line in lines if line.startswith(name)]


def do(bench: Bench, action: Callable[..., None], who: Any, *args: Any, **more: Any) -> None:
    case, judge = bench.case(), bench.line.judge
    bench.store.write(lambda tx: action(tx, judge, who, case.id, *args, bench.now, **more))


def told(bench: Bench) -> list[tuple[str, str]]:
    trail = bench.store.read(lambda reader: reader.audit_for_case(bench.case().id))
    return [(entry.who, entry.what) for entry in trail]


def test_coded_and_free_comments_leave_with_the_result_and_who_answers_for_it(
    make: Callable[..., Bench],
) -> None:
    bench = make()
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    words = Words(("CHECKED", "PHONED"), "FITS", "on dialysis")
    do(bench, actions.release, ANN, [0], "to Dr Example", words=words)
    (row,) = bench.outbox()
    assert [note[3] for note in fields(row.payload, "NTE")] == [
        "Measured again and confirmed.", "The result was told by telephone.", "to Dr Example",
    ]  # fmt: skip
    assert fields(row.payload, "OBX")[0][16] == "ann", "OBX-16, responsible observer"
    (act,) = bench.store.read(lambda reader: reader.acts(bench.case().id))
    assert (act.what, act.who, act.done.rules) == ("release", "ann", ("critical",))
    assert (act.done.reason, act.done.why) == ("FITS", "on dialysis")
    bench.take(result_message("M2", results={"potassium": "7.0"}, status="C"))
    with pytest.raises(RefusedError, match="no comment with the code"):
        do(bench, actions.release, ANN, [1], "", words=Words(("NO-SUCH",)))


def test_what_rules_release_names_nobody(make: Callable[..., Bench]) -> None:
    bench = make()
    bench.take(result_message("M1"))
    (obx,) = fields(bench.outbox()[0].payload, "OBX")
    assert len(obx) < 17 or obx[16] == ""


def test_a_suppressed_value_leaves_as_words_and_counts_for_nothing(
    make: Callable[..., Bench],
) -> None:
    bench = make(rules=RULES + GAP)
    bench.take(result_message("M1", results={"sodium": "140", "potassium": "6.9"}))
    with pytest.raises(RefusedError, match="why no value"):
        do(bench, actions.suppress, ANN, [1], " ")
    do(bench, actions.suppress, ANN, [1], "", words=Words(("HEMOLYZED",)))
    payload = bench.outbox()[-1].payload
    assert obx_of(payload) == [("2823-3", "not reported", "F")], "and nothing derived from it"
    assert b"6.9" not in payload
    assert b"may be falsely high" in payload
    assert bench.case().record.entries[1].state == "suppressed"
    patient = bench.case().record.patient
    assert patient
    start = bench.now - timedelta(days=9)
    earlier = bench.store.read(lambda r: r.earlier(patient.key, since=start))
    assert "potassium" not in earlier
    bench.take(result_message("M2", results={"potassium": "4.1"}, status="C"))
    assert bench.case().record.entries[-1].corrects, "the words have left: a value corrects them"


def test_a_release_is_taken_back_before_it_leaves_and_both_stay_on_record(
    make: Callable[..., Bench],
) -> None:
    bench = make(rules=RULES + GAP)
    bench.take(result_message("M1", results={"sodium": "140", "potassium": "6.9"}))
    before = len(bench.outbox())
    do(bench, actions.release, ANN, [1], "")
    kept = bench.outbox()[before:]
    assert [row.not_before for row in kept] == [bench.now + timedelta(seconds=10)]
    assert {"2823-3", "33037-3"} == {code for code, *_ in obx_of(kept[0].payload)}
    bench.now += timedelta(seconds=9)
    with pytest.raises(RefusedError, match="Only ann"):
        do(bench, correcting.undo, PAT)
    do(bench, correcting.undo, ANN)
    assert bench.outbox()[before:] == []
    row = bench.store.read(lambda r: r.outgoing(kept[0].id))
    assert row
    assert row.status == "taken back"
    assert [entry.state for entry in bench.case().record.entries] == ["released", "open"]
    assert bench.case().held == 1
    assert {("ann", "released"), ("ann", "took back")} <= set(told(bench))
    do(bench, actions.release, ANN, [1], "")
    again = bench.outbox()[before:]
    assert set(obx_of(again[0].payload)) == set(obx_of(kept[0].payload)), "derived ones as well"
    bench.now += timedelta(seconds=10)
    with pytest.raises(RefusedError, match="any more"):
        do(bench, correcting.undo, ANN)


def test_nothing_is_taken_back_after_more_has_come(make: Callable[..., Bench]) -> None:
    bench = make()
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    do(bench, actions.release, ANN, [0], "")
    bench.take(result_message("M2", results={"sodium": "141"}))
    with pytest.raises(RefusedError, match="has changed since"):
        do(bench, correcting.undo, ANN)


def test_only_the_same_specimen_waits_for_what_may_be_taken_back(
    make: Callable[..., Bench],
) -> None:
    bench = make()
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    do(bench, actions.release, ANN, [0], "")
    bench.take(result_message("M2", results={"sodium": "141"}))
    bench.take(result_message("M3", specimen="S2", results={"sodium": "142"}))
    kept, behind, other = bench.outbox()

    def next_one(seconds: int) -> int:
        at = bench.now + timedelta(seconds=seconds)
        row = bench.store.read(lambda r: r.next_outgoing("lis", at))
        assert row
        return row.id

    assert next_one(0) == other.id
    bench.store.write(lambda tx: tx.mark_sent(other.id, "AA"))
    assert bench.store.read(lambda r: r.next_outgoing("lis", bench.now)) is None
    assert next_one(10) == kept.id, "and then in order"
    assert bench.store.write(lambda tx: tx.let_go(kept.id))
    assert not bench.store.write(lambda tx: tx.take_back(kept.id)), "let go is let go"
    bench.store.write(lambda tx: tx.mark_sent(kept.id, "AA"))
    assert next_one(10) == behind.id


def test_a_pathologist_corrects_what_has_left(make: Callable[..., Bench]) -> None:
    bench = make(rules=RULES + GAP)
    bench.take(result_message("M1", results={"sodium": "140", "potassium": "4.0"}))
    with pytest.raises(RefusedError, match="by a pathologist"):
        do(bench, correcting.correct, ANN, 1, "4.4", "wrong tube")
    with pytest.raises(RefusedError, match="Say why"):
        do(bench, correcting.correct, PAT, 1, "4.4", "")
    with pytest.raises(RefusedError, match="can not be read"):
        do(bench, correcting.correct, PAT, 1, "about four", "wrong tube")
    do(bench, correcting.correct, PAT, 1, "4.4", "wrong tube")
    payload = bench.outbox()[-1].payload
    assert set(obx_of(payload)) == {("2823-3", "4.4", "C"), ("33037-3", "135.6", "C")}
    assert fields(payload, "OBR")[0][25] == "C", "OBR-25, HL7 table 0123"
    assert [note[3] for note in fields(payload, "NTE")] == ["wrong tube"]
    before, after = bench.case().record.entries[1:]
    assert (before.state, before.observation.text) == ("superseded", "4.0")
    assert (after.state, after.settled_by, after.previous) == ("released", "pat", "4.0 mmol/L")
    assert Message.read(payload).control_id == bench.outbox()[-1].control_id
    bench.take(result_message("M2", results={"sodium": "140", "potassium": "4.0"}))
    assert bench.outcomes()["potassium"] == "hold", "the old value does not come back unseen"


def test_a_pathologist_withdraws_what_has_left(make: Callable[..., Bench]) -> None:
    bench = make(rules=RULES + GAP)
    bench.take(result_message("M1", results={"sodium": "140", "potassium": "4.0"}))
    do(bench, correcting.withdraw, PAT, 1, "another patient's tube")
    payload = bench.outbox()[-1].payload
    assert set(obx_of(payload)) == {("2823-3", "4.0", "W"), ("33037-3", "136.0", "W")}
    with pytest.raises(RefusedError, match="has not left"):
        do(bench, correcting.withdraw, PAT, 1, "again")
    with pytest.raises(RefusedError, match="any more"):
        do(bench, correcting.undo, PAT)


@pytest.mark.parametrize(
    ("held", "told_all", "sent"),
    [
        ("send unverified", False, [("2823-3", "6.9", "R"), ("2823-3", '""', "X")]),
        ("withhold", True, [("2823-3", '""', "X")]),
        ("withhold", False, []),
    ],
)
def test_the_lis_is_told_of_a_rejection(
    make: Callable[..., Bench], held: str, told_all: bool, sent: list[Any]
) -> None:
    bench = make(
        *([('held = "', 'rejected = "tell all"\nheld = "')] if told_all else []), held=held
    )
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    do(bench, actions.reject, ANN, [0], "", words=Words(("CLOTTED",)))
    assert bench.obx_sent() == sent
    if sent:
        assert b"The specimen is clotted." in bench.outbox()[-1].payload


def test_what_went_out_as_not_verified_is_withdrawn_by_its_sender(
    make: Callable[..., Bench],
) -> None:
    bench = make(held="send unverified")
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    bench.take(result_message("M2", results={"potassium": "6.9"}, status="W"))
    assert [status for *_, status in bench.obx_sent()] == ["R", "W"]
    bench = make()
    bench.take(result_message("M3", specimen="S9", results={"potassium": "6.9"}))
    bench.take(result_message("M4", specimen="S9", results={"potassium": "6.9"}, status="W"))
    assert [status for *_, status in bench.obx_sent()] == ["R", "W"], "nothing of what it never had"


def test_a_rerun_is_asked_for_as_an_order_and_closed_when_it_comes(
    make: Callable[..., Bench],
) -> None:
    bench = make(ORDERS, PLACE)
    bench.take(result_message("M1", results={"sodium": "140", "potassium": "6.9"}))
    do(bench, asking.ask, ANN, "dilution", [1], "beyond the interval")
    (row,) = bench.outbox("orders")
    (orc,), (obr,) = fields(row.payload, "ORC"), fields(row.payload, "OBR")
    (tcd,), (note,) = fields(row.payload, "TCD"), fields(row.payload, "NTE")
    assert fields(row.payload, "MSH")[0][8] == "OML^O21^OML_O21"
    assert (orc[1], obr[4], obr[11]) == ("NW", "2823-3^Potassium^LN", "A")
    assert obr[26] == "2823-3&Potassium&LN^^6.9", "OBR-26: which result gave rise to it"
    assert obr[29] == "S1^S1", "OBR-29: of which order"
    assert (tcd[8], note[3]) == ("D^dilution^HL70389", "beyond the interval")
    assert bench.case().record.entries[1].state == "open"
    (request,) = bench.store.read(lambda r: r.open_requests())
    assert (request.what, request.tests, request.destination) == ("dilution", ("2823-3",), "orders")
    bench.take(result_message("M2", results={"sodium": "140"}))
    assert bench.store.read(lambda r: r.open_requests()), "not what was asked for"
    bench.take(result_message("M3", results={"potassium": "6.9"}))
    (request,) = bench.store.read(lambda r: r.requests_of_case(bench.case().id))
    assert (request.state, request.closed_by) == ("done", "verifier"), "though it is as before"


def test_a_new_specimen_ends_its_request(make: Callable[..., Bench]) -> None:
    bench = make()
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    do(bench, asking.ask_new_specimen, ANN, "clotted")
    (request,) = bench.store.read(lambda r: r.open_requests())
    assert (request.what, request.destination) == ("new specimen", "")
    assert bench.outbox("lis") == [], "the list alone tells of it"
    bench.take(result_message("M2", specimen="S2", patient="P2", results={"potassium": "4.0"}))
    assert bench.store.read(lambda r: r.open_requests()), "of another patient"
    bench.take(result_message("M3", specimen="S3", results={"potassium": "4.1"}))
    assert not bench.store.read(lambda r: r.open_requests())


def test_a_request_is_called_off_with_a_reason(make: Callable[..., Bench]) -> None:
    bench = make()
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    do(bench, asking.ask, ANN, "rerun", [0], "")
    (request,) = bench.store.read(lambda r: r.open_requests())

    def close(note: str, came: bool) -> None:
        bench.store.write(
            lambda tx: asking.close_request(tx, PAT, request.id, note, bench.now, came=came)
        )

    with pytest.raises(RefusedError, match="called off"):
        close("", False)
    close("analyzer is down", False)
    with pytest.raises(RefusedError, match="not open"):
        close("", True)
    (row,) = bench.store.read(lambda r: r.requests_of_case(bench.case().id))
    assert (row.state, row.closed_by, row.note) == ("cancelled", "pat", "analyzer is down")


def test_why_rules_were_overridden_is_counted_per_rule(make: Callable[..., Bench]) -> None:
    bench = make()
    for number, words in enumerate((Words((), "FITS"), Words((), "FITS"), Words((), "", "known"))):
        name = f"S{number}"
        bench.take(result_message(f"M{number}", specimen=name, results={"potassium": "6.9"}))
        case = bench.case(name).id
        bench.store.write(
            lambda tx, c=case, w=words: actions.release(
                tx, bench.line.judge, ANN, c, [0], "", bench.now, words=w
            )
        )
    last = bench.case("S2").id
    bench.store.write(lambda tx: correcting.undo(tx, bench.line.judge, ANN, last, bench.now))
    since = bench.now - timedelta(days=1)
    coded = bench.line.settings.acts.reasons
    given = bench.store.read(lambda reader: reasons_given(reader, since, coded))
    assert given == {"critical": [("It fits the patient's illness or treatment.", 2)]}
