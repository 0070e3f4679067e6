"""The reader against hl7apy, field by field, on the samples and on generated messages."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire import READABLE, library_leaves, name_of, our_leaves, sample

from verifier.hl7.delimiters import Delimiters
from verifier.hl7.escapes import decode
from verifier.hl7.message import Message

VERSIONS = ["2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.8"]
MARKS = [Delimiters(), Delimiters(";", ":", "!", "$", "%"), Delimiters("#", "*", "~", "\\", "&")]


@pytest.mark.parametrize("path", READABLE, ids=name_of)
def test_both_readers_agree_on_every_sample(path: Path) -> None:
    message = Message.read(path.read_bytes())
    assert our_leaves(message) == library_leaves(message)


@pytest.mark.parametrize("path", READABLE, ids=name_of)
def test_a_part_is_the_decoded_text_of_the_library(path: Path) -> None:
    message = Message.read(path.read_bytes())
    for (index, number, rep, component, sub), raw in library_leaves(message).items():
        segment = message.segments[index]
        if segment.name == "MSH" and number <= 2:
            continue
        expected = "" if raw == '""' else decode(raw, message.delimiters, message.charset)
        assert segment.get(number, component, sub, rep) == expected


@st.composite
def messages(draw: st.DrawFn) -> bytes:
    marks = draw(st.sampled_from(MARKS))
    version = draw(st.sampled_from(VERSIONS))
    letters = st.characters(
        codec="utf-8", exclude_categories=("C", "Z"), exclude_characters="".join(marks)
    )
    words = st.lists(st.text(letters, min_size=1, max_size=8), min_size=1, max_size=3)
    word = words.map(" ".join) | st.sampled_from(['""', f"a{marks.escape}T{marks.escape}b"])
    maybe = word | st.just("")

    def parts(count: int) -> str:
        return marks.component.join(draw(maybe) for _ in range(draw(st.integers(1, count))))

    def identifier() -> str:
        authority = marks.subcomponent.join([draw(word), "1.2.3", "ISO"])
        return marks.component.join([draw(word), "", "", authority, "MR"])

    def repeated(one: str, other: str) -> str:
        return draw(st.sampled_from([one, one + marks.repetition + other]))

    kind = marks.component.join(["ORU", "R01"])
    lines = [
        ["MSH", marks.encoding, "A", "B", "C", "D", "20260101", "", kind, draw(word), "P", version],
        ["PID", "1", "", repeated(identifier(), identifier()), "", repeated(parts(2), parts(2))],
        ["OBR", "1", parts(2), parts(2), parts(3)],
    ]
    lines[0] += ["", "", "", "", "", "UNICODE UTF-8"]
    for number in range(draw(st.integers(1, 3))):
        flags = repeated("H", "A")
        result = [draw(maybe), parts(3), "", flags, "", "", "F"]
        lines.append(["OBX", str(number), "ST", parts(3), *result])
        lines.append(["NTE", "1", "L", draw(word)])
    # One component each: the library does not number those of a Z-segment.
    lines.append(["ZXX", draw(maybe), draw(word)])
    return "".join(marks.field.join(line) + "\r" for line in lines).encode()


@settings(max_examples=60, deadline=None)
@given(messages())
def test_both_readers_agree_on_any_message(raw: bytes) -> None:
    message = Message.read(raw)
    assert our_leaves(message) == library_leaves(message)


@given(messages())
def test_nothing_a_message_holds_is_lost(raw: bytes) -> None:
    message = Message.read(raw)
    assert b"".join(piece + b"\r" for piece in message.pieces) == raw
    texts = [segment.text.encode() for segment in message.segments]
    assert texts == list(message.pieces)


def test_parts_of_a_field() -> None:
    pid = sample("17").first("PID")
    assert pid is not None
    assert pid.get(3) == "X77"
    assert pid.get(3, 4, rep=2) == "LAB"
    assert pid.get(3, rep=4) == ""
    assert pid.get(3, 9) == ""
    assert pid.get(3, 1, 2) == ""
    assert pid.components(5, 2) == ["Trial", "Mara", "", "", "", "", "M"]
    assert pid.components(5, 3) == []
    assert pid.repetitions(5) == ["Test^Mara", "Trial^Mara^^^^^M"]
    assert pid.repetitions(2) == []
    assert pid.get(77) == pid.field(77) == ""


def test_null_is_told_from_empty() -> None:
    message = sample("18")
    pid, first, second, third = (*message.all("PID"), *message.all("OBX"))
    assert [pid.is_null(7), pid.is_null(9), pid.is_null(10)] == [True, True, False]
    assert pid.get(5, 3) == pid.get(7) == ""
    assert [first.is_null(5), second.is_null(5), third.is_null(8)] == [True, False, True]


def test_header_fields_are_numbered_as_the_standard_does() -> None:
    message = sample("15")
    header = message.header
    assert (header.field(1), header.field(2), header.field(3)) == (";", ":!$%", "ANALYZER1")
    assert header.get(1) == ";"
    assert header.repetitions(2) == header.components(2) == [":!$%"]
    assert (message.type, message.event, message.control_id) == ("ORU", "R01", "S15")
    assert (message.version, message.processing) == ("2.5.1", "P")


def test_a_segment_shows_no_content() -> None:
    pid = sample("01").first("PID")
    assert repr(pid) == "<PID at 1>"


def test_segments_are_found_by_name() -> None:
    message = sample("24")
    assert [obx.index for obx in message.all("OBX")] == [3, 4, 5, 6, 7, 10, 11]
    assert message.first("ZZZ") is None
    assert list(message.all("ZZZ")) == []
