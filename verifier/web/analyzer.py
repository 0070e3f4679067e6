"""What the analyzer said of a result besides its value: flags, its own reference, status, notes.

Words for codes are those of HL7 tables 0078 (abnormal flags) and 0085 (result status), v2.5.1.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.facts.case import Entry
from verifier.facts.catalogue import ConnectionMap
from verifier.texts import mark
from verifier.web.catalogue import say
from verifier.web.segments import Said
from verifier.web.units import readable

FLAGS = {
    "L": mark("below low normal"),
    "H": mark("above high normal"),
    "LL": mark("below lower panic limits"),
    "HH": mark("above upper panic limits"),
    "<": mark("below absolute low-off instrument scale"),
    ">": mark("above absolute high-off instrument scale"),
    "N": mark("normal"),
    "A": mark("abnormal"),
    "AA": mark("very abnormal"),
    "U": mark("significant change up"),
    "D": mark("significant change down"),
    "B": mark("better"),
    "W": mark("worse"),
}
STATUSES = {
    "C": mark("correction"),
    "D": mark("deletes what was sent"),
    "F": mark("final"),
    "I": mark("specimen in lab, results pending"),
    "P": mark("preliminary"),
    "R": mark("entered, not verified"),
    "S": mark("partial"),
    "U": mark("final, without retransmission"),
    "W": mark("was wrong, of another patient for instance"),
    "X": mark("can not be obtained"),
}
_HANDLED = {
    "ignore": mark("this laboratory has it ignored"),
    "hold": mark("this laboratory has it hold"),
}


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
        [_flag(code, handled.get(code, "")) for code in seen.flags],
        message.notes.get(seen.segment, ()) if message else (),
        f"{seen.reference} {readable(seen.unit)}".strip() if seen.reference else "",
        say(STATUSES[seen.status]) if seen.status in STATUSES else seen.status,
        seen.run,
        seen.analysed.at if seen.analysed else None,
        entry.arrived,
    )


def _flag(code: str, handled: str) -> Flag:
    means, does = FLAGS.get(code), _HANDLED.get(handled)
    return Flag(code, say(means) if means else "", say(does) if does else "")
