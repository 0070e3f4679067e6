r"""Escapes (HL7 v2.5.1 section 2.7) and character sets (HL7 table 0211)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.hl7.charsets import codec_of, fit
from verifier.hl7.delimiters import USUAL, Delimiters
from verifier.hl7.escapes import decode, encode

SEMICOLON = Delimiters(";", ":", "!", "$", "%")


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (r"a\T\b", "a&b"),
        (r"\F\\S\\R\\E\\P\ ", "|^~\\# "),
        (r"\.br\x\.sp2\y\.sk3\z", "\nx\n\ny   z"),
        (r"\.sp+2\x", "\n\nx"),
        (r"\H\bold\N\ plain", "bold plain"),
        (r"\X41\\X0D\\X0d0a\ ", "A\r\r\n "),
        (r"\Q\ stays", r"\Q\ stays"),
        (r"\Zown\ stays", r"\Zown\ stays"),
        (r"\C2842\ stays", r"\C2842\ stays"),
        (r"lone \ stays", r"lone \ stays"),
        (r"end\ ", "end\\ "),
        (r"\X4\ \XZZ\ \X\ ", r"\X4\ \XZZ\ \X\ "),
        (r"50 \ 50 \T\ ", "50 \\ 50 & "),
        (r"\.xy\ ", r"\.xy\ "),
        ("", ""),
    ],
)
def test_decode(raw: str, text: str) -> None:
    assert decode(raw, USUAL) == text


def test_decode_reads_hex_in_the_set_of_the_message() -> None:
    assert decode(r"\XC3A9\ ", USUAL, "utf-8") == "é "
    assert decode(r"\XE9\ ", USUAL, "iso8859-1") == "é "


def test_a_request_for_many_lines_is_bounded() -> None:
    assert len(decode(r"\.sp99999999\ ", USUAL)) < 100


@given(st.text(), st.sampled_from([USUAL, SEMICOLON, USUAL._replace(truncation="#")]))
def test_encode_is_undone_by_decode(text: str, marks: Delimiters) -> None:
    encoded = encode(text, marks)
    assert decode(encoded, marks, "utf-8") == text
    assert not set(encoded) & {*marks.encoding, marks.field, "\r", "\n"} - {marks.escape}


@given(st.text(alphabet="\\ETFXH.br09"))
def test_decode_never_fails(text: str) -> None:
    assert isinstance(decode(text, USUAL), str)


@pytest.mark.parametrize(
    ("code", "codec"),
    [
        ("ASCII", "ascii"),
        ("8859/1", "iso8859-1"),
        ("8859/15", "iso8859-15"),
        ("UNICODE UTF-8", "utf-8"),
        ("unicode utf-8", "utf-8"),
        ("ISO IR87", "iso2022_jp"),
        ("GB 18030-2000", "gb18030"),
        ("KS X 1001", "euc_kr"),
        ("BIG-5", "big5"),
        ("UNICODE UTF-16", None),
        ("EBCDIC", None),
    ],
)
def test_codes_of_table_0211(code: str, codec: str | None) -> None:
    assert codec_of(code) == codec


@given(st.text(), st.sampled_from(["ascii", "iso8859-1", "iso2022_jp", "utf-8"]))
def test_fit_can_always_be_written(text: str, codec: str) -> None:
    text = text.encode("utf-8", "ignore").decode()
    fit(text, codec).encode(codec)


def test_fit_prefers_a_usual_spelling() -> None:
    assert fit("µmol ≥ 3 – Gerät ☃", "ascii") == "umol >= 3 - Gerat ?"
    assert fit("Gerät ≥", "iso8859-1") == "Gerät >="
    assert fit("Gerät ≥ ☃", "utf-8") == "Gerät ≥ ☃"
