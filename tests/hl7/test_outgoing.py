"""Messages to the LIS: what the sender wrote stays, only what verification owns changes."""

import re
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire import RESULTS, corpus, library_leaves, name_of, needs_corpus, our_leaves, sample

from verifier.hl7.acknowledge import admission
from verifier.hl7.conformance import report
from verifier.hl7.message import Message, Segment, Unreadable
from verifier.hl7.outgoing import AddedObservation, Change, Header, build_report

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
HEADER = Header("VERIFIER", "LAB", "LIS", "HOSPITAL", "V1", NOW)
GAP = AddedObservation("33037-3", "Anion gap", "LN", "11", "mmol/L", comments=("Calculated.",))
# An order without results is left out, as it should be.
ORDER_ALONE = re.compile(r"OBR(?: (?!OBX|OBR|ORC|PID)\w+)*(?: OBR| ORC| PID|$)")
OWNED = {"OBX": {8, 11}, "OBR": {22, 25}}


def every(message: Message, status: str = "F") -> dict[int, Change]:
    return {obx.index: Change(status) for obx in message.all("OBX")}


def built(message: Message, keep: dict[int, Change], **more: object) -> Message:
    raw = build_report(message, keep=keep, header=HEADER, **more)  # type: ignore[arg-type]
    return Message.read(raw, charset="8859/1")


def names(message: Message) -> str:
    return " ".join(segment.name for segment in message.segments)


def without_owned(segment: Segment) -> list[str]:
    owned = OWNED.get(segment.name, set())
    fields = ["" if n in owned else text for n, text in enumerate(segment.fields)]
    while fields and not fields[-1]:
        fields.pop()
    return fields


def same(kept: Iterable[Segment]) -> list[list[str]]:
    return [without_owned(segment) for segment in kept if segment.name != "MSH"]


@pytest.mark.parametrize("path", RESULTS, ids=name_of)
def test_a_message_released_as_a_whole_keeps_every_segment(path: Path) -> None:
    message = Message.read(path.read_bytes())
    out = built(message, every(message))
    if message.type == "ORU":
        assert same(out.segments) == same(message.segments)
    else:
        assert sorted(same(out.segments)) == sorted(same(message.segments))
    untouched = {p for p in message.pieces if p[:3] not in {b"MSH", b"OBX", b"OBR"}}
    assert untouched <= set(out.pieces)


@pytest.mark.parametrize("path", RESULTS, ids=name_of)
def test_words_in_place_of_a_value_leave_nothing_of_it(path: Path) -> None:
    message = Message.read(path.read_bytes())
    words = "hemolyzed | not reported"  # the sign that parts fields is escaped
    keep = {obx.index: Change("F", "HH", words=words) for obx in message.all("OBX")}
    for obx in built(message, keep).all("OBX"):
        assert (obx.get(2), obx.get(5), obx.get(11)) == ("ST", words, "F")
        assert [obx.field(n) for n in (6, 7, 8)] == ["", "", ""]
        assert len(obx.repetitions(5)) == 1


@pytest.mark.parametrize("path", RESULTS, ids=name_of)
def test_what_is_clean_going_in_is_clean_going_out(path: Path) -> None:
    message = Message.read(path.read_bytes())
    keep = {obx.index: Change(obx.get(11) or "F") for obx in message.all("OBX")}
    out = build_report(message, keep=keep, header=HEADER, extra=[GAP])
    # What only OUL^R22 has a place for travels on: a receiver passes over it (v2.9.1, 2.5.2).
    moved = {"SAC", "INV", "TCD"}
    odd = {finding.where.partition("[")[0] for finding in report(out, charset="8859/1")}
    before = {finding.where.partition("[")[0] for finding in report(path.read_bytes())}
    assert odd - moved <= before
    assert admission(Message.read(out), ["P"]) is None
    again = Message.read(out)
    assert our_leaves(again) == library_leaves(again)


@settings(deadline=None)
@given(st.sampled_from(RESULTS), st.data())
def test_any_choice_of_results_leaves_the_others_out(path: Path, data: st.DataObject) -> None:
    message = Message.read(path.read_bytes())
    places = [obx.index for obx in message.all("OBX")]
    chosen = data.draw(st.sets(st.sampled_from(places), min_size=1))
    status = data.draw(st.sampled_from("FCR"))
    out = built(message, {index: Change(status) for index in chosen})
    ours = [without_owned(message.segments[index]) for index in sorted(chosen)]
    assert sorted(without_owned(obx) for obx in out.all("OBX")) == sorted(ours)
    assert {obx.get(11) for obx in out.all("OBX")} == {status}
    original = same(message.segments)
    assert all(fields in original for fields in same(out.segments))
    assert names(out).startswith("MSH")
    assert [bool(order.field(22)) for order in out.all("OBR")] == [True] * len(out.all("OBR"))


