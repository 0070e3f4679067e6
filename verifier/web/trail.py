"""The trail of one result: everything that happened to it, in the order of time.

Received, read, decided, looked at, settled, put out, answered: each step names the entry of the
audit log that holds it, where there is one.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.facts.case import CaseRecord, Entry, Result
from verifier.facts.numbers import value_text
from verifier.facts.verdicts import ResultDecision
from verifier.hl7.faults import Unreadable
from verifier.hl7.message import Message
from verifier.store.rows import AuditEntry, Inbound, OutgoingRow, StoredCase, StoredDecision
from verifier.store.transaction import Reader
from verifier.web.lines import Because, because

DERIVED = -1
_MAY = {"release": "may leave", "hold": "is held", "wait": "waits"}


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened; `told` are sentences, `link` is where more of it stands.

    `order` sorts what happened at the same instant.
    """

    at: datetime
    order: int
    what: str
    who: str = ""
    told: Sequence[str] = ()
    reasons: Sequence[Because] = ()
    link: str = ""
    entry: AuditEntry | None = None


@dataclass(frozen=True, slots=True)
class Trail:
    """One result with all its steps, oldest first."""

    stored: StoredCase
    place: int
    test: str
    title: str
    value: str
    unit: str
    state: str
    steps: Sequence[Step]

    @property
    def entries(self) -> list[tuple[str, int]]:
        """The entries of the audit log it rests on: log and number."""
        return sorted({(s.entry.writer, s.entry.seq) for s in self.steps if s.entry})


@dataclass(frozen=True, slots=True)
class _Subject:
    """Whose trail it is: a result with what it replaced, or a derived result by its test."""

    stored: StoredCase
    places: tuple[int, ...]
    test: str

    @property
    def record(self) -> CaseRecord:
        return self.stored.record

    @property
    def messages(self) -> list[int]:
        places = self.places or range(len(self.record.entries))  # what is derived rests on all
        return list(dict.fromkeys(self.record.entries[place].message for place in places))

    def said_by(self, made: StoredDecision) -> list[ResultDecision]:
        if self.places:
            return [one for one in made.decision.results if one.entry in self.places]
        return [one for one in made.decision.derived if one.test == self.test]


def trail_of(reader: Reader, case_id: int, place: int, test: str = "") -> Trail | None:
    """Return the trail of the result at a place of a case, or of the derived one of `test`."""
    stored = reader.case(case_id)
    if stored is None or not DERIVED <= place < len(stored.record.entries):
        return None
    subject = _Subject(stored, _lineage(stored.record, place), test)
    decisions = reader.decisions(case_id)
    said = [one for made in decisions for one in subject.said_by(made)]
    if place == DERIVED and not said:
        return None
    steps = [
        *_arrivals(reader, subject),
        *_judged(reader, subject, decisions),
        *_put_out(reader, subject, {one.code for one in said}),
    ]
    steps.sort(key=lambda step: (step.at, step.order))
    return _headed(subject, place, said[-1] if said else None, steps)


def _headed(subject: _Subject, place: int, last: ResultDecision | None, steps: list[Step]) -> Trail:
    entry = None if place == DERIVED else subject.record.entries[place]
    title, value, unit = (last.title, last.value, last.unit) if last else ("", "", "")
    if entry:
        seen = entry.observation
        title = title or seen.name or seen.code
        value, unit = value or seen.text or "no value", unit if last else seen.unit
    state = _standing(entry, last)
    return Trail(subject.stored, place, subject.test, title, value, unit, state, steps)


def _standing(entry: Entry | None, last: ResultDecision | None) -> str:
    if entry and entry.state != "open":
        return f"{entry.state} by {entry.settled_by}" if entry.settled_by else entry.state
    return {"hold": "held", "wait": "waiting", "release": "released by rules"}[
        last.outcome if last else "hold"
    ]


def _lineage(record: CaseRecord, place: int) -> tuple[int, ...]:
    """Return the places of a result and of everything it replaced, oldest first."""
    if place == DERIVED:
        return ()
    key = record.entries[place].observation.key
    before = [at for at in range(place) if record.entries[at].observation.key == key]
    return (*(at for at in before if record.entries[at].state == "superseded"), place)


def _arrivals(reader: Reader, subject: _Subject) -> Iterator[Step]:
    for number in subject.messages:
        message = reader.message(number)
        logged = reader.audit_of(f"message:{number}")
        received = next((e for e in logged if e.what == "received a message"), None)
        if message:
            told = [_introduced(message), *_said(subject, number)]
            if message.ack:
                told.append(f"It was answered {_code(message.ack)}.")
            link = f"/messages/{number}?case={subject.stored.id}"
            yield Step(
                message.received,
                0,
                "message received",
                message.connection,
                told,
                (),
                link,
                received,
            )
        for entry in logged:
            if entry is not received:
                yield _acted(entry)


def _introduced(message: Inbound) -> str:
    sender = f"{message.application} {message.facility}".strip() or "a sender without a name"
    return f"{message.type or 'Message'} {message.control_id} of {sender}."


