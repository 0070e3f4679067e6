"""Acknowledgements (HL7 v2.9.1 sections 2.8.2 and 2.8.3): whether, which code, and the bytes.

With MSH-15 or MSH-16 valued the sender wants enhanced mode and gets an accept acknowledgement on
the same connection; otherwise original mode.
"""

import re
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Literal, NamedTuple

from verifier.hl7.charsets import fit
from verifier.hl7.delimiters import USUAL, Delimiters, read_delimiters
from verifier.hl7.escapes import encode
from verifier.hl7.faults import (
    EVENT,
    MISSING,
    PROCESSING,
    TABLE_0357,
    TYPE,
    VERSION,
)
from verifier.hl7.faults import AckFault as AckFault
from verifier.hl7.message import Message
from verifier.hl7.moments import format_moment

VERSIONS = ("2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.7.1", "2.8", "2.8.1", "2.8.2")
Taken = Literal["results", "patients"]
EVENTS: dict[str, dict[str, Taken]] = {
    "ORU": {"R01": "results", "R30": "results", "R31": "results", "R32": "results"},
    "OUL": {"R21": "results", "R22": "results"},
    "ADT": {"A08": "patients", "A31": "patients", "A40": "patients"},
}
RESULTS: tuple[Taken, ...] = ("results",)
# Point-of-care results are acknowledged under an event of their own (v2.5.1, 7.3.3 to 7.3.5).
_ANSWERING = {"R30": "R33", "R31": "R33", "R32": "R33"}
_SPOKEN = "2.5.1"  # for a sender whose version we do not speak
_MSA_3 = 80  # longest MSA-3 (HL7 v2.4 section 2.16.8)


class AckCodes(NamedTuple):
    """The codes of HL7 table 0008 for one mode."""

    accept: str
    error: str
    reject: str

    def of(self, fault: AckFault) -> str:
        """Return the code that answers a message with this fault."""
        return self.reject if fault.rejects else self.error


ORIGINAL = AckCodes("AA", "AE", "AR")
ENHANCED = AckCodes("CA", "CE", "CR")


class Answer(NamedTuple):
    """What a receiver said: MSA-1, MSA-2 and the first text it gave."""

    code: str
    control_id: str
    text: str


def codes(message: Message) -> AckCodes:
    """Return the codes of the mode the sender asked for."""
    asked = message.header.get(15) or message.header.get(16)
    return ENHANCED if asked else ORIGINAL


def wants_ack(message: Message, ok: bool) -> bool:
    """Whether to answer: MSH-15 (HL7 table 0155) may ask for none, or for one kind only."""
    match message.header.get(15):
        case "NE":
            return False
        case "ER":
            return not ok
        case "SU":
            return ok
    return True


def admission(
    message: Message, processing: Collection[str], takes: Collection[Taken] = RESULTS
) -> AckFault | None:
    """Return why a message is not taken at all, or None.

    `processing` are the codes of HL7 table 0103 this connection takes, usually only P; `takes`
    says what messages may be about.
    """
    kind, event, version = message.type, message.event, message.version
    events = {name for name, about in EVENTS.get(kind, {}).items() if about in takes}
    if not events:
        return AckFault(TYPE, f"messages of type {kind!r} are not taken here", "MSH^1^9^1^1")
    if event not in events:
        return AckFault(EVENT, f"event {event!r} of {kind} is not taken here", "MSH^1^9^1^2")
    if version not in VERSIONS:
        text = f"version {version!r} is not taken here; use one from 2.3 to 2.8"
        return AckFault(VERSION, text, "MSH^1^12")
    if message.processing not in processing:
        text = f"processing id {message.processing!r} is not taken on this connection"
        return AckFault(PROCESSING, text, "MSH^1^11")
    if not message.control_id:
        return AckFault(MISSING, "the message has no control id", "MSH^1^10")
    return None


