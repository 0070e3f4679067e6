"""The rows of a case: each result with its values before, its reasons and its state."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from markupsafe import Markup

from verifier.facts.build import analyzer_of
from verifier.facts.case import Case, ControlSays, Entry
from verifier.facts.catalogue import Catalogue, ConnectionMap, TestDefinition
from verifier.facts.values import Value
from verifier.facts.verdicts import Fact, Reason, ResultDecision
from verifier.language.program import Program
from verifier.language.scene import Scene
from verifier.store.qualityrows import Review
from verifier.store.rows import ControlRow, StoredCase
from verifier.store.search import FoundResult
from verifier.store.severity import worst_reason
from verifier.web.analyzer import Analyzer, analyzer_said
from verifier.web.catalogue import say
from verifier.web.changes import Change, change_of
from verifier.web.chart import chart
from verifier.web.earlier import Before, History, others
from verifier.web.formulas import Formula, formula_of
from verifier.web.history import draw
from verifier.web.limitlist import Band, Limit, band_of, limits_of
from verifier.web.segments import Said
from verifier.web.units import readable

_ORDER = {"open": 0, "released": 1, "suppressed": 1, "rejected": 2}
_OUTCOMES = {"hold": 0, "wait": 1, "release": 2}


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
    test: str = ""
    others: Sequence[Before] = ()
    drawing: Markup | None = None
    chart: Markup | None = None
    band: Band | None = None
    change: Change | None = None
    limits: Sequence[Limit] = ()
    analyzer_said: Analyzer | None = None
    formula: Formula | None = None
    control: str = ""
    control_by: str = ""
    analyzer: str = ""
    flags: tuple[str, ...] = ()
    replaced: str = ""
    corrects: bool = False
    index: bool = False
    reviews: Sequence[Review] = ()

    @property
    def earlier(self) -> list[Before]:
        """Values of specimens collected before this one, newest first."""
        return [one for one in self.others if not one.later]

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
    program: Program
    maps: Mapping[str, ConnectionMap]
    zone: ZoneInfo
    facts: Case | None
    latest: Mapping[int, ResultDecision]
    past: Mapping[str, Sequence[FoundResult]]
    messages: Mapping[int, Said]
    controls: Mapping[tuple[str, str], ControlRow]
    reviews: Sequence[Review] = ()
    by_entry: dict[int, Value] = field(default_factory=dict)
    said: dict[int, ControlSays] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.facts:
            self.by_entry = {result.entry: result.value for result in self.facts.results}
            found = self.facts.results
            self.said = {result.entry: result.control for result in found if result.control}

    @property
    def catalogue(self) -> Catalogue:
        """The tests of the rules in use."""
        return self.program.catalogue

    def scene(self, test: str) -> Scene | None:
        """Return what rules read with the result of a test in hand, None where that is not kept."""
        if self.facts is None or test not in self.catalogue.tests:
            return None
        return self.program.scene_of(self.facts, test)


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
    said = f"{seen.text or say('nothing')} {seen.unit}".strip()
    control = known.controls.get((name, analyzer_of(entry))) or known.controls.get((name, ""))
    line = Line(
        place=place,
        title=(verdict.title if verdict else "") or seen.name or seen.code,
        code=f"{seen.code} {seen.system}".strip(),
        value=value or (seen.text or say("no value")),
        unit=unit,
        sent="" if said == f"{value} {unit}".strip() else readable(said),
        flag=verdict.flag if verdict else "",
        reference=verdict.reference if verdict else "",
        outcome=verdict.outcome if verdict else "hold",
        state=entry.state,
        settled_by=entry.settled_by,
        until=_until(verdict),
        reasons=because(verdict.reasons) if verdict else (),
        comments=verdict.comments if verdict else (),
        test=name,
        control=_control(known, place, test),
        control_by=f"{control.who}: {control.note}".rstrip(": ") if control else "",
        analyzer=seen.analyzer,
        flags=seen.flags,
        replaced=entry.previous or "",
        corrects=entry.corrects,
        index=test is not None and test.kind == "index",
        analyzer_said=analyzer_said(entry, known.maps.get(entry.connection), known.messages),
        reviews=[each for each in known.reviews if each.entry == place],
    )
    return _with_past(known, line, test, entry)


def _control(known: Known, place: int, test: TestDefinition | None) -> str:
    """Return the control state a result was judged with: that of its own analyzer where known."""
    if known.facts is None or test is None or not test.controlled:
        return ""
    own = known.said.get(place)
    return own.state if own else known.facts.quality.get(test.name, "unknown")


def _with_past(known: Known, line: Line, test: TestDefinition | None, entry: Entry) -> Line:
    """Return a line with the values of other specimens, drawn, and with its limits."""
    present = test.present if test and test.present and test.present.unit == line.unit else None
    specimen, now = known.stored.record.specimen, known.by_entry.get(line.place)
    past = known.past.get(line.test, ()) if line.test else ()
    found = others(past, test, now, specimen, present, line.unit)
    shown = present.value(now) if present and now is not None else now
    scene, tables = known.scene(line.test), known.program.tables
    band = band_of(line.test, tables, scene) if scene else None
    at = specimen.collected.at if specimen.collected else entry.arrived
    values = History(line.title, line.unit, line.value, shown, at, found)
    return replace(
        line,
        others=found,
        drawing=draw(values.points(), line.reference),
        chart=chart(values.readouts(known.zone), band, known.zone, values.label(band)),
        band=band,
        change=change_of(shown, line.unit, found, scene, tables, line.test),
        limits=limits_of(line.test, tables, scene) if scene else (),
    )


def derived_line(known: Known, item: ResultDecision) -> Line:
    """Return a derived result as a row; nobody settles it by hand."""
    scene = known.program.scene(known.facts) if known.facts else None
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
        reasons=because(item.reasons),
        test=item.test,
        limits=limits_of(item.test, known.program.tables, scene) if scene else (),
        formula=formula_of(known.program, item.test, known.facts),
    )


def because(reasons: Sequence[Reason]) -> list[Because]:
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