def test_the_header_is_ours() -> None:
    sent, header = sample("21"), built(sample("21"), every(sample("21"))).header
    assert [header.get(n) for n in range(3, 7)] == ["VERIFIER", "LAB", "LIS", "HOSPITAL"]
    assert header.field(7) == "20261125093000+0000"
    assert header.field(9) == "ORU^R01^ORU_R01"
    assert (header.field(10), header.field(11), header.field(12)) == ("V1", "P", "2.5.1")
    assert (header.field(15), header.field(16)) == ("", "")  # how we want to be answered is ours
    assert sent.header.field(15) == "AL"


@pytest.mark.parametrize(
    ("start", "version", "mark", "kind"),
    [
        ("09", "2.7", "^~\\&#", "ORU^R01^ORU_R01"),
        ("11", "2.5.1", "^~\\&", "ORU^R01^ORU_R01"),  # the fifth mark exists from 2.7 on
        ("03", "2.3", "^~\\&", "ORU^R01"),
    ],
)
def test_marks_and_structure_fit_the_version(
    start: str, version: str, mark: str, kind: str
) -> None:
    header = built(sample(start), every(sample(start))).header
    assert (header.field(12), header.field(2), header.field(9)) == (version, mark, kind)


def test_another_version_may_be_asked_for() -> None:
    header = Header("V", "L", "R", "F", "V1", NOW, version="2.5.1", processing="T", zone="+0100")
    message = sample("10")
    out = Message.read(build_report(message, keep=every(message), header=header))
    assert (out.version, out.processing, out.header.field(2)) == ("2.5.1", "T", "^~\\&")
    assert out.header.field(7) == "20261125103000+0100"


def test_the_senders_marks_are_kept() -> None:
    message = sample("15")
    raw = build_report(message, keep={3: Change("F", "H", ("a:b;c",))}, header=HEADER, extra=[GAP])
    assert raw.startswith(b"MSH;:!$%;VERIFIER;LAB;LIS;")
    assert b"NTE;1;L;a$S$b$F$c\r" in raw
    assert b"33037-3:Anion gap:LN;;11;mmol/L::UCUM;" in raw


@pytest.mark.parametrize(
    ("sent", "flag", "expected"),
    [
        ("", "H", "H"),
        ("H", "H", "H"),
        ("N", "H", "H"),
        ('""', "H", "H"),
        ("A~W", "H", "A~W~H"),
        ("H", "N", "H"),  # table 0078: normal can not stand beside another flag
        ("H", "HH", "H~HH"),
        ("A~W", None, "A~W"),
        ("N^Normal^HL70078", "LL", "LL"),
    ],
)
def test_a_flag_is_added_to_the_senders(sent: str, flag: str | None, expected: str) -> None:
    raw = sample("17").raw.replace(b"|A~W|", f"|{sent}|".encode())
    message = Message.read(raw)
    index = message.all("OBX")[0].index
    assert built(message, {index: Change("F", flag)}).all("OBX")[0].field(8) == expected


def test_comments_stand_behind_those_of_the_sender() -> None:
    message = sample("33")
    potassium, sodium = (obx.index for obx in message.all("OBX"))
    out = built(message, {potassium: Change("F", None, ("one", "two\nlines")), sodium: Change("F")})
    assert names(out).endswith("OBX NTE NTE NTE ZRE OBX ZRE SPM ZEN")
    notes = [(note.get(1), note.get(3)) for note in out.all("NTE")]
    results = [("1", "Result remark"), ("2", "one"), ("3", "two\nlines")]
    assert notes == [("1", "Order remark"), *results]


def test_what_belongs_to_a_result_left_out_is_left_out() -> None:
    message = sample("33")
    sodium = message.all("OBX")[1].index
    out = built(message, {sodium: Change("F")})
    assert names(out) == "MSH SFT PID PV1 ZPA ORC OBR NTE ZOR OBX ZRE SPM ZEN"
    assert b"4.6" not in out.raw


