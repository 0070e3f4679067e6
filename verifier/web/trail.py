"""The trail of one result: everything that happened to it, in the order of time.

Received, read, decided, looked at, settled, put out, answered: each step names the entry of the
audit log that holds it, where there is one.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from verifier.facts.case import CaseRecord, Entry, Result
from verifier.facts.numbers import value_text
from verifier.facts.verdicts import ResultDecision
from verifier.hl7.faults import Unreadable
from verifier.hl7.message import Message
from verifier.store.rows import AuditEntry, Inbound, StoredCase, StoredDecision
from verifier.store.transaction import Reader
from verifier.web.lines import because
from verifier.web.trailsteps import Step, Subject, acted, put_out

DERIVED = -1
_MAY = {"release": "may leave", "hold": "is held", "wait": "waits"}


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


def trail_of(reader: Reader, case_id: int, place: int, test: str = "") -> Trail | None:
    """Return the trail of the result at a place of a case, or of the derived one of `test`."""
    stored = reader.case(case_id)
    if stored is None or not DERIVED <= place < len(stored.record.entries):
        return None
    subject = Subject(stored, _lineage(stored.record, place), test)
    decisions = reader.decisions(case_id)
    said = [one for made in decisions for one in subject.said_by(made)]
    if place == DERIVED and not said:
        return None
    steps = [
        *_arrivals(reader, subject),
        *_judged(reader, subject, decisions),
        *put_out(reader, subject, {one.code for one in said}),
    ]
    steps.sort(key=lambda step: step.place)
    return _headed(subject, place, said[-1] if said else None, steps)


def _headed(subject: Subject, place: int, last: ResultDecision | None, steps: list[Step]) -> Trail:
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


def _arrivals(reader: Reader, subject: Subject) -> Iterator[Step]:
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
                yield acted(entry)


def _introduced(message: Inbound) -> str:
    sender = f"{message.application} {message.facility}".strip() or "a sender without a name"
    return f"{message.type or 'Message'} {message.control_id} of {sender}."


def _said(subject: Subject, number: int) -> Iterator[str]:
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
    reader: Reader, subject: Subject, decisions: Sequence[StoredDecision]
) -> Iterator[Step]:
    logged = reader.audit_for_case(subject.stored.id)
    of_decisions = [entry for entry in logged if entry.what == "decided"]
    paired = len(of_decisions) == len(decisions)  # one each, written together
    read = ""
    for number, made in enumerate(decisions):
        found = subject.said_by(made)
        if not found:
            continue
        entry = of_decisions[number] if paired else None
        reading = _reading(reader, subject, made)
        if reading and reading != read:
            read, at = reading, entry.at if entry else None
            yield Step(made.decision.decided, 1, "facts read", told=[reading], logged=at)
        for verdict in found:
            yield _decided(made, verdict, entry)
    for entry in logged:
        if (entry.what != "decided" or not paired) and _concerns(entry, subject):
            yield acted(entry)


def _reading(reader: Reader, subject: Subject, made: StoredDecision) -> str:
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


def _concerns(entry: AuditEntry, subject: Subject) -> bool:
    """Whether an entry on the case is about this result: those on others name their places."""
    places = (entry.detail or {}).get("places")
    if not isinstance(places, list):
        return True
    return any(place in places for place in subject.places)
