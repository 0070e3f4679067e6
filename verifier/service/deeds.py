"""What a person does with the results of a case, as the judge stores it and sends it on."""

from collections.abc import Mapping
from datetime import datetime

from msgspec import Struct

from verifier.store.actrows import ActKind, Done


class Said(Struct, frozen=True):
    """What becomes of one result on a person's word.

    `status` is OBX-11, empty for final or corrected as it stands; `words` or `value` stand in place
    of the value; `flag` is for a value that rules have not flagged in a stored decision.
    """

    comments: tuple[str, ...] = ()
    status: str = ""
    words: str = ""
    value: str = ""
    flag: str = ""


class Deed(Struct, frozen=True):
    """An act of a person: on which results, and until when it may be taken back."""

    kind: ActKind
    who: str
    settled: Mapping[int, Said]
    done: Done
    until: datetime | None = None
