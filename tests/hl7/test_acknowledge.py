"""Acknowledgements (HL7 v2.9.1 sections 2.8.2, 2.8.3 and 2.13), checked by hl7apy as well."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message, parse_segments
from hl7apy.validation import Validator
from hypothesis import given
from hypothesis import strategies as st
from wire import READABLE, name_of, sample

from verifier.hl7.acknowledge import (
    AckFault,
    acknowledge,
    acknowledge_unreadable,
    admission,
    codes,
    parse_ack,
    wants_ack,
)
from verifier.hl7.conformance import report
from verifier.hl7.faults import TABLE_0357
from verifier.hl7.message import Message, Unreadable

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
OURS = {"control_id": "A7F", "now": NOW, "application": "VERIFIER", "facility": "LAB"}
FAULTS = (
    AckFault(203, "version '9' is not taken | here", "MSH^1^12"),
    AckFault(101, "the message has no control id", "MSH^1^10"),
)


def header(**fields: str) -> Message:
    """A message of one MSH; fields are given as ``msh_15="AL"``."""
    parts = ["MSH", "^~\\&", "S", "SF", "R", "RF", "20261125", "", "ORU^R01^ORU_R01", "C1", "P"]
    parts += ["2.5.1", *[""] * 9]
    for name, text in fields.items():
        parts[int(name[4:]) - 1] = text
    return Message.read("|".join(parts).encode("latin-1"), charset="8859/1")


def strictly_parsed(text: str, message: Message) -> list[Any]:
    if message.version == "2.3":  # the library finds the structure of an ACK only from 2.3.1 on
        strict = VALIDATION_LEVEL.STRICT
        return list(parse_segments(text, version="2.3", validation_level=strict))
    parsed = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT)
    assert Validator.validate(parsed)
    return list(parsed.children)


@pytest.mark.parametrize("faults", [(), FAULTS], ids=["accepted", "with faults"])
@pytest.mark.parametrize("path", READABLE, ids=name_of)
def test_the_library_finds_nothing_to_say(path: Path, faults: tuple[AckFault, ...]) -> None:
    message = Message.read(path.read_bytes())
    raw = acknowledge(message, "AE" if faults else "AA", faults=faults, **OURS)
    segments = strictly_parsed(raw.decode(message.charset), message)
    assert all(Validator.validate(segment) for segment in segments)
    assert [segment.name for segment in segments][:2] == ["MSH", "MSA"]
    findings = [finding.text for finding in report(raw)]
    assert findings == ["it would be refused: messages of type 'ACK' are not taken here"]


@pytest.mark.parametrize("path", READABLE, ids=name_of)
def test_it_goes_back_to_the_sender(path: Path) -> None:
    message = Message.read(path.read_bytes())
    ack = Message.read(acknowledge(message, "AA", **OURS))
    sent, back = message.header, ack.header
    assert (back.field(5), back.field(6)) == (sent.field(3), sent.field(4))
    assert (back.get(3), back.get(4), ack.control_id) == ("VERIFIER", "LAB", "A7F")
    assert (ack.version, ack.processing) == (message.version, message.processing)
    assert (back.field(1), back.field(18)) == (sent.field(1), sent.field(18))
    assert parse_ack(ack) == ("AA", message.control_id, "")


@pytest.mark.parametrize("version", ["2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.8"])
def test_what_is_wrong_can_be_read_in_every_version(version: str) -> None:
    raw = acknowledge(header(msh_12=version), "AR", faults=FAULTS[:1], **OURS)
    answer = parse_ack(Message.read(raw))
    assert answer == ("AR", "C1", "version '9' is not taken | here")
    kind = "ACK^R01" if version == "2.3" else "ACK^R01^ACK"
    assert Message.read(raw).header.field(9) == kind


def test_where_it_is_wrong_before_and_from_2_5_on() -> None:
    old = Message.read(acknowledge(header(msh_12="2.4"), "AE", faults=FAULTS, **OURS)).first("ERR")
    new = Message.read(acknowledge(header(msh_12="2.5"), "AE", faults=FAULTS, **OURS)).all("ERR")
    assert old is not None
    assert old.repetitions(1)[1] == "MSH^1^10^101&Required field missing&HL70357"
    assert [(e.field(2), e.get(3), e.get(4)) for e in new] == [
        ("MSH^1^12", "203", "E"),
        ("MSH^1^10", "101", "E"),
    ]


def test_the_control_id_is_echoed_as_sent() -> None:
    raw = acknowledge(header(msh_10=r"a\T\b^c"), "AA", **OURS)
    assert rb"MSA|AA|a\T\b^c" + b"\r" in raw


def test_an_unknown_version_is_answered_in_one_we_speak() -> None:
    ack = Message.read(acknowledge(header(msh_12="3.14"), "AR", faults=FAULTS, **OURS))
    assert ack.version == "2.5.1"


def test_the_answer_keeps_the_character_set() -> None:
    message = header(msh_3="Gerät", msh_18="8859/1")
    raw = acknowledge(message, "AE", faults=[AckFault(207, "Fehler ≥ Größe")], **OURS)
    assert "Gerät".encode("latin-1") in raw
    assert "Fehler >= Größe".encode("latin-1") in raw


@pytest.mark.parametrize(
    ("accept", "application", "expected"),
    [
        ("", "", "AA"),
        ('""', "", "AA"),
        ("AL", "NE", "CA"),
        ("NE", "AL", "CA"),
        ("", "AL", "CA"),
    ],
)
def test_the_mode_is_the_senders(accept: str, application: str, expected: str) -> None:
    assert codes(header(msh_15=accept, msh_16=application)).accept == expected


def test_the_mode_of_a_whole_message() -> None:
    assert codes(sample("21")) == ("CA", "CE", "CR")
    assert codes(sample("01")) == ("AA", "AE", "AR")


@pytest.mark.parametrize(
    ("wish", "when_fine", "when_not"),
    # HL7 table 0155; an unknown wish is answered.
    [("", True, True), ("AL", True, True), ("NE", False, False), ("ER", False, True),
     ("SU", True, False), ("??", True, True)],
)  # fmt: skip
def test_whether_an_answer_is_wanted(wish: str, when_fine: bool, when_not: bool) -> None:
    message = header(msh_15=wish)
    assert (wants_ack(message, True), wants_ack(message, False)) == (when_fine, when_not)


@pytest.mark.parametrize(
    ("change", "code", "answer"),
    [
        ({}, None, None),
        ({"msh_9": "OUL^R22^OUL_R22"}, None, None),
        ({"msh_9": "OUL^R21^OUL_R21"}, None, None),
        ({"msh_9": "ORU^R30^ORU_R30"}, None, None),
        ({"msh_9": "ORU^R31^ORU_R30"}, None, None),
        ({"msh_9": "ORU^R32^ORU_R30"}, None, None),
        ({"msh_9": "ADT^A08^ADT_A01"}, 200, "AR"),
        ({"msh_12": "2.8.2"}, None, None),
        ({"msh_12": "2.5.1^USA"}, None, None),
        ({"msh_9": "MDM^T02"}, 200, "AR"),
        ({"msh_9": "ZZZ^Z01"}, 200, "AR"),
        ({"msh_9": ""}, 200, "AR"),
        ({"msh_9": "ORU"}, 201, "AR"),
        ({"msh_9": "ORU^R02"}, 201, "AR"),
        ({"msh_9": "OUL^R01"}, 201, "AR"),
        ({"msh_12": ""}, 203, "AR"),
        ({"msh_12": "2.9"}, 203, "AR"),
        ({"msh_12": "2.3.z"}, 203, "AR"),
        ({"msh_11": "T"}, 202, "AR"),
        ({"msh_11": ""}, 202, "AR"),
        ({"msh_10": ""}, 101, "AE"),
        ({"msh_10": '""'}, 101, "AE"),
    ],
)
def test_who_may_come_in(change: dict[str, str], code: int | None, answer: str | None) -> None:
    message = header(**change)
    fault = admission(message, ["P"])
    assert (fault.code if fault else None) == code
    if fault:
        assert codes(message).of(fault) == answer


@pytest.mark.parametrize("event", ["A08", "A31", "A40"])
def test_patients_come_in_where_the_site_says_so(event: str) -> None:
    message = header(msh_9=f"ADT^{event}")
    assert admission(message, ["P"], ["patients"]) is None
    fault = admission(header(msh_9="ADT^A01"), ["P"], ["patients"])
    assert fault is not None
    assert fault.code == 201
    fault = admission(header(msh_9="ORU^R01"), ["P"], ["patients"])
    assert fault is not None
    assert fault.code == 200


@pytest.mark.parametrize("event", ["R30", "R31", "R32"])
def test_point_of_care_results_are_acknowledged_under_their_own_event(event: str) -> None:
    # HL7 v2.5.1 sections 7.3.3 to 7.3.5: the answer is ACK^R33^ACK.
    message = header(msh_9=f"ORU^{event}^ORU_R30")
    assert Message.read(acknowledge(message, "AA", **OURS)).header.field(9) == "ACK^R33^ACK"


def test_a_training_message_comes_in_where_the_site_says_so() -> None:
    assert admission(header(msh_11="T"), ["P", "T"]) is None


def unreadable(raw: bytes) -> tuple[bytes | None, Unreadable]:
    with pytest.raises(Unreadable) as caught:
        Message.read(raw)
    return acknowledge_unreadable(raw, caught.value.fault, **OURS), caught.value


@pytest.mark.parametrize(
    ("raw", "code", "fault"),
    [
        (b"MSH|^~\\^|S|SF|R|RF|2026||ORU^R01|C9|P|2.5\r", "AR", 100),
        (b"MSH|^~|S|SF|R|RF|2026||ORU^R01|C9|P|2.5\r", "AR", 100),
        (b"MSH||S|SF|R|RF|2026||ORU^R01|C9|P|2.5\r", "AR", 100),
        (b"MSH|^~\\&|S|SF|R|RF|2026||ORU^R01|C9|P|2.5||||||EBCDIC\r", "AE", 103),
        (b"MSH|^~\\&|S|SF|R|RF|2026||ORU^R01|C9|P|2.5\rPID|\xfc\r", "AE", 102),
        (b"MSH|^~\\&|S|SF|R|RF|2026||ORU^R01|C9|P|2.5|||AL|NE\rPID|\xfc\r", "CE", 102),
        (b"\xef\xbb\xbfMSH#*~\\&#S#SF#R#RF#2026##ORU*R01#C9#P#2.5\rPID#\xfc\xff\r", "AE", 102),
        (b"MSH|^~\\&|S|SF|R|RF|2026||ORU^R01|C9|P|2.5\rMSH|^~\\&|S\r", "AR", 100),
    ],
)
def test_what_can_not_be_read_is_answered_where_possible(raw: bytes, code: str, fault: int) -> None:
    ack, error = unreadable(raw)
    assert ack is not None
    assert (error.fault.code, error.control_id) == (fault, "C9")
    answer = Message.read(ack)
    assert parse_ack(answer)[:2] == (code, "C9")
    assert (answer.header.get(5), answer.header.get(6)) == ("S", "SF")
    assert str(error) == error.fault.text


@pytest.mark.parametrize(
    "raw", [b"", b"   \r\n", b"hello", b"PID|1||X\r", b"MSH", b"MSH|", b"FHS|^~\\&\r"]
)
def test_what_is_no_message_is_not_answered(raw: bytes) -> None:
    ack, _ = unreadable(raw)
    assert ack is None


def test_bytes_of_the_header_come_back_unharmed() -> None:
    raw = b"MSH|^~\\&|\xfc|\xe4|R|RF|2026||ORU^R01|\xdf9|P|2.5\r"
    ack, _ = unreadable(raw)
    assert ack is not None
    assert b"|\xfc|\xe4|" in ack
    assert b"MSA|AE|\xdf9\r" in ack


@given(st.binary(max_size=60).map(lambda tail: b"MSH" + tail))
def test_an_answer_to_anything_is_readable(raw: bytes) -> None:
    try:
        Message.read(raw)
    except Unreadable as error:
        ack = acknowledge_unreadable(raw, error.fault, **OURS)
        assert ack is None or parse_ack(Message.read(ack, charset="8859/1")).code in {
            "AE",
            "AR",
        } | {
            "CE",
            "CR",
        }


def test_every_code_we_use_has_its_words() -> None:
    # HL7 table 0357, v2.5.1.
    assert sorted(TABLE_0357) == [0, *range(100, 104), *range(200, 208)]


def test_an_answer_without_msa() -> None:
    assert parse_ack(header()) == ("", "", "the answer has no MSA segment")


def test_texts_of_others() -> None:
    msa = header().raw + b"\rMSA|AR|C1|old words\r"
    assert parse_ack(Message.read(msa)).text == "old words"
    err = header().raw + b"\rMSA|AR|C1\rERR|||102^Data type error^HL70357|E||||OBX-5 is no number\r"
    assert parse_ack(Message.read(err)).text == "OBX-5 is no number"
