"""What goes wrong on real lines, as far as one message is concerned; what must come of it.

Failures seen in public issue trackers of HL7 libraries and reasoned from the standard; the safe
answer is common practice, no source, unless a clause is named.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire import corpus, needs_corpus

from verifier.hl7.charsets import codec_of
from verifier.hl7.message import Message, Unreadable

HEAD = b"MSH|^~\\&|S|F|R|G|20261125||ORU^R01^ORU_R01|C1|P|2.5.1"
BODY = b"PID|1||1^^^LAB^MR||A^B\rOBR|1||2\rOBX|1|NM|K||4.1|mmol/L|||||F\r"


def names(message: Message) -> list[str]:
    return [segment.name for segment in message.segments]


def why(raw: bytes, charset: str = "") -> tuple[int, str]:
    with pytest.raises(Unreadable) as caught:
        Message.read(raw, charset=charset)
    return caught.value.fault.code, caught.value.fault.text


@pytest.mark.parametrize("ending", [b"\r", b"", b"\r\r", b"\r\n"])
def test_the_last_segment_end_may_be_missing_or_doubled(ending: bytes) -> None:
    message = Message.read(HEAD + b"\r" + BODY.rstrip(b"\r") + ending)
    assert names(message) == ["MSH", "PID", "OBR", "OBX"]
    assert message.segments[-1].field(11) == "F"


def test_line_feeds_instead_of_returns_are_mended_with_a_warning() -> None:
    message = Message.read((HEAD + b"\r" + BODY).replace(b"\r", b"\n"))
    assert names(message) == ["MSH", "PID", "OBR", "OBX"]
    assert message.warnings == ("segments end with LF instead of CR",)
    assert b"\n" in message.raw


def test_returns_with_line_feeds_are_mended_with_a_warning() -> None:
    message = Message.read((HEAD + b"\r" + BODY).replace(b"\r", b"\r\n"))
    assert names(message) == ["MSH", "PID", "OBR", "OBX"]
    assert message.warnings == ("segments end with CR and LF instead of CR",)


def test_a_line_feed_between_returns_is_data() -> None:
    # Only CR ends a segment: HL7 v2.5.1 section 2.5.4.
    message = Message.read(HEAD + b"\rNTE|1|L|one\ntwo\r" + BODY)
    assert message.segments[1].get(3) == "one\ntwo"
    assert message.warnings == ()


def test_a_hidden_segment_is_pointed_out() -> None:
    message = Message.read(HEAD + b"\rNTE|1|L|one\nOBX|9|NM|K||9.9\r" + BODY)
    assert len(message.all("OBX")) == 1
    assert "looks like a segment" in message.warnings[0]


def test_a_line_feed_in_a_message_of_line_feeds_is_data_unless_a_segment_follows() -> None:
    message = Message.read(HEAD + b"\nNTE|1|L|one\ntwo\nPID|1\n")
    assert names(message) == ["MSH", "NTE", "PID"]
    assert message.segments[1].field(3) == "one\ntwo"


@pytest.mark.parametrize("before", [b"\xef\xbb\xbf", b" \r\n", b"\0", b"\n\xef\xbb\xbf "])
def test_what_stands_before_the_header_is_skipped_with_a_warning(before: bytes) -> None:
    message = Message.read(before + HEAD + b"\r" + BODY)
    assert message.control_id == "C1"
    assert "before MSH" in message.warnings[0]


def test_a_byte_order_mark_says_utf_8() -> None:
    message = Message.read(b"\xef\xbb\xbf" + HEAD + "\rNTE|1|L|Gerät".encode())
    assert message.segments[1].get(3) == "Gerät"


@pytest.mark.parametrize(
    "raw",
    [b"", b"\r", b"  ", b"text without a header", b"PID|1\r" + HEAD, b"MS", b"\xff\xfeM\0S\0H\0"],
)
def test_without_a_header_nothing_is_read(raw: bytes) -> None:
    assert why(raw)[0] == 100


@pytest.mark.parametrize("start", [b"FHS|^~\\&|A\r", b"BHS|^~\\&|A\r"])
def test_a_batch_is_not_one_message(start: bytes) -> None:
    assert why(start + HEAD + b"\rBTS|1\r") == (
        200,
        "this is a batch of messages and not one message",
    )


def test_two_messages_in_one_block_are_refused() -> None:
    assert "a second MSH" in why(HEAD + b"\r" + BODY + HEAD + b"\r" + BODY)[1]


@pytest.mark.parametrize(
    "start",
    [
        b"MSH", b"MSH|", b"MSH|^", b"MSH|^~\\|", b"MSH|^~\\&#%|", b"MSH|^^\\&|", b"MSH|^~\\||",
        b"MSHA^~\\&A", b'MSH|^~\\"|', b"MSH|^~\\ |", b"MSH|^~\\\xfc|", b"MSH\x01^~\\&\x01",
        b"MSH|^~\\a|",
    ],
)  # fmt: skip
def test_marks_that_can_not_cut_are_refused(start: bytes) -> None:
    assert why(start + HEAD[9:] + b"\r" + BODY)[0] == 100


@pytest.mark.parametrize("version", [b"2.3", b"2.5.1", b"2.7", b"2.8"])
def test_a_fifth_mark_is_taken_in_any_version(version: bytes) -> None:
    raw = HEAD.replace(b"\\&|", b"\\&#|").replace(b"2.5.1", version) + b"\r" + BODY
    assert Message.read(raw).delimiters.truncation == "#"


def test_other_marks_are_honored() -> None:
    table = bytes.maketrans(b"|^~\\&", b"#*!$%")
    message = Message.read((HEAD + b"\r" + BODY).translate(table))
    assert message.segments[1].get(3, 4) == "LAB"


def test_bytes_outside_the_declared_set_are_never_guessed() -> None:
    raw = HEAD + "\rNTE|1|L|Gerät".encode("latin-1")
    code, text = why(raw)
    assert code == 102
    place = raw.index(b"\xe4") + 1
    assert text == (
        f"byte {place} is not valid in the character set of MSH-18 (none stated, so ASCII)"
    )
    declared = HEAD + b"||||||UNICODE UTF-8\rNTE|1|L|\xe4"
    assert why(declared)[0] == why(declared, "8859/1")[0] == 102


def test_an_unknown_set_is_refused_unless_the_site_knows() -> None:
    raw = HEAD + b"||||||CP850\rNTE|1|L|\xe4"
    assert why(raw)[0] == 103
    message = Message.read(raw, charset="8859/1")
    assert message.segments[1].get(3) == "ä"
    assert message.warnings == ("MSH-18 names an unknown character set; 8859/1 was used",)


@pytest.mark.parametrize("declared", [b"", b"||||||ASCII", b'||||||""'])
def test_the_site_may_know_what_a_sender_does_not_say(declared: bytes) -> None:
    message = Message.read(HEAD + declared + b"\rNTE|1|L|\xe4", charset="8859/1")
    assert message.segments[1].get(3) == "ä"


def test_the_first_repetition_of_msh_18_counts() -> None:
    # HL7 v2.9.1 section 2.13.9.18: the first is the default for the whole message.
    raw = HEAD + b"||||||UNICODE UTF-8~8859/1\rNTE|1|L|\xc3\xa4"
    assert Message.read(raw).segments[1].get(3) == "ä"


@pytest.mark.parametrize(
    ("code", "text"),
    [("8859/5", "Проба"), ("8859/7", "δείγμα"), ("GB 18030-2000", "样本"), ("ISO IR87", "検体")],
)
def test_other_alphabets(code: str, text: str) -> None:
    codec = codec_of(code)
    assert codec is not None
    raw = HEAD + b"||||||" + code.encode() + b"\rNTE|1|L|" + text.encode(codec) + b"\rPID|1"
    message = Message.read(raw)
    assert [segment.name for segment in message.segments] == ["MSH", "NTE", "PID"]
    assert message.segments[1].get(3) == text


def test_an_escaped_segment_end_makes_no_segment() -> None:
    message = Message.read(HEAD + rb"||||||" + b"\rNTE|1|L|a\\X0D\\OBX|1|NM\r")
    assert names(message) == ["MSH", "NTE"]
    assert message.segments[1].get(3) == "a\rOBX"


def test_lines_that_are_no_segments_are_kept_and_pointed_out() -> None:
    message = Message.read(HEAD + b"\r" + BODY + b"and more\r//|x\rpid|1\rO\r")
    assert len(message.segments) == 8
    assert [text.split(" does")[0] for text in message.warnings] == [
        "segment 5", "segment 6", "segment 7", "segment 8",
    ]  # fmt: skip


def test_control_characters_are_kept_and_pointed_out() -> None:
    message = Message.read(HEAD + b"\rPID|1||\x001\x1c\r")
    assert message.segments[1].field(3) == "\x001\x1c"
    assert message.warnings == ("the message holds control characters",)


@pytest.mark.parametrize("mark", ["|", "^", "~", "&", "\\"])
def test_very_many_marks_are_read_in_one_pass(mark: str) -> None:
    obx = Message.read(HEAD + b"\rOBX|1|ST|K||" + mark.encode() * 100_000).segments[1]
    assert obx.get(5) in ("", "\\" * 100_000)
    assert obx.get(5, 3, 2, 7) == ""


def test_a_result_of_megabytes() -> None:
    picture = b"A" * 2_000_000
    message = Message.read(HEAD + b"\rOBX|1|ED|X||A^B^C^Base64^" + picture + b"||||||F\r")
    assert len(message.segments[1].get(5, 5)) == 2_000_000


@given(st.binary(max_size=200))
def test_anything_is_read_or_unreadable(tail: bytes) -> None:
    for raw in (tail, HEAD + b"\r" + tail, b"MSH" + tail):
        try:
            message = Message.read(raw)
        except Unreadable:
            continue
        read_all(message)


def read_all(message: Message) -> None:
    for segment in message.segments:
        for number in range(1, min(len(segment.fields), 60)):
            segment.get(number)
            segment.components(number)
    assert message.raw


@needs_corpus
def test_public_messages_are_read_or_unreadable() -> None:
    read = 0
    for path in corpus():
        for charset in ("", "UNICODE UTF-8", "8859/1"):
            try:
                read_all(Message.read(path.read_bytes(), charset=charset))
                read += 1
            except Unreadable:
                continue
    assert read > 100
