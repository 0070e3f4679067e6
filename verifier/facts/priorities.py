"""How urgent an order is: the words of HL7 table 0485, and of 0027 before it.

A priority decides when a person should have looked, never whether a result may leave.
"""

from collections.abc import Iterable
from typing import Literal, get_args

Priority = Literal["stat", "ASAP", "timing critical", "preop", "callback", "routine"]
PRIORITIES: tuple[Priority, ...] = get_args(Priority)  # most urgent first
ROUTINE: Priority = "routine"  # what counts where nothing is said (HL7 v2.5.1 section 4.5.4.9)

_OF_CODE: dict[str, Priority] = {
    "S": "stat",
    "ST": "stat",
    "STAT": "stat",
    "A": "ASAP",
    "ASAP": "ASAP",
    "T": "timing critical",
    "P": "preop",
    "C": "callback",
    "R": ROUTINE,
    "ROUTINE": ROUTINE,
    "PRN": ROUTINE,
}
_TIMED = ("TS", "TM", "TH", "TD", "TW", "TL")  # with a whole number: critical within so long


def priority_of(code: str) -> Priority | Literal[""]:
    """Return the word for a priority code, empty for none and for one that is not known."""
    said = code.strip().upper()
    if said[:2] in _TIMED and said[2:].isdigit():
        return "timing critical"
    found = _OF_CODE.get(said)
    return found or ""


def most_urgent(priorities: Iterable[str]) -> Priority | Literal[""]:
    """Return the most urgent of some words, empty when there is none."""
    known = {word for word in priorities if word in PRIORITIES}
    return next((word for word in PRIORITIES if word in known), "")
