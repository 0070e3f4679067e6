"""Batches are cut into their messages byte for byte; what is not right about one is a doubt.

The structure is that of HL7 v2.5.1 section 2.10.3, the counts those of BTS-1 and FTS-1 (sections
2.15.3 and 2.15.7).
"""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.hl7.batches import answer, is_batch, split

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
ONE = b"MSH|^~\\&|S|F|R|G|2026||ORU^R01|C1|P|2.5.1\rPID|1\rOBX|1|NM|K||4.1\r"
TWO = b"MSH#*~\\&#S#F#R#G#2026##ORU*R01#C2#P#2.5.1\rOBX#1\r"
BHS = b"BHS|^~\\&|LINK|SITE|V|LAB|20261125||||B7\r"
FHS = b"FHS|^~\\&|LINK|SITE|V|LAB|20261125||||F9\r"


@pytest.mark.parametrize("end", [b"\r", b"", b"\r\r", b"\r\n"])
@pytest.mark.parametrize("before", [b"", b"\r\n", b"\xef\xbb\xbf", b" \xef\xbb\xbf\n"])
def test_a_file_of_batches(before: bytes, end: bytes) -> None:
    raw = before + FHS + BHS + ONE + TWO + b"BTS|2\r" + BHS + ONE + b"BTS|1\rFTS|2" + end
    assert is_batch(raw)
    batch = split(raw)
    assert [part.messages for part in batch.parts] == [(ONE, TWO), (ONE,)]
    assert batch.doubts == ()
    assert batch.header == FHS.decode().rstrip("\r")


def test_line_feeds_between_segments_and_in_fields() -> None:
    one = ONE.replace(b"\r", b"\n").replace(b"4.1", b"4.1\nMSH or not")
    batch = split((BHS + TWO).replace(b"\r", b"\n") + one + b"BTS|2\n")
    assert batch.messages == (TWO.replace(b"\r", b"\n"), one)
    assert batch.doubts == ()
    in_field = ONE.replace(b"4.1", b"4.1\nMSH|x")
    assert split(BHS + in_field + b"BTS|1\r").messages == (in_field,)


@pytest.mark.parametrize("raw", [b"", b"MSH|^~\\&|", b"BTS|1\r", b"BHSX|", b"x BHS|"])
def test_what_is_no_batch(raw: bytes) -> None:
    assert not is_batch(raw)


@pytest.mark.parametrize(
    ("raw", "messages", "doubt"),
    [
        (BHS + ONE + b"BTS|2\r", 1, "the batch is said to hold 2 messages, but 1 came"),
        (BHS + ONE + b"BTS|x\r", 1, "the batch is said to hold x messages, but 1 came"),
        (BHS + ONE + b"BTS|99999999991\r", 1, "said to hold 99999999991"),
        (BHS + ONE, 1, "the end of a batch (BTS) is missing"),
        (BHS + ONE + BHS + ONE + b"BTS|1\r", 2, "the end of a batch (BTS) is missing"),
        (FHS + BHS + ONE + b"BTS|1\r", 1, "the end of the batches (FTS) is missing"),
        (FHS + BHS + ONE + b"BTS|1\rFTS|3\r", 1, "the file is said to hold 3 batches, but 1 came"),
        (FHS + BHS + ONE + b"BTS|1\rFTS|1\r" + ONE, 2, "something follows the end"),
        (BHS + b"OBX|1|NM|K||9\r" + ONE + b"BTS|1\r", 1, "belong to no message follow BHS"),
        (BHS + ONE + b"BTS|1\rOBX|1\r", 1, "belong to no message follow BTS"),
        (BHS + ONE + b"BTS|1\rBTS|1\r", 1, "stands where no batch is"),
        (BHS + ONE + FHS + b"BTS|1\r", 1, "does not stand first"),
        (b"BHS|^^^^|x\r" + ONE + b"BTS|1\r", 1, "the delimiters of BHS can not be used"),
    ],
)
def test_what_is_not_right_is_a_doubt(raw: bytes, messages: int, doubt: str) -> None:
    batch = split(raw)
    assert len(batch.messages) == messages
    assert any(doubt in text for text in batch.doubts), batch.doubts


def test_no_count_is_no_doubt_and_no_message_is_allowed() -> None:
    assert split(BHS + ONE + b"BTS\r").doubts == ()
    empty = split(BHS + b"BTS|0\r")
    assert (empty.messages, empty.doubts) == ((), ())
    assert split(FHS + ONE + b"FTS|1\r").messages == (ONE,)


def test_the_answer_has_the_shape_of_what_it_answers() -> None:
    batch = split(FHS + BHS + ONE + ONE + b"BTS|2\rBHS#*~\\&#L#S##########\rBTS#0\rFTS|2\r")
    said = answer(
        batch, [[b"MSH|1\r", b"MSH|2\r"], []],
        control_id="A1", now=NOW, application="VERIFIER", facility="L&B",
    )  # fmt: skip
    assert said.split(b"\r") == [
        rb"FHS|^~\&|VERIFIER|L\T\B|LINK|SITE|20261125093000+0000||||A1|F9",
        rb"BHS|^~\&|VERIFIER|L\T\B|LINK|SITE|20261125093000+0000||||A1|B7",
        b"MSH|1",
        b"MSH|2",
        b"BTS|2",
        rb"BHS#*~\&#VERIFIER#L\T\B#L#S#20261125093000+0000####A1",
        b"BTS#0",
        b"FTS|2",
        b"",
    ]
    assert split(said).doubts == ()


@given(st.lists(st.sampled_from([FHS, BHS, ONE, TWO, b"BTS|1\r", b"FTS|1\r", b"x\r", b"\n"])))
def test_no_byte_is_lost(pieces: list[bytes]) -> None:
    raw = BHS + b"".join(pieces)
    batch = split(raw)
    kept = sorted(batch.envelope + b"".join(batch.messages))
    assert kept == sorted(raw)
    assert len(batch.messages) == sum(piece in (ONE, TWO) for piece in pieces)
