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
from verifier.texts import mark
from verifier.web.catalogue import say
from verifier.web.lines import because
from verifier.web.trailsteps import Step, Subject, acted, put_out
from verifier.web.units import readable
from verifier.web.words import word

DERIVED = -1


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
        value, unit = value or seen.text or say("no value"), unit if last else seen.unit
    state = _standing(entry, last)
    return Trail(subject.stored, place, subject.test, title, value, unit, state, steps)


def _standing(entry: Entry | None, last: ResultDecision | None) -> str:
    if entry and entry.state != "open":
        state = word(entry.state)
        if not entry.settled_by:
            return state
        return say("%(state)s by %(who)s", state=state, who=word(entry.settled_by))
    return {"hold": say("held"), "wait": say("waiting"), "release": say("released by rules")}[
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
                told.append(say("It was answered %(answer)s.", answer=_code(message.ack)))
            link = f"/messages/{number}?case={subject.stored.id}"
            yield Step(
                message.received,
                0,
                say("message received"),
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
    sender = f"{message.application} {message.facility}".strip() or say("a sender without a name")
    kind = message.type or say("Message")
    return say("%(kind)s %(id)s of %(sender)s.", kind=kind, id=message.control_id, sender=sender)


def _said(subject: Subject, number: int) -> Iterator[str]:
    for place in subject.places:
        entry = subject.record.entries[place]
        seen = entry.observation
        if entry.message == number:
            told = say(
                "Segment %(number)s says %(code)s %(system)s: %(value)s %(unit)s, "
                "status %(status)s.",
                number=seen.segment + 1, code=seen.code, system=seen.system,
                value=seen.text or say("no value"), unit=readable(seen.unit),
                status=seen.status or say("none"),
            )  # fmt: skip
            yield (
                f"{told} {say('Flags %(flags)s.', flags=' '.join(seen.flags))}"
                if seen.flags
                else told
            )


def _code(answer: bytes) -> str:
    """Return MSA-1 and the text of an acknowledgement, as far as it can be read."""
    try:
        acknowledgement = Message.read(answer).first("MSA")
    except Unreadable:
        return say("with something that can not be read")
    if acknowledgement is None:
        return say("without MSA")
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
            yield Step(made.decision.decided, 1, say("facts read"), told=[reading], logged=at)
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
    sent = f"{result.sent_text or say('nothing')} {readable(result.sent_unit)}".strip()
    value = f"{value_text(result.value)} {readable(result.unit)}".strip()
    said = [
        say("%(sent)s was read as %(test)s: %(value)s.", sent=sent, test=result.title, value=value)
        if result.test
        else say("%(sent)s was read as no test that is known: %(value)s.", sent=sent, value=value)
    ]
    if result.analyzer:
        said.append(say("Measured by %(analyzer)s.", analyzer=result.analyzer))
    if result.control:
        state = word(result.control.state) + _because_of(result.control.why)
        said.append(say("Its controls: %(state)s.", state=state))
    said += [f"{fault[:1].upper()}{fault[1:]}." for fault in result.faults]
    return " ".join(said)


def _because_of(why: str) -> str:
    return f" ({why})" if why else ""


def _decided(made: StoredDecision, verdict: ResultDecision, entry: AuditEntry | None) -> Step:
    value = f"{verdict.value} {readable(verdict.unit)}".strip()
    may = {
        "release": mark("%(test)s %(value)s may leave%(more)s."),
        "hold": mark("%(test)s %(value)s is held%(more)s."),
        "wait": mark("%(test)s %(value)s waits%(more)s."),
    }[verdict.outcome]
    told = [say(may, test=verdict.title, value=value, more=_flagged(verdict))]
    rule_set = made.decision.rule_set[:12]
    told.append(
        say("By rule set %(hash)s.", hash=rule_set)
        if made.version is None
        else say(
            "By version %(version)s of the rules, rule set %(hash)s.",
            version=made.version,
            hash=rule_set,
        )
    )
    if made.message_id is None:
        told.append(say("Judged again without a message: time had passed or a person had acted."))
    told += [
        say("Leaves with the comment: “%(comment)s”.", comment=comment)
        for comment in verdict.comments
    ]
    reasons = because(verdict.reasons)
    return Step(made.decision.decided, 2, say("decided"), say("rules"), told, reasons, "", entry)


def _flagged(verdict: ResultDecision) -> str:
    parts = [say("flag %(flag)s", flag=verdict.flag)] if verdict.flag else []
    parts += [say("reference %(limits)s", limits=verdict.reference)] if verdict.reference else []
    return f", {', '.join(parts)}" if parts else ""


def _concerns(entry: AuditEntry, subject: Subject) -> bool:
    """Whether an entry on the case is about this result: those on others name their places."""
    places = (entry.detail or {}).get("places")
    if not isinstance(places, list):
        return True
    return any(place in places for place in subject.places)
