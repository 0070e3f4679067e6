"""What is wrong with a message, as an ERR segment says it, and the error that carries it."""

from dataclasses import dataclass
from typing import Literal

from verifier.errors import PeerError

SEQUENCE, MISSING, DATA_TYPE, NOT_IN_TABLE = 100, 101, 102, 103
TYPE, EVENT, PROCESSING, VERSION, DUPLICATE, INTERNAL = 200, 201, 202, 203, 205, 207

TABLE_0357 = {
    0: "Message accepted",
    SEQUENCE: "Segment sequence error",
    MISSING: "Required field missing",
    DATA_TYPE: "Data type error",
    NOT_IN_TABLE: "Table value not found",
    TYPE: "Unsupported message type",
    EVENT: "Unsupported event code",
    PROCESSING: "Unsupported processing id",
    VERSION: "Unsupported version id",
    204: "Unknown key identifier",
    DUPLICATE: "Duplicate key identifier",
    206: "Application record locked",
    INTERNAL: "Application internal error",
}
# HL7 v2.9.1 section 2.8.2: a message whose kind is not acceptable is rejected; what is wrong
# inside an acceptable one is an error.
_REJECTING = {SEQUENCE, TYPE, EVENT, PROCESSING, VERSION}


@dataclass(frozen=True, slots=True)
class AckFault:
    """One ERR segment.

    `code` is of HL7 table 0357, `location` an ERL such as ``MSH^1^12`` (always written with ``^``),
    `severity` of table 0516 (E error, F fatal, I information, W warning).
    """

    code: int
    text: str
    location: str = ""
    severity: Literal["E", "F", "I", "W"] = "E"

    @property
    def rejects(self) -> bool:
        """Whether the answer is AR or CR rather than AE or CE."""
        return self.code in _REJECTING


class Unreadable(PeerError):  # noqa: N818 - it is a kind of message first, an error second
    """Bytes that can not be read as a message: keep them, judge nothing of them.

    `control_id` is MSH-10 as far as it could be made out, else empty.
    """

    def __init__(self, fault: AckFault, control_id: str = "") -> None:
        super().__init__(fault.text)
        self.fault = fault
        self.control_id = control_id
