"""Released results of the same patient and test, in the unit the page shows, with their change."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from verifier.facts.catalogue import TestDefinition
from verifier.facts.mapping import in_unit_of
from verifier.facts.numbers import value_text
from verifier.facts.presentation import Presentation
from verifier.facts.subjects import Specimen
from verifier.facts.values import Number, Titer, Value
from verifier.store.search import FoundResult
from verifier.web import chart, history
from verifier.web.catalogue import say
from verifier.web.limitlist import Band
from verifier.web.units import readable
from verifier.web.words import dated

MOST = 40


@dataclass(frozen=True, slots=True)
class Before:
    """A released value of another specimen. `value` and `unit` are as shown.

    `apart` says why it can not be compared with the present one, empty where it can; `note` what
    else a reader should know. `later` is one collected after the present specimen.
    """

    text: str
    unit: str
    value: Value
    collected: datetime
    specimen: str
    case_id: int
    analyzer: str
    change: str = ""
    apart: str = ""
    note: str = ""
    later: bool = False


@dataclass(frozen=True, slots=True)
class History:
    """The present value among those of other specimens, in the unit shown."""

    title: str
    unit: str
    text: str
    now: Value | None
    at: datetime
    others: Sequence[Before]

    def points(self) -> list[history.Point]:
        """Return the comparable values up to the present one, oldest first."""
        past = [one for one in reversed(self.others) if not one.apart and not one.later]
        points = [history.Point(one.collected, one.value) for one in past]
        return points if self.now is None else [*points, history.Point(self.at, self.now)]

    def readouts(self, zone: ZoneInfo) -> list[chart.Point]:
        """Return all comparable values with what is read out of them, oldest first."""
        points = [
            chart.Point(one.collected, one.value, _readout(one, zone))
            for one in self.others
            if not one.apart
        ]
        if self.now is not None:
            value, at = f"{self.text} {readable(self.unit)}".strip(), dated(self.at, zone)
            said = say("%(value)s, this specimen, %(at)s", value=value, at=at)
            points.append(chart.Point(self.at, self.now, said, present=True))
        return sorted(points, key=lambda point: (point.at, point.present))

    def label(self, band: Band | None) -> str:
        """Return what the drawing is called."""
        unit = readable(self.unit) or say("its values")
        called = say("%(test)s in %(unit)s over time", test=self.title, unit=unit)
        if band is None:
            return called
        of = say("reference %(limits)s for %(whom)s", limits=band.text, whom=band.whom)
        return f"{called}; {of}"


def _readout(one: Before, zone: ZoneInfo) -> str:
    parts = (
        f"{one.text} {readable(one.unit)}".strip(),
        dated(one.collected, zone),
        say("specimen %(specimen)s", specimen=one.specimen),
        one.analyzer,
        one.note,
    )
    return ", ".join(part for part in parts if part)


def others(
    past: Sequence[FoundResult],
    test: TestDefinition | None,
    now: Value | None,
    specimen: Specimen,
    present: Presentation | None,
    unit: str,
) -> list[Before]:
    """Return the values of other specimens, newest first.

    `now` is the present value in the unit of the test; where its unit is none of the test's,
    only values of the same `unit` are comparable.
    """
    found = [_before(one, test, now, specimen, present, unit) for one in past if one.collected]
    return [one for one in found if one.specimen != specimen.key or not specimen.key][:MOST]


def _before(
    past: FoundResult,
    test: TestDefinition | None,
    now: Value | None,
    specimen: Specimen,
    present: Presentation | None,
    unit: str,
) -> Before:
    value, apart, note = past.value, "", ""
    wanted = test.unit if test and (present or test.unit == unit) else unit
    shown = past.unit
    if past.unit != wanted:
        converted = in_unit_of(test, value, past.unit) if test and test.unit == wanted else None
        stored = readable(past.unit) or say("no unit")
        apart = "" if converted else say("in %(unit)s", unit=stored)
        note = say("stored in %(unit)s", unit=stored) if converted else ""
        value, shown = converted or value, wanted if converted else past.unit
    if past.specimen_type and specimen.type and past.specimen_type != specimen.type:
        apart = say("of %(specimen)s", specimen=past.specimen_type)
    collected = past.collected
    assert collected is not None
    later = specimen.collected is not None and collected > specimen.collected.at
    change = "" if apart or later else difference(now, value, present)
    if present and shown == wanted:
        value, shown = present.value(value), present.unit
    decimals = (present.decimals if present else test.decimals) if test else None
    text = value_text(value, decimals if isinstance(value, Number) else None)
    return Before(
        text, shown, value, collected, past.specimen, past.case_id, past.analyzer or "",
        change, apart, note, later,
    )  # fmt: skip


def difference(now: Value | None, before: Value, present: Presentation | None = None) -> str:
    """Return the exact difference with its sign; nothing where one is no plain number."""
    titer = isinstance(now, Titer) or isinstance(before, Titer)
    if titer or not (isinstance(now, Number) and isinstance(before, Number)):
        return ""
    change = now.value - before.value
    sign = "+" if change > 0 else "−" if change < 0 else "±"
    size = abs(change)
    return f"{sign}{present.number(size) if present else size}"
