"""A case made ready to be shown."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from verifier.facts.ages import age_range
from verifier.facts.case import Entry
from verifier.facts.catalogue import Catalogue
from verifier.facts.subjects import BirthDate
from verifier.facts.verdicts import Request
from verifier.service.judging import Judge
from verifier.store.rows import AuditEntry, OutgoingRow, StoredCase, StoredDecision
from verifier.store.search import Found
from verifier.store.sights import LISTED
from verifier.store.transaction import Reader
from verifier.web.catalogue import say
from verifier.web.lines import Known, Line, derived_line, lines
from verifier.web.searchview import HitResult, hits
from verifier.web.segments import Said, said_by

LOOK_BACK = timedelta(days=730)
NEAR = timedelta(days=7)
MOST_SHARED = 12


@dataclass(frozen=True, slots=True)
class Near:
    """Another specimen of the patient: how far away in time, and what it has of the same tests."""

    found: Found
    gap: timedelta
    shared: Sequence[HitResult]
    count: int


@dataclass(frozen=True, slots=True)
class CaseView:
    """Everything the page of one case shows."""

    stored: StoredCase
    age: str
    lines: Sequence[Line]
    derived: Sequence[Line]
    indices: Sequence[Line]
    replaced: Sequence[Entry]
    doubts: Sequence[str]
    requests: Sequence[Request]
    decision: StoredDecision | None
    other_rules: bool
    messages: Sequence[Said]
    nearby: Sequence[Near]
    outgoing: Sequence[OutgoingRow]
    trail: Sequence[AuditEntry]

    @property
    def under_review(self) -> int:
        """How many results a control failed after, that nobody has looked into yet."""
        lines = (*self.lines, *self.indices)
        return sum(any(review.seen is None for review in line.reviews) for line in lines)

    @property
    def open_lines(self) -> list[Line]:
        """The results that can be settled, as they are listed."""
        return [line for line in (*self.lines, *self.indices) if line.state == "open"]


def case_view(
    reader: Reader, case_id: int, judge: Judge, now: datetime, zone: ZoneInfo
) -> CaseView | None:
    """Gather a case with its history, decisions, messages and record; None if there is none."""
    stored = reader.case(case_id)
    if stored is None:
        return None
    decisions = reader.decisions(case_id)
    last = decisions[-1] if decisions else None
    record = stored.record
    patient, specimen, entries = record.patient, record.specimen, record.entries
    collected = specimen.collected.at if specimen.collected else record.opened
    whose = patient.key if patient else ""
    messages = _messages(reader, stored, judge)
    known = Known(
        stored,
        judge.program,
        judge.maps,
        zone,
        reader.facts(last.id) if last else None,
        {r.entry: r for made in decisions for r in made.decision.results},
        reader.past_results(whose, collected - LOOK_BACK),
        messages,
        {(row.test, row.analyzer): row for row in reader.controls()},
        reader.reviews_of_case(case_id),
    )
    shown = lines(known)
    return CaseView(
        stored=stored,
        age=age_text(patient.birth if patient else None, collected.date()),
        lines=[line for line in shown if not line.index],
        derived=[derived_line(known, item) for item in last.decision.derived] if last else [],
        indices=[line for line in shown if line.index],
        replaced=[entry for entry in entries if entry.state in ("superseded", "withdrawn")],
        doubts=record.doubts,
        requests=last.decision.requests if last else (),
        decision=last,
        other_rules=last is not None and last.version != judge.version,
        messages=list(messages.values()),
        nearby=_nearby(reader, stored, collected, judge.program.catalogue),
        outgoing=reader.outgoing_of_case(case_id),
        trail=[one for one in reader.audit_for_case(case_id) if one.what != LISTED],
    )


def _messages(reader: Reader, stored: StoredCase, judge: Judge) -> dict[int, Said]:
    found = {}
    for number in dict.fromkeys(entry.message for entry in stored.record.entries):
        inbound = reader.message(number)
        if inbound:
            connection = judge.maps.get(inbound.connection)
            found[number] = said_by(inbound, connection, stored.record.specimen.key)
    return found


def _nearby(
    reader: Reader, stored: StoredCase, collected: datetime, catalogue: Catalogue
) -> list[Near]:
    """Return the patient's other specimens of about the same time, with the tests both have."""
    patient = stored.record.patient
    key = patient.key if patient else ""
    found = reader.nearby(key, collected - NEAR, collected + NEAR)
    codes = {entry.observation.code for entry in stored.record.entries}
    near = []
    for hit in hits([one for one in found if one.case_id != stored.id], catalogue):
        at = hit.found.record.specimen.collected
        gap = (at.at if at else hit.found.opened) - collected
        shared = [one for one in hit.results if one.stored.code in codes]
        near.append(Near(hit.found, gap, shared[:MOST_SHARED], len(shared)))
    return near


def age_text(birth: BirthDate | None, on: date) -> str:
    """Return an age in the unit that tells most: days, months, then years."""
    if birth is None:
        return say("age not known")
    years, most = age_range(birth, on, "years")
    if years != most:
        return say("%(least)s to %(most)s years", least=years, most=most)
    if years >= 2:
        return say("%(count)s years", count=years)
    months, _ = age_range(birth, on, "months")
    if months >= 2:
        return say("%(count)s months", count=months)
    return say("%(count)s days", count=age_range(birth, on, "days")[0])
