"""What a trail is made of: its steps, whose it is, and the messages that carried the result."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.facts.case import CaseRecord
from verifier.facts.verdicts import ResultDecision
from verifier.hl7.faults import Unreadable
from verifier.hl7.message import Message
from verifier.store.rows import AuditEntry, OutgoingRow, StoredCase, StoredDecision
from verifier.store.transaction import Reader
from verifier.web.catalogue import say
from verifier.web.lines import Because
from verifier.web.words import word


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened; `told` are sentences, `link` is where more of it stands.

    `logged` is when the audit log says so, if that is not the time of `entry`: steps are in the
    order of the log. `order` sorts what happened at the same instant.
    """

    at: datetime
    order: int
    what: str
    who: str = ""
    told: Sequence[str] = ()
    reasons: Sequence[Because] = ()
    link: str = ""
    entry: AuditEntry | None = None
    logged: datetime | None = None

    @property
    def place(self) -> tuple[datetime, int]:
        """Where it stands in the order of the trail."""
        return (self.entry.at if self.entry else self.logged or self.at), self.order


@dataclass(frozen=True, slots=True)
class Subject:
    """Whose trail it is: a result with what it replaced, or a derived result by its test."""

    stored: StoredCase
    places: tuple[int, ...]
    test: str

    @property
    def record(self) -> CaseRecord:
        """The case it belongs to."""
        return self.stored.record

    @property
    def messages(self) -> list[int]:
        """The messages that speak of it."""
        places = self.places or range(len(self.record.entries))  # what is derived rests on all
        return list(dict.fromkeys(self.record.entries[place].message for place in places))

    def said_by(self, made: StoredDecision) -> list[ResultDecision]:
        """Return what a decision says of it."""
        if self.places:
            return [one for one in made.decision.results if one.entry in self.places]
        return [one for one in made.decision.derived if one.test == self.test]


def acted(entry: AuditEntry) -> Step:
    """Return an entry of the audit log as a step of its own."""
    return Step(entry.at, 3, entry.what, entry.who, entry=entry)


def put_out(reader: Reader, subject: Subject, codes: set[str]) -> Iterator[Step]:
    """Yield the messages that carried the result, what became of them and who saw to them."""
    codes |= {subject.record.entries[place].observation.code for place in subject.places}
    made = _made_when(reader.audit_for_case(subject.stored.id))
    for row in reader.outgoing_of_case(subject.stored.id):
        if not _carries(row, codes):
            continue
        link = f"/outgoing/{row.id}"
        told = [say("Message %(id)s for %(where)s.", id=row.control_id, where=row.destination)]
        logged = made.get(row.control_id)
        yield Step(row.created, 4, say("put out"), "verifier", told, (), link, logged=logged)
        if row.finished:
            yield Step(
                row.finished, 5, word(row.status), row.destination, [_answered(row)], (), link
            )
        elif row.answer:
            said = say(
                "%(count)s attempts so far; the last: %(answer)s",
                count=row.attempts,
                answer=row.answer,
            )
            yield Step(row.created, 5, say("not sent yet"), row.destination, [said], (), link)
        for entry in reader.audit_of(f"outgoing:{row.id}"):
            yield acted(entry)


def _made_when(logged: Sequence[AuditEntry]) -> dict[str, datetime]:
    """Return when the decision was logged that put out each message, by control id."""
    found = {}
    for entry in logged:
        outgoing = (entry.detail or {}).get("outgoing")
        for control_id in outgoing if isinstance(outgoing, list) else ():
            found[str(control_id)] = entry.at
    return found


def _carries(row: OutgoingRow, codes: set[str]) -> bool:
    try:
        message = Message.read(row.payload)
    except Unreadable:
        return True  # emptied or damaged: better one step too many
    return any(obx.get(3) in codes for obx in message.all("OBX"))


def _answered(row: OutgoingRow) -> str:
    return say(
        "Message %(id)s: %(answer)s, attempt %(count)s.",
        id=row.control_id, answer=row.answer or say("taken"), count=row.attempts,
    )  # fmt: skip