@pytest.mark.parametrize(
    ("statuses", "left_out", "expected"),
    [
        ("FF", 0, "F"),
        ("FC", 0, "C"),
        ("FW", 0, "C"),
        ("RR", 0, "R"),
        ("FR", 0, "A"),
        ("F", 1, "A"),
        ("C", 1, "C"),
        ("PP", 0, "P"),
    ],
)
def test_the_status_of_an_order_follows_its_results(
    statuses: str, left_out: int, expected: str
) -> None:
    # HL7 table 0123: A some but not all results, C correction, F final, P preliminary, R stored.
    message = sample("06")
    places = [obx.index for obx in message.all("OBX")]
    assert len(places) == len(statuses) + left_out
    keep = {place: Change(status) for place, status in zip(places, statuses, strict=False)}
    (order,) = built(message, keep).all("OBR")
    assert order.get(25) == expected


def test_results_sent_before_do_not_make_an_order_partial() -> None:
    first, second = (obx.index for obx in sample("06").all("OBX"))
    (order,) = built(sample("06"), {second: Change("F")}, sent=[first]).all("OBR")
    assert order.get(25) == "F"


def test_derived_results_stand_behind_the_last_kept_order() -> None:
    message = sample("24")
    serum = [obx.index for obx in message.all("OBX")][:5]
    out = built(message, {index: Change("F") for index in serum}, extra=[GAP])
    assert names(out) == "MSH PID OBR OBX OBX OBX OBX OBX OBX NTE SPM"
    added = out.all("OBX")[-1]
    assert [added.field(n) for n in (1, 2, 3, 5, 6, 11)] == [
        "6", "NM", "33037-3^Anion gap^LN", "11", "mmol/L^^UCUM", "F",
    ]  # fmt: skip


def test_derived_results_alone_go_where_their_inputs_went() -> None:
    message = sample("24")
    serum = [obx.index for obx in message.all("OBX")][:5]
    out = built(message, {}, extra=[GAP], sent=serum)
    assert names(out) == "MSH PID OBR OBX NTE SPM"
    assert out.all("OBR")[0].get(3) == "T1020A"
    assert out.all("OBR")[0].get(25) == "F"
    assert names(built(message, {}, extra=[GAP])) == "MSH PID OBR OBX NTE SPM"


def test_one_patient_of_two() -> None:
    message = sample("25")
    out = built(message, {message.all("OBX")[2].index: Change("F")})
    assert names(out) == "MSH PID OBR OBX SPM"
    assert [out.all("PID")[0].get(3), out.all("SPM")[0].get(2)] == ["1022", "T1022A"]


def test_one_specimen_of_a_message_that_puts_specimens_first() -> None:
    message = sample("14")
    out = built(message, {obx.index: Change("F") for obx in message.all("OBX")[5:7]})
    assert out.header.field(9) == "ORU^R01^ORU_R01"
    assert names(out) == "MSH PID OBR OBX OBX SPM"
    assert out.all("SPM")[0].get(2) == "T1010B"


def test_a_message_that_puts_specimens_first_is_put_in_order() -> None:
    message = sample("12")
    out = built(message, every(message))
    assert names(out) == "MSH PID PV1 ORC OBR OBX TCD NTE OBX TCD SPM SAC"


def test_a_specimen_behind_several_orders_goes_with_those_kept() -> None:
    lines = [b"OBR|1|P7|F7|A", b"OBX|1|NM|K||4", b"OBR|2|P7|F7|B", b"OBX|1|NM|NA||140", b"SPM|1|T7"]
    other = [b"OBR|3|P8|F8|C", b"OBX|1|NM|CL||100", b"SPM|2|T8"]
    head = sample("01").pieces[0]
    message = Message.read(b"\r".join([head, *lines, *other]))
    out = built(message, {message.all("OBX")[0].index: Change("F")})
    assert names(out) == "MSH OBR OBX SPM"
    # But never the specimen of another order.
    message = Message.read(b"\r".join([head, *lines[:2], *other]))
    out = built(message, {message.all("OBX")[0].index: Change("F")})
    assert names(out) == "MSH OBR OBX"


