"""A case made ready to be shown: every result with its values before, reasons and state."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from markupsafe import Markup

from verifier.facts.ages import age_range
from verifier.facts.case import Case, Earlier, Entry
from verifier.facts.catalogue import Catalogue, TestDefinition
from verifier.facts.numbers import value_text
from verifier.facts.subjects import BirthDate
from verifier.facts.values import Number, Value
from verifier.facts.verdicts import Fact, Reason, Request, ResultDecision
from verifier.store.rows import (
    AuditEntry,
    ControlRow,
    OutgoingRow,
    StoredCase,
    StoredDecision,
)
from verifier.store.severity import worst_reason
from verifier.store.transaction import Reader
from verifier.web.history import Point, draw

LOOK_BACK = timedelta(days=730)
MOST_EARLIER = 40
_ORDER = {"open": 0, "released": 1, "rejected": 2}
_OUTCOMES = {"hold": 0, "wait": 1, "release": 2}


@dataclass(frozen=True, slots=True)
class Before:
    """An earlier verified value with its difference to the present one."""

    text: str
    collected: datetime
    specimen: str
    change: str


@dataclass(frozen=True, slots=True)
class Because:
    """What stands against a result, once, with every rule (and its source) that says so."""

    kind: str
    text: str
    facts: Sequence[Fact]
    rules: Sequence[tuple[str, str]]
    until: datetime | None


@dataclass(frozen=True, slots=True)
class Line:
    """One result as a row of the case. `place` is its entry, -1 for a derived result."""

    place: int
    title: str
    code: str
    value: str
    unit: str
    sent: str
    flag: str
    reference: str
    outcome: str
    state: str
    settled_by: str
    until: datetime | None
    reasons: Sequence[Because] = ()
    comments: tuple[str, ...] = ()
    earlier: Sequence[Before] = ()
    drawing: Markup | None = None
    control: str = ""
    control_by: str = ""
    analyzer: str = ""
    flags: tuple[str, ...] = ()
    replaced: str = ""
    corrects: bool = False
    index: bool = False

    @property
    def held(self) -> bool:
        """Whether a person has to settle it."""
        return self.state == "open" and self.outcome == "hold"

    @property
    def order(self) -> tuple[int, int, int]:
        """Held before waiting before settled, otherwise as the sender listed them."""
        return (_ORDER.get(self.state, 3), _OUTCOMES.get(self.outcome, 3), self.place)


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


@dataclass(slots=True)
class _Known:
    """What the lines of one case are made from."""

    stored: StoredCase
    catalogue: Catalogue
    facts: Case | None
    latest: Mapping[int, ResultDecision]
    earlier: Mapping[str, tuple[Earlier, ...]]
    controls: Mapping[str, ControlRow]
    by_entry: dict[int, Value] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.facts:
            self.by_entry = {result.entry: result.value for result in self.facts.results}


def case_view(reader: Reader, case_id: int, catalogue: Catalogue, now: datetime) -> CaseView | None:
    """Gather a case with its history, decisions, messages and record; None if there is none."""
    stored = reader.case(case_id)
    if stored is None:
        return None
    decisions = reader.decisions(case_id)
    last = decisions[-1] if decisions else None
    patient, specimen = stored.record.patient, stored.record.specimen
    known = _Known(
        stored,
        catalogue,
        reader.facts(last.id) if last else None,
        {r.entry: r for made in decisions for r in made.decision.results},
        reader.earlier(
            patient.key if patient else "", since=now - LOOK_BACK, excluding=specimen.key
        ),
        {row.test: row for row in reader.controls()},
    )
    shown = sorted(_lines(known), key=lambda line: line.order)
    entries = stored.record.entries
    collected = specimen.collected.at if specimen.collected else now
    return CaseView(
        stored=stored,
        age=age_text(patient.birth if patient else None, collected.date()),
        lines=[line for line in shown if not line.index],
        derived=[_derived(item) for item in last.decision.derived] if last else [],
        indices=[line for line in shown if line.index],
        replaced=[entry for entry in entries if entry.state in ("superseded", "withdrawn")],
        doubts=stored.record.doubts,
        requests=last.decision.requests if last else (),
        decision=last,
        messages=list(dict.fromkeys(entry.message for entry in entries)),
        outgoing=reader.outgoing_of_case(case_id),
        trail=reader.audit_for_case(case_id),
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


def _lines(known: _Known) -> list[Line]:
    return [
        _line(known, place, entry)
        for place, entry in enumerate(known.stored.record.entries)
        if entry.state in _ORDER
    ]


def _line(known: _Known, place: int, entry: Entry) -> Line:
    seen, verdict = entry.observation, known.latest.get(place)
    name = verdict.test if verdict else ""
    test = known.catalogue.tests.get(name)
    value = verdict.value if verdict else seen.text or ""
    unit = verdict.unit if verdict else seen.unit
    said = f"{seen.text or 'nothing'} {seen.unit}".strip()
    earlier = [e for e in known.earlier.get(name, ()) if e.unit == unit][:MOST_EARLIER]
    present = known.by_entry.get(place)
    reference = verdict.reference if verdict else ""
    control = known.controls.get(name)
    facts = known.facts
    return Line(
        place=place,
        title=(verdict.title if verdict else "") or seen.name or seen.code,
        code=f"{seen.code} {seen.system}".strip(),
        value=value or (seen.text or "no value"),
        unit=unit,
        sent="" if said == f"{value} {unit}".strip() else said,
        flag=verdict.flag if verdict else "",
        reference=reference,
        outcome=verdict.outcome if verdict else "hold",
        state=entry.state,
        settled_by=entry.settled_by,
        until=_until(verdict),
        reasons=_because(verdict.reasons) if verdict else (),
        comments=verdict.comments if verdict else (),
        earlier=_before(earlier, present, test),
        drawing=_drawing(known, entry, earlier, present, reference),
        control=facts.quality.get(name, "unknown") if facts and test and test.controlled else "",
        control_by=f"{control.who}: {control.note}" if control else "",
        analyzer=seen.analyzer,
        flags=seen.flags,
        replaced=entry.previous or "",
        corrects=entry.corrects,
        index=test is not None and test.kind == "index",
    )


def _derived(item: ResultDecision) -> Line:
    return Line(
        place=-1,
        title=item.title,
        code=item.code,
        value=item.value,
        unit=item.unit,
        sent="",
        flag=item.flag,
        reference=item.reference,
        outcome=item.outcome,
        state="open" if item.outcome != "release" else "released",
        settled_by="",
        until=_until(item),
        reasons=_because(item.reasons),
    )


def _because(reasons: Sequence[Reason]) -> list[Because]:
    """Return the reasons, the worst first, those with the same words joined."""
    worst = worst_reason(reasons)
    groups: dict[tuple[str, str], list[Reason]] = {}
    for reason in sorted(reasons, key=lambda reason: reason is not worst):
        groups.setdefault((reason.kind, reason.text), []).append(reason)
    return [
        Because(
            kind,
            text,
            list(dict.fromkeys(fact for reason in group for fact in reason.facts)),
            [(reason.rule, reason.source) for reason in group],
            group[0].until,
        )
        for (kind, text), group in groups.items()
    ]


def _until(verdict: ResultDecision | None) -> datetime | None:
    if verdict is None or verdict.outcome != "wait":
        return None
    return min((reason.until for reason in verdict.reasons if reason.until), default=None)


def _before(
    earlier: Sequence[Earlier], present: Value | None, test: TestDefinition | None
) -> list[Before]:
    decimals = test.decimals if test else None
    return [
        Before(
            value_text(item.value, decimals) if isinstance(item.value, Number)
            else value_text(item.value),
            item.collected,
            item.specimen,
            _change(present, item.value),
        )
        for item in earlier
    ]  # fmt: skip


def _change(present: Value | None, before: Value) -> str:
    """Return the exact difference with its sign; nothing where one is no plain number."""
    if not (isinstance(present, Number) and isinstance(before, Number)):
        return ""
    difference = present.value - before.value
    sign = "+" if difference > 0 else "−" if difference < 0 else "±"
    return f"{sign}{abs(difference)}"


def _drawing(
    known: _Known,
    entry: Entry,
    earlier: Sequence[Earlier],
    present: Value | None,
    reference: str,
) -> Markup | None:
    collected = known.stored.record.specimen.collected
    at = collected.at if collected else entry.arrived
    points = [Point(item.collected, item.value) for item in reversed(earlier)]
    if present is not None:
        points.append(Point(at, present))
    return draw(points, reference)