def _said(subject: _Subject, number: int) -> Iterator[str]:
    for place in subject.places:
        entry = subject.record.entries[place]
        seen = entry.observation
        if entry.message == number:
            flags = f", flags {' '.join(seen.flags)}" if seen.flags else ""
            yield (
                f"Segment {seen.segment + 1} says {seen.code} {seen.system}: "
                f"{seen.text or 'no value'} {seen.unit}, status {seen.status or 'none'}{flags}."
            )


def _code(answer: bytes) -> str:
    """Return MSA-1 and the text of an acknowledgement, as far as it can be read."""
    try:
        acknowledgement = Message.read(answer).first("MSA")
    except Unreadable:
        return "with something that can not be read"
    if acknowledgement is None:
        return "without MSA"
    return f"{acknowledgement.get(1)} {acknowledgement.get(3)}".strip()


def _judged(
    reader: Reader, subject: _Subject, decisions: Sequence[StoredDecision]
) -> Iterator[Step]:
    logged = reader.audit_for_case(subject.stored.id)
    of_decisions = [entry for entry in logged if entry.what == "decided"]
    paired = len(of_decisions) == len(decisions)  # one each, written together
    read = ""
    for number, made in enumerate(decisions):
        found = subject.said_by(made)
        if not found:
            continue
        reading = _reading(reader, subject, made)
        if reading and reading != read:
            read = reading
            yield Step(made.decision.decided, 1, "facts read", told=[reading])
        for verdict in found:
            yield _decided(made, verdict, of_decisions[number] if paired else None)
    for entry in logged:
        if (entry.what != "decided" or not paired) and _concerns(entry, subject):
            yield _acted(entry)


def _reading(reader: Reader, subject: _Subject, made: StoredDecision) -> str:
    """Return how the observation was mapped when this decision was made."""
    case = reader.facts(made.id) if made.has_facts and subject.places else None
    results = [one for one in case.results if one.entry in subject.places] if case else []
    return " ".join(_mapped(result) for result in results)


def _mapped(result: Result) -> str:
    sent = f"{result.sent_text or 'nothing'} {result.sent_unit}".strip()
    value = f"{value_text(result.value)} {result.unit}".strip()
    known = f"as {result.title}" if result.test else "as no test that is known"
    said = [f"{sent} was read {known}: {value}."]
    if result.analyzer:
        said.append(f"Measured by {result.analyzer}.")
    if result.control:
        said.append(f"Its controls: {result.control.state}{_because_of(result.control.why)}.")
    said += [f"{fault[:1].upper()}{fault[1:]}." for fault in result.faults]
    return " ".join(said)


def _because_of(why: str) -> str:
    return f" ({why})" if why else ""


def _decided(made: StoredDecision, verdict: ResultDecision, entry: AuditEntry | None) -> Step:
    version = f"version {made.version} of the rules, " if made.version is not None else ""
    value = f"{verdict.value} {verdict.unit}".strip()
    told = [f"{verdict.title} {value} {_MAY[verdict.outcome]}{_flagged(verdict)}."]
    told.append(f"By {version}rule set {made.decision.rule_set[:12]}.")
    if made.message_id is None:
        told.append("Judged again without a message: time had passed or a person had acted.")
    told += [f"Leaves with the comment: “{comment}”." for comment in verdict.comments]
    reasons = because(verdict.reasons)
    return Step(made.decision.decided, 2, "decided", "rules", told, reasons, "", entry)


def _flagged(verdict: ResultDecision) -> str:
    parts = [f"flag {verdict.flag}"] if verdict.flag else []
    parts += [f"reference {verdict.reference}"] if verdict.reference else []
    return f", {', '.join(parts)}" if parts else ""


def _concerns(entry: AuditEntry, subject: _Subject) -> bool:
    """Whether an entry on the case is about this result: those on others name their places."""
    places = (entry.detail or {}).get("places")
    if not isinstance(places, list):
        return True
    return any(place in places for place in subject.places)


def _acted(entry: AuditEntry) -> Step:
    return Step(entry.at, 3, entry.what, entry.who, entry=entry)


def _put_out(reader: Reader, subject: _Subject, codes: set[str]) -> Iterator[Step]:
    """Yield the messages that carried the result, what became of them and who saw to them."""
    codes |= {subject.record.entries[place].observation.code for place in subject.places}
    for row in reader.outgoing_of_case(subject.stored.id):
        if not _carries(row, codes):
            continue
        link = f"/outgoing/{row.id}"
        told = [f"Message {row.control_id} for {row.destination}."]
        yield Step(row.created, 4, "put out", "verifier", told, (), link)
        if row.finished:
            yield Step(row.finished, 5, row.status, row.destination, [_answered(row)], (), link)
        elif row.answer:
            said = f"{row.attempts} attempts so far; the last: {row.answer}"
            yield Step(row.created, 5, "not sent yet", row.destination, [said], (), link)
        for entry in reader.audit_of(f"outgoing:{row.id}"):
            yield _acted(entry)


def _carries(row: OutgoingRow, codes: set[str]) -> bool:
    try:
        message = Message.read(row.payload)
    except Unreadable:
        return True  # emptied or damaged: better one step too many
    return any(obx.get(3) in codes for obx in message.all("OBX"))


def _answered(row: OutgoingRow) -> str:
    return f"Message {row.control_id}: {row.answer or 'taken'}, attempt {row.attempts}."
