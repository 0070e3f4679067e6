"""What the analyzer said of a result besides its value: flags, its own reference, status, notes.

Words for codes are those of HL7 tables 0078 (abnormal flags) and 0085 (result status), v2.5.1.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.facts.case import Entry
from verifier.facts.catalogue import ConnectionMap
from verifier.web.segments import Said

FLAGS = {
    "L": "below low normal",
    "H": "above high normal",
    "LL": "below lower panic limits",
    "HH": "above upper panic limits",
    "<": "below absolute low-off instrument scale",
    ">": "above absolute high-off instrument scale",
    "N": "normal",
    "A": "abnormal",
    "AA": "very abnormal",
    "U": "significant change up",
    "D": "significant change down",
    "B": "better",
    "W": "worse",
}
STATUSES = {
    "C": "correction",
    "D": "deletes what was sent",
    "F": "final",
    "I": "specimen in lab, results pending",
    "P": "preliminary",
    "R": "entered, not verified",
    "S": "partial",
    "U": "final, without retransmission",
    "W": "was wrong, of another patient for instance",
    "X": "can not be obtained",
}
_HANDLED = {"ignore": "this laboratory has it ignored", "hold": "this laboratory has it hold"}


@dataclass(frozen=True, slots=True)
class Flag:
    """One code of OBX-8: what it means, and what the settings of its connection do with it."""

    code: str
    means: str
    handled: str


@dataclass(frozen=True, slots=True)
class Analyzer:
    """What stands around one value; empty texts were not sent."""

    name: str
    connection: str
    flags: Sequence[Flag]
    notes: Sequence[str]
    reference: str
    status: str
    run: str
    measured: datetime | None
    arrived: datetime


def analyzer_said(
    entry: Entry, connection: ConnectionMap | None, messages: Mapping[int, Said]
) -> Analyzer:
    """Return what was sent with a result; `messages` are those of the case by id."""
    seen = entry.observation
    message = messages.get(entry.message)
    handled = connection.flags if connection else {}
    return Analyzer(
        seen.analyzer,
        entry.connection,
        [Flag(f, FLAGS.get(f, ""), _HANDLED.get(handled.get(f, ""), "")) for f in seen.flags],
        message.notes.get(seen.segment, ()) if message else (),
        f"{seen.reference} {seen.unit}".strip() if seen.reference else "",
        STATUSES.get(seen.status, seen.status),
        seen.run,
        seen.analysed.at if seen.analysed else None,
        entry.arrived,
    )
