"""The rows of a case: each result with its values before, its reasons and its state."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from markupsafe import Markup

from verifier.facts.build import analyzer_of
from verifier.facts.case import Case, Earlier, Entry
from verifier.facts.catalogue import Catalogue, TestDefinition
from verifier.facts.numbers import value_text
from verifier.facts.presentation import Presentation
from verifier.facts.values import Number, Titer, Value
from verifier.facts.verdicts import Fact, Reason, ResultDecision
from verifier.store.rows import ControlRow, StoredCase
from verifier.store.severity import worst_reason
from verifier.web.history import Point, draw

MOST_EARLIER = 40
_ORDER = {"open": 0, "released": 1, "suppressed": 1, "rejected": 2}
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


@dataclass(slots=True)
class Known:
    """What the lines of one case are made from; `latest` is the last verdict on each entry."""

    stored: StoredCase
    catalogue: Catalogue
    facts: Case | None
    latest: Mapping[int, ResultDecision]
    earlier: Mapping[str, tuple[Earlier, ...]]
    controls: Mapping[tuple[str, str], ControlRow]
    by_entry: dict[int, Value] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.facts:
            self.by_entry = {result.entry: result.value for result in self.facts.results}


def lines(known: Known) -> list[Line]:
    """Return the results that stand, held ones first."""
    found = [
        _line(known, place, entry)
        for place, entry in enumerate(known.stored.record.entries)
        if entry.state in _ORDER
    ]
    return sorted(found, key=lambda line: line.order)


def _line(known: Known, place: int, entry: Entry) -> Line:
    seen, verdict = entry.observation, known.latest.get(place)
    name = verdict.test if verdict else ""
    test = known.catalogue.tests.get(name)
    value = verdict.value if verdict else seen.text or ""
    unit = verdict.unit if verdict else seen.unit
    said = f"{seen.text or 'nothing'} {seen.unit}".strip()
    present = test.present if test and test.present and test.present.unit == unit else None
    stored = test.unit if test and present else unit
    earlier = [e for e in known.earlier.get(name, ()) if e.unit == stored][:MOST_EARLIER]
    now = known.by_entry.get(place)
    reference = verdict.reference if verdict else ""
    control = known.controls.get((name, analyzer_of(entry))) or known.controls.get((name, ""))
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
        earlier=_before(earlier, now, test, present),
        drawing=_drawing(known, entry, _points(earlier, now, present), reference),
        control=facts.quality.get(name, "unknown") if facts and test and test.controlled else "",
        control_by=f"{control.who}: {control.note}" if control else "",
        analyzer=seen.analyzer,
        flags=seen.flags,
        replaced=entry.previous or "",
        corrects=entry.corrects,
        index=test is not None and test.kind == "index",
    )


def derived_line(item: ResultDecision) -> Line:
    """Return a derived result as a row; nobody settles it by hand."""
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
    earlier: Sequence[Earlier],
    now: Value | None,
    test: TestDefinition | None,
    present: Presentation | None,
) -> list[Before]:
    decimals = test.decimals if test else None
    if present:
        decimals = present.decimals
    return [
        Before(
            value_text(_shown(item.value, present), decimals) if isinstance(item.value, Number)
            else value_text(_shown(item.value, present)),
            item.collected,
            item.specimen,
            _change(now, item.value, present),
        )
        for item in earlier
    ]  # fmt: skip


def _shown(value: Value, present: Presentation | None) -> Value:
    return present.value(value) if present else value


def _change(now: Value | None, before: Value, present: Presentation | None = None) -> str:
    """Return the exact difference with its sign; nothing where one is no plain number."""
    titer = isinstance(now, Titer) or isinstance(before, Titer)
    if titer or not (isinstance(now, Number) and isinstance(before, Number)):
        return ""
    difference = now.value - before.value
    sign = "+" if difference > 0 else "−" if difference < 0 else "±"
    size = abs(difference)
    return f"{sign}{present.number(size) if present else size}"


def _points(
    earlier: Sequence[Earlier], now: Value | None, present: Presentation | None
) -> list[tuple[datetime | None, Value]]:
    """Return the values over time, oldest first; the present one has no time of its own here."""
    past: list[tuple[datetime | None, Value]] = [
        (item.collected, _shown(item.value, present)) for item in reversed(earlier)
    ]
    return past if now is None else [*past, (None, _shown(now, present))]


def _drawing(
    known: Known, entry: Entry, values: Sequence[tuple[datetime | None, Value]], reference: str
) -> Markup | None:
    collected = known.stored.record.specimen.collected
    at = collected.at if collected else entry.arrived
    return draw([Point(when or at, value) for when, value in values], reference)