def test_results_about_the_specimen_itself_are_chosen_too() -> None:
    head = sample("01").pieces[0]
    lines = [
        b"OBR|1|P|F|A",
        b"OBX|1|NM|K||4",
        b"SPM|1|T",
        b"OBX|1|TX|LOOK||cloudy",
        b"NTE|1|L|seen",
    ]
    message = Message.read(b"\r".join([head, *lines]))
    assert names(built(message, {2: Change("F")})) == "MSH OBR OBX SPM"
    assert names(built(message, {4: Change("F")})) == "MSH OBR SPM OBX NTE"
    assert names(built(message, every(message))) == "MSH OBR OBX SPM OBX NTE"


def test_a_specimen_result_of_several_orders_is_written_once() -> None:
    head = sample("14").pieces[0]
    lines = [b"SPM|1|T", b"OBX|1|TX|LOOK||cloudy", b"SAC|||T", b"OBR|1|P|F|A", b"OBX|1|NM|K||4"]
    lines += [b"OBR|2|P|F|B", b"ORC|RE|P|F", b"OBX|1|NM|NA||140", b"DSC|next"]
    message = Message.read(b"\r".join([head, *lines]))
    out = built(message, every(message))
    assert names(out) == "MSH OBR OBX SPM OBX SAC ORC OBR OBX SPM SAC DSC"


def test_results_without_an_order_are_still_written() -> None:
    message = Message.read(sample("01").pieces[0] + b"\rPID|1\rOBX|1|NM|K||4")
    assert names(built(message, every(message))) == "MSH PID OBX"


def test_words_of_ours_fit_the_senders_character_set() -> None:
    message = sample("19")
    keep = {message.all("OBX")[0].index: Change("F", None, ("Gerät ≥ 3 ☃",))}
    raw = build_report(message, keep=keep, header=HEADER)
    assert "NTE|1|L|Gerät >= 3 ?\r".encode("latin-1") in raw
    assert "Müßig^Özgür".encode("latin-1") in raw


@pytest.mark.parametrize(
    ("keep", "sent"), [({}, []), ({1: Change("F")}, []), ({999: Change("F")}, [])]
)
def test_nothing_to_report_is_an_error_of_the_caller(
    keep: dict[int, Change], sent: list[int]
) -> None:
    with pytest.raises(ValueError, match=r"nothing to report|positions of OBX"):
        build_report(sample("01"), keep=keep, header=HEADER, sent=sent)


def test_an_order_behind_its_specimen_keeps_it_in_either_message() -> None:
    head = sample("01").pieces[0]
    lines = [b"PID|1", b"SPM|1|T1", b"OBR|1|P|F1|A", b"OBX|1|NM|K||4"]
    lines += [b"SPM|2|T2", b"OBR|2|P|F2|B", b"OBX|1|NM|NA||140"]
    message = Message.read(b"\r".join([head, *lines]))
    out = built(message, {message.all("OBX")[0].index: Change("F")})
    assert names(out) == "MSH PID OBR OBX SPM"
    assert out.all("SPM")[0].get(2) == "T1"
    second = b"\r".join([head, b"PID|1", b"OBR|1", b"OBX|1|NM|K||4", *lines])
    message = Message.read(second)
    out = built(message, {message.all("OBX")[1].index: Change("F")})
    assert [out.all("OBR")[0].get(3), names(out)] == ["F1", "MSH PID OBR OBX SPM SPM"]


@needs_corpus
def test_public_messages_lose_nothing_when_all_is_kept() -> None:
    seen = 0
    for path in corpus():
        try:
            message = Message.read(path.read_bytes(), charset="8859/1")
        except Unreadable:
            continue
        if (
            admission(message, "PTD")
            or not message.all("OBX")
            or ORDER_ALONE.search(names(message))
        ):
            continue
        out = built(message, every(message))
        untouched = [p for p in message.pieces if p[:3] not in {b"MSH", b"OBX", b"OBR"}]
        assert Counter(untouched) - Counter(out.pieces) == Counter(), path
        assert sorted(same(out.segments)) == sorted(same(message.segments)), path
        seen += 1
    assert seen > 20


def test_a_container_goes_with_its_own_order() -> None:
    message = sample("39")
    first, second = message.all("OBR")
    urine = [obx for obx in message.all("OBX") if obx.index > second.index]
    out = built(message, {obx.index: Change("F") for obx in urine})
    assert names(out) == "MSH PID PV1 ORC OBR SAC OBX"
    assert [sac.get(3) for sac in out.all("SAC")] == ["C39-B"]
    assert first.field(2) not in out.raw.decode()
