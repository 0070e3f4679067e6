"""A case made ready to be shown."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from verifier.facts.ages import age_range
from verifier.facts.case import Entry
from verifier.facts.catalogue import Catalogue
from verifier.facts.subjects import BirthDate
from verifier.facts.verdicts import Request
from verifier.store.rows import AuditEntry, OutgoingRow, StoredCase, StoredDecision
from verifier.store.sights import LISTED
from verifier.store.transaction import Reader
from verifier.web.lines import Known, Line, derived_line, lines

LOOK_BACK = timedelta(days=730)


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
    messages: Sequence[int]
    outgoing: Sequence[OutgoingRow]
    trail: Sequence[AuditEntry]

    @property
    def open_lines(self) -> list[Line]:
        """The results that can be settled, as they are listed."""
        return [line for line in (*self.lines, *self.indices) if line.state == "open"]


def case_view(reader: Reader, case_id: int, catalogue: Catalogue, now: datetime) -> CaseView | None:
    """Gather a case with its history, decisions, messages and record; None if there is none."""
    stored = reader.case(case_id)
    if stored is None:
        return None
    decisions = reader.decisions(case_id)
    last = decisions[-1] if decisions else None
    patient, specimen = stored.record.patient, stored.record.specimen
    known = Known(
        stored,
        catalogue,
        reader.facts(last.id) if last else None,
        {r.entry: r for made in decisions for r in made.decision.results},
        reader.earlier(
            patient.key if patient else "", since=now - LOOK_BACK, excluding=specimen.key
        ),
        {(row.test, row.analyzer): row for row in reader.controls()},
    )
    shown = lines(known)
    entries = stored.record.entries
    collected = specimen.collected.at if specimen.collected else now
    return CaseView(
        stored=stored,
        age=age_text(patient.birth if patient else None, collected.date()),
        lines=[line for line in shown if not line.index],
        derived=[derived_line(item) for item in last.decision.derived] if last else [],
        indices=[line for line in shown if line.index],
        replaced=[entry for entry in entries if entry.state in ("superseded", "withdrawn")],
        doubts=stored.record.doubts,
        requests=last.decision.requests if last else (),
        decision=last,
        messages=list(dict.fromkeys(entry.message for entry in entries)),
        outgoing=reader.outgoing_of_case(case_id),
        trail=[one for one in reader.audit_for_case(case_id) if one.what != LISTED],
    )


def age_text(birth: BirthDate | None, on: date) -> str:
    """Return an age in the unit that tells most: days, months, then years."""
    if birth is None:
        return "age not known"
    years, most = age_range(birth, on, "years")
    if years != most:
        return f"{years} to {most} years"
    if years >= 2:
        return f"{years} years"
    months, _ = age_range(birth, on, "months")
    if months >= 2:
        return f"{months} months"
    return f"{age_range(birth, on, 'days')[0]} days"