def acknowledge(
    message: Message,
    code: str,
    *,
    faults: Sequence[AckFault] = (),
    control_id: str,
    now: datetime,
    application: str,
    facility: str,
) -> bytes:
    """Return the acknowledgement of `message` with a code of HL7 table 0008, as a payload.

    It speaks the sender's delimiters, version and character set. `control_id` names the
    acknowledgement itself; `application` and `facility` are ours.
    """
    version = message.version if message.version in VERSIONS else _SPOKEN
    marks = message.delimiters._replace(truncation="")

    def own(text: str) -> str:
        return encode(fit(text, message.charset), marks)

    header = message.header
    event = _ANSWERING.get(message.event, message.event)
    kind = ["ACK", own(event)] if event else ["ACK"]
    if message.event and version != "2.3":  # the third component came with 2.3.1
        kind.append("ACK")
    msh = ["MSH", marks.encoding, own(application), own(facility), header.field(3), header.field(4)]
    msh += [format_moment(now), "", marks.component.join(kind), own(control_id)]
    msh += [header.field(11) or "P", version, "", "", "", "", "", header.field(18)]
    msa = ["MSA", code, header.field(10)]
    if faults and version < "2.5":  # deprecated from 2.4 on, when ERR came to say it better
        msa.append(own(faults[0].text[:_MSA_3]))
    lines = [msh, msa, *_errors(faults, version, marks, message.charset)]
    text = "".join(marks.field.join(line).rstrip(marks.field) + "\r" for line in lines)
    return text.encode(message.charset)


def _errors(
    faults: Sequence[AckFault], version: str, marks: Delimiters, codec: str
) -> list[list[str]]:
    if version >= "2.5":
        return [_error(fault, marks, codec) for fault in faults]
    # One ERR whose only field, ERR-1, repeats (HL7 v2.4 section 2.16.5).
    places = [_place(fault, marks) for fault in faults]
    return [["ERR", marks.repetition.join(places)]] if places else []


def _error(fault: AckFault, marks: Delimiters, codec: str) -> list[str]:
    location = fault.location.replace("^", marks.component)
    condition = marks.component.join([str(fault.code), TABLE_0357[fault.code], "HL70357"])
    text = encode(fit(fault.text, codec), marks)
    return ["ERR", "", location, condition, fault.severity, "", "", "", text]


def _place(fault: AckFault, marks: Delimiters) -> str:
    segment, sequence, field = (*fault.location.split("^"), "", "", "")[:3]
    condition = marks.subcomponent.join([str(fault.code), TABLE_0357[fault.code], "HL70357"])
    return marks.component.join([segment, sequence, field, condition])


def acknowledge_unreadable(
    raw: bytes,
    fault: AckFault,
    *,
    control_id: str,
    now: datetime,
    application: str,
    facility: str,
) -> bytes | None:
    """Return the answer to a message that could not be read, or None where no MSH can be made out.

    The header is read byte by byte as it is; delimiters that can not be used are replaced.
    """
    found = re.search(rb"\A(?:\xef\xbb\xbf|\s|\0)*(MSH[^\r\n]*)", raw)
    if found is None:
        return None
    header = found[1].decode("latin-1")
    separator = header[3:4]
    marks = read_delimiters(header)
    if isinstance(marks, str):
        marks = USUAL
    fields = header.split(separator)[2:16] if separator else []
    clean = ["MSH", marks.encoding, *fields]
    stub = Message.read(marks.field.join(clean).encode("latin-1"), charset="8859/1")
    if not stub.control_id and not stub.type:
        return None
    return acknowledge(
        stub,
        codes(stub).of(fault),
        faults=[fault],
        control_id=control_id,
        now=now,
        application=application,
        facility=facility,
    )


def parse_ack(message: Message) -> Answer:
    """Return what an acknowledgement says; the code is empty when there is no MSA segment."""
    msa = message.first("MSA")
    if msa is None:
        return Answer("", "", "the answer has no MSA segment")
    errors = message.all("ERR")
    texts = [text for err in errors for text in (err.get(8), err.get(7), err.get(3, 2))]
    texts += [msa.get(3)] + [err.get(1, 4, 2) for err in errors]
    return Answer(msa.get(1), msa.get(2), next(filter(None, texts), ""))
