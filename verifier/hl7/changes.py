"""What an outgoing message changes, adds, and says of itself."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Change:
    """What becomes of one OBX: its status (HL7 table 0085), a flag (0078) to add, comments.

    `words` stand in place of the value, which then leaves with neither unit, range nor flag.
    `value` corrects it, in its unit, with `flag` as its only one. `who` answers for it (OBX-16).
    With status X, no result can be had, the value leaves as the HL7 null: the receiver deletes what
    it has.
    """

    status: str
    flag: str | None = None
    comments: tuple[str, ...] = ()
    words: str = ""
    value: str = ""
    who: str = ""


@dataclass(frozen=True, slots=True)
class AddedObservation:
    """A derived result to add. `value` is the text of OBX-5, `unit` is UCUM, `kind` is OBX-2."""

    code: str
    title: str
    system: str
    value: str
    unit: str
    status: str = "F"
    flag: str | None = None
    reference: str = ""
    kind: str = "NM"
    comments: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Header:
    """What the MSH of an outgoing message says; `version` and `processing` None: as received.

    `now` is aware; `zone` is how it is written.
    """

    application: str
    facility: str
    receiving_application: str
    receiving_facility: str
    control_id: str
    now: datetime
    version: str | None = None
    processing: str | None = None
    zone: str = "UTC"
