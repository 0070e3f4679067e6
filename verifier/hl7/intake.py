"""From received bytes to text: what stands before MSH, line ends, delimiters, character set."""

import re
from typing import NamedTuple

from verifier.hl7.charsets import codec_of
from verifier.hl7.delimiters import Delimiters, read_delimiters
from verifier.hl7.faults import DATA_TYPE, NOT_IN_TABLE, SEQUENCE, TYPE, AckFault, Unreadable

_MARK = b"\xef\xbb\xbf"  # the UTF-8 byte order mark
_BLANKS = b" \t\r\n\0"
_BATCH = (b"FHS", b"BHS")
_CONTROLS = bytes({*range(32), 127} - {*b"\t\n\r\x1b"})  # ESC belongs to the ISO 2022 sets


class Taken(NamedTuple):
    """The text of a message with CR between its segments, and what was odd about the bytes.

    `body` is the same in bytes: cut at CR, both have the same pieces. `warnings` are about its
    dress alone; `doubts` are about whether it was understood.
    """

    text: str
    body: bytes
    delimiters: Delimiters
    codec: str
    warnings: list[str]
    doubts: list[str]


def take(raw: bytes, charset: str) -> Taken:
    """Return the text of a message; `charset` is the site's word for a sender that names none.

    Raises:
        Unreadable: no MSH, a batch, unusable delimiters, unknown or wrong character set.
    """
    warnings: list[str] = []
    doubts: list[str] = []
    data, charset = _without_prefix(raw, charset, warnings)
    if data[:3] != b"MSH":
        raise Unreadable(_no_header(data))
    header = re.split(rb"[\r\n]", data, maxsplit=1)[0].decode("latin-1")
    delimiters = read_delimiters(header)
    if isinstance(delimiters, str):
        raise Unreadable(AckFault(SEQUENCE, delimiters, "MSH^1^2"), _field(header, 10))
    body = _with_cr(data, delimiters, warnings, doubts)
    if len(body.translate(None, _CONTROLS)) != len(body):
        doubts.append("the message holds control characters")
    text, codec = _decoded(body, header, delimiters, charset, warnings)
    return Taken(text, body, delimiters, codec, warnings, doubts)


def _without_prefix(raw: bytes, charset: str, warnings: list[str]) -> tuple[bytes, str]:
    data = raw.lstrip(_BLANKS)
    if data.startswith(_MARK):
        data = data[len(_MARK) :].lstrip(_BLANKS)
        charset = charset or "UNICODE UTF-8"
        warnings.append("a byte order mark stood before MSH")
    elif len(data) != len(raw):
        warnings.append("blanks stood before MSH")
    return data, charset


def _no_header(data: bytes) -> AckFault:
    if data[:3] in _BATCH:
        return AckFault(TYPE, "this is a batch of messages and not one message")
    return AckFault(SEQUENCE, "there is no MSH segment at the start", "MSH^1")


def _field(header: str, number: int, separator: str = "") -> str:
    """MSH-`number` of a header that may be broken elsewhere; empty when it can not be made out."""
    parts = header.split(separator or header[3:4] or "|")
    return parts[number - 1] if len(parts) >= number else ""


def _with_cr(data: bytes, delimiters: Delimiters, warnings: list[str], doubts: list[str]) -> bytes:
    """Bring segment ends to CR.

    CR is the only segment end of HL7 (v2.5.1 section 2.5.4). Where none is there at all, an LF
    that a segment name follows is taken for one; where CRs are, an LF is data, except right after
    a CR.
    """
    if b"\n" not in data:
        return data
    separator = re.escape(delimiters.field.encode())
    looks_like_end = re.compile(rb"\n(?=[A-Z][A-Z0-9]{2}" + separator + rb")")
    if b"\r" not in data:
        warnings.append("segments end with LF instead of CR")
        return looks_like_end.sub(b"\r", data).rstrip(b"\n")
    if b"\r\n" in data:
        data = data.replace(b"\r\n", b"\r")
        warnings.append("segments end with CR and LF instead of CR")
    if looks_like_end.search(data):
        doubts.append("a line feed inside a field is followed by what looks like a segment")
    return data


def _decoded(
    body: bytes, header: str, delimiters: Delimiters, charset: str, warnings: list[str]
) -> tuple[str, str]:
    declared = _field(header, 18, delimiters.field).split(delimiters.repetition)[0]
    declared = "" if declared == '""' else declared
    control_id = _field(header, 10, delimiters.field)
    codec = codec_of(declared or charset or "ASCII")
    if codec is None and charset:
        codec = codec_of(charset)
        warnings.append(f"MSH-18 names an unknown character set; {charset} was used")
    if codec is None:
        text = f"MSH-18 names a character set that is not known here: {declared or charset!r}"
        raise Unreadable(AckFault(NOT_IN_TABLE, text, "MSH^1^18"), control_id)
    if codec == "ascii" and charset and not body.isascii():
        codec = codec_of(charset) or codec
        warnings.append(f"MSH-18 says ASCII, the bytes are not; {charset} was used")
    try:
        return body.decode(codec), codec
    except UnicodeError as error:  # never `errors=ignore`: a name must not change silently
        place = f"byte {error.start + 1}" if isinstance(error, UnicodeDecodeError) else "a byte"
        stated = declared or charset or "none stated, so ASCII"
        text = f"{place} is not valid in the character set of MSH-18 ({stated})"
        raise Unreadable(AckFault(DATA_TYPE, text, "MSH^1^18"), control_id) from error
